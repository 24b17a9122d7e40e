"""The bus load over any second, wherever it begins.

Knows: the bits that each frame takes (`wire.timing`): the minimum for every frame; the exact number, stuff bits counted
one by one, only for the seconds that are queried. A frame counts whole in the second in which it ended. Does not know
what frames mean.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from itertools import pairwise
from operator import attrgetter
from typing import NamedTuple

from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import OtherFrame
from rvsim.wire.timing import BIT_RATE, exact_bits, max_bits, min_bits

MAX_IDLE_SECONDS = 3
"""The number of idle seconds in a row that are reported; later ones change nothing."""
MAX_POSSIBLE_PERCENT = 100.2
"""The highest load that is possible. Above 100: a frame counts whole that began before the second (160 bits, 0.06 %),
the times of a simulated bus leave out up to 29 stuff bits (0.01 %), and many logs have whole milliseconds (0.1 %)."""
_MIN_BITS = tuple(min_bits(length) for length in range(9))
_MAX_FRAME_US = max_bits(8) * SECOND_US // BIT_RATE
_MAX_STUFFING_RATIO = max_bits(8) / min_bits(8)
"""The largest ratio by which stuff bits lengthen a frame; shorter frames have a smaller one."""

_bits_of = lru_cache(maxsize=4096)(exact_bits)
"""A busy second has many equal frames, and is judged several times."""

BusFrame = Frame | OtherFrame
"""A frame that occupied the bus."""
FrameSource = int | str
"""The sender of a frame: a source address, or the kind of a frame that has none."""


def _least(passed: BusFrame) -> int:
    return _MIN_BITS[len(passed.data)] if isinstance(passed, Frame) else passed.bits


def _exact(passed: BusFrame) -> int:
    return _bits_of(passed.identifier, passed.data) if isinstance(passed, Frame) else passed.bits


class Window(NamedTuple):
    """The second that ended at ``end`` (microseconds), with the frames that ended in it.

    A frame that ended exactly one second before ``end`` is not in it; one that ended at ``end`` is.
    """

    end: int
    passed: tuple[BusFrame, ...]

    @property
    def start(self) -> int:
        """Where it began, in microseconds; below 0 in the first second."""
        return self.end - SECOND_US

    @property
    def percent(self) -> float:
        """The bus load in percent, every stuff bit counted."""
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
    """Yield each second that ends with a frame of ``passed``, which follows ``before``.

    Each is (bits, first, end): its frames are those from ``first`` up to ``end`` in both sequences together.
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
    """One whole second; ``start`` in microseconds. ``frames`` are the data frames that ended in it, ``others`` the
    frames of other kinds, ``before`` all frames of the second before. ``least`` is the minimum number of bits.
    """

    start: int
    least: int
    frames: tuple[Frame, ...]
    others: tuple[OtherFrame, ...] = ()
    before: tuple[BusFrame, ...] = ()
    least_before: int = 0

    @property
    def end(self) -> int:
        """The start of the next second, in microseconds."""
        return self.start + SECOND_US

    @property
    def passed(self) -> tuple[BusFrame, ...]:
        """All frames, in the order of time."""
        return tuple(sorted((*self.frames, *self.others), key=attrgetter("time"))) if self.others else self.frames

    @property
    def percent(self) -> float:
        """The bus load in percent, every stuff bit counted."""
        return Window(self.end, self.passed).percent

    def can_reach(self, percent: float) -> bool:
        """Return whether the load of a second that ends in this one can reach ``percent``, by an upper bound."""
        return self.least_before + self.least >= least_to_reach(percent)

    def busiest(self, bits_of: Callable[[BusFrame], int] = _exact) -> Window:
        """Return the busiest second that ends with a frame of this one (of equals the first); empty without frames."""
        passed = self.passed
        most = max(windows(self.before, passed, bits_of), key=lambda each: each[0], default=None)
        if most is None:
            return Window(self.end, ())
        _, first, behind = most
        both = (*self.before, *passed)
        return Window(both[behind - 1].time, both[first:behind])

    def first_above(self, percent: float) -> Window | None:
        """Return the first second that ends in this one with a load above ``percent``; None without one."""
        both = (*self.before, *self.passed)
        for bits, first, behind in windows(self.before, self.passed, _exact):
            if 100 * bits / BIT_RATE > percent:
                return Window(both[behind - 1].time, both[first:behind])
        return None


def least_to_reach(percent: float) -> float:
    """Return how many bits two seconds must have at least, before stuffing, for a load of ``percent`` within them."""
    return percent * BIT_RATE / (100 * _MAX_STUFFING_RATIO)


_IDLE = BusySecond(-SECOND_US, 0, ())


class _Search:
    """The busiest of the seconds that end with a data frame of one whole second, found as these frames come.

    ``end`` is the end of the whole second in microseconds, ``before`` all frames of the second before it. Bits are the
    minimum. It finds what ``BusySecond.busiest`` finds, but looks at each frame only once however often it is asked.
    """

    def __init__(self, end: int, before: Sequence[BusFrame]) -> None:
        self.end = end
        self.passed = list(before)
        self.most = 0
        self._bits = [_least(one) for one in before]
        self._held, self._first, self._before = sum(self._bits), 0, len(before)
        self._found = 0, 0

    def go_on(self, frames: Sequence[Frame]) -> None:
        """Go on to the end of the frames that have come in the second; those that are known stand first."""
        both, bits, first, held = self.passed, self._bits, self._first, self._held
        place = len(both)
        came = frames[place - self._before :]
        both += came
        for frame in came:
            least = _MIN_BITS[len(frame.data)]
            bits.append(least)
            held += least
            place += 1
            began = frame.time - SECOND_US
            while both[first].time <= began:
                held -= bits[first]
                first += 1
            if held > self.most:
                self.most, self._found = held, (first, place)
        self._first, self._held = first, held

    @property
    def busiest(self) -> Window:
        """The busiest second so far, of equals the first."""
        first, behind = self._found
        return Window(self.passed[behind - 1].time, tuple(self.passed[first:behind]))


