"""The order in which actions run: by time, of one time by priority, and then as they were planned.

Knows: integer microseconds, and that the order is the same every time, so that a run is. Does not know what the actions
do, nor whether a clock paces them.

The times lie sorted in a list of their own, beside what is planned for them: a place is found by comparing integers,
the rest of some hundred is moved at once, and an action that is called again needs no new object. A heap compares
tuples, which takes longer up to some 300 planned actions; a vehicle of 32 devices has 155 (both measured).
"""

import sys
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from typing import Any

Action = Callable[[Any], int | None]
"""What is planned. It returns the time at which it is called again with the same argument, None where it is not."""
_Planned = tuple[int, Action, Any]
"""Priority, action and argument."""


def _do_nothing(_: None) -> None:
    """Stand where nothing is planned."""


_END: _Planned = (-sys.maxsize, _do_nothing, None)
"""Stands where the present run ends, before all else of that time; between two runs, where the last one ended."""
_NEVER: _Planned = (0, _do_nothing, None)
"""Stands at the end, so that there is always a next one."""


class Kernel:
    """Simulated time. ``now`` is in microseconds since the start of the run."""

    def __init__(self) -> None:
        self.now = 0
        self.upcoming = [0, sys.maxsize]
        """When the present run ends, and when everything runs that is planned, the soonest first; only to be read."""
        self._order = [_END, _NEVER]
        """What runs at these times, at the same places."""
        self._end = 0

    def at(self, time: int, action: Action, argument: Any = None, priority: int = 0) -> None:
        """Plan ``action(argument)`` for a time; of one time, lower priorities run first.

        Raises:
            ValueError: the time is past, or is not an integer.
        """
        self._plan(time, (priority, action, argument))

    def _plan(self, time: int, planned: _Planned) -> None:
        if time.__class__ is not int or time < self.now:
            raise ValueError(f"cannot plan for {time!r} us at {self.now} us: times are whole and never in the past")
        times, order = self.upcoming, self._order
        place = bisect_right(times, time)
        while times[place - 1] == time and order[place - 1][0] > planned[0]:
            place -= 1
        times.insert(place, time)
        order.insert(place, planned)

    def skip_to(self, time: int) -> bool:
        """Go on to ``time`` at once, as the last thing that an action does; return whether that was possible.

        It is where nothing else is planned up to and at that time and the present run goes beyond it: what an event of
        that time would do can then be done without one.
        """
        if time >= self.upcoming[0]:
            return False
        self.now = time
        return True

    def peek(self) -> int | None:
        """Return the time of the next action, None if nothing is planned."""
        place = int(self._order[0] is _END)
        return None if self._order[place] is _NEVER else self.upcoming[place]

    def stop(self) -> None:
        """End the present run before the next microsecond."""
        if self._end > self.now + 1:
            self._end_at(self.now + 1)

    def _end_at(self, time: int) -> None:
        place = bisect_left(self.upcoming, self._end)
        del self.upcoming[place], self._order[place]
        self._end = time
        place = bisect_left(self.upcoming, time)
        self.upcoming.insert(place, time)
        self._order.insert(place, _END)

    def run_until(self, time: int) -> int:
        """Run everything planned before ``time`` and stop there: actions at ``time`` itself have not run.

        Returns:
            The time at which it ended: ``time``, or sooner where an action has called ``stop``.
        """
        self._end_at(time)
        times, order, end = self.upcoming, self._order, _END
        while True:
            planned = order[0]
            if planned is end:
                break
            self.now = times[0]
            del times[0], order[0]
            priority, action, argument = planned
            again = action(argument)
            if again is None:
                continue
            if again.__class__ is not int or again < self.now:
                self._plan(again, planned)  # which refuses it
            place = bisect_right(times, again)  # what ``_plan`` does, without a call for each frame
            while times[place - 1] == again and order[place - 1][0] > priority:
                place -= 1
            times.insert(place, again)
            order.insert(place, planned)
        self.now = max(self.now, self._end)
        return self.now
