"""The clock of one channel of a captured log, and what was counted on it.

Knows: how a log's own times become microseconds since its start that never go back, and which times are told
rather than believed: those that run back, those before zero, and those from before a clock was set. Does not know
formats.
"""

from collections import Counter
from collections.abc import Callable

STEP = 1_000_000
"""Microseconds: a time that goes back by more is no late frame but a clock that was set (our choice, as in
`edge.port`)."""
FIRST_DATE = 631_152_000 * 1_000_000
"""1990-01-01 in microseconds since the epoch: an earlier time is no date but counted from some start (python-can draws
the same line in can/io/blf.py)."""
PLACES_TOLD = 100
"""How many places of one kind are kept; all are counted."""

Place = tuple[int, int]
"""Where in the log, and by how many microseconds."""


class LogClock:
    """What all channels of a log have in common: where its times begin, and how they are counted now."""

    def __init__(self, origin: Callable[[], int]) -> None:
        """Take what returns where the log's own times count from, in microseconds since the epoch."""
        self.first: int | None = None
        """The log's own time at its start; None before it has one."""
        self.origin = 0
        """Where its own times counted from at its start."""
        self._origin = origin
        self.shift = 0
        """What to add to the log's own times, by the latest that was learnt."""

    def start(self, time: int) -> None:
        """Begin at a log's own time, unless it has begun."""
        if self.first is None:
            self.first, self.shift, self.origin = time, -time, self._origin()


class ChannelClock:
    """Time and counts of one channel."""

    def __init__(self, log: LogClock) -> None:
        self.last = 0
        """The time it has come to, in microseconds since the log's start."""
        self.frames = self.steps_back = self.untimed = self.before_zero = 0
        self.skipped: Counter[str] = Counter()
        self.clock_sets: list[Place] = []
        self.clock_set_count = 0
        self.jumps: list[Place] = []
        self.jump_count = 0
        self._log = log
        self._shift: int | None = None
        self._before = 0  # the own time of the entry before

    def go_on(self, where: int, time: int) -> int:
        """Take in the own time of an entry; return by how much it goes back, 0 as a rule."""
        if time < 0:
            self.before_zero += 1
            return max(self._before, 0) - time
        if self._shift is None:
            self._start(time)
        elif self._before < FIRST_DATE <= time:
            self._jump(where, time)
        assert self._shift is not None
        back = self.last - (time + self._shift)
        if back > STEP:
            self._set(self._shift + back)
            self.clock_set_count += 1
            if len(self.clock_sets) < PLACES_TOLD:
                self.clock_sets.append((where, back))
        elif time < self._before:
            self.steps_back += 1
            back = self._before - time
        else:
            back = 0
        self._before = time
        self.last = max(self.last, time + self._shift)
        return back

    def _start(self, time: int) -> None:
        """Begin with the log, or later; a channel whose first time is before the log's begins with it."""
        self._log.start(time)
        self._shift = max(self._log.shift, self.last - time)

    def _jump(self, where: int, time: int) -> None:
        """Go on from the time before, where a clock that had no date was given one: how long that took is not known."""
        self.jump_count += 1
        if len(self.jumps) < PLACES_TOLD:
            self.jumps.append((where, time - self._before))
        self._set(self.last - time)
        if self._log.first is not None and self._log.first < FIRST_DATE:
            self._log.first = time - self.last

    def _set(self, shift: int) -> None:
        self._shift = self._log.shift = shift
