"""Conditions of readings that are reported once they have lasted for some time.

Knows: when a condition is reported, renewed and ended, and that it waits while a reading is late. Does not know any
condition. Times are bus time, except those of frames.
"""

from collections.abc import Callable, Sequence

from rvsim.watch.detect.last_readings import is_fresh
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import (
    BatteryDark,
    CurrentSignContradicts,
    Ended,
    KeyHeld,
    OffOutputDraws,
    ReadingsContradict,
    SupplyLow,
    TooCold,
    Transition,
)
from rvsim.wire.fields import FieldSpec

LastingProblem = (
    SupplyLow | BatteryDark | OffOutputDraws | KeyHeld | TooCold | CurrentSignContradicts | ReadingsContradict
)


class Lasting:
    """One condition of the readings ``fields``, each a topic with one of its fields.

    ``find`` is called with a time and with when the condition exceeded its limit, and makes the problem from the last
    readings. Of conditions with one ``group`` only one is reported at a time.
    """

    def __init__(
        self,
        number: int,
        lasts_us: int,
        fields: Sequence[tuple[TopicRecord, FieldSpec]],
        find: Callable[[int, int], LastingProblem],
        group: object,
    ) -> None:
        self.number = number
        self.lasts_us = lasts_us
        self.fields = tuple(fields)
        self.find = find
        self.group = group
        self.since: int | None = None
        self.due = 0
        self.raws: tuple[int | None, ...] = ()
        """The raw values that were reported last."""
        self.reported: LastingProblem | None = None
        self.enters_changes = False
        """Whether changes that were passed over are entered (see ``LastingConditions.enter``), so that none is needed
        while it is reported."""

    def present_raws(self) -> tuple[int | None, ...]:
        """Return the raw values of its last readings."""
        return tuple(field.raw_in(record.frame.data) for record, field in self.fields)


class LastingConditions:
    """The conditions of one detector; ``order`` is that of its deadlines."""

    def __init__(self, order: int, deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._deadline = DeadlineKind(order, self._due, self._expire)
        self._deadlines = deadlines
        self._emit = emit
        self._count = 0
        self._open: list[Lasting] = []
        """Those that are reported."""
        self._all: list[Lasting] = []

    def add(
        self,
        lasts_us: int,
        fields: Sequence[tuple[TopicRecord, FieldSpec]],
        find: Callable[[int, int], LastingProblem],
        group: object = None,
    ) -> Lasting:
        """Return a new condition, which does not hold yet."""
        made = Lasting(self._count, lasts_us, fields, find, group)
        self._count += 1
        self._all.append(made)
        return made

    def update(self, one: Lasting, time: int, now: int, *, holds: bool) -> None:
        """Note whether a condition holds, from a frame at ``time``, which is bus time ``now``."""
        if not holds:
            one.since = None
            self._end(one, time)
        elif one.since is None:
            one.since, one.due = now, now + one.lasts_us
            self._deadlines.schedule(one.due, self._deadline, one.number, one)
        else:
            self.renew(one, time)

    def renew(self, one: Lasting, time: int, *, is_renamed: bool = False) -> None:
        """Report a condition with its present readings, where it is reported with others or of another device."""
        if one.reported is not None and (is_renamed or one.present_raws() != one.raws):
            self.enter(one, one.find(time, one.reported.since))

    def enter(self, one: Lasting, problem: LastingProblem) -> None:
        """Report a condition that is reported with its present readings; of another device it is another problem."""
        if one.reported is not None and one.reported.problem_key != problem.problem_key:
            self._emit(Ended(problem.time, one.reported.problem_key))
        one.raws = one.present_raws()
        one.reported = problem
        self._emit(problem)

    def remove(self, one: Lasting, time: int) -> None:
        """Forget a condition: a topic of it is silent."""
        one.since = None
        self._end(one, time)
        self._all.remove(one)

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present: those that are reported."""
        return tuple(
            field for one in self._open if not one.enters_changes for other, field in one.fields if other is record
        )

    def refresh(self) -> None:
        """Have all that is reported be of the last frames."""
        for one in self._open:
            if one.enters_changes:
                for record, _ in one.fields:
                    record.refresh()

    def resume_listening(self, now: int) -> None:
        """Count from ``now`` on how long conditions have held: nobody listened before it."""
        for one in self._all:
            if one.since is not None and one.reported is None:
                one.since, one.due = now, now + one.lasts_us

    def _end(self, one: Lasting, time: int) -> None:
        if one.reported is not None:
            self._emit(Ended(time, one.reported.problem_key))
            one.reported = None
            self._open.remove(one)

    def _due(self, one: Lasting, passed: int) -> int | None:
        return None if one.since is None or one.reported is not None else max(passed, one.due)

    def _expire(self, one: Lasting, time: int, since: int) -> None:
        """Report a condition; wait for as long again where a reading is late or the same is reported already."""
        for record, _ in one.fields:
            record.refresh()
        is_open = one.group is not None and any(other.group == one.group for other in self._open)
        if is_open or not all(_is_valid(record, one.due) for record, _ in one.fields):
            one.due += one.lasts_us
            self._deadlines.schedule(one.due, self._deadline, one.number, one)
            return
        one.raws = one.present_raws()
        one.reported = one.find(time, since)
        self._open.append(one)
        for record, _ in one.fields:
            record.choose_again()
        self._emit(one.reported)


def _is_valid(record: TopicRecord, now: int) -> bool:
    """Return whether the last reading of a topic still holds: it is not late, or comes on change only."""
    return is_fresh(record, now) if record.rhythm.gap() is not None else record.device.is_heard
