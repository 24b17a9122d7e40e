"""Sights of switches by their names in the rig, in place of message, instance and field.

Knows: which message, instance and field a switch or a key of a rig has on the network. Does not know what a frame is
held against.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from rvsim.rig.contact_plans import ContactPlan, unknown_contact_text
from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake, validation_error

_REPLACED = ("message", "identifier", "instance", "field")
"""The keys that the name of a switch stands for."""


def completed_sight(given: object, rig: object, contacts: Mapping[str, ContactPlan]) -> object:
    """Return a sight as it is written, with message, instance and field where it names a switch; others unchanged.

    Args:
        given: the table as it is written.
        rig: the rig; anything else where it is not known or has mistakes.
        contacts: what can be pressed in the rig.

    Raises:
        ValidationError: the switch is not in the rig, or is not on the network.
    """
    if not isinstance(given, Mapping) or not isinstance(given.get("input"), str):
        return given
    problems = list(_mistakes(given))
    name: str = given["input"]
    if not problems and isinstance(rig, Rig):
        if name not in contacts:
            problems.append(Mistake(("input",), unknown_contact_text(name, contacts), name))
        elif contacts[name].instance is None:
            text = f"{shown(name)} has no instance, so it is not seen on the bus; give it one in the rig"
            problems.append(Mistake(("input",), text, name))
    if problems:
        raise validation_error("sight", problems)
    instance = contacts[name].instance if name in contacts else None
    return {**given, "message": "DIGITAL_INPUT_STATUS", "instance": instance, "field": "switch_position"}


def _mistakes(given: Mapping[str, Any]) -> Iterator[Mistake]:
    for key in _REPLACED:
        if key in given:
            yield Mistake((key,), f"input stands for the {key} as well; omit one of both", given[key])
