"""Ages and gaps: how regularly a message comes, how long the whole bus is usually quiet, and what is due when.

Knows: bus time, in which ages are counted. It stands still while the whole bus is quiet: bus time is the frames'
time less all the pauses so far. Does not know devices, flags or what a message says.

The figures behind the limits are decisions of this project: three gaps missed in a row; a floor of 2 s, since a
recorded vessel bus has pauses of up to 2.54 s and messages with gaps of up to four times their median; ten times
the usual silence, at least 1 s, before a bus counts as quiet.
"""

from collections import deque
from collections.abc import Callable, Iterable
from heapq import heappop, heappush, heapreplace
from operator import sub
from typing import Any, NamedTuple

from rvsim.wire.frame import SECOND_US

MISSED_IN_A_ROW = 3
MIN_LATE_LIMIT_US = 2 * SECOND_US
MIN_KNOWN_GAPS = 10
"""So many gaps must be known before a message's own rhythm counts."""
MIN_KNOWN_SILENCES = 20
"""So many silences must be known before the bus's own median counts."""
MIN_MISSED_SOURCES = 2
"""So many sources must be known, and must have missed a message, before a bus counts as quiet."""
MIN_STEADY_US = 60 * SECOND_US
"""So long a message without a definition must have kept its rhythm before it counts as periodic: what a person causes
by holding a button is over by then. Our choice."""
_MAX_GAPS, _MAX_SILENCES = 32, 256


def _steps(times: Iterable[int]) -> list[int]:
    """Return the steps between successive times, the shortest first."""
    ordered = list(times)
    return sorted(map(sub, ordered[1:], ordered))


