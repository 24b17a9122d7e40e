"""How busy the pair of wires is, over any second, wherever it begins.

Knows: the bits that each frame takes (`wire.timing`): the fewest of every frame, all of them, stuff bits counted one by
one, of the seconds that somebody asks for. A frame counts whole in the second in which it ended. Does not know what
frames mean.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from operator import attrgetter
from typing import NamedTuple

from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import OtherFrame
from rvsim.wire.timing import BIT_RATE, exact_bits, least_bits, most_bits

MAX_IDLE_SECONDS = 3
"""So many seconds of a pause are told; what goes by behind them changes nothing."""
MAX_POSSIBLE_PERCENT = 100.2
"""No pair can be busier. Above 100: a frame counts whole that began before the second (160 bits, 0.06 %), the times of
a simulated pair leave out up to 29 stuff bits (0.01 %), and many logs have whole milliseconds (0.1 %)."""
_MIN_BITS = tuple(least_bits(length) for length in range(9))
_MAX_FRAME_US = most_bits(8) * SECOND_US // BIT_RATE
_MAX_STUFFING_RATIO = most_bits(8) / least_bits(8)
"""By how much stuff bits can lengthen a frame at most; a shorter frame by less."""

BusFrame = Frame | OtherFrame
"""What took the pair for some time."""
FrameSource = int | str
"""Who used the pair: a source address, or the kind of a frame that has none."""


def _least(passed: BusFrame) -> int:
    return _MIN_BITS[len(passed.data)] if isinstance(passed, Frame) else passed.bits


def _exact(passed: BusFrame) -> int:
    return exact_bits(passed.identifier, passed.data) if isinstance(passed, Frame) else passed.bits


class Window(NamedTuple):
    """The second that ended at ``end`` (microseconds), with the frames that ended in it: those later than a second
    before, and those at ``end`` itself.
    """

    end: int
    passed: tuple[BusFrame, ...]

    @property
    def start(self) -> int:
        """Where it began, in microseconds; below 0 where it is longer than all that was heard."""
        return self.end - SECOND_US

    @property
    def percent(self) -> float:
        """The load, every stuff bit counted."""
        return 100 * sum(map(_exact, self.passed)) / BIT_RATE

    def by_user(self) -> Counter[FrameSource]:
        """Return the bits of each source address, and of each kind of frame that has none."""
        bits: Counter[FrameSource] = Counter()
        for passed in self.passed:
            bits[passed.identifier & 0xFF if isinstance(passed, Frame) else str(passed.kind)] += _exact(passed)
        return bits


def windows(
    before: Sequence[BusFrame], passed: Sequence[BusFrame], bits_of: Callable[[BusFrame], int]
) -> Iterator[tuple[int, int, int]]:
    """Go through the seconds that end with each frame of ``passed``, which follows ``before``.

    Return the bits of each, and from where to where its frames stand in both together.
    """
    both = [*before, *passed]
    bits = list(map(bits_of, both))
    first, held = 0, sum(bits[: len(before)])
    for place in range(len(before), len(both)):
        held += bits[place]
        began = both[place].time - SECOND_US
        while both[first].time <= began:
            held -= bits[first]
            first += 1
        yield held, first, place + 1


class BusySecond(NamedTuple):
    """One whole second; ``start`` in microseconds. ``frames`` are those that ended in it, ``others`` what beside them
    took the pair, ``before`` all of the second before.
    """

    start: int
    least: int
    frames: tuple[Frame, ...]
    others: tuple[OtherFrame, ...] = ()
    before: tuple[BusFrame, ...] = ()
    least_before: int = 0

    @property
    def end(self) -> int:
        """Where the next second begins."""
        return self.start + SECOND_US

    @property
    def passed(self) -> tuple[BusFrame, ...]:
        """All that took the pair, in the order of time."""
        return tuple(sorted((*self.frames, *self.others), key=attrgetter("time"))) if self.others else self.frames

    @property
    def percent(self) -> float:
        """The load, every stuff bit counted."""
        return Window(self.end, self.passed).percent

    def can_reach(self, percent: float) -> bool:
        """Tell whether a second that ends in this one can be so busy, without looking at any."""
        return 100 * (self.least_before + self.least) * _MAX_STUFFING_RATIO / BIT_RATE >= percent

    def busiest(self, bits_of: Callable[[BusFrame], int] = _exact) -> Window:
        """Return the busiest second that ends with a frame of this one, the first of equals; empty without frames."""
        passed = self.passed
        most = max(windows(self.before, passed, bits_of), key=lambda each: each[0], default=None)
        if most is None:
            return Window(self.end, ())
        _, first, behind = most
        both = (*self.before, *passed)
        return Window(both[behind - 1].time, both[first:behind])

    def first_above(self, percent: float) -> Window | None:
        """Return the first second that ends in this one and is busier, every stuff bit counted; None without one."""
        both = (*self.before, *self.passed)
        for bits, first, behind in windows(self.before, self.passed, _exact):
            if 100 * bits / BIT_RATE > percent:
                return Window(both[behind - 1].time, both[first:behind])
        return None


_IDLE = BusySecond(-SECOND_US, 0, ())


class BusLoad:
    """Load over the last whole second, and over the busiest so far, wherever it began.

    The busiest is the second with the most bits before stuffing: of two that are nearly alike the other one may be
    longer by its stuff bits.
    """

    def __init__(self) -> None:
        self.end = SECOND_US
        """When the present second is over, in microseconds."""
        self.frames: list[Frame] = []
        """The frames of the present second."""
        self.others: list[OtherFrame] = []
        """What beside them took the pair in the present second."""
        self.crowded: tuple[Frame, ...] = ()
        """The frames of the last second in which one may have waited for another."""
        self._last = _IDLE
        self._worst = Window(0, ())
        self._worst_least = 0
        self._idle = 0
        """How many seconds without a frame were told in a row."""
        self._percents: dict[int, float] = {}

    def add(self, passed: BusFrame) -> None:
        """Count a frame; the seconds that are over by then are closed."""
        if passed.time >= self.end:
            for _ in self.close(passed.time):
                pass
        if isinstance(passed, Frame):
            self.frames.append(passed)
        else:
            self.others.append(passed)

    @property
    def recent(self) -> tuple[Frame, ...]:
        """The frames of the last whole second and of the present one, in their order."""
        return (*self._last.frames, *self.frames)

    def close(self, time: int) -> Iterator[BusySecond]:
        """Close the seconds that are over by ``time``; of a long pause the first ones only."""
        while time >= self.end:
            if self._idle >= MAX_IDLE_SECONDS and not (self.frames or self.others):
                self.end = time - time % SECOND_US + SECOND_US
                return
            self._last = second = self._present()
            self._idle = 0 if second.least else self._idle + 1
            if any(frame.time - before.time <= _MAX_FRAME_US for before, frame in pairwise(self.frames)):
                self.crowded = second.frames
            self._worst, self._worst_least = self._worst_with(second)
            self.frames.clear()
            self.others.clear()
            self.end += SECOND_US
            yield second

    def percent(self, now: int = 0) -> tuple[float, float]:
        """Return the load of the last whole second before ``now`` (microseconds) and of the busiest one.

        Without ``now`` the last frame tells the time: then wires that have fallen quiet stay as busy as they were.
        """
        gone = (now - self.end) // SECOND_US + 1 if now >= self.end else 0
        present = self._present()
        last = self._last if gone <= 0 else present if gone == 1 else _IDLE
        if gone <= 0 and self._last.end != present.start:
            last = _IDLE  # the last second that was told lies further back
        worst, least = self._worst_with(present)
        before = self._of(self._worst.end, self._worst)
        if worst is not self._worst:
            before = max(before, worst.percent if gone > 0 else 100 * least / BIT_RATE)
        return self._of(last.end, last), before

    def _worst_with(self, second: BusySecond) -> tuple[Window, int]:
        """Return the busiest second so far and its fewest bits, those included that end in ``second``."""
        if second.least_before + second.least > self._worst_least:
            found = second.busiest(_least)
            least = sum(map(_least, found.passed))
            if least > self._worst_least:
                return found, least
        return self._worst, self._worst_least

    def _present(self) -> BusySecond:
        least = sum(_MIN_BITS[len(frame.data)] for frame in self.frames) + sum(other.bits for other in self.others)
        start = self.end - SECOND_US
        before = self._last if self._last.end == start else _IDLE
        return BusySecond(start, least, tuple(self.frames), tuple(self.others), before.passed, before.least)

    def _of(self, end: int, part: BusySecond | Window) -> float:
        """Return the load of a second that is over; once it is closed it is worked out once."""
        if part is not self._last and part is not self._worst:
            return part.percent  # over by the clock, and frames of it may still be on their way
        if end not in self._percents:
            ends = {self._last.end, self._worst.end}
            self._percents = {one: percent for one, percent in self._percents.items() if one in ends}
            self._percents[end] = part.percent
        return self._percents[end]
