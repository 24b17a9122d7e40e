"""Holds the field names in a rig against the message definitions.

Knows: that ``limits`` and ``required`` name ``MESSAGE.field``, or a field alone, and what is accepted a message and its
field. Does not know files; the definitions are known only once the rig is read, since it may bring its own.
"""

from collections.abc import Iterable, Iterator

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.model import AcceptedPlan, Rig
from rvsim.wire.catalogue import Catalogue


def check_fields(rig: Rig, catalogue: Catalogue) -> None:
    """Refuse names that no definition has; without this a slip of the pen would silently watch nothing.

    Raises:
        InputError: a line for each name.
    """
    problems = [
        f'rig "{rig.name}", device "{device}", {key}: {text}'
        for device, key, text in device_field_problems(rig, catalogue)
    ]
    problems += [
        f'rig "{rig.name}", accepted {number + 1}: {text}' for number, text in accepted_problems(rig, catalogue)
    ]
    if problems:
        raise InputError(*problems)


def device_field_problems(rig: Rig, catalogue: Catalogue) -> Iterator[tuple[str, str, str]]:
    """Yield each name that a device has and no definition: the device, the key, what is wrong."""
    for device in rig.devices:
        for key, names in (("limits", device.limits), ("required", device.required)):
            yield from ((device.name, key, problem) for name in names for problem in _field_problems(name, catalogue))


def accepted_problems(rig: Rig, catalogue: Catalogue) -> Iterator[tuple[int, str]]:
    """Yield the same of what is accepted, with its place in the list, from 0."""
    for number, one in enumerate(rig.accepted):
        yield from ((number, problem) for problem in _accepted_problems(one, catalogue))


def _accepted_problems(one: AcceptedPlan, catalogue: Catalogue) -> Iterator[str]:
    """A DGN may have no definition; a field is known only where it has one."""
    if one.message is None:
        return
    if one.dgn is None and one.message not in catalogue.names:
        yield f"no message is called {one.message}{did_you_mean(one.message, catalogue.names)}; correct the name"
        return
    spec = catalogue.by_name(one.message) if one.dgn is None else catalogue.by_dgn(one.dgn)
    if one.field is not None and spec is None:
        yield f"DGN {one.message} hex has no definition here, so no field {one.field} either; give a DBC file for it"
    elif one.field is not None and spec is not None and one.field not in spec.by_name:
        known = spec.by_name
        yield f"{spec.name} has no field {one.field}{did_you_mean(one.field, known)}; {_fields_text(known)}"


def _field_problems(name: str, catalogue: Catalogue) -> Iterator[str]:
    message, dot, field = name.rpartition(".")
    if not dot:
        fields = {field.name for spec in catalogue for field in spec.fields}
        if field not in fields:
            yield f"no message has a field {field}{did_you_mean(field, fields)}; correct the name"
        return
    if message not in catalogue.names:
        yield f"no message is called {message}{did_you_mean(message, catalogue.names)}; correct the name"
        return
    known = catalogue.by_name(message).by_name
    if field not in known:
        yield f"{message} has no field {field}{did_you_mean(field, known)}; {_fields_text(known)}"


def _fields_text(known: Iterable[str]) -> str:
    return f"it has {', '.join(known)}" if known else "it is known by name only"
