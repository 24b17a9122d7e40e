"""Durations as people write them in rigs and scenarios, and as integer microseconds.

Knows: a number and a unit ("250ms", "20s", "1.5min", "2h"), exact in decimals. Does not know what lasts that long,
nor any clock.
"""

import re
from typing import Annotated

from pydantic import BeforeValidator

_MICROSECONDS = {"ms": 1_000, "s": 1_000_000, "min": 60_000_000, "h": 3_600_000_000}
LONGEST_US = 366 * 24 * 3_600_000_000
"""The longest duration that is read, a leap year: what is longer is a slip of the pen. Common practice, no source."""
_LONGEST_TEXT = 40
_WRITTEN = re.compile(r"(-?)(\d+)(?:\.(\d+))? ?([a-zµ]*)", re.ASCII | re.IGNORECASE)
_HOW = 'write a number and its unit, ms, s, min or h, like "20s"'


def microseconds(written: str) -> int:
    """Read a duration, exactly.

    Raises:
        ValueError: it is no duration, has no unit, is negative, longer than a year or finer than a microsecond.
    """
    parts = _WRITTEN.fullmatch(written) if len(written) <= _LONGEST_TEXT else None
    if parts is None:
        raise ValueError(f"this is not a duration; {_HOW}")
    sign, whole, decimals, unit = parts.groups(default="")
    if not unit:
        raise ValueError(f'{written} has no unit; write the unit: "{written.strip()}s"')
    if unit not in _MICROSECONDS:
        raise ValueError(f'"{written}" has an unknown unit; {_HOW}')
    if sign:
        raise ValueError(f'"{written}" is negative; {_HOW}')
    exact, rest = divmod(int(whole + decimals) * _MICROSECONDS[unit], 10 ** len(decimals))
    if rest:
        raise ValueError(f'"{written}" is finer than a microsecond; write fewer decimals')
    if exact > LONGEST_US:
        raise ValueError(f'"{written}" is longer than a year; write a shorter time')
    return exact


def spoken(time: int) -> str:
    """Write microseconds as a duration in seconds, exactly: 250000 is ``0.25s``."""
    whole, rest = divmod(time, 1_000_000)
    return f"{whole}.{rest:06d}".rstrip("0").rstrip(".") + "s"


def _read(given: object) -> int:
    if isinstance(given, str):
        return microseconds(given)
    if isinstance(given, int | float) and not isinstance(given, bool):
        return microseconds(f"{given:g}" if isinstance(given, float) else str(given)[:_LONGEST_TEXT])
    raise ValueError(f"this is not a duration; {_HOW}")


Duration = Annotated[int, BeforeValidator(_read)]
"""Written as text with a unit, kept as integer microseconds."""
