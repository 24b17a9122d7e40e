"""Where the numbers on rails came from.

Knows: a minute or more of each number that stands on a rail, in bounded memory. Does not know who says it or how it
is drawn.
"""

from collections import deque
from typing import Any

SAMPLE_INTERVAL_US = 5_000_000
"""One figure is kept in this time."""
MAX_SAMPLES = 25
"""Figures kept of each number: two minutes. Older ones go, so that a look after a pause tells nothing stale."""
MIN_SPAN_US = 50_000_000
"""A trend is told once figures reach back this far."""
MAX_NUMBERS = 2_000
"""Numbers that are followed at once; the one that was noted longest ago goes first."""


class Trends:
    """The recent past of numbers, by any key."""

    def __init__(self) -> None:
        self._figures: dict[Any, deque[tuple[int, float]]] = {}

    def add(self, key: Any, time: int, value: float) -> None:
        """Keep a figure, if the last one is old enough."""
        figures = self._figures.pop(key, None)
        if figures is None:
            figures = deque(maxlen=MAX_SAMPLES)
            if len(self._figures) >= MAX_NUMBERS:
                del self._figures[next(iter(self._figures))]
        self._figures[key] = figures
        while figures and time - figures[0][0] > MAX_SAMPLES * SAMPLE_INTERVAL_US:
            figures.popleft()
        if not figures or time - figures[-1][0] >= SAMPLE_INTERVAL_US:
            figures.append((time, value))

    def clear(self, key: Any) -> None:
        """Forget a number: what is told of it cannot be believed."""
        self._figures.pop(key, None)

    def oldest(self, key: Any) -> float | None:
        """Return the oldest figure that is kept."""
        figures = self._figures.get(key)
        return figures[0][1] if figures else None

    def change_per_minute(self, key: Any) -> float | None:
        """Return the change in a minute; None where the figures do not reach back far enough."""
        figures = self._figures.get(key)
        if not figures or figures[-1][0] - figures[0][0] < MIN_SPAN_US:
            return None
        (then, before), (now, after) = figures[0], figures[-1]
        return (after - before) * 60e6 / (now - then)
