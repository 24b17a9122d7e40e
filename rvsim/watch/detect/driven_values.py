"""Measured values that stay constant while something works that moves them for certain.

Needs the frames with which what moves a value passes a level, and each change of a value that is reported; when a value
changed last is asked for.

Knows: that a value counts from its last change on, or from the return of its device; that a value which is no longer
sent is late and not stuck, and that nothing is known of what is late itself. Does not know what moves which value:
``drives`` does.
"""

from collections.abc import Callable, Iterator
from itertools import chain
from typing import TYPE_CHECKING

from rvsim.watch.detect.courses import Range, Sum
from rvsim.watch.detect.drives import FRESH, MIN_REST_US, SECOND_FRESH, TANK, Movement, Work, drives
from rvsim.watch.detect.last_readings import is_fresh, raw_of, reading_of, value_of
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import LastChange, Need
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Drive, DrivenValueStuck, Ended, Transition, ValueStuck
from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

LAG_US = 60 * SECOND_US
"""How far a value may be behind what moves it. Our decision."""
RETRY_US = 60 * SECOND_US
"""After how long a value is judged again where it could not be judged."""


class _DrivenValue:
    """One field of one topic, and since when it has been constant."""

    def __init__(self, record: TopicRecord, field: FieldSpec) -> None:
        self.record = record
        self.field = field
        self.raw: int | None = None
        self.since = 0
        """The moment of its last change, in bus time."""
        self.since_frame_time = 0
        """The same moment in frame time."""
        self.links: list[_Link] = []
        self.reported: ValueStuck | DrivenValueStuck | None = None

    def restart(self, raw: int | None, now: int, time: int) -> None:
        """Note a new value, at a moment in bus time and in frame time."""
        self.raw, self.since, self.since_frame_time = raw, now, time


class _Course:
    """What one topic did that moves values, by one entry of the table."""

    def __init__(self, record: TopicRecord, rule: Work | Movement) -> None:
        self.record = record
        self.rule = rule
        self.links: list[_Link] = []
        self.done: Sum | Range = Sum(is_cumulative=rule.is_cumulative) if isinstance(rule, Work) else Range(rule.levels)

    def update(self) -> bool:
        """Go on by the last frame; return whether more has to be expected now than before."""
        record, rule, now = self.record, self.rule, self.record.rhythm.times[-1]
        if isinstance(rule, Work):
            assert isinstance(self.done, Sum)
            return self.done.note(now, rule.rate(record)) and self.done.rate > 0
        assert isinstance(self.done, Range)
        assert record.layout.spec is not None
        value = value_of(record, rule.source_field)
        raw = raw_of(record, record.layout.spec.by_name[rule.source_field])
        return self.done.note(now, value, raw) and value is not None

    def reaches(self, value: _DrivenValue) -> int | None:
        """Return when it has done enough to move a value; None while it does not."""
        since = self.since(value)
        if isinstance(self.rule, Work):
            assert isinstance(self.done, Sum)
            needed = self.rule.needed(value.record)
            found = None if needed is None else self.done.reaches(needed, since)
            return None if found is None else max(found, since + MIN_REST_US)
        assert isinstance(self.done, Range)
        moved = self.done.moves(self.rule.least, since + LAG_US)
        return None if moved is None else max(moved[0], since + self.rule.min_us)

    def since(self, value: _DrivenValue) -> int:
        """Return from when on it counts: the last change of the value, and the last return of both devices."""
        return max(value.since, value.record.rhythm.returned_at, self.record.rhythm.returned_at)


class _Link:
    """A value and what moves it; ``not_before`` is when it is judged again, where it could not be."""

    def __init__(self, number: int, value: _DrivenValue, course: _Course) -> None:
        self.number = number
        self.value = value
        self.course = course
        self.due = 0
        self.not_before = 0

    def is_known(self, now: int) -> bool:
        """Return whether both sides are still sent."""
        value, source = self.value.record, self.course.record
        return all(
            record.rhythm.gap() is not None and record.lateness is None and is_fresh(record, now)
            for record in (value, source)
        )


