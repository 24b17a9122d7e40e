"""Readings over time with a bounded number of points: all changes, or the lowest and highest of each piece of time.

Knows: how points are chosen so that a line through them looks like the line through all of them. Does not know where
readings come from, nor how they are drawn. The choice depends on the readings alone, not on how they were handed over.
"""

from array import array
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numpy import bool_, int64
    from numpy.typing import NDArray

MAX_POINTS = 8000
"""Points of a reduced series: an hour of a reading every half second is not reduced. Our decision."""
_FIRST_WIDTH_US = 1 << 10
"""The shortest piece of time in which points are reduced, in microseconds; longer ones are its doubles."""

IsValue = Callable[[int], bool]
"""Whether a raw integer is a value; all others are codes for no data, an error and the like."""


class ReducedSeries:
    """One reading over time; of equal readings in a row the first is kept, and at the end the last.

    Points are raw integers at times in microseconds. With more changes than ``most``, time is divided into pieces of
    equal length, and of each the first, the last, the lowest and the highest value and the first code are kept.
    """

    def __init__(self, is_value: IsValue, most: int = MAX_POINTS) -> None:
        self._is_value, self._most = is_value, most
        self._times, self._raws = array("q"), array("q")
        self._width = 0
        """The length of a piece of time, 0 as long as every change is kept."""
        self.readings = 0
        """How many readings there were."""
        self.changes = 0
        """How many of them differ from the one before."""
        self._found = 0
        """The points before any reduction."""
        self._last: tuple[int, int] | None = None

    def add(self, time: int, raw: int, *, after_gap: bool = False) -> None:
        """Add a reading that is not earlier than the one before; the first one ``after_gap`` is always a point."""
        self.readings += 1
        last, self._last = self._last, (time, raw)
        is_same = last is not None and last[1] == raw
        if is_same and not after_gap:
            return
        self.changes += last is not None and not is_same
        if after_gap and last is not None and self._times[-1] != last[0]:
            self._append(*last)
        self._append(time, raw)

    def extend(self, times: "NDArray[int64]", raws: "NDArray[int64]", is_after_gap: "NDArray[bool_]") -> None:
        """Add readings, given as arrays of one length; the same as adding one by one."""
        import numpy as np

        is_point = is_after_gap.copy()
        is_point[1:] |= raws[1:] != raws[:-1]
        is_point[0] |= self._last is None or self._last[1] != raws[0]
        done = 0
        for place in np.flatnonzero(is_point).tolist():
            if place > done:
                self._repeat(int(times[place - 1]), place - done)
            self.add(int(times[place]), int(raws[place]), after_gap=bool(is_after_gap[place]))
            done = place + 1
        if done < len(times):
            self._repeat(int(times[-1]), len(times) - done)

    def _repeat(self, time: int, count: int) -> None:
        """Add readings that equal the one before, up to a time."""
        assert self._last is not None
        self.readings += count
        self._last = time, self._last[1]

    def _append(self, time: int, raw: int) -> None:
        self._found += 1
        self._times.append(time)
        self._raws.append(raw)
        if len(self._times) > 2 * self._most:
            self._width, kept = _reduced(self._times, self._raws, self._is_value, self._most, self._width)
            self._times = array("q", [self._times[place] for place in kept])
            self._raws = array("q", [self._raws[place] for place in kept])

    @property
    def is_reduced(self) -> bool:
        """Whether points were left out; complete at the end."""
        return self._found > self._most

    def points(self) -> tuple[list[int], list[int]]:
        """Return the times and the raw integers of the points, the last reading included."""
        _, kept = _reduced(self._times, self._raws, self._is_value, self._most, self._width)
        times, raws = [self._times[place] for place in kept], [self._raws[place] for place in kept]
        if self._last is not None and (not times or times[-1] != self._last[0]):
            times.append(self._last[0])
            raws.append(self._last[1])
        return times, raws


def reduce_points(
    times: Sequence[int], raws: Sequence[int], is_value: IsValue, most: int
) -> tuple[list[int], list[int]]:
    """Return at most ``most`` of some points, chosen as in ``ReducedSeries``."""
    _, kept = _reduced(times, raws, is_value, most, 0)
    return [times[place] for place in kept], [raws[place] for place in kept]


def _reduced(
    times: Sequence[int], raws: Sequence[int], is_value: IsValue, most: int, width: int
) -> tuple[int, Sequence[int]]:
    """Return the shortest pieces of time, from ``width`` on, with which the points are few enough, and their places."""
    kept: Sequence[int] = range(len(times)) if not width else _kept(times, raws, is_value, width)
    while len(kept) > most:
        width = 2 * width or _FIRST_WIDTH_US
        # What is kept of two pieces of time is among what is kept of each.
        found = _kept([times[place] for place in kept], [raws[place] for place in kept], is_value, width)
        kept = [kept[place] for place in found]
    return width, kept


def _kept(times: Sequence[int], raws: Sequence[int], is_value: IsValue, width: int) -> list[int]:
    """Return the places of the points that are kept, in order."""
    kept: list[int] = []
    piece: int | None = None
    first = lowest = highest = code = None
    place = -1
    for place, time in enumerate(times):
        if time // width != piece:
            if first is not None:
                kept += sorted({chosen for chosen in (first, lowest, highest, code, place - 1) if chosen is not None})
            piece = time // width
            first, lowest, highest, code = place, None, None, None
        raw = raws[place]
        if not is_value(raw):
            code = place if code is None else code
            continue
        if lowest is None or raw < raws[lowest]:
            lowest = place
        if highest is None or raw > raws[highest]:
            highest = place
    if first is not None:
        kept += sorted({chosen for chosen in (first, lowest, highest, code, place) if chosen is not None})
    return kept
