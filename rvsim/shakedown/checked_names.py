"""Types of the values in a scenario that are checked when it is loaded: names, frame data, spans of time.

Knows: which texts can be the name of a message or field, a frame's data, a device of the rig, a flag kind. Does not
know what they are used for.
"""

import re
from collections.abc import Callable
from enum import StrEnum
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, field_validator

from rvsim.errors import did_you_mean
from rvsim.rig.field_types import Duration
from rvsim.rig.quantity import duration_text, shown
from rvsim.rig.table import OneLineText, Table
from rvsim.watch.flag import FlagKind
from rvsim.watch.transitions import Presence

_BYTES = re.compile(r"(?:[0-9A-Fa-f]{2} ?){0,7}[0-9A-Fa-f]{2}|")


def _checked_name(text: str) -> str:
    if not (text.isidentifier() and text.isascii()):
        raise ValueError(f"{shown(text)} is not a name of a message or field; write letters, digits and _ only")
    return text


def _checked_bytes(text: str) -> str:
    if not _BYTES.fullmatch(text):
        raise ValueError(f'{shown(text)} is not the data of a frame; write up to 8 bytes in hex, like "01 00 C8"')
    return text


def _in_the_rig(name: str, info: ValidationInfo) -> str:
    devices = (info.context or {}).get("devices")
    if devices is not None and name not in devices:
        raise ValueError(
            f"{shown(name)} is not in the rig{did_you_mean(name, devices)}; its devices are {', '.join(devices)}"
        )
    return name


def _one_of(names: type[StrEnum], what: str) -> Callable[[object], object]:
    def read(given: object) -> object:
        known = [str(name) for name in names]
        if not isinstance(given, str) or given not in known:
            close = did_you_mean(given, known) if isinstance(given, str) else ""
            raise ValueError(f"{shown(given)} is not a {what}{close}; write one of {', '.join(known)}")
        return names(given)

    return read


FlagKindName = Annotated[FlagKind, BeforeValidator(_one_of(FlagKind, "flag kind"))]
"""The name of a flag kind."""
PresenceName = Annotated[Presence, BeforeValidator(_one_of(Presence, "state of the roll call"))]
"""The name of a state of the roll call."""
PositiveDuration = Annotated[Duration, Field(gt=0)]
"""A duration above zero, in microseconds."""
DefinedName = Annotated[str, AfterValidator(_checked_name)]
"""The name of a message or field."""
FrameBytes = Annotated[str, AfterValidator(_checked_bytes)]
"""Up to 8 bytes of a frame in hex, with or without single spaces between them."""
DeviceName = Annotated[OneLineText, AfterValidator(_in_the_rig)]
"""The name of a device of the rig. Checked where the validation context has the names as ``devices``."""


class TimeSpan(Table):
    """A span of time of the run, in microseconds since its start; ``until`` None is the end of the run."""

    since: Duration | None = Field(default=None, alias="from")
    """The time at which it starts, since the start of the run."""
    until: Duration | None = None
    """The time at which it ends; the end of the run if omitted."""

    @field_validator("until")
    @classmethod
    def _later(cls, until: int | None, info: ValidationInfo) -> int | None:
        since = info.data.get("since")
        if until is not None and since is not None and until <= since:
            raise ValueError(
                f"{duration_text(until)} is not after from, {duration_text(since)}; write a later time, or omit until"
            )
        return until
