"""Measured values that stay constant while related values change.

Needs the changes of fields that have neighbours by their definition, and those of the neighbours. A neighbour is a
field that changes whenever the value changes.

Knows: that a neighbour has the same instance, and that the neighbour of a battery is the charger which names its DC
source, in whichever of its messages; that a value which is not sent again counts as late, not as stuck; and that two
devices follow one quantity at different moments, so that a change of a neighbour counts only some time after the last
change of the value, and when the value had time to follow. Does not know which fields are neighbours: the definitions
say so.
"""

from collections import deque
from collections.abc import Callable, Iterator
from functools import cached_property
from typing import NamedTuple

from rvsim.watch.decode import Layout
from rvsim.watch.detect.last_readings import raw_of
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Extremes, LastChange, Need, Rest
from rvsim.watch.traffic import MIN_LATE_LIMIT_US, MISSED_IN_A_ROW, DeadlineKind, Deadlines
from rvsim.watch.transitions import Ended, Transition, ValueStuck
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

MIN_STUCK_US = 600 * SECOND_US
MIN_STUCK_GAPS = 20
"""How long a value must be constant: this many of its gaps, and ten minutes at least. Our decision."""
MIN_NEIGHBOUR_STEPS = 10
"""How far the neighbour must move in that time, in steps of its own resolution. Our decision."""
MIN_LAG_LIMIT_US = 60 * SECOND_US
"""How far one of two devices may be behind the other: this long, or three gaps of the slower one. Our decision."""
_BATTERY_FIELD = "dc_source_instance"
"""The field with the instance of the battery that a charger charges."""
_CHARGER = "charger"
"""The function of which only some messages have that field."""


class _Movement:
    """The range of raw values in which a neighbour has moved.

    ``recent`` are the latest values with their bus times that do not count yet, as far as they widen the range.
    """

    def __init__(self, raw: int) -> None:
        self.low = self.high = raw
        self.recent: deque[tuple[int, int]] = deque()
        self._lowest = self._highest = raw

    def note(self, now: int, raw: int) -> bool:
        """Note a value; return whether it widens the range, else it counts for nothing."""
        if self._lowest <= raw <= self._highest:
            return False
        self._lowest, self._highest = min(self._lowest, raw), max(self._highest, raw)
        self.recent.append((now, raw))
        return True

    def count_until(self, until: int) -> None:
        """Count the values up to a moment: those that the constant value had time to follow."""
        while self.recent and self.recent[0][0] <= until:
            _, raw = self.recent.popleft()
            self.low, self.high = min(self.low, raw), max(self.high, raw)


class _Link(NamedTuple):
    """A value that has the field ``name`` of a topic as neighbour; ``lag`` is how far one may be behind the other."""

    value: "_ComparedValue"
    name: str
    lag: int


class _ComparedValue:
    """One field of one topic that has neighbours."""

    def __init__(self, number: int, record: TopicRecord, field: FieldSpec) -> None:
        self.number = number
        self.record = record
        self.field = field
        self.raw: int | None = None
        self.since = 0
        """The moment of its last change, in bus time."""
        self.since_frame_time = 0
        """The same moment in frame time."""
        self.movements: dict[tuple[TopicRecord, str, int], _Movement] = {}
        """The movements of its neighbours, by topic, field and lag."""
        self.due = 0
        """The moment of its next check, in bus time."""
        self.reported: ValueStuck | None = None

    def restart(self, raw: int | None, now: int, time: int) -> None:
        """Note a new value, at a moment in bus time and in frame time."""
        self.raw, self.since, self.since_frame_time = raw, now, time
        self.movements.clear()


class _Links(NamedTuple):
    """The values that have fields of a topic as neighbours, and the names of these fields.

    ``battery`` is the battery instance in the topic for which the links were made.
    """

    battery: int | None
    names: tuple[str, ...]
    links: list[_Link]


