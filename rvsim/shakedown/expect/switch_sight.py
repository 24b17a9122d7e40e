"""Sights of switches and outputs by their names in the rig, in place of message, instance and field.

Knows: which message, instance and field a switch, a key or an output of a rig has on the network, and that an output is
on above 0 %. Does not know what a frame is held against.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from rvsim.rig.contact_plans import contact_plans, unknown_contact_text
from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown
from rvsim.rig.references import unknown_text
from rvsim.rig.table import Mistake, validation_error

_NAMES = ("input", "output")
_REPLACED = ("message", "identifier", "instance", "field")
"""The keys that the name of a switch or of an output stands for."""
STATUS_BY_FORM: Mapping[str, tuple[str, str]] = {
    "dimmer": ("DC_DIMMER_STATUS_3", "operating_status"),
    "load": ("DC_LOAD_STATUS", "operating_status"),
}
"""The message and the field with the level of an output, by what the output is on the network."""


def completed_sight(given: object, rig: object) -> object:
    """Return a sight as it is written, with message, instance and field where it names a switch or an output.

    Args:
        given: the table as it is written; without such a name it is returned unchanged.
        rig: the rig; anything else where it is not known or has mistakes.

    Raises:
        ValidationError: the name is not in the rig, or is not on the network.
    """
    key = next((key for key in _NAMES if isinstance(given, Mapping) and isinstance(given.get(key), str)), None)
    if key is None or not isinstance(given, Mapping):
        return given
    problems = [*_mistakes(given, key), *(_unknown(rig, key, given[key]) if isinstance(rig, Rig) else ())]
    if problems:
        raise validation_error("sight", problems)
    if key == "input":
        instance = contact_plans(rig)[given[key]].instance if isinstance(rig, Rig) else None
        return {**given, "message": "DIGITAL_INPUT_STATUS", "field": "switch_position", "instance": instance}
    form, instance = "dimmer", None
    if isinstance(rig, Rig):
        plan = next(plan for plan in rig.outputs if plan.name == given[key])
        form, instance = plan.form, plan.instance
    message, field = STATUS_BY_FORM[form]
    return {**_with_level(given), "message": message, "field": field, "instance": instance}


def _with_level(given: Mapping[str, Any]) -> dict[str, Any]:
    """Return the conditions on an output as conditions on its level: on is above 0, off is 0."""
    level = dict(given)
    if level.get("is") == "on":
        del level["is"]
        level["above"] = 0.0
    if level.get("becomes") == "on":
        level["becomes"], level["above"] = True, 0.0
    for name in ("is", "becomes"):
        if level.get(name) == "off":
            level[name] = 0.0
    return level


def _mistakes(given: Mapping[str, Any], key: str) -> Iterator[Mistake]:
    for other in (*_REPLACED, *(name for name in _NAMES if name != key)):
        if other in given:
            yield Mistake((other,), f"{key} stands for the {other} as well; omit one of both", given[other])


def _unknown(rig: Rig, key: str, name: str) -> Iterator[Mistake]:
    """Yield why a name is not seen on the bus."""
    if key == "input":
        contacts = contact_plans(rig)
        known, instance = name in contacts, contacts[name].instance if name in contacts else None
        text = unknown_contact_text(name, contacts)
    else:
        outputs = {plan.name: plan.instance for plan in rig.outputs}
        known, instance = name in outputs, outputs.get(name)
        text = unknown_text(name, outputs, "outputs")
    if known and instance is None:
        text = f"{shown(name)} has no instance, so it is not seen on the bus; give it one in the rig"
    if instance is None:
        yield Mistake((key,), text, name)
