"""Holds the field names in a rig against the message definitions.

Knows: that ``limits`` and ``required`` name ``MESSAGE.field``, or a field alone. Does not know files; the definitions
are known only once the rig is read, since it may bring its own.
"""

from collections.abc import Iterator

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.model import Rig
from rvsim.wire.catalogue import Catalogue


def check_fields(rig: Rig, catalogue: Catalogue) -> None:
    """Refuse names that no definition has; without this a slip of the pen would silently watch nothing.

    Raises:
        InputError: a line for each name.
    """
    fields = {field.name for spec in catalogue for field in spec.fields}
    problems = [
        f'rig "{rig.name}", device "{device.name}", {key}: {problem}'
        for device in rig.devices
        for key, names in (("limits", device.limits), ("required", device.required))
        for name in names
        for problem in _problems(name, fields, catalogue)
    ]
    if problems:
        raise InputError(*problems)


def _problems(name: str, fields: set[str], catalogue: Catalogue) -> Iterator[str]:
    message, dot, field = name.rpartition(".")
    if not dot:
        if field not in fields:
            yield f"no message has a field {field}{did_you_mean(field, fields)}; correct the name"
        return
    if message not in catalogue.names:
        yield f"no message is called {message}{did_you_mean(message, catalogue.names)}; correct the name"
        return
    known = catalogue.by_name(message).by_name
    if field not in known:
        yield f"{message} has no field {field}{did_you_mean(field, known)}; it has {', '.join(known)}"
