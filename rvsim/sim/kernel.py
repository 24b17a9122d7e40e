"""The order in which actions run: by time, of one time by priority, and then as they were planned.

Knows: integer microseconds, and that the order is the same every time, so that a run is. Does not know what the actions
do, nor whether a clock paces them.

The times lie sorted in a list of their own, beside what is planned for them: a place is found by comparing integers, the
rest of some hundred is moved at once, and an action that is called again needs no new object. A heap compares tuples,
which takes longer.
"""

import sys
from bisect import bisect_right
from collections.abc import Callable
from typing import Any

Action = Callable[[Any], int | None]
"""What is planned. It returns the time at which it is called again with the same argument, None where it is not."""
_Planned = tuple[int, Action, Any]
"""Priority, action and argument."""
_NEVER = sys.maxsize
"""The last of the sorted times: before it every other one finds its place."""


def _do_nothing(_: None) -> None:
    """Stand at the end of what is planned; it never runs."""


class Kernel:
    """Simulated time. ``now`` is in microseconds since the start of the run."""

    def __init__(self) -> None:
        self.now = 0
        self._times = [_NEVER]
        """When everything that is planned runs, the soonest first."""
        self._order: list[_Planned] = [(0, _do_nothing, None)]
        """What runs at these times, at the same places."""
        self._end = 0
        """Up to where the present run goes."""

    def at(self, time: int, action: Action, argument: Any = None, priority: int = 0) -> None:
        """Plan ``action(argument)`` for a time; of one time, lower priorities run first.

        Raises:
            ValueError: the time is past, or is not an integer.
        """
        self._plan(time, (priority, action, argument))

    def _plan(self, time: int, planned: _Planned) -> None:
        if time.__class__ is not int or time < self.now:
            raise ValueError(f"cannot plan for {time!r} us at {self.now} us: times are whole and never in the past")
        times, order = self._times, self._order
        place = bisect_right(times, time)
        while times[place - 1] == time and order[place - 1][0] > planned[0]:  # before the first one is _NEVER
            place -= 1
        times.insert(place, time)
        order.insert(place, planned)

    def skip_to(self, time: int) -> bool:
        """Go on to ``time`` at once, as the last thing that an action does; return whether that was possible.

        It is where nothing else is planned up to and at that time and the present run goes beyond it: what an event of
        that time would do can then be done without one.
        """
        if time >= self._end or self._times[0] <= time:
            return False
        self.now = time
        return True

    def peek(self) -> int | None:
        """Return the time of the next action, None if nothing is planned."""
        return None if self._times[0] == _NEVER else self._times[0]

    def stop(self) -> None:
        """End the present run before the next microsecond."""
        self._end = min(self._end, self.now + 1)

    def run_until(self, time: int) -> int:
        """Run everything planned before ``time`` and stop there: actions at ``time`` itself have not run.

        Returns:
            The time at which it ended: ``time``, or sooner where an action has called ``stop``.
        """
        times, order, self._end = self._times, self._order, time
        while True:  # not "while times[0] < ...": such a loop is not specialised by Python 3.11
            moment = times[0]
            if moment >= self._end:
                break
            planned = order[0]
            del times[0], order[0]
            self.now = moment
            priority, action, argument = planned
            again = action(argument)
            if again is None:
                continue
            if again.__class__ is not int or again < self.now:
                self._plan(again, planned)  # refuses it
            place = bisect_right(times, again)  # what ``_plan`` does, without a call for each frame
            while times[place - 1] == again and order[place - 1][0] > priority:
                place -= 1
            times.insert(place, again)
            order.insert(place, planned)
        self.now, self._end = max(self.now, self._end), 0
        return self.now
