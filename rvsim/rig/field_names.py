"""Checks the field names in a rig against the message definitions.

Knows: ``limits`` and ``required`` name ``MESSAGE.field`` or a field alone, ``accepted`` names a message and its field.
Does not know files. The check follows the reading of the rig, because a rig can have definitions of its own.
"""

from collections.abc import Iterable, Iterator

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.accepted import AcceptedPlan
from rvsim.rig.model import Rig
from rvsim.wire.catalogue import Catalogue


def check_fields(rig: Rig, catalogue: Catalogue) -> None:
    """Refuse names that are in no definition; else a typing mistake would disable a check without notice.

    Raises:
        InputError: one line for each name.
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
    """Yield each name of a device that is in no definition: the device, the key, what is wrong."""
    for device in rig.devices:
        for key, names in (("limits", device.limits), ("required", device.required)):
            yield from ((device.name, key, problem) for name in names for problem in _field_problems(name, catalogue))


def accepted_problems(rig: Rig, catalogue: Catalogue) -> Iterator[tuple[int, str]]:
    """Yield each mistake in ``accepted``, with its index in the list, from 0."""
    for number, plan in enumerate(rig.accepted):
        yield from ((number, problem) for problem in _accepted_problems(plan, catalogue))


def _accepted_problems(plan: AcceptedPlan, catalogue: Catalogue) -> Iterator[str]:
    """Yield the mistakes of one entry; a DGN need not have a definition unless a field is named."""
    if plan.message is None:
        return
    if plan.dgn is None and plan.message not in catalogue.names:
        yield f"no message is called {plan.message}{did_you_mean(plan.message, catalogue.names)}; correct the name"
        return
    spec = catalogue.by_name(plan.message) if plan.dgn is None else catalogue.by_dgn(plan.dgn)
    if plan.field is not None and spec is None:
        yield f"DGN {plan.message} hex has no definition here, so no field {plan.field} either; give a DBC file for it"
    elif plan.field is not None and spec is not None and plan.field not in spec.by_name:
        known = spec.by_name
        yield f"{spec.name} has no field {plan.field}{did_you_mean(plan.field, known)}; {_fields_text(known)}"


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