class BusLoad:
    """The load over the last whole second, and over the busiest second so far, wherever it began.

    The busiest is the second with the most bits before stuffing: of two that are nearly equal the other one may have
    more bits with stuffing.
    """

    def __init__(self) -> None:
        self.end = SECOND_US
        """The end of the present second, in microseconds."""
        self.frames: list[Frame] = []
        """The data frames of the present second."""
        self.others: list[OtherFrame] = []
        """The frames of other kinds of the present second."""
        self.crowded: tuple[Frame, ...] = ()
        """The frames of the last second in which one may have waited for another."""
        self._last = _IDLE
        self._worst = Window(0, ())
        self._worst_least = 0
        self._idle = 0
        """The number of seconds without a frame that were reported in a row."""
        self._percents: dict[tuple[bool, int], float] = {}
        """The load of the last whole second and of the busiest one by whether it is the busiest, and by its end."""
        self._search: _Search | None = None

    def add(self, passed: BusFrame) -> None:
        """Count a frame; close the seconds that have ended by then."""
        if passed.time >= self.end:
            for _ in self.close(passed.time):
                pass
        if isinstance(passed, Frame):
            self.frames.append(passed)
        else:
            self.others.append(passed)

    @property
    def has_others(self) -> bool:
        """Whether the present second or the one before it has frames of other kinds."""
        return bool(self.others or self._last.others)

    def skip_to(self, time: int) -> None:
        """Leave out the seconds before that of ``time``: they need no judgement."""
        self.end = time - time % SECOND_US + SECOND_US
        self.frames.clear()
        self.others.clear()
        self._last, self._idle, self._search = _IDLE, 0, None

    def restore(self, start: int, frames: Sequence[Frame], before: Sequence[Frame]) -> None:
        """Take the data frames of the second that begins at ``start``, and those of the second before it.

        The second before stays as it is where it was closed last.
        """
        self.end = start + SECOND_US
        self.frames[:] = frames
        self._search = None
        if self._last.end != start:
            least = sum(_MIN_BITS[len(frame.data)] for frame in before)
            self._last = BusySecond(start - SECOND_US, least, tuple(before)) if before else _IDLE
            self._idle = 0

    @property
    def recent(self) -> tuple[Frame, ...]:
        """The data frames of the last whole second and of the present one, in order."""
        return (*self._last.frames, *self.frames)

    def close(self, time: int) -> Iterator[BusySecond]:
        """Close and yield the seconds that have ended by ``time``; of a long pause only the first ones."""
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
        """Return the load in percent of the last whole second before ``now`` (microseconds) and of the busiest one.

        Without ``now`` the time is that of the last frame: then the load of a bus that has become quiet stays as it
        was.
        """
        gone = (now - self.end) // SECOND_US + 1 if now >= self.end else 0
        present = self._present()
        last = self._last if gone <= 0 else present if gone == 1 else _IDLE
        if gone <= 0 and self._last.end != present.start:
            last = _IDLE  # the last second that was closed is an earlier one
        worst, least = self._worst_with(present)
        before = self._of(self._worst.end, self._worst)
        if worst is not self._worst:
            before = worst.percent if gone > 0 else max(before, 100 * least / BIT_RATE)
        return self._of(last.end, last), before

    def _worst_with(self, second: BusySecond) -> tuple[Window, int]:
        """Return the busiest second so far, including those that end in ``second``, and its minimum number of bits."""
        if second.least_before + second.least <= self._worst_least:
            return self._worst, self._worst_least
        if second.others:
            found = second.busiest(_least)
            least = sum(map(_least, found.passed))
            return (found, least) if least > self._worst_least else (self._worst, self._worst_least)
        search = self._search
        if search is None or search.end != second.end:
            self._search = search = _Search(second.end, second.before)
        search.go_on(second.frames)
        if search.most > self._worst_least:
            return search.busiest, search.most
        return self._worst, self._worst_least

    def _present(self) -> BusySecond:
        least = sum(_MIN_BITS[len(frame.data)] for frame in self.frames) + sum(other.bits for other in self.others)
        start = self.end - SECOND_US
        before = self._last if self._last.end == start else _IDLE
        return BusySecond(start, least, tuple(self.frames), tuple(self.others), before.passed, before.least)

    def _of(self, end: int, part: BusySecond | Window) -> float:
        """Return the load of a second that has ended; for a closed one it is computed once."""
        if part is not self._last and part is not self._worst:
            return part.percent  # it has ended by the clock, but frames of it may still come
        key = part is self._worst, end
        if key not in self._percents:
            kept = {(False, self._last.end), (True, self._worst.end)}
            self._percents = {one: percent for one, percent in self._percents.items() if one in kept}
            self._percents[key] = part.percent
        return self._percents[key]
