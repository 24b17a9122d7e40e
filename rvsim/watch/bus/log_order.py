"""Whether the times of a log are in order: how often and how far they run backwards.

Knows: when a log counts as out of order. Does not know what is judged by times: its caller does. A live bus has no such
steps: the times of a port never go back. Needs every backward step that the reader of a log reports.
"""

from collections.abc import Callable

from rvsim.watch.transitions import LogOutOfOrder, Transition
from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import TimeWentBack

MAX_STEP_BACK_US = SECOND_US
"""A longer step backwards is more than a late frame. Our decision."""
MIN_RESTART_US = 10 * SECOND_US
"""A longer step backwards begins another piece of time: a second recording in the same file, or a clock that was set.
Our decision."""
MAX_STEPS_PERCENT = 1
"""The percentage of entries that may step backwards. Our decision."""
MIN_ENTRIES = 1000
"""The number of entries from which on that percentage is judged before the end of the log. Our decision."""
_MAX_LISTED_PLACES = 5
"""The largest number of places that are listed."""
_MAX_RENEWED_STEPS = 100
"""After this number of steps the report is renewed only at the end of the log."""


class LogOrder:
    """Counts the backward steps of one log."""

    def __init__(self, emit: Callable[[Transition], None], on_invalid_times: Callable[[int], None]) -> None:
        """Take what is called with each transition, and what is called once with the time when the times are found
        wrong.
        """
        self._emit, self._on_invalid_times = emit, on_invalid_times
        self._steps = self._restarts = self._longest = self._since = 0
        self._where: list[tuple[str, int]] = []
        self._is_reported = False

    def observe_step(self, step: TimeWentBack, entries: int) -> None:
        """Take in a step, and the number of entries before it."""
        if not self._steps:
            self._since = step.time
        self._steps += 1
        self._restarts += step.by > MIN_RESTART_US
        self._longest = max(self._longest, step.by)
        if len(self._where) < _MAX_LISTED_PLACES:
            self._where.append((step.where, step.by))
        is_many = entries + 1 >= MIN_ENTRIES and self._is_many(entries + 1)
        is_new = self._steps <= _MAX_RENEWED_STEPS if self._is_reported else step.by > MAX_STEP_BACK_US or is_many
        if is_new:
            self._report(step.time, entries + 1)

    def finish(self, time: int, entries: int) -> None:
        """Judge a log at its end."""
        if self._is_reported or self._is_many(entries):
            self._report(time, entries)

    def _is_many(self, entries: int) -> bool:
        return 100 * self._steps > MAX_STEPS_PERCENT * entries

    def _report(self, time: int, entries: int) -> None:
        where = tuple(self._where)
        found = LogOutOfOrder(time, self._since, self._steps, entries, self._longest, where, self._restarts)
        self._emit(found)
        if not self._is_reported:
            self._is_reported = True
            self._on_invalid_times(time)
