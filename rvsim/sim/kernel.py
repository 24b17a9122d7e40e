"""The order in which things happen: a heap of (time, priority, sequence, action).

Knows: integer microseconds and that things at one time happen by priority and then in the order in which they
were planned, so a run is the same every time. Does not know what the actions do, nor whether anyone waits for
the wall clock between them.
"""

from collections.abc import Callable
from heapq import heappop, heappush
from typing import Any

Action = Callable[[Any], None]


class Kernel:
    """Simulated time. ``now`` is in microseconds since the start of the run."""

    def __init__(self) -> None:
        self.now = 0
        self._heap: list[tuple[int, int, int, Action, Any]] = []
        self._sequence = 0

    def at(self, time: int, action: Action, argument: Any = None, priority: int = 0) -> None:
        """Plan ``action(argument)`` for a time; lower priorities go first within one time.

        Raises:
            ValueError: the time has gone by, or is not a whole number of microseconds.
        """
        if time.__class__ is not int or time < self.now:
            raise ValueError(f"cannot plan for {time!r} us at {self.now} us: times are whole and never in the past")
        self._sequence += 1
        heappush(self._heap, (time, priority, self._sequence, action, argument))

    def peek(self) -> int | None:
        """Return the time of the next action, None where nothing is planned."""
        return self._heap[0][0] if self._heap else None

    def run_until(self, time: int) -> None:
        """Run everything planned before ``time`` and stop there: actions at ``time`` itself have not run."""
        heap = self._heap
        while heap and heap[0][0] < time:
            self.now, _, _, action, argument = heappop(heap)
            action(argument)
        self.now = max(self.now, time)
