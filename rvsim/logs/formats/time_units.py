"""Recognises logs whose times are in another unit than seconds.

Knows: how the gaps of messages compare with the gaps in their definitions. Does not know frames.
"""

from collections.abc import Sequence
from statistics import median

MIN_GAPS = 5
"""Only messages that came more often than this are compared. Our decision."""
MIN_MESSAGES = 3
"""With fewer messages nothing is decided. Our decision."""
UNIT_FACTORS = (1_000, 1_000_000)
"""The factors of milliseconds and microseconds, written instead of seconds."""
MAX_RATIO = 2.5
"""The ratio by which the gaps may differ from the defined gaps times a factor: devices send up to twice as often or
half as often as defined. Our decision; the factors lie much further apart."""


def unit_factor(gaps: Sequence[tuple[int, int]]) -> int | None:
    """Return the factor by which the times are too long, None where they are not, or where that is not known.

    Args:
        gaps: the median gap of each message and the gap in its definition, both in one unit.
    """
    if len(gaps) < MIN_MESSAGES:
        return None
    ratio = median(measured / defined for measured, defined in gaps)
    return next((factor for factor in UNIT_FACTORS if factor / MAX_RATIO <= ratio <= factor * MAX_RATIO), None)
