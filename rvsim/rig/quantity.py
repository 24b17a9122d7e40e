"""Quantities as people write them in rigs and scenarios, and as the program keeps and shows them.

Knows: durations, a number and a unit ("250ms", "20s", "1.5min", "2h"), exact in decimals and kept as integer
microseconds; and how a value from a file is shown in an error line. Does not know what lasts that long, nor any clock.
"""

import re
from collections.abc import Mapping
from typing import Annotated

from pydantic import BeforeValidator

_UNITS_US = {"ms": 1_000, "s": 1_000_000, "min": 60_000_000, "h": 3_600_000_000}
MAX_DURATION_US = 366 * 24 * 3_600_000_000
"""The longest duration that is read, a leap year: what is longer is a slip of the pen. Common practice, no source."""
_MAX_SHOWN_LENGTH = 40
_DURATION_PATTERN = re.compile(r"(-?)(\d+)(?:\.(\d+))? ?([a-z]*)", re.ASCII | re.IGNORECASE)
_ADVICE = 'write a number and its unit, ms, s, min or h, like "20s"'


def parse_duration_us(written: str) -> int:
    """Read a duration, exactly.

    Raises:
        ValueError: it is no duration, has no unit, is negative, longer than a year or finer than a microsecond.
    """
    parts = _DURATION_PATTERN.fullmatch(written) if len(written) <= _MAX_SHOWN_LENGTH else None
    if parts is None:
        raise ValueError(f"{shown(written)} is not a duration; {_ADVICE}")
    sign, whole, decimals, unit = parts.groups(default="")
    if sign:
        raise ValueError(f'"{written}" is negative; {_ADVICE}')
    if not unit:
        bare = written.strip()
        raise ValueError(f'{bare} has no unit; write the unit: "{bare}s"')
    if unit not in _UNITS_US:
        raise ValueError(f'"{written}" has the unknown unit {unit}; {_ADVICE}')
    finest: int = 10 ** len(decimals)
    exact, rest = divmod(int(whole + decimals) * _UNITS_US[unit], finest)
    if rest:
        raise ValueError(f'"{written}" is finer than a microsecond; write fewer decimals')
    if exact > MAX_DURATION_US:
        raise ValueError(f'"{written}" is longer than a year; write a shorter time')
    return exact


def duration_text(time: int) -> str:
    """Write microseconds as a duration in seconds, exactly: 250000 is ``0.25s``."""
    whole, rest = divmod(time, 1_000_000)
    return f"{whole}.{rest:06d}".rstrip("0").rstrip(".") + "s"


def shown(given: object, longest: int = _MAX_SHOWN_LENGTH) -> str:
    """Write a value from a file for an error line: short, on one line, with nothing a terminal would obey."""
    if isinstance(given, str):
        short = given if len(given) <= longest else given[:longest] + "..."
        return f'"{short}"' if short.isprintable() else f'"{ascii(short)[1:-1]}"'
    if isinstance(given, bool):
        return "true" if given else "false"
    if isinstance(given, int) and abs(given) >= 1 << 64:
        return "a number beyond all use"
    if isinstance(given, Mapping):
        return "a table"
    return "a list" if isinstance(given, list | tuple) else str(given)


def _read_duration(given: object) -> int:
    if isinstance(given, str):
        return parse_duration_us(given)
    if isinstance(given, int | float) and not isinstance(given, bool) and abs(given) < MAX_DURATION_US:
        return parse_duration_us(str(given))
    raise ValueError(f"{shown(given)} is not a duration; {_ADVICE}")


Duration = Annotated[int, BeforeValidator(_read_duration)]
"""Written as text with a unit, kept as integer microseconds."""


MAX_SEED = (1 << 63) - 1
"""Our decision: what a TOML file can hold as a whole number (TOML 1.0.0: 64 bits with a sign)."""


def check_seed(given: object) -> int:
    """Return a seed that is one, whoever gives it.

    Raises:
        ValueError: it is no whole number from 0 on, or is too high.
    """
    if isinstance(given, bool) or not isinstance(given, int) or not 0 <= given <= MAX_SEED:
        raise ValueError(f"{shown(given)} is no seed; write a whole number from 0 to {MAX_SEED}")
    return given


Seed = Annotated[int, BeforeValidator(check_seed)]
"""What all that is random in a run is drawn from."""


def time_text(time: int) -> str:
    """Write a time of a run, cut to milliseconds, so that nothing is shown later than it was."""
    return f"{time // 1_000_000}.{time % 1_000_000 // 1000:03d} s"
