"""Words of a scenario that are checked against its rig and against how messages are named, and times.

Knows: a name of a message or field, a frame's bytes, a device of the rig, from when to when. Does not know what is
said with them.
"""

import re
from collections.abc import Callable
from enum import StrEnum
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, field_validator

from rvsim.errors import did_you_mean
from rvsim.rig.quantity import Duration, shown, spoken
from rvsim.rig.table import Line, Table
from rvsim.watch.flag import FlagKind
from rvsim.watch.transitions import Presence

_BYTES = re.compile(r"(?:[0-9A-Fa-f]{2} ?){0,7}[0-9A-Fa-f]{2}|")


def _word(text: str) -> str:
    if not (text.isidentifier() and text.isascii()):
        raise ValueError(f"{shown(text)} is not such a name; write letters, digits and _ only")
    return text


def _bytes(text: str) -> str:
    if not _BYTES.fullmatch(text):
        raise ValueError(f'{shown(text)} is no frame\'s bytes; write up to 8 in hex, like "01 00 C8"')
    return text


def _in_the_rig(name: str, info: ValidationInfo) -> str:
    devices = (info.context or {}).get("devices")
    if devices is not None and name not in devices:
        raise ValueError(
            f"{shown(name)} is not in the rig{did_you_mean(name, devices)}; its devices are {', '.join(devices)}"
        )
    return name


def _one_of(words: type[StrEnum], what: str) -> Callable[[object], object]:
    def read(given: object) -> object:
        known = [str(word) for word in words]
        if not isinstance(given, str) or given not in known:
            close = did_you_mean(given, known) if isinstance(given, str) else ""
            raise ValueError(f"{shown(given)} is no {what}{close}; write one of {', '.join(known)}")
        return words(given)

    return read


KindWord = Annotated[FlagKind, BeforeValidator(_one_of(FlagKind, "kind of flag"))]
PresenceWord = Annotated[Presence, BeforeValidator(_one_of(Presence, "state of the roll call"))]
Positive = Annotated[Duration, Field(gt=0)]
Word = Annotated[str, AfterValidator(_word)]
"""The name of a message or field."""
Bytes = Annotated[str, AfterValidator(_bytes)]
"""Up to 8 bytes of a frame in hex, with or without single spaces between them."""
InTheRig = Annotated[Line, AfterValidator(_in_the_rig)]
"""The name of a device of the rig. Checked where the validation context has the names as ``devices``."""


class Timed(Table):
    """Something that lasts from one time of the run to another; ``until`` None is the end."""

    since: Duration | None = Field(default=None, alias="from")
    until: Duration | None = None

    @field_validator("until")
    @classmethod
    def _later(cls, until: int | None, info: ValidationInfo) -> int | None:
        since = info.data.get("since")
        if until is not None and since is not None and until <= since:
            raise ValueError(f"{spoken(until)} is not after from, {spoken(since)}; write a later time, or leave it out")
        return until
