"""The order in which actions run: a heap of (time, priority, sequence, action).

Knows: integer microseconds, and that actions of one time run by priority and then in the order in which they were
planned, so that a run is the same every time. Does not know what the actions do, nor whether a clock paces them.
"""

from collections.abc import Callable
from heapq import heappop, heappush, heappushpop
from typing import Any

Action = Callable[[Any], int | None]
"""What is planned. It returns the time at which it is called again with the same argument, None where it is not."""
_Planned = tuple[int, int, int, Action, Any]


class Kernel:
    """Simulated time. ``now`` is in microseconds since the start of the run."""

    def __init__(self) -> None:
        self.now = 0
        self._heap: list[_Planned] = []
        self._newest: _Planned | None = None
        """The earliest action planned since the last one started: often the next to run, so not in the heap."""
        self._sequence = 0
        self._end = 0
        """Up to where the present run goes."""

    def at(self, time: int, action: Action, argument: Any = None, priority: int = 0) -> None:
        """Plan ``action(argument)`` for a time; of one time, lower priorities run first.

        Raises:
            ValueError: the time is past, or is not an integer.
        """
        if time.__class__ is not int or time < self.now:
            raise ValueError(f"cannot plan for {time!r} us at {self.now} us: times are whole and never in the past")
        self._sequence = sequence = self._sequence + 1
        planned = (time, priority, sequence, action, argument)
        newest = self._newest
        if newest is None:
            self._newest = planned
        elif time < newest[0]:
            self._newest = planned
            heappush(self._heap, newest)
        else:
            heappush(self._heap, planned)

    def skip_to(self, time: int) -> bool:
        """Go on to ``time`` at once, as the last thing that an action does; return whether that was possible.

        It is where nothing else is planned up to and at that time and the present run goes beyond it: what an event of
        that time would do can then be done without one.
        """
        heap, newest = self._heap, self._newest
        if time >= self._end or (heap and heap[0][0] <= time) or (newest is not None and newest[0] <= time):
            return False
        self.now = time
        return True

    def peek(self) -> int | None:
        """Return the time of the next action, None if nothing is planned."""
        times = [planned[0] for planned in (self._newest, *self._heap[:1]) if planned is not None]
        return min(times, default=None)

    def stop(self) -> None:
        """End the present run before the next microsecond."""
        self._end = min(self._end, self.now + 1)

    def run_until(self, time: int) -> int:
        """Run everything planned before ``time`` and stop there: actions at ``time`` itself have not run.

        Returns:
            The time at which it ended: ``time``, or sooner where an action has called ``stop``.
        """
        heap, self._end = self._heap, time
        while True:
            newest = self._newest
            if newest is not None:
                self._newest = None
                planned = heappushpop(heap, newest)
            elif heap:
                planned = heappop(heap)
            else:
                break
            moment, priority, _, action, argument = planned
            if moment >= self._end:
                self._newest = planned
                break
            self.now = moment
            again = action(argument)
            if again is None:
                continue
            if (
                self._newest is None and again.__class__ is int and again >= self.now
            ):  # what ``at`` does, without a call for each frame
                self._sequence = sequence = self._sequence + 1
                self._newest = (again, priority, sequence, action, argument)
            else:
                self.at(again, action, argument, priority)
        self.now, self._end = max(self.now, self._end), 0
        return self.now