class StuckValues:
    """Compares the values that have neighbours with these."""

    def __init__(self, catalogue: Catalogue, deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._catalogue = catalogue
        self._deadlines = deadlines
        self._emit = emit
        self._stuck_deadline = DeadlineKind(24, self._due, self._check)
        self._count = 0
        self._values: dict[TopicRecord, list[_ComparedValue]] = {}
        self._neighbours: dict[str, dict[TopicRecord, None]] = {}
        """The topics of each message that holds neighbours."""
        self._links: dict[TopicRecord, _Links] = {}
        self._last_raws: dict[TopicRecord, dict[str, int]] = {}
        """The last raw values of the neighbours, by field."""

    @staticmethod
    def neighbours_of(spec: MessageSpec) -> set[str]:
        """Return the messages that hold neighbours of the fields of a message."""
        return {name.partition(".")[0] for field in spec.fields for name in field.moves_with}

    def observe_neighbour(self, record: TopicRecord) -> None:
        """Take in a frame of a message that holds neighbours."""
        known = self._neighbours.setdefault(record.topic.message or "", {})
        if record not in known:
            known[record] = None
            self._links.clear()
        now, spec = record.rhythm.times[-1], record.layout.spec
        last_raws = self._last_raws.setdefault(record, {})
        _, names, links = self._links_of(record)
        moved: dict[str, tuple[int, int]] = {}
        for name in names:
            raw = raw_of(record, spec.by_name[name]) if spec is not None and name in spec.by_name else None
            if raw is not None and raw != last_raws.get(name):
                moved[name] = last_raws.get(name, raw), raw
                last_raws[name] = raw
        for value, name, lag in links if moved else ():
            if name not in moved or value.reported is not None:
                continue
            value.record.refresh()
            if now > value.since + lag and value.raw is not None:
                self._note_movement(value, (record, name, lag), *moved[name])

    def observe(self, record: TopicRecord) -> None:
        """Take in a frame of a message with fields that have neighbours."""
        values = self._values.get(record)
        if values is None:
            values = self._start(record)
        times = record.rhythm.times
        step = times[-1] - times[-2] if len(times) > 1 else 0
        was_late = step > MIN_LATE_LIMIT_US and step > record.rhythm.limit()
        for value in values:
            raw = raw_of(record, value.field)
            if was_late or raw is None or raw != value.raw:
                self._restart(value, raw)

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present: those that are reported."""
        return tuple(value.field for value in self._values.get(record, ()) if value.reported is not None)

    def needs(self, spec: MessageSpec) -> Iterator[Need]:
        """Yield what is needed of the topics of a message with neighbours; the values themselves are asked for."""
        for resting, field, gap in self._with_neighbours:
            for name in field.moves_with:
                message, _, neighbour = name.partition(".")
                if message == spec.name and neighbour in spec.by_name:
                    own_gap = Layout(spec.dgn, spec.name, spec, slice(0)).gap
                    yield Extremes(neighbour, resting, field.name, _lag_of(own_gap, gap))

    @cached_property
    def _with_neighbours(self) -> list[tuple[str, FieldSpec, int | None]]:
        """The defined fields with neighbours, each with its message and that message's gap."""
        return [
            (spec.name, field, Layout(spec.dgn, spec.name, spec, slice(0)).gap)
            for spec in self._catalogue
            for field in spec.fields
            if field.moves_with
        ]

    def rest(self, record: TopicRecord, field: str) -> Rest | None:
        """Return since when a value has been constant; None where it is not known."""
        for value in self._values.get(record, ()):
            if value.field.name == field and value.raw is not None:
                return Rest(value.since, value.since_frame_time, value.reported is not None)
        return None

    def is_reported(self, record: TopicRecord, field: str) -> bool:
        """Return whether a field of a topic is reported as stuck."""
        return any(value.field.name == field and value.reported is not None for value in self._values.get(record, ()))

    def enter(self, record: TopicRecord, last_change: LastChange) -> None:
        """Take in the last frames with new data that were passed over: every value in them is plausible.

        ``last_change`` returns when a field got its present value; None where that was entered before.
        """
        for value in self._values.get(record, ()):
            changed = last_change(value.field) if value.raw is not None else None
            if changed is not None:
                value.restart(changed.raw, changed.now, changed.time)
        spec, last_raws = record.layout.spec, self._last_raws.get(record)
        if spec is not None and last_raws is not None:
            present = {name: raw_of(record, spec.by_name[name]) for name in last_raws}
            last_raws.update({name: raw for name, raw in present.items() if raw is not None})

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        self._links.clear()
        for value in self._values.pop(record, ()):
            value.raw = None
            if value.reported is not None:
                self._emit(Ended(time, value.reported.problem_key))
        self._last_raws.pop(record, None)
        for records in self._neighbours.values():
            records.pop(record, None)

    def resume_listening(self, time: int, now: int) -> None:
        """Count from ``now`` on (bus time) how long values have not moved: nobody listened before it."""
        for values in self._values.values():
            for value in values:
                if value.reported is None:
                    value.since, value.since_frame_time = now, time
                    value.movements.clear()

    # Neighbours.

    def _start(self, record: TopicRecord) -> list[_ComparedValue]:
        fields = record.layout.spec.fields if record.layout.spec is not None else ()
        values = self._values[record] = []
        for field in fields:
            if field.moves_with:
                values.append(_ComparedValue(self._count, record, field))
                self._count += 1
        self._links.clear()
        for records in self._neighbours.values():
            for neighbour in records:
                neighbour.examine_next()  # its present values are noted with its next frame
        return values

    def _links_of(self, record: TopicRecord) -> _Links:
        """Return the links of a topic, made again where its battery instance or the set of topics has changed."""
        battery = _battery_instance(record)
        known = self._links.get(record)
        if known is None or known.battery != battery:
            every = (value for values in self._values.values() for value in values)
            related = [value for value in every if _are_related(value.record, record)]
            links = [
                _Link(value, name, _max_lag(value.record, record))
                for value in related
                for name in _neighbour_fields(value.field, record)
            ]
            known = self._links[record] = _Links(battery, tuple(dict.fromkeys(link.name for link in links)), links)
        return known

    def _note_movement(self, value: _ComparedValue, key: tuple[TopicRecord, str, int], before: int, raw: int) -> None:
        """Note that a neighbour has moved, some time after the last change of the value."""
        neighbour, _, lag = key
        movement = value.movements.get(key)
        if movement is None:
            movement = value.movements[key] = _Movement(before)
        now = neighbour.rhythm.times[-1]
        if movement.note(now, raw) and value.reported is None:
            self._deadlines.schedule(now + lag, self._stuck_deadline, value.number, value)

    # Values.

    def _restart(self, value: _ComparedValue, raw: int | None) -> None:
        record = value.record
        value.restart(raw, record.rhythm.times[-1], record.frame.time)
        if value.reported is not None:
            self._emit(Ended(record.frame.time, value.reported.problem_key))
            value.reported = None

    @staticmethod
    def _limit(value: _ComparedValue) -> int:
        return max(MIN_STUCK_US, MIN_STUCK_GAPS * (value.record.rhythm.gap() or 0))

    def _due(self, value: _ComparedValue, passed: int) -> int | None:
        value.record.refresh()
        if value.raw is None or value.reported is not None or not value.movements:
            return None
        value.due = max(passed, value.since + self._limit(value))
        return value.due

    def _check(self, value: _ComparedValue, time: int, since: int) -> None:
        """Report the value if a neighbour has moved; check again later where one has moved just now."""
        record = value.record
        for (_, _, lag), movement in value.movements.items():
            movement.count_until(value.due - lag)
        moved = next(
            (key for key, movement in value.movements.items() if movement.high - movement.low >= MIN_NEIGHBOUR_STEPS),
            None,
        )
        if (
            moved is not None
            and record.device.is_heard
            and record.lateness is None
            and _is_still_sent(record, value.due)
        ):
            self._report(value, moved, time, since)
            return
        latest = [movement.recent[-1][0] + lag for (_, _, lag), movement in value.movements.items() if movement.recent]
        if latest:
            self._deadlines.schedule(max(latest), self._stuck_deadline, value.number, value)

    def _report(self, value: _ComparedValue, moved: tuple[TopicRecord, str, int], time: int, since: int) -> None:
        neighbour, name, _ = moved
        record, movement, spec = value.record, value.movements[moved], neighbour.layout.spec
        if spec is None or value.raw is None:
            return
        low, high = (Reading(spec.by_name[name], raw, State.VALUE) for raw in (movement.low, movement.high))
        value.reported = ValueStuck(
            time,
            since,
            record.device.name,
            record.topic,
            Reading(value.field, value.raw, State.VALUE),
            value.since_frame_time,
            self._limit(value),
            neighbour.device.name,
            neighbour.topic,
            low,
            high,
            record.frame,
        )
        record.choose_again()
        for neighbour, _, _ in value.movements:
            neighbour.need_less()
        self._emit(value.reported)


def _is_still_sent(record: TopicRecord, now: int) -> bool:
    """Return whether a periodic message is still sent; a value that is no longer sent is not stuck."""
    return record.rhythm.gap() is not None and now - record.rhythm.times[-1] <= record.rhythm.limit()


def _max_lag(record: TopicRecord, other: TopicRecord) -> int:
    """Return how far one of two topics may be behind the other, in microseconds."""
    return _lag_of(record.layout.gap, other.layout.gap)


def _lag_of(gap: int | None, other_gap: int | None) -> int:
    return max(MIN_LAG_LIMIT_US, MISSED_IN_A_ROW * max(gap or 0, other_gap or 0))


def _neighbour_fields(field: FieldSpec, neighbour: TopicRecord) -> Iterator[str]:
    """Yield the names of the fields of a topic that are neighbours of a field."""
    for name in field.moves_with:
        message, _, other = name.partition(".")
        if message == neighbour.topic.message:
            yield other


def _are_related(record: TopicRecord, other: TopicRecord) -> bool:
    """Return whether two topics have the same instance; between two functions the battery instance counts."""
    if record.function is other.function:
        return record.topic.instance == other.topic.instance
    return _related_instance(record) == _related_instance(other)


def _related_instance(record: TopicRecord) -> int | None:
    battery = _battery_instance(record)
    return record.topic.instance if battery is None else battery


def _battery_instance(record: TopicRecord) -> int | None:
    """Return the battery instance that a topic names, or that another topic of the same charger does."""
    named = _named_battery(record)
    if named is None and record.function is not None and record.function.name == _CHARGER:
        for other in record.node.topics:
            if other.function is record.function and other.topic.instance == record.topic.instance:
                named = _named_battery(other)
                if named is not None:
                    break
    return named


def _named_battery(record: TopicRecord) -> int | None:
    spec = record.layout.spec
    field = spec.by_name.get(_BATTERY_FIELD) if spec is not None else None
    raw = field.raw_in(record.frame.data) if field is not None else None
    return raw if field is not None and field.state(raw) is State.VALUE else None
