"""Whether the times of a log are in another unit than they are taken for.

Knows: how far the gaps of messages lie from those that their definitions promise. Does not know frames.
"""

from collections.abc import Sequence
from statistics import median

MIN_GAPS = 5
"""A message counts that came more often than this. Our decision."""
MIN_MESSAGES = 3
"""With fewer messages nothing can be told. Our decision."""
FACTORS = (1_000, 1_000_000)
"""Milliseconds and microseconds, written where seconds belong."""
MAX_RATIO = 2.5
"""By how much the gaps may differ from the promised ones times a factor: devices send up to twice as often or half as
often as promised. Our decision; the factors lie much further apart."""


def unit_factor(gaps: Sequence[tuple[int, int]]) -> int | None:
    """Return by how much the times are too long, None where they are not, or it cannot be told.

    Args:
        gaps: the median gap of each message, and the one that its definition promises, in one unit.
    """
    if len(gaps) < MIN_MESSAGES:
        return None
    ratio = median(own / promised for own, promised in gaps)
    return next((factor for factor in FACTORS if factor / MAX_RATIO <= ratio <= factor * MAX_RATIO), None)
