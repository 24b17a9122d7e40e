"""The clock of one channel of a captured log, and its counts.

Knows: how a log's own times become microseconds since its start that never go back, and which times are reported and
not used: those that go back, also to before zero, and those from before a clock was set. Does not know formats.
"""

from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING

from rvsim.logs.formats.entry import SkippedEntry
from rvsim.wire.frame import SECOND_US

if TYPE_CHECKING:
    from numpy import int64
    from numpy.typing import NDArray

MAX_STEP_BACK_US = SECOND_US
"""A time that goes back by more is not a late frame but a clock that was set (our choice, as in `edge.port`)."""
MIN_DATE_US = 631_152_000 * SECOND_US
"""1990-01-01 in microseconds since the epoch: an earlier time is not a date but counted from some start (python-can has
the same limit in can/io/blf.py)."""
MAX_PLACES = 100
"""Places of one kind that are kept; all are counted."""

Place = tuple[int, int]
"""A place in the log, and a step of time in microseconds."""


class LogClock:
    """The clock of a whole log, which its channels share: the log's start, and the shift of its own times.

    ``origin`` returns when the log's own time is zero, in microseconds since the epoch.
    """

    def __init__(self, origin: Callable[[], int]) -> None:
        self.first: int | None = None
        """The log's own time at its start; None before the start."""
        self.origin = 0
        """When the log's own time is zero, as known at its start."""
        self._origin = origin
        self.shift = 0
        """What is added to the log's own times since its last jump."""

    def start(self, time: int) -> None:
        """Start at a log's own time, unless it has started."""
        if self.first is None:
            self.first, self.shift, self.origin = time, -time, self._origin()


class ChannelClock:
    """The time and the counts of one channel."""

    def __init__(self, log: LogClock) -> None:
        self.last = 0
        """The time of its last entry, in microseconds since the log's start."""
        self.frames = self.joined = self.steps_back = self.untimed = self.before_zero = 0
        self.skipped: Counter[str] = Counter()
        self.clock_sets: list[Place] = []
        self.clock_set_count = 0
        self.jumps: list[Place] = []
        self.jump_count = 0
        self._log = log
        self._shift: int | None = None
        self._own_before = 0  # the log's own time of the entry before

    def advance(self, where: int, time: int) -> int:
        """Advance to the log's own time of an entry; return by how many microseconds it goes back, normally 0."""
        if time < 0 and self._has_reached_zero:
            self.before_zero += 1
            return max(self._own_before, 0) - time
        if self._shift is None:
            self._start(time)
        elif self._own_before < MIN_DATE_US <= time:
            self._jump(where, time)
        assert self._shift is not None
        back = self.last - (time + self._shift)
        if back > MAX_STEP_BACK_US:
            self._set(self._shift + back)
            self.clock_set_count += 1
            if len(self.clock_sets) < MAX_PLACES:
                self.clock_sets.append((where, back))
        elif time < self._own_before:
            self.steps_back += 1
            back = self._own_before - time
        else:
            back = 0
        self._own_before = time
        self.last = max(self.last, time + self._shift)
        return back

    def count_other(self, found: SkippedEntry, count: int = 1) -> None:
        """Count entries that are not frames; neither a time in which nobody listened nor a mark is one of the bus."""
        if found.joined is not None:
            self.joined += count
        elif found.gap is None and found.note is None:
            self.skipped[found.kind] += count

    def advance_all(self, times: "NDArray[int64]") -> "tuple[NDArray[int64], NDArray[int64] | None] | None":
        """Advance to the log's own times of many entries, as ``advance`` does one by one, if nothing else than small
        steps back is among them; change nothing and return None otherwise.

        Returns: the time of each entry since the log's start, and by how much each goes back, None where none does.
        """
        import numpy as np

        if not len(times):
            return times, None
        if self._shift is None:
            return None
        if times[0] >= self._own_before and not (times[1:] < times[:-1]).any():
            if self._own_before < MIN_DATE_US <= times[-1]:
                return None
            shifted = times + self._shift
            if shifted[0] < self.last:
                np.maximum(shifted, self.last, out=shifted)
            self._own_before, self.last = int(times[-1]), int(shifted[-1])
            return shifted, None
        if min(int(times.min()), self._own_before) < MIN_DATE_US <= int(times.max()):
            return None
        before = np.concatenate(([self._own_before], times[:-1]))
        if ((times < 0) & (before >= 0)).any():
            return None
        shifted = times + self._shift
        clamped = np.maximum.accumulate(np.concatenate(([self.last], shifted)))
        if (clamped[:-1] - shifted > MAX_STEP_BACK_US).any():
            return None
        back = np.maximum(before - times, 0)
        self.steps_back += int(np.count_nonzero(back))
        self._own_before, self.last = int(times[-1]), int(clamped[-1])
        return clamped[1:], back

    @property
    def _has_reached_zero(self) -> bool:
        """Whether the log's own time is zero or later; a log may begin before the event at which its time is zero."""
        before = self._log.first if self._shift is None else self._own_before
        return before is not None and before >= 0

    def _start(self, time: int) -> None:
        """Start with the log, or later; a channel whose first time is before the log's start starts with the log."""
        self._log.start(time)
        self._shift = max(self._log.shift, self.last - time)
        self._own_before = time

    def _jump(self, where: int, time: int) -> None:
        """Continue from the time before where a clock was given a date: the time across the jump is not known."""
        self.jump_count += 1
        if len(self.jumps) < MAX_PLACES:
            self.jumps.append((where, time - self._own_before))
        self._set(self.last - time)
        if self._log.first is not None and self._log.first < MIN_DATE_US:
            self._log.first = time - self.last

    def _set(self, shift: int) -> None:
        self._shift = self._log.shift = shift
