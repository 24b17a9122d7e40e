"""How busy the pair of wires is, second by second.

Knows: the bits that each frame takes (`wire.timing`): the fewest of every frame, all of them, stuff bits counted one by
one, of the seconds that somebody asks for. Does not know what frames mean.
"""

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from rvsim.wire.frame import Frame
from rvsim.wire.timing import BIT_RATE, exact_bits, least_bits, most_bits

SECOND = 1_000_000
IDLE_TOLD = 3
"""So many seconds of a pause are told; what goes by behind them changes nothing."""
_LEAST = tuple(least_bits(length) for length in range(9))
_LONGEST_US = most_bits(8) * SECOND // BIT_RATE
_LEAST_TO_MOST = most_bits(8) / least_bits(8)
"""By how much stuff bits can lengthen a frame at most; a shorter frame by less."""


class Busy(NamedTuple):
    """One whole second; ``start`` in microseconds. ``frames`` are those that ended in it."""

    start: int
    least: int
    frames: tuple[Frame, ...]

    @property
    def end(self) -> int:
        """Where the next second begins."""
        return self.start + SECOND

    @property
    def percent(self) -> float:
        """The load, every stuff bit counted."""
        return 100 * sum(exact_bits(frame.identifier, frame.data) for frame in self.frames) / BIT_RATE

    def can_reach(self, percent: float) -> bool:
        """Tell whether the load can be so high, without counting stuff bits."""
        return 100 * self.least * _LEAST_TO_MOST / BIT_RATE >= percent

    def by_source(self) -> Counter[int]:
        """Return the bits of each source address."""
        bits: Counter[int] = Counter()
        for frame in self.frames:
            bits[frame.identifier & 0xFF] += exact_bits(frame.identifier, frame.data)
        return bits


_IDLE = Busy(-SECOND, 0, ())


class PairLoad:
    """Load over the last whole second, and over the busiest so far.

    The busiest is the second with the most bits before stuffing: of two that are nearly alike the other one may be
    longer by its stuff bits.
    """

    def __init__(self) -> None:
        self.end = SECOND
        """When the present second is over, in microseconds."""
        self.frames: list[Frame] = []
        """The frames of the present second."""
        self.crowded: tuple[Frame, ...] = ()
        """The frames of the last second in which one may have waited for another."""
        self._last = self._worst = _IDLE
        self._idle = 0
        """How many seconds without a frame were told in a row."""
        self._percents: dict[int, float] = {}

    def add(self, frame: Frame) -> None:
        """Count a frame; the seconds that are over by then are closed."""
        if frame.time >= self.end:
            for _ in self.close(frame.time):
                pass
        self.frames.append(frame)

    @property
    def recent(self) -> tuple[Frame, ...]:
        """The frames of the last whole second and of the present one, in their order."""
        return (*self._last.frames, *self.frames)

    def close(self, time: int) -> Iterator[Busy]:
        """Close the seconds that are over by ``time``; of a long pause the first ones only."""
        while time >= self.end:
            if self._idle >= IDLE_TOLD and not self.frames:
                self.end = time - time % SECOND + SECOND
                return
            self._last = self._present()
            self._idle = 0 if self._last.frames else self._idle + 1
            if any(frame.time - before.time <= _LONGEST_US for before, frame in pairwise(self.frames)):
                self.crowded = self._last.frames
            if self._last.least > self._worst.least:
                self._worst = self._last
            self.frames.clear()
            self.end += SECOND
            yield self._last

    def percent(self, now: int = 0) -> tuple[float, float]:
        """Return the load of the last whole second before ``now`` (microseconds) and of the busiest one.

        Without ``now`` the last frame tells the time: then wires that have fallen quiet stay as busy as they were.
        """
        gone = (now - self.end) // SECOND + 1 if now >= self.end else 0
        present = self._present()
        last = self._last if gone <= 0 else present if gone == 1 else _IDLE
        if gone <= 0 and self._last.end != present.start:
            last = _IDLE  # the last second that was told lies further back
        worst = max(self._worst, present, key=lambda second: second.least)
        return self._of(last), self._of(worst) if worst is not present or gone > 0 else 100 * worst.least / BIT_RATE

    def _present(self) -> Busy:
        least = sum(_LEAST[len(frame.data)] for frame in self.frames)
        return Busy(self.end - SECOND, least, tuple(self.frames))

    def _of(self, second: Busy) -> float:
        """Return the load of a second that is over; once it is closed it is worked out once."""
        if second is not self._last and second is not self._worst:
            return second.percent  # over by the clock, and frames of it may still be on their way
        if second.start not in self._percents:
            starts = {self._last.start, self._worst.start}
            self._percents = {start: percent for start, percent in self._percents.items() if start in starts}
            self._percents[second.start] = second.percent if second.frames else 0.0
        return self._percents[second.start]
