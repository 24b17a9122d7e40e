"""Ages and gaps: how regularly a message comes, how long the whole bus is usually quiet, and which deadlines are due.

Knows: bus time, in which ages are counted: the time of the frames less all pauses of the whole bus so far, so it stops
while the whole bus is quiet. Does not know devices, flags or the content of a message.

The figures behind the limits are decisions of this project: a message is late after three gaps without
a frame, and after 2 s at the earliest, since a recorded vessel bus has pauses of up to 2.54 s and messages with gaps of
up to four times their median; a bus is quiet after ten times its usual silence, and after 1 s at the earliest.
"""

from collections import deque
from collections.abc import Callable, Iterable
from heapq import heappop, heappush, heapreplace
from operator import sub
from typing import Any, NamedTuple

from rvsim.wire.frame import SECOND_US

MISSED_IN_A_ROW = 3
"""After how many gaps without a frame a message is late; a device is silent after as many of its slowest gap, where
that is longer than ``MIN_SILENCE_LIMIT_US``."""
MIN_LATE_LIMIT_US = 2 * SECOND_US
MIN_KNOWN_GAPS = 10
"""The number of gaps from which on the measured rhythm of a message counts."""
MIN_KNOWN_SILENCES = 20
"""The number of silences from which on the median of the bus counts."""
MIN_MISSED_SOURCES = 2
"""The number of sources that must have missed a message before a bus counts as quiet."""
MIN_STEADY_US = 60 * SECOND_US
"""How long a message without a definition must have kept its rhythm before it counts as periodic: frames that a person
causes by holding a button have ended by then. Our choice."""
_MAX_GAPS, _MAX_SILENCES = 32, 256


def _gaps_between(times: Iterable[int]) -> list[int]:
    """Return the steps between successive times, the shortest first."""
    ordered = list(times)
    return sorted(map(sub, ordered[1:], ordered))


