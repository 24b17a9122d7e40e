"""Failures of one kind: how many there were, when the last one was, and when they are over.

Knows: that a problem told of is over when the same comes through, or after a calm time. Does not know what fails.
"""

from collections import deque
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Ended, Problem, Transition
from rvsim.wire.frame import SECOND_US, Frame

CALM_US = 600 * SECOND_US
"""So long without another failure of its kind ends a problem: a text that nobody asks for any more fails no more. Ten
minutes: our decision."""
_MAX_KINDS = 256
"""So many kinds of failure are remembered, the newest: our decision, against floods."""
_MAX_FRAMES = 3
"""So many frames are kept as evidence, those of the last failures: our decision."""

Key = TypeVar("Key", bound=Hashable)


class Failures:
    """The failures of one kind so far; times in bus time, microseconds."""

    __slots__ = ("came_through", "count", "frames", "last", "number", "told")

    def __init__(self, number: int) -> None:
        self.number = number
        self.count = 0
        self.last = 0
        """When the last one was."""
        self.came_through = False
        """Whether the same has come through since."""
        self.frames: deque[Frame] = deque(maxlen=_MAX_FRAMES)
        self.told: Problem | None = None
        """The problem that was told, None while there is none."""


Kept = TypeVar("Kept", bound=Failures)


class FailureBook(Generic[Key, Kept]):
    """The failures of every kind that is remembered.

    Args:
        order: that of the deadlines among others of one moment, and the book's own.
        make: makes the record of a new kind, by its number.
    """

    def __init__(
        self, order: int, deadlines: Deadlines, emit: Callable[[Transition], None], make: Callable[[int], Kept]
    ) -> None:
        self._deadlines, self._emit, self._make = deadlines, emit, make
        self._calming = DeadlineKind(order, self._calm_due, self._be_calm)
        self._made = 0
        self.kinds: dict[Key, Kept] = {}

    def fail(self, key: Key, now: int, time: int, frame: Frame | None) -> Kept:
        """Count a failure at bus time ``now`` and frame time ``time``.

        One that comes long after the last, with success in between, is the first of a new count.
        """
        failures = self.kinds.get(key)
        if failures is None or (failures.came_through and now - failures.last > CALM_US):
            self.end(key, time)
            if len(self.kinds) >= _MAX_KINDS:
                self.end(next(iter(self.kinds)), time)
            self._made += 1
            failures = self.kinds[key] = self._make(self._made)
        failures.count += 1
        failures.last, failures.came_through = now, False
        if frame is not None:
            failures.frames.append(frame)
        return failures

    def report(self, failures: Kept, problem: Problem) -> None:
        """Tell of a problem, or tell of it again with its figures of now."""
        failures.told = problem
        self._emit(problem)
        self._deadlines.schedule(failures.last + CALM_US, self._calming, failures.number, failures)

    def end(self, key: Key, time: int) -> None:
        """Forget the failures of a kind; a problem that was told is over."""
        failures = self.kinds.pop(key, None)
        if failures is not None:
            self._close(failures, time)

    def _close(self, failures: Failures, time: int) -> None:
        if failures.told is not None:
            self._emit(Ended(time, failures.told.problem_key))
            failures.told = None

    def _calm_due(self, failures: Kept, passed: int) -> int | None:
        return max(passed, failures.last + CALM_US) if failures.told is not None else None

    def _be_calm(self, failures: Kept, time: int, _since: int) -> None:
        self.kinds = {key: one for key, one in self.kinds.items() if one is not failures}
        self._close(failures, time)
