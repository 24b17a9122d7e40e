"""Ages and gaps: how regularly a message comes, how long the whole bus is usually quiet, and which deadlines are due.

Knows: bus time, in which ages are counted: the time of the frames less all pauses of the whole bus so far, so it stops
while the whole bus is quiet. Does not know devices, flags or the content of a message.

The figures behind the limits are decisions of this project: a message is late after three gaps without
a frame, and after 2 s at the earliest, since a recorded vessel bus has pauses of up to 2.54 s and messages with gaps of
up to four times their median; a bus is quiet after ten times its usual silence, and after 1 s at the earliest.
"""

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from heapq import heappop, heappush, heapreplace
from operator import sub
from typing import Any, NamedTuple, Protocol

from rvsim.wire.frame import SECOND_US, Frame

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
MAX_GAPS, MAX_SILENCES = 32, 256
"""How many steps of a topic, and of the whole bus, are stored."""


def _gaps_between(times: Iterable[int]) -> list[int]:
    """Return the steps between successive times, the shortest first."""
    ordered = list(times)
    return sorted(map(sub, ordered[1:], ordered))


def _median(steps: list[int]) -> int:
    return (steps[(len(steps) - 1) // 2] + steps[len(steps) // 2]) // 2


class Times(deque[int]):
    """The latest times of one topic."""

    def __init__(self, times: Iterable[int] = ()) -> None:
        super().__init__(times, MAX_GAPS + 1)

    def resume(self) -> None:
        """Note that the age is counted from now on; nothing to do here."""


class Rhythm:
    """The rhythm of one topic: when its frames came, in bus time.

    In a log that is held as columns the frames to come are known too: the queries with ``until`` in their names tell
    how far nothing special comes, as far as that is known. On a live bus that is the last frame.
    """

    __slots__ = ("_defined_gap", "_gap", "_gap_known_by", "_is_defined", "_restarted", "column", "first_at", "stored")

    def __init__(self, defined_gap: int | None, *, is_defined: bool) -> None:
        """Take the defined broadcast gap (microseconds, None for none), and whether the message is defined at all."""
        self._is_defined = is_defined
        self._defined_gap = defined_gap
        self._restarted = -1
        self.first_at: int | None = None
        """The time of the first frame."""
        self.stored = Times()
        """The times that were entered; ``times`` first enters those that were passed over."""
        self.column: TopicColumn | None = None
        """The frames of the topic in a log that is held as columns; None on a live bus."""
        self._gap: int | None = None
        self._gap_known_by: tuple[int, int, int] | None = None
        """The first time, the last time and the number of times from which the gap was computed: times never go back
        and are only added at the end, so the same three mean the same gaps."""

    @property
    def times(self) -> Times:
        """The latest times."""
        if self.column is not None:
            self.column.catch_up()
        return self.stored

    def replace_times(self, times: Times) -> None:
        """Replace the container of the times by another one with the same times."""
        self.stored = times

    def unbroken_until(self, longest: int) -> int:
        """Return the last moment up to which the age is known not to exceed ``longest`` microseconds."""
        last = self.last
        return last if self.column is None else self.column.unbroken_until(last, longest)

    def sent_until(self, longest: int) -> int:
        """Return the last moment up to which no frame is known to come later than that after the one before it."""
        last = self.times[-1]
        return last if self.column is None else self.column.unbroken_until(last, longest)

    def fewer_until(self, count: int) -> int:
        """Return the last moment up to which it is known that fewer than ``count`` times will be stored."""
        return self.times[-1] if self.column is None else self.column.fewer_until(count)

    def regular_until(self, shortest: float, longest: float) -> int:
        """Return the last moment up to which no step is known to be shorter or longer than this."""
        return self.times[-1] if self.column is None else self.column.regular_until(shortest, longest)

    def sparse_until(self, count: int, within: float) -> int:
        """Return the last moment up to which no ``count`` frames in a row are known to come in less than ``within``."""
        return self.times[-1] if self.column is None else self.column.sparse_until(count, within)

    def next_check(self, check: int) -> int:
        """Return the first check, from a moment on, that is not known to find the message within ``kept_limit``."""
        return check if self.column is None else self.column.next_check(check)

    @property
    def last(self) -> int:
        """The moment from which the age is counted: the last frame, or the return of its device."""
        return max(self.times[-1], self._restarted)  # the restart is never before a frame that was passed over

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

    def kept_limit(self) -> int | None:
        """Return the age beyond which a message without a defined gap has lost the rhythm that it kept for a minute;
        None where it has kept none.
        """
        times = self.times
        if self.first_at is None or times[-1] - self.first_at < MIN_STEADY_US or len(times) <= MIN_KNOWN_GAPS:
            return None
        steps = _gaps_between(times)
        limit = max(MISSED_IN_A_ROW * steps[len(steps) * 9 // 10], MIN_LATE_LIMIT_US)
        return limit if steps[-1] <= limit else None

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


class TopicColumn(Protocol):
    """The frames of one topic in a log that is held as columns; times are bus time.

    The frames up to the present position were received; those that change nothing are passed over, and entered into
    the record of the topic when it is asked for. No answer goes beyond the next silence of the bus in which bus
    time may stop.
    """

    def catch_up(self) -> None:
        """Enter the frames that were passed over into the record."""

    def refresh(self) -> None:
        """Enter the data of the frames that were passed over into what is kept of values."""

    def frame(self, index: int) -> Frame:
        """Return one of the frames."""

    def choose_again(self) -> None:
        """Note that other frames may have to be examined from now on."""

    def need_less(self) -> None:
        """Note that less is needed of the values of the frames from now on."""

    def release(self) -> None:
        """Note that the record was dropped: its next frame begins a new one."""

    def unbroken_until(self, last: int, longest: int) -> int:
        """See ``Rhythm.unbroken_until``; the age is counted from ``last``."""

    def fewer_until(self, count: int) -> int:
        """See ``Rhythm.fewer_until``."""

    def regular_until(self, shortest: float, longest: float) -> int:
        """See ``Rhythm.regular_until``."""

    def sparse_until(self, count: int, within: float) -> int:
        """See ``Rhythm.sparse_until``."""

    def next_check(self, check: int) -> int:
        """See ``Rhythm.next_check``."""


class Silences:
    """The usual silence between two frames of the bus, from the times of the latest frames."""

    def __init__(self) -> None:
        self.times: deque[int] = deque(maxlen=MAX_SILENCES + 1)
        self._column: Callable[[], Sequence[int]] | None = None

    def use(self, column: Callable[[], Sequence[int]] | None) -> None:
        """Take what returns the times of the latest frames of a log that is held as columns; None at its end."""
        self._catch_up()
        self._column = column

    def _catch_up(self) -> None:
        if self._column is not None:
            self.times.clear()
            self.times.extend(self._column())

    @property
    def are_known(self) -> bool:
        """Whether the median is known."""
        return len(self.times if self._column is None else self._column()) > MIN_KNOWN_SILENCES

    def median(self) -> int | None:
        """Return the median silence, None while too few are known."""
        self._catch_up()
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
        self._heap: list[tuple[int, int, int, int, Any, DeadlineKind]] = []
        self._pushed = 0
        """How many entries the heap had so far: their numbers keep subjects from being compared."""
        self._planned: dict[tuple[int, int], int] = {}
        """The moment of each deadline, by order and number; another moment in the heap has no meaning any more."""
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
            self._push(due, duty, number, subject)

    def _push(self, due: int, duty: DeadlineKind, number: int, subject: Any) -> None:
        self._planned[duty.order, number] = due
        self._pushed += 1
        heappush(self._heap, (due, duty.order, number, self._pushed, subject, duty))

    def hasten(self, due: int, duty: DeadlineKind, number: int, subject: Any) -> None:
        """Have a deadline of a subject checked at ``due`` already, where it has one that is later."""
        planned = self._planned.get((duty.order, number))
        if planned is not None and due < planned:
            self._push(due, duty, number, subject)

    def due_before(self, now: int) -> int | None:
        """Return the first deadline that has passed by ``now``, None where there is none."""
        heap = self._heap
        self.checked_until = now
        while heap and heap[0][0] < now:
            due, order, number, entry, subject, duty = heap[0]
            if self._planned.get((order, number)) != due:
                heappop(heap)  # it was hastened
                continue
            due_now = duty.current(subject, due)
            if due_now is None:
                heappop(heap)
                del self._planned[order, number]
            elif due_now > due:
                self._planned[order, number] = due_now
                heapreplace(heap, (due_now, order, number, entry, subject, duty))
            else:
                return due
        return None

    def expire_first(self, time: int, since: int) -> None:
        """Let the first deadline expire."""
        _, order, number, _, subject, duty = heappop(self._heap)
        del self._planned[order, number]
        duty.expire(subject, time, since)
