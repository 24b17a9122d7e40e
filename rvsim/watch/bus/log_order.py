"""Whether the times of a log can be believed: how often and how far they run back.

Knows: from when on a log is out of order. Does not know what is judged by times; whoever asks does. A live bus has no
such steps: its port's times go on. Needs every step of time that the reader of a log tells.
"""

from collections.abc import Callable

from rvsim.watch.transitions import LogOutOfOrder, Transition
from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import TimeWentBack

MAX_STEP_BACK_US = SECOND_US
"""A step back of more is no late frame. Our decision."""
MAX_STEPS_PERCENT = 1
"""Percent of the entries that may run back. Our decision."""
MIN_ENTRIES = 1000
"""Before so many entries the share of those that run back is not judged, but at the end of the log. Our decision."""
_MAX_LISTED_PLACES = 5
"""So many places are told."""
_MAX_RENEWED_STEPS = 100
"""After so many steps what is told of them is renewed at the end of the log only."""


class LogOrder:
    """Counts steps back in one log."""

    def __init__(self, emit: Callable[[Transition], None], doubt: Callable[[int], None]) -> None:
        """Take what takes the transitions, and what is told the time once when the times are not to be believed."""
        self._emit, self._doubt = emit, doubt
        self._steps = self._longest = self._since = 0
        self._where: list[tuple[str, int]] = []
        self._is_told = False

    def observe_step(self, step: TimeWentBack, entries: int) -> None:
        """Take in a step, and how many entries came before it."""
        if not self._steps:
            self._since = step.time
        self._steps += 1
        self._longest = max(self._longest, step.by)
        if len(self._where) < _MAX_LISTED_PLACES:
            self._where.append((step.where, step.by))
        is_many = entries + 1 >= MIN_ENTRIES and self._is_many(entries + 1)
        is_new = self._steps <= _MAX_RENEWED_STEPS if self._is_told else step.by > MAX_STEP_BACK_US or is_many
        if is_new:
            self._tell(step.time, entries + 1)

    def finish(self, time: int, entries: int) -> None:
        """Judge a log that has come to its end."""
        if self._is_told or self._is_many(entries):
            self._tell(time, entries)

    def _is_many(self, entries: int) -> bool:
        return 100 * self._steps > MAX_STEPS_PERCENT * entries

    def _tell(self, time: int, entries: int) -> None:
        found = LogOutOfOrder(time, self._since, self._steps, entries, self._longest, tuple(self._where))
        self._emit(found)
        if not self._is_told:
            self._is_told = True
            self._doubt(time)
