"""Failures of one kind: how many there were, when the last one was, and when their problem ends.

Knows: that a reported problem ends when the same succeeds, or after a time without failure. Does not know what fails.
"""

from collections import deque
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Ended, Problem, Transition
from rvsim.wire.frame import SECOND_US, Frame

CLEAR_AFTER_US = 600 * SECOND_US
"""How long after the last failure of its kind a problem ends: a message that is no longer requested cannot fail again.
Ten minutes: our decision."""
_MAX_KINDS = 256
"""How many kinds of failure are kept, the newest ones. Our decision, to bound the memory."""
_MAX_FRAMES = 3
"""How many frames are kept as evidence, those of the last failures. Our decision."""

KeyT = TypeVar("KeyT", bound=Hashable)


class Failures:
    """The failures of one kind so far; times are bus time, in microseconds."""

    __slots__ = ("count", "frames", "has_succeeded", "last_at", "number", "reported")

    def __init__(self, number: int) -> None:
        self.number = number
        self.count = 0
        self.last_at = 0
        """When the last failure was."""
        self.has_succeeded = False
        """Whether the same has succeeded since."""
        self.frames: deque[Frame] = deque(maxlen=_MAX_FRAMES)
        self.reported: Problem | None = None
        """The problem that was reported, None while there is none."""


FailuresT = TypeVar("FailuresT", bound=Failures)


class FailureCounter(Generic[KeyT, FailuresT]):
    """The failures of every kind.

    Args:
        order: the order of its deadlines among those of one moment, different from that of any other object.
        deadlines: takes its deadlines.
        emit: takes the problems and their ends.
        new_failures: returns the record of a new kind, given its number.
    """

    def __init__(
        self,
        order: int,
        deadlines: Deadlines,
        emit: Callable[[Transition], None],
        new_failures: Callable[[int], FailuresT],
    ) -> None:
        self._deadlines, self._emit, self._new_failures = deadlines, emit, new_failures
        self._clear_deadline = DeadlineKind(order, self._clear_due, self._clear)
        self._count = 0
        self.kinds: dict[KeyT, FailuresT] = {}

    def fail(self, key: KeyT, now: int, time: int, frame: Frame | None) -> FailuresT:
        """Count a failure at bus time ``now`` and frame time ``time``.

        A failure long after the last one, with a success in between, starts a new count.
        """
        failures = self.kinds.get(key)
        if failures is None or (failures.has_succeeded and now - failures.last_at > CLEAR_AFTER_US):
            self.end(key, time)
            if len(self.kinds) >= _MAX_KINDS:
                self.end(next(iter(self.kinds)), time)
            self._count += 1
            failures = self.kinds[key] = self._new_failures(self._count)
        failures.count += 1
        failures.last_at, failures.has_succeeded = now, False
        if frame is not None:
            failures.frames.append(frame)
        return failures

    def report(self, failures: FailuresT, problem: Problem) -> None:
        """Report a problem, or report it again with its present figures."""
        failures.reported = problem
        self._emit(problem)
        self._deadlines.schedule(failures.last_at + CLEAR_AFTER_US, self._clear_deadline, failures.number, failures)

    def end(self, key: KeyT, time: int) -> None:
        """Forget the failures of a kind, and end their problem if it was reported."""
        failures = self.kinds.pop(key, None)
        if failures is not None:
            self._close(failures, time)

    def _close(self, failures: Failures, time: int) -> None:
        if failures.reported is not None:
            self._emit(Ended(time, failures.reported.problem_key))
            failures.reported = None

    def _clear_due(self, failures: FailuresT, passed: int) -> int | None:
        return max(passed, failures.last_at + CLEAR_AFTER_US) if failures.reported is not None else None

    def _clear(self, failures: FailuresT, time: int, _since: int) -> None:
        self.kinds = {key: known for key, known in self.kinds.items() if known is not failures}
        self._close(failures, time)
