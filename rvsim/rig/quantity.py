"""The text forms of durations, times, seeds and values in rigs, scenarios and error lines.

Knows: a duration is a number and a unit ("250ms", "20s", "1.5min", "2h"), converted exactly to integer microseconds;
and how a value from a file is shown in an error line. Does not know what a duration is for, nor any clock.
"""

import re
from collections.abc import Mapping

from rvsim.wire.frame import SECOND_US

_UNITS_US = {"ms": 1_000, "s": SECOND_US, "min": 60 * SECOND_US, "h": 3600 * SECOND_US}
MAX_DURATION_US = 366 * 24 * 3600 * SECOND_US
"""The longest valid duration, a leap year; a longer one is taken for a typing mistake. Common practice, no source."""
_MAX_SHOWN_LENGTH = 40
_DURATION_PATTERN = re.compile(r"(-?)(\d+)(?:\.(\d+))? ?([a-z]*)", re.ASCII | re.IGNORECASE)
_ADVICE = 'write a number and its unit, ms, s, min or h, like "20s"'


def parse_duration_us(written: str) -> int:
    """Return the microseconds of a duration, exactly.

    Raises:
        ValueError: it is not a duration, has no unit, is negative, longer than a year or finer than a microsecond.
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
    """Return microseconds as a duration in seconds, exactly: 250000 is ``0.25 s``."""
    whole, rest = divmod(time, SECOND_US)
    return f"{whole}.{rest:06d}".rstrip("0").rstrip(".") + " s"


def duration_as_typed(time: int) -> str:
    """Return microseconds as a person types a duration in a TOML file, exactly: 250000 is ``0.25s``."""
    return duration_text(time).replace(" ", "")


def shown(given: object, longest: int = _MAX_SHOWN_LENGTH) -> str:
    """Return a value from a file for an error line: short, on one line, without control characters."""
    if isinstance(given, str):
        short = given if len(given) <= longest else given[:longest] + "..."
        return f'"{short}"' if short.isprintable() else f'"{ascii(short)[1:-1]}"'
    if isinstance(given, bool):
        return "true" if given else "false"
    if isinstance(given, int) and abs(given) >= 1 << 64:
        return "a number that is too large"
    if isinstance(given, Mapping):
        return "a table"
    return "a list" if isinstance(given, list | tuple) else str(given)


def read_duration(given: object) -> int:
    """Return a duration of a file in microseconds.

    Raises:
        ValueError: it is none.
    """
    if isinstance(given, str):
        return parse_duration_us(given)
    if isinstance(given, int | float) and not isinstance(given, bool) and abs(given) < MAX_DURATION_US:
        return parse_duration_us(str(given))
    raise ValueError(f"{shown(given)} is not a duration; {_ADVICE}")


MAX_SEED = (1 << 63) - 1
"""Our decision: the largest integer of a TOML file (TOML 1.0.0: 64 bits with a sign)."""


def check_seed(given: object) -> int:
    """Return a valid seed unchanged.

    Raises:
        ValueError: it is not a whole number from 0 on, or is too high.
    """
    if isinstance(given, bool) or not isinstance(given, int) or not 0 <= given <= MAX_SEED:
        raise ValueError(f"{shown(given)} is not a seed; write a whole number from 0 to {MAX_SEED}")
    return given


def time_text(time: int) -> str:
    """Return a time of a run as text, truncated to milliseconds so that it is never later than the time."""
    return f"{time // SECOND_US}.{time % SECOND_US // 1000:03d} s"
