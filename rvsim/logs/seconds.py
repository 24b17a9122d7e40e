"""The whole seconds of a log that is observed in columns: which of them must be judged for the bus load.

Knows: that a second needs judgement only where it can reach a limit together with the second before, where frames of
other kinds came, or while the bus load is reported as too high. Does not know the limits' meaning, nor how a second is
judged: the watch does both. The last second and the busiest one so far, which a screen shows, are not kept.
"""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from rvsim.logs.columns import Columns
from rvsim.watch.bus.bus_load import BusLoad, least_to_reach
from rvsim.watch.bus.overload import BUSY_NOTICE, Overload
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.timing import min_bits

if TYPE_CHECKING:
    from numpy import bool_, int64
    from numpy.typing import NDArray


class Seconds:
    """The seconds of the present block and the last two before it."""

    def __init__(self, load: BusLoad, overload: Overload) -> None:
        self._load, self._overload = load, overload
        self._tail: Columns | None = None
        """The frames before this block, of the last two seconds."""
        self._frames: Columns | None = None
        """Those frames and the frames of this block."""
        self._offset = 0
        self._starts: NDArray[int64] | None = None
        """The first frame of each second, counted from the first of ``_frames``."""
        self._boundaries: list[int] = []
        """The positions of the first frames after a second, and those of seconds that can reach a limit."""
        self._busy: list[int] = []

    def begin(self, frames: Columns, others: Iterable[tuple[int, int]]) -> None:
        """Take the frames of a block, and position and time of each frame of another kind."""
        import numpy as np

        tail = self._tail
        self._offset = len(tail) if tail is not None else 0
        self._frames = everything = frames if tail is None else _joined(tail, frames)
        seconds = everything.times // SECOND_US
        starts = np.flatnonzero(np.concatenate(([True], seconds[1:] != seconds[:-1])))
        least = np.add.reduceat(_least_bits()[everything.lengths], starts)
        number = seconds[starts]
        before = np.zeros_like(least)
        before[1:] = np.where(number[1:] == number[:-1] + 1, least[:-1], 0)
        is_busy = (before + least >= least_to_reach(BUSY_NOTICE))[:-1] | self._has_others(number, others)
        ends = starts[1:] - self._offset
        within = ends >= 0
        self._boundaries = [*ends[within].tolist(), len(frames)]
        self._busy = [*ends[within & is_busy].tolist(), len(frames)]
        self._is_busy = set(self._busy)
        self._place = self._busy_place = 0

    def _has_others(self, number: "NDArray[int64]", others: Iterable[tuple[int, int]]) -> "NDArray[bool_]":
        """Return for each second with frames but the last whether frames of other kinds came from the one before it up
        to the next one with frames.
        """
        import numpy as np

        assert self._frames is not None
        present = self._load.end // SECOND_US - 1
        marked = [present - 1, present] if self._load.has_others else []
        for position, time in others:
            place = self._offset + position - 1
            last = int(self._frames.times[place]) if place >= 0 else 0
            marked.append(max(time, last) // SECOND_US)
        found = np.zeros(len(number), np.bool_)
        for second in marked:
            place = int(number.searchsorted(second, "right")) - 1  # the last one with frames, not after it
            found[max(place, 0) : place + 2] = True
        return found[:-1]

    def next_boundary(self, position: int) -> int:
        """Return the first position from this one on at which a second must be judged; the block's length for none."""
        if not self._overload.judges:
            return self._boundaries[-1]
        busy, place = self._busy, self._busy_place
        while busy[place] < position:
            place += 1
        self._busy_place = place
        if not self._overload.needs_seconds:
            return busy[place]
        place = self._place
        while self._boundaries[place] < position:
            place += 1
        self._place = place
        return self._boundaries[place]

    def prepare(self, position: int, time: int) -> None:
        """Give the bus load what it needs to close the seconds before ``time``; ``position`` frames were received."""
        last = self._last_second(position)
        if last is None:
            return
        start, end = last, last + SECOND_US
        if end < self._load.end:
            return  # others came since
        must_judge = self._overload.needs_seconds or position in self._is_busy
        if end <= time and self._overload.judges and must_judge:
            self._restore(position, start)
        else:
            self._load.skip_to(time)

    def finish(self, position: int) -> None:
        """Give the bus load the frames of the present second, with those of the one before."""
        last = self._last_second(position)
        if last is not None and last + SECOND_US >= self._load.end:
            self._restore(position, last)

    def keep(self, frames: Columns) -> None:
        """Keep the last two seconds of a block."""
        everything = frames if self._tail is None else _joined(self._tail, frames)
        first = int(everything.times.searchsorted((int(everything.times[-1]) // SECOND_US - 1) * SECOND_US))
        tail = everything.between(first)
        self._tail = Columns(tail.times.copy(), tail.identifiers.copy(), tail.data.copy(), tail.lengths.copy())

    def _last_second(self, position: int) -> int | None:
        """Return the start of the second of the last frame that was received."""
        assert self._frames is not None
        place = self._offset + position - 1
        return int(self._frames.times[place]) // SECOND_US * SECOND_US if place >= 0 else None

    def _restore(self, position: int, start: int) -> None:
        assert self._frames is not None
        end = self._offset + position
        times = self._frames.times
        first, second = times.searchsorted((start - SECOND_US, start)).tolist()
        self._load.restore(start, self._between(second, end), self._between(first, second))

    def _between(self, first: int, end: int) -> list[Frame]:
        assert self._frames is not None
        return list(self._frames.between(first, end).frames())


def _joined(first: Columns, second: Columns) -> Columns:
    import numpy as np

    return Columns(
        np.concatenate((first.times, second.times)),
        np.concatenate((first.identifiers, second.identifiers)),
        np.concatenate((first.data, second.data)),
        np.concatenate((first.lengths, second.lengths)),
    )


def _least_bits() -> "NDArray[int64]":
    import numpy as np

    return np.array([min_bits(length) for length in range(9)], np.int64)
