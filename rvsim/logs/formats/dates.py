"""Dates and times of day, as logs write them, as integer microseconds.

Knows: dates in the order year, month, day (ISO 8601) and day, month, year with dots. Does not know which format they
are in. A date with slashes that begins with a day or a month can be read in two ways and is not read.
"""

import re
from datetime import UTC, datetime, timedelta, timezone
from functools import lru_cache

from rvsim.wire.frame import SECOND_US

_CLOCK = r"(\d\d?):(\d\d):(\d\d)(?:[.,](\d{1,9}))?"
_DATE = re.compile(
    rf"(?:(\d{{4}})[-/.](\d\d?)[-/.](\d\d?)|(\d\d?)\.(\d\d?)\.(\d{{4}}))[T _]\s*{_CLOCK}\s*(Z|[+-]\d\d:?\d\d)?",
    re.ASCII,
)
_TIME_OF_DAY = re.compile(_CLOCK, re.ASCII)


def parse_date_us(text: str) -> int | None:
    """Return a date in microseconds since the epoch, None where it is none.

    One without a zone is in that of this machine.
    """
    found = _DATE.fullmatch(text.strip())
    if not found:
        return None
    year, month, day, other_day, other_month, other_year, hour, minute, second, fraction, zone = found.groups()
    start = _seconds(year or other_year, month or other_month, day or other_day, hour, minute, second, zone)
    return None if start is None else start * SECOND_US + _fraction_us(fraction)


def parse_time_of_day_us(text: str) -> int | None:
    """Return a time of day in microseconds since midnight, None where it is none."""
    found = _TIME_OF_DAY.fullmatch(text.strip())
    if not found:
        return None
    hour, minute, second, fraction = found.groups()
    return (int(hour) * 3600 + int(minute) * 60 + int(second)) * SECOND_US + _fraction_us(fraction)


def _fraction_us(digits: str | None) -> int:
    """Return the fraction of a second in microseconds, rounded half up."""
    return (int((digits or "0").ljust(9, "0")) + 500) // 1000


@lru_cache(maxsize=16)
def _seconds(year: str, month: str, day: str, hour: str, minute: str, second: str, zone: str | None) -> int | None:
    """Return the seconds since the epoch, None where there is no such date."""
    try:
        date = datetime(int(year), int(month), int(day), int(hour), int(minute), int(second))
        if zone is None:
            return int(date.timestamp())
        digits = zone[1:].replace(":", "")
        ahead = timedelta(hours=int(digits[:2]), minutes=int(digits[2:])) if digits else timedelta()
        return int(date.replace(tzinfo=timezone(-ahead if zone[0] == "-" else ahead) if digits else UTC).timestamp())
    except (ValueError, OverflowError, OSError):
        return None