def _median(steps: list[int]) -> int:
    return (steps[(len(steps) - 1) // 2] + steps[len(steps) // 2]) // 2


class Times(deque[int]):
    """The latest times of one topic."""

    def __init__(self, times: Iterable[int] = ()) -> None:
        super().__init__(times, _MAX_GAPS + 1)

    def resume(self) -> None:
        """Note that the age is counted from now on; nothing to do here."""


class Rhythm:
    """The rhythm of one topic: when its frames came, in bus time."""

    __slots__ = ("_defined_gap", "_gap", "_gap_known_by", "_is_defined", "_restarted", "first_at", "times")

    def __init__(self, defined_gap: int | None, *, is_defined: bool) -> None:
        """Take the defined broadcast gap (microseconds, None for none), and whether the message is defined at all."""
        self._is_defined = is_defined
        self._defined_gap = defined_gap
        self._restarted = -1
        self.first_at: int | None = None
        """The time of the first frame."""
        self.times = Times()
        self._gap: int | None = None
        self._gap_known_by: tuple[int, int, int] | None = None
        """The first time, the last time and the number of times from which the gap was computed: times never go back
        and are only added at the end, so the same three mean the same gaps."""

    def replace_times(self, times: Times) -> None:
        """Replace the container of the times by another one with the same times."""
        self.times = times

    @property
    def last(self) -> int:
        """The moment from which the age is counted: the last frame, or the return of its device."""
        return max(self.times[-1], self._restarted)

    @property
    def returned_at(self) -> int:
        """When its device was heard again after a silence, -1 for never."""
        return self._restarted

    def restart(self, now: int) -> None:
        """Count the age from ``now`` on."""
        self._restarted = now
        self.times.resume()

    @property
    def min_limit(self) -> int | None:
        """The lowest age at which the message can be late, None for one that is sent as needed."""
        if self._defined_gap is None and self._is_defined:
            return None
        return max(MISSED_IN_A_ROW * (self._defined_gap or 0), MIN_LATE_LIMIT_US)

    @property
    def is_periodic(self) -> bool:
        """Whether the message is periodic: it has a defined gap, or has kept a gap for a minute.

        A message without a definition must have kept it in each of the stored gaps.
        """
        if self._defined_gap is not None:
            return True
        if (
            self._is_defined
            or self.first_at is None
            or self.times[-1] - self.first_at < MIN_STEADY_US
            or len(self.times) <= MIN_KNOWN_GAPS
        ):
            return False
        return _gaps_between(self.times)[-1] <= self.limit()

    def gap(self) -> int | None:
        """Return the reliable gap in microseconds; None where none is known.

        For a message with a defined gap it is that gap or the measured median, whichever is longer. A message that is
        defined without a gap ("as needed", "on request") has none. For a message without a definition it is the gap
        that nine in ten of the measured ones keep (common practice, no source): many come in bursts, and the median
        says nothing about a burst.
        """
        if self._defined_gap is None and self._is_defined:
            return None
        times = self.times
        if len(times) <= MIN_KNOWN_GAPS:
            return self._defined_gap
        known_by = times[0], times[-1], len(times)
        if known_by != self._gap_known_by:
            steps = _gaps_between(times)
            own = _median(steps) if self._defined_gap is not None else steps[len(steps) * 9 // 10]
            self._gap, self._gap_known_by = max(self._defined_gap or 0, own), known_by
        return self._gap

    def limit(self) -> int:
        """Return the age beyond which the message is late, in microseconds; meaningful only where it is periodic."""
        return max(MISSED_IN_A_ROW * (self.gap() or 0), MIN_LATE_LIMIT_US)

    def missed_from(self, now: int) -> int | None:
        """Return the moment from which the next frame counts as missed, None if it was already missed by ``now``.

        Half a gap of tolerance is added: common practice, no source.
        """
        gap = self.gap()
        if gap is None:
            return None
        due = self.last + gap + gap // 2
        return due if due > now else None


class Silences:
    """The usual silence between two frames of the bus, from the times of the latest frames."""

    def __init__(self) -> None:
        self.times: deque[int] = deque(maxlen=_MAX_SILENCES + 1)

    def median(self) -> int | None:
        """Return the median silence, None while too few are known."""
        return _median(_gaps_between(self.times)) if len(self.times) > MIN_KNOWN_SILENCES else None


def normal_silence(median: int) -> int:
    """Return the longest silence that counts as normal, in microseconds."""
    return max(10 * median, SECOND_US)


class DeadlineKind(NamedTuple):
    """A kind of deadline. Of deadlines at one moment those with the lower ``order`` come first.

    ``current`` is called with the subject and a moment that has passed; it returns the present deadline of the subject,
    None where it has none any more. Where that deadline is later than the moment, any value between the two is allowed.
    ``expire`` is called with the subject, the time at which it is known that the deadline has passed, and the deadline.
    """

    order: int
    current: Callable[[Any, int], int | None]
    expire: Callable[[Any, int, int], None]


class Deadlines:
    """Deadlines in bus time, one for each kind and subject. A deadline that was moved is noticed when its old moment
    comes. A deadline expires at the first moment after it.
    """

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, int, Any, DeadlineKind]] = []
        self._planned: set[tuple[int, int]] = set()
        self.checked_until = 0
        """The moment up to which deadlines are being checked: no frame comes before it."""

    @property
    def earliest(self) -> int | None:
        """The earliest moment at which a deadline may be due; None without deadlines."""
        return self._heap[0][0] if self._heap else None

    def has(self, duty: DeadlineKind, number: int) -> bool:
        """Return whether a subject, given by its number, has a deadline of this kind."""
        return (duty.order, number) in self._planned

    def schedule(self, due: int, duty: DeadlineKind, number: int, subject: Any) -> None:
        """Add a deadline, unless the subject has one of this kind; ``number`` identifies the subject within the
        kind.
        """
        if not self.has(duty, number):
            self._planned.add((duty.order, number))
            heappush(self._heap, (due, duty.order, number, subject, duty))

    def due_before(self, now: int) -> int | None:
        """Return the first deadline that has passed by ``now``, None where there is none."""
        heap = self._heap
        self.checked_until = now
        while heap and heap[0][0] < now:
            due, order, number, subject, duty = heap[0]
            due_now = duty.current(subject, due)
            if due_now is None:
                heappop(heap)
                self._planned.discard((order, number))
            elif due_now > due:
                heapreplace(heap, (due_now, order, number, subject, duty))
            else:
                return due
        return None

    def expire_first(self, time: int, since: int) -> None:
        """Let the first deadline expire."""
        _, order, number, subject, duty = heappop(self._heap)
        self._planned.discard((order, number))
        duty.expire(subject, time, since)
