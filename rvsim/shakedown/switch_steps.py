"""Steps by which people use the vehicle's switches: a press, switches that stay as they are set, overrides by hand.

Knows: how they are written and said, and which names a rig has for them. Does not know what a device does then.
"""

from collections.abc import Collection, Iterator, Mapping
from typing import Literal

from rvsim.rig.contact_plans import ContactPlan, unknown_contact_text
from rvsim.rig.quantity import duration_text, shown
from rvsim.rig.references import unknown_text
from rvsim.rig.table import Mistake, OneLineText

DEFAULT_HOLD_US = 200_000
"""How long a finger stays on a key. Common practice, no source."""
Switched = Mapping[OneLineText, Literal["on", "off"]]
"""Maintained switches by their names, each on or off."""

Overrides = Mapping[OneLineText, Literal["on", "off", "none"]]
"""Outputs by their names, set by hand at their module: on or off whatever is commanded; none: as commanded."""


def press_sentence(name: str, hold: int) -> str:
    """Say a press."""
    return f"{name} is pressed for {duration_text(hold)}"


def switch_sentences(switched: Mapping[str, str]) -> Iterator[str]:
    """Say each switch that is set."""
    return (f"{name} is switched {position}" for name, position in switched.items())


def override_sentences(overrides: Mapping[str, str]) -> Iterator[str]:
    """Say each override that is set by hand."""
    return (
        f"{name} is as commanded again" if override == "none" else f"{name} is set {override} by hand at its module"
        for name, override in overrides.items()
    )


def press_mistakes(name: str, contacts: Mapping[str, ContactPlan]) -> Iterator[Mistake]:
    """Yield what is wrong with the name of a press; places are below the step."""
    if name not in contacts:
        yield Mistake(("press",), unknown_contact_text(name, contacts), name)
    elif contacts[name].is_maintained:
        text = f'{shown(name)} stays as it is set; write switch = {{ {shown(name)} = "on" }}'
        yield Mistake(("press",), text, name)
    else:
        yield from _unread(("press",), contacts[name])


def switch_mistakes(switched: Mapping[str, str], contacts: Mapping[str, ContactPlan]) -> Iterator[Mistake]:
    """Yield what is wrong with the names of switches that are set; places are below the step or the start."""
    for name in switched:
        if name not in contacts:
            yield Mistake(("switch", name), unknown_contact_text(name, contacts), name)
        elif not contacts[name].is_maintained:
            text = f"{shown(name)} springs back; write press = {shown(name)} in a step"
            yield Mistake(("switch", name), text, name)
        else:
            yield from _unread(("switch", name), contacts[name])


def override_mistakes(overrides: Mapping[str, str], outputs: Collection[str]) -> Iterator[Mistake]:
    """Yield each override of an output that the rig does not have; places are below the step."""
    for name in overrides:
        if name not in outputs:
            yield Mistake(("override", name), unknown_text(name, outputs, "outputs"), name)


def _unread(place: tuple[str, ...], contact: ContactPlan) -> Iterator[Mistake]:
    """Yield a mistake for a contact that no device reads: using it would change nothing."""
    if contact.device is None:
        text = f"{shown(contact.name)} is on a module without a device, so nothing would happen; name its device"
        yield Mistake(place, text, contact.name)