class DrivenValues:
    """Holds measured values against what moves them.

    ``is_reported`` returns whether a field of a topic is reported as stuck by other means.
    """

    def __init__(
        self,
        rig: "Rig | None",
        deadlines: Deadlines,
        emit: Callable[[Transition], None],
        is_reported: Callable[[TopicRecord, str], bool],
    ) -> None:
        self._deadlines = deadlines
        self._emit = emit
        self._is_reported = is_reported
        self._deadline = DeadlineKind(29, self._due, self._check)
        self._rules = tuple(drives(rig))
        self.value_messages = frozenset(rule.message for rule in self._rules)
        self.source_messages = frozenset(rule.source for rule in self._rules)
        self._count = 0
        self._values: dict[TopicRecord, list[_DrivenValue]] = {}
        self._courses: dict[TopicRecord, list[_Course]] = {}

    def observe(self, record: TopicRecord) -> None:
        """Take in a frame of a message that tells what moves values."""
        courses = self._courses.get(record)
        if courses is None:
            courses = self._start_courses(record)
        for course in courses:
            if course.update():
                for link in course.links:
                    self._plan(link)

    def observe_value(self, record: TopicRecord) -> None:
        """Take in a frame of a message with values that something moves."""
        values = self._values.get(record)
        if values is None:
            values = self._start_values(record)
        for value in values:
            raw, before = raw_of(record, value.field), value.raw
            if raw == before:
                continue
            value.restart(raw, record.rhythm.times[-1], record.frame.time)
            if value.reported is not None:
                self._emit(Ended(record.frame.time, value.reported.problem_key))
                value.reported = before = None
            for link in value.links if before is None else ():
                self._plan(link)

    def needs(self, spec: MessageSpec) -> Iterator[Need]:
        """Yield what is needed of the topics of a message that tells what moves values."""
        crossings = (crossing for rule in self._rules if rule.source == spec.name for crossing in rule.crossings)
        for crossing in dict.fromkeys(crossings):
            if crossing.field in spec.by_name:
                yield crossing

    @staticmethod
    def needed_fields(record: TopicRecord) -> tuple[FieldSpec, ...]:  # noqa: ARG004 - as every detector of levels
        """Return no fields: of what moves values only the levels count."""
        return ()

    def needed_values(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present: those that are reported."""
        return tuple(value.field for value in self._values.get(record, ()) if value.reported is not None)

    def enter(self, record: TopicRecord, last_change: LastChange) -> None:
        """Take in the last frames with new data that were passed over."""
        for value in self._values.get(record, ()):
            changed = last_change(value.field) if value.raw is not None else None
            if changed is not None:
                value.restart(changed.raw, changed.now, changed.time)

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        for value in self._values.pop(record, ()):
            value.raw = None
            if value.reported is not None:
                self._emit(Ended(time, value.reported.problem_key))
            for link in value.links:
                link.course.links.remove(link)
        for course in self._courses.pop(record, ()):
            for link in course.links:
                link.value.links.remove(link)
            course.links.clear()

    def resume_listening(self, time: int, now: int) -> None:
        """Count from ``now`` on (bus time): nobody listened before it."""
        for value in chain.from_iterable(self._values.values()):
            if value.reported is None:
                value.since, value.since_frame_time = now, time
        for course in chain.from_iterable(self._courses.values()):
            course.done.restart(now)

    # What belongs together.

    def _start_values(self, record: TopicRecord) -> list[_DrivenValue]:
        spec = record.layout.spec
        assert spec is not None
        names = dict.fromkeys(rule.field for rule in self._rules if rule.message == spec.name)
        values = [_DrivenValue(record, spec.by_name[name]) for name in names if name in spec.by_name]
        self._values[record] = values
        for value in values:
            for course in chain.from_iterable(self._courses.values()):
                self._link(value, course)
        return values

    def _start_courses(self, record: TopicRecord) -> list[_Course]:
        spec = record.layout.spec
        assert spec is not None
        courses = [
            _Course(record, rule)
            for rule in self._rules
            if rule.source == spec.name and all(crossing.field in spec.by_name for crossing in rule.crossings)
        ]
        self._courses[record] = courses
        for course in courses:
            for value in chain.from_iterable(self._values.values()):
                self._link(value, course)
        return courses

    def _link(self, value: _DrivenValue, course: _Course) -> None:
        rule = course.rule
        belongs = rule.message == value.record.topic.message and rule.field == value.field.name
        if belongs and rule.relates(value.record, course.record):
            link = _Link(self._count, value, course)
            self._count += 1
            value.links.append(link)
            course.links.append(link)

    # Deadlines.

    def _plan(self, link: _Link) -> None:
        """Have a value judged when enough is done to move it, as far as that is known."""
        link.value.record.refresh()
        due = self._present_due(link)
        if due is not None:
            self._deadlines.hasten(due, self._deadline, link.number, link)
            self._deadlines.schedule(due, self._deadline, link.number, link)

    @staticmethod
    def _present_due(link: _Link) -> int | None:
        value = link.value
        if value.raw is None or value.reported is not None or link not in value.links:
            return None
        due = link.course.reaches(value)
        return None if due is None else max(due, link.not_before)

    def _due(self, link: _Link, passed: int) -> int | None:
        link.value.record.refresh()
        link.course.record.refresh()
        due = self._present_due(link)
        if due is None:
            return None
        link.due = max(passed, due)
        return link.due

    def _check(self, link: _Link, time: int, since: int) -> None:
        value, rule = link.value, link.course.rule
        can_be_judged = link.is_known(link.due) and rule.counts(value.record)
        if not can_be_judged or self._is_in_doubt(link) or self._is_reported(value.record, value.field.name):
            link.not_before = link.due + RETRY_US
            self._deadlines.schedule(link.not_before, self._deadline, link.number, link)
            return
        value.reported = self._problem(link, time, since)
        value.record.choose_again()
        self._emit(value.reported)

    def _is_in_doubt(self, link: _Link) -> bool:
        """Return whether it is not certain that the pump draws from the tank: there are two."""
        rule = link.course.rule
        if not isinstance(rule, Work) or rule.drive is not Drive.PUMP:
            return False
        fresh = [
            record
            for record in self._values
            if record.topic.message == TANK and record.topic.instance in (FRESH, SECOND_FRESH)
        ]
        return len(fresh) > 1

    @staticmethod
    def _problem(link: _Link, time: int, since: int) -> ValueStuck | DrivenValueStuck:
        value, course, rule = link.value, link.course, link.course.rule
        record, source, since_bus = value.record, course.record, course.since(value)
        paused_us = record.frame.time - record.rhythm.times[-1]
        stuck_since = value.since_frame_time if since_bus == value.since else since_bus + paused_us
        reading, frame = reading_of(record, value.field.name), record.frame
        stuck = time, since, record.device.name, record.topic, reading, stuck_since
        lasted = since - stuck_since
        if isinstance(rule, Work):
            assert isinstance(course.done, Sum)
            amount = course.done.until(link.due) - course.done.until(since_bus)
            return DrivenValueStuck(*stuck, lasted, rule.drive, amount, source.device.name, source.topic, frame)
        assert isinstance(course.done, Range)
        moved = course.done.moves(rule.least, since_bus + LAG_US)
        assert moved is not None
        assert source.layout.spec is not None
        field = source.layout.spec.by_name[rule.source_field]
        low, high = (Reading(field, raw, State.VALUE) for raw in moved[1:])
        return ValueStuck(*stuck, lasted, source.device.name, source.topic, low, high, frame)