def _median(steps: list[int]) -> int:
    return (steps[(len(steps) - 1) // 2] + steps[len(steps) // 2]) // 2


class Times(deque[int]):
    """The latest times of one topic."""

    def __init__(self, times: Iterable[int] = ()) -> None:
        super().__init__(times, _MAX_GAPS + 1)

    def wake(self) -> None:
        """Learn that its age is counted anew."""


class Rhythm:
    """When the frames of one topic came, in bus time."""

    __slots__ = ("_defined", "_gap", "_gap_of", "_promised", "_restarted", "begun", "times")

    def __init__(self, defined: bool, promised: int | None) -> None:
        """Take whether the message is defined, and the broadcast gap that its definition promises, None for none."""
        self._defined = defined
        self._promised = promised
        self._restarted = -1
        self.begun: int | None = None
        """When the first frame came."""
        self.times = Times()
        self._gap: int | None = None
        self._gap_of: tuple[int, int, int] | None = None
        """The first and the last time, and how many, that the gap was worked out from: times never go back, so that
        other times between them have the same steps."""

    def rest(self, times: Times) -> None:
        """Keep the same times in another way."""
        self.times = times

    @property
    def last(self) -> int:
        """The moment from which the age is counted: the last frame, or the return of its device."""
        return max(self.times[-1], self._restarted)

    @property
    def returned(self) -> int:
        """When its device was found again after it was missed, -1 for never."""
        return self._restarted

    def restart(self, now: int) -> None:
        """Count the age from ``now`` on."""
        self._restarted = now
        self.times.wake()

    @property
    def min_limit(self) -> int | None:
        """The shortest age at which the message can be late, None for one that is sent as needed."""
        if self._promised is None and self._defined:
            return None
        return max(MISSED_IN_A_ROW * (self._promised or 0), MIN_LATE_LIMIT_US)

    @property
    def is_periodic(self) -> bool:
        """Tell whether the message can be expected at all: it promises a gap, or has kept one for a minute.

        One without a definition has to have kept it in each of the gaps that are remembered.
        """
        if self._promised is not None:
            return True
        if (
            self._defined
            or self.begun is None
            or self.times[-1] - self.begun < MIN_STEADY_US
            or len(self.times) <= MIN_KNOWN_GAPS
        ):
            return False
        return _steps(self.times)[-1] <= self.limit()

    def gap(self) -> int | None:
        """Return the gap that can be relied on; None where none is known.

        For a message that promises a gap that is the promised one or its own median, whichever is longer. One that is
        defined without a gap ("as needed", "on request") has none. For one without a definition it is the gap that
        nine in ten of its own keep (common practice, no source): many come in bursts, of which a median tells nothing.
        """
        if self._promised is None and self._defined:
            return None
        times = self.times
        if len(times) <= MIN_KNOWN_GAPS:
            return self._promised
        known_by = times[0], times[-1], len(times)
        if known_by != self._gap_of:
            steps = _steps(times)
            own = _median(steps) if self._promised is not None else steps[len(steps) * 9 // 10]
            self._gap, self._gap_of = max(self._promised or 0, own), known_by
        return self._gap

    def limit(self) -> int:
        """Return the age beyond which the message is late; of use where it is periodic."""
        return max(MISSED_IN_A_ROW * (self.gap() or 0), MIN_LATE_LIMIT_US)

    def missed(self, now: int) -> int | None:
        """Return the moment from which the next frame counts as missed, if it was not missed by ``now`` already.

        Half a gap is allowed for: common practice, no source.
        """
        gap = self.gap()
        if gap is None:
            return None
        moment = self.last + gap + gap // 2
        return moment if moment > now else None


class Silences:
    """The usual silence between any two frames, by the times of the latest of them."""

    def __init__(self) -> None:
        self.times: deque[int] = deque(maxlen=_MAX_SILENCES + 1)

    def median(self) -> int | None:
        """Return the median silence, None while too few are known."""
        return _median(_steps(self.times)) if len(self.times) > MIN_KNOWN_SILENCES else None


def normal_silence(median: int) -> int:
    """Return the longest silence that counts as normal."""
    return max(10 * median, SECOND_US)


class DeadlineKind(NamedTuple):
    """A sort of deadline. Of deadlines at one moment those with the lower ``order`` come first.

    ``fresh`` is told a moment that has passed and says when the subject's deadline really is, None where there is none
    any more; where that is later than the moment, anything from the moment to the deadline will do. ``expire`` is
    called with the subject, the time at which it is known that the deadline has passed, and the deadline.
    """

    order: int
    fresh: Callable[[Any, int], int | None]
    expire: Callable[[Any, int, int], None]


class Deadlines:
    """Deadlines in bus time, one for each duty and subject. A deadline that has moved on is found out when its old
    moment comes. A deadline expires for the first moment after it.
    """

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, int, Any, DeadlineKind]] = []
        self._planned: set[tuple[int, int]] = set()
        self.until = 0
        """Up to when it is being asked what is due: until then nothing more is heard."""

    @property
    def first(self) -> int | None:
        """The earliest moment at which something may be due."""
        return self._heap[0][0] if self._heap else None

    def has(self, duty: DeadlineKind, number: int) -> bool:
        """Tell whether this duty has a deadline for the subject with this number."""
        return (duty.order, number) in self._planned

    def put(self, due: int, duty: DeadlineKind, number: int, subject: Any) -> None:
        """Plan a deadline, unless this duty has one for the subject; ``number`` is the subject's among its kind."""
        if not self.has(duty, number):
            self._planned.add((duty.order, number))
            heappush(self._heap, (due, duty.order, number, subject, duty))

    def due_before(self, now: int) -> int | None:
        """Return the first deadline that has passed by ``now``, None where there is none."""
        heap = self._heap
        self.until = now
        while heap and heap[0][0] < now:
            due, order, number, subject, duty = heap[0]
            fresh = duty.fresh(subject, due)
            if fresh is None:
                heappop(heap)
                self._planned.discard((order, number))
            elif fresh > due:
                heapreplace(heap, (fresh, order, number, subject, duty))
            else:
                return due
        return None

    def expire(self, time: int, since: int) -> None:
        """Let the first deadline expire."""
        _, order, number, subject, duty = heappop(self._heap)
        self._planned.discard((order, number))
        duty.expire(subject, time, since)
