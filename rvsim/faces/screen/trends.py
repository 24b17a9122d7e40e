"""The recent past of the numbers on rails.

Knows: samples of each number over two minutes, in bounded memory. Does not know which device sends a number, nor how it
is drawn.
"""

from collections import deque
from collections.abc import Hashable

from rvsim.wire.frame import SECOND_US

SAMPLE_INTERVAL_US = 5 * SECOND_US
"""At most one sample of a number is kept in this time."""
MAX_SAMPLES = 25
"""Samples of each number: two minutes. Older ones are dropped, so that no old trend is shown after a gap."""
MIN_SPAN_US = 50 * SECOND_US
"""A change per minute needs samples over at least this time."""
MAX_NUMBERS = 2_000
"""Numbers with samples at one time; the number without a sample for the longest time is dropped first."""


class Trends:
    """Samples of numbers by key. Times are in microseconds."""

    def __init__(self) -> None:
        self._samples: dict[Hashable, deque[tuple[int, float]]] = {}

    def add(self, key: Hashable, time: int, value: float) -> None:
        """Add a sample, unless the last one is younger than `SAMPLE_INTERVAL_US`."""
        samples = self._samples.pop(key, None)
        if samples is None:
            samples = deque(maxlen=MAX_SAMPLES)
            if len(self._samples) >= MAX_NUMBERS:
                del self._samples[next(iter(self._samples))]
        self._samples[key] = samples
        while samples and time - samples[0][0] > MAX_SAMPLES * SAMPLE_INTERVAL_US:
            samples.popleft()
        if not samples or time - samples[-1][0] >= SAMPLE_INTERVAL_US:
            samples.append((time, value))

    def clear(self, key: Hashable) -> None:
        """Remove the samples of a number."""
        self._samples.pop(key, None)

    def oldest(self, key: Hashable) -> float | None:
        """Return the oldest kept sample; None without one."""
        samples = self._samples.get(key)
        return samples[0][1] if samples else None

    def change_per_minute(self, key: Hashable) -> float | None:
        """Return the change per minute; None where the samples cover less than `MIN_SPAN_US`."""
        samples = self._samples.get(key)
        if not samples or samples[-1][0] - samples[0][0] < MIN_SPAN_US:
            return None
        (then, before), (now, after) = samples[0], samples[-1]
        return (after - before) * 60 * SECOND_US / (now - then)
