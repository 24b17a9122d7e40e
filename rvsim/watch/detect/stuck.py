"""Measured values that stand still while what moves with them moves.

Needs the changes of fields that have neighbours by their definition, and those of the neighbours.

Knows: that the neighbour is that of the same instance, for a battery the charger that says which DC source it charges;
that a value which is not spoken anew is not stuck but old; and that two devices follow one thing at different moments,
so that a neighbour's move counts only a while after the value's own last change, and once the value had a while to
follow. Does not know which fields are neighbours: definitions say so.
"""

from collections import deque
from collections.abc import Callable, Iterator
from typing import NamedTuple

from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import MIN_LATE_LIMIT_US, MISSED_IN_A_ROW, DeadlineKind, Deadlines
from rvsim.watch.transitions import Ended, Transition, ValueStuck
from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

STUCK_FLOOR = 600 * SECOND_US
STUCK_GAPS = 20
"""For so many gaps, and at least ten minutes, a value may stay as it is. Our decision."""
NEIGHBOUR_STEPS = 10
"""So many steps of its own resolution the neighbour has to move in that time. Our decision."""
FOLLOW_US = 60 * SECOND_US
"""So long, or three gaps of the slower one, two devices may take to follow one thing. Our decision."""
_BATTERY = "dc_source_instance"
"""The field in which a charger says which battery it is on."""


class _Way:
    """Between which raw values a neighbour has moved; ``fresh`` are the latest ones, with their bus times."""

    def __init__(self, raw: int) -> None:
        self.low = self.high = raw
        self.fresh: deque[tuple[int, int]] = deque()

    def settle(self, until: int) -> None:
        """Count what the value has had the time to follow."""
        while self.fresh and self.fresh[0][0] <= until:
            _, raw = self.fresh.popleft()
            self.low, self.high = min(self.low, raw), max(self.high, raw)


class _Link(NamedTuple):
    """A value that has a topic's field ``name`` as neighbour; ``lag`` is how far behind one may be."""

    value: "_Value"
    name: str
    lag: int


class _Value:
    """One field of one topic that has neighbours."""

    def __init__(self, number: int, part: TopicRecord, field: FieldSpec) -> None:
        self.number = number
        self.part = part
        self.field = field
        self.raw: int | None = None
        self.since = 0
        """From when on it has not changed, in bus time."""
        self.begun = 0
        """The same in the time of the frames."""
        self.ways: dict[tuple[TopicRecord, str, int], _Way] = {}
        """By neighbour, field and lag."""
        self.due = 0
        """The moment, in bus time, at which it is looked at next."""
        self.told: ValueStuck | None = None


class _Linked(NamedTuple):
    """What moves with a topic's fields, as it was found for the battery that it says, and the names of these."""

    battery: int | None
    names: tuple[str, ...]
    links: list[_Link]


class StuckValues:
    """Follows the values that have neighbours."""

    def __init__(self, deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._deadlines = deadlines
        self._emit = emit
        self._standing = DeadlineKind(24, self._due, self._expire)
        self._numbers = 0
        self._values: dict[TopicRecord, list[_Value]] = {}
        self._neighbours: dict[str, dict[TopicRecord, None]] = {}
        """The topics of each message that is a neighbour."""
        self._links: dict[TopicRecord, _Linked] = {}
        self._said: dict[TopicRecord, dict[str, int]] = {}
        """What the neighbours said last."""

    @staticmethod
    def neighbours_of(spec: MessageSpec) -> set[str]:
        """Return the messages that hold neighbours of a message's fields."""
        return {name.partition(".")[0] for field in spec.fields for name in field.moves_with}

    def neighbour(self, part: TopicRecord) -> None:
        """Take in a frame of a message that holds neighbours."""
        known = self._neighbours.setdefault(part.topic.message or "", {})
        if part not in known:
            known[part] = None
            self._links.clear()
        now, spec = part.rhythm.times[-1], part.layout.spec
        said = self._said.setdefault(part, {})
        _, names, links = self._linked(part)
        moved: dict[str, tuple[int, int]] = {}
        for name in names:
            raw = _live(part, spec.by_name[name]) if spec is not None and name in spec.by_name else None
            if raw is not None and raw != said.get(name):
                moved[name] = said.get(name, raw), raw
                said[name] = raw
        for value, name, lag in links:
            if name in moved and now > value.since + lag and value.raw is not None:
                self._move(value, (part, name, lag), *moved[name])

    def observe(self, part: TopicRecord) -> None:
        """Take in a frame of a message with fields that have neighbours."""
        values = self._values.get(part)
        if values is None:
            values = self._begin(part)
        times = part.rhythm.times
        step = times[-1] - times[-2] if len(times) > 1 else 0
        away = step > MIN_LATE_LIMIT_US and step > part.rhythm.limit()
        for value in values:
            raw = _live(part, value.field)
            if away or raw is None or raw != value.raw:
                self._changed(value, raw)

    def forget(self, part: TopicRecord, time: int) -> None:
        """Forget a topic that nobody speaks for any more."""
        self._links.clear()
        for value in self._values.pop(part, ()):
            value.raw = None
            if value.told is not None:
                self._emit(Ended(time, value.told.problem_key))
        self._said.pop(part, None)
        for parts in self._neighbours.values():
            parts.pop(part, None)

    # Neighbours.

    def _begin(self, part: TopicRecord) -> list[_Value]:
        fields = part.layout.spec.fields if part.layout.spec is not None else ()
        values = self._values[part] = []
        for field in fields:
            if field.moves_with:
                values.append(_Value(self._numbers, part, field))
                self._numbers += 1
        self._links.clear()
        for parts in self._neighbours.values():
            for neighbour in parts:
                neighbour.settled_data = None  # what it says now is noted with its next frame
        return values

    def _linked(self, part: TopicRecord) -> _Linked:
        """Return what moves with a topic's fields, found anew where it says another battery or others have come."""
        battery = _battery(part)
        linked = self._links.get(part)
        if linked is None or linked.battery != battery:
            every = (value for those in self._values.values() for value in those if _belong(value.part, part))
            links = [
                _Link(value, name, _lag(value.part, part)) for value in every for name in _within(value.field, part)
            ]
            linked = self._links[part] = _Linked(battery, tuple(dict.fromkeys(link.name for link in links)), links)
        return linked

    def _move(self, value: _Value, key: tuple[TopicRecord, str, int], before: int, raw: int) -> None:
        """Note that a neighbour has moved since the value had the time to follow what it follows."""
        neighbour, _, lag = key
        way = value.ways.get(key)
        if way is None:
            way = value.ways[key] = _Way(before)
        now = neighbour.rhythm.times[-1]
        way.settle(now - lag)
        way.fresh.append((now, raw))
        if value.told is None:
            self._deadlines.schedule(now + lag, self._standing, value.number, value)

    # Values.

    def _changed(self, value: _Value, raw: int | None) -> None:
        part = value.part
        value.raw, value.since, value.begun = raw, part.rhythm.times[-1], part.frame.time
        value.ways.clear()
        if value.told is not None:
            self._emit(Ended(part.frame.time, value.told.problem_key))
            value.told = None

    @staticmethod
    def _limit(value: _Value) -> int:
        return max(STUCK_FLOOR, STUCK_GAPS * (value.part.rhythm.gap() or 0))

    def _due(self, value: _Value, passed: int) -> int | None:
        if value.raw is None or value.told is not None or not value.ways:
            return None
        value.due = max(passed, value.since + self._limit(value))
        return value.due

    def _expire(self, value: _Value, time: int, since: int) -> None:
        """Look whether a neighbour has moved; again later, where one has moved just now."""
        part = value.part
        for (_, _, lag), way in value.ways.items():
            way.settle(value.due - lag)
        moved = next((key for key, way in value.ways.items() if way.high - way.low >= NEIGHBOUR_STEPS), None)
        if moved is not None and part.device.is_heard and part.lateness is None and _goes_on(part, value.due):
            self._tell(value, moved, time, since)
            return
        latest = [way.fresh[-1][0] + lag for (_, _, lag), way in value.ways.items() if way.fresh]
        if latest:
            self._deadlines.schedule(max(latest), self._standing, value.number, value)

    def _tell(self, value: _Value, moved: tuple[TopicRecord, str, int], time: int, since: int) -> None:
        neighbour, name, _ = moved
        part, way, spec = value.part, value.ways[moved], neighbour.layout.spec
        if spec is None or value.raw is None:
            return
        low, high = (Reading(spec.by_name[name], raw, State.VALUE) for raw in (way.low, way.high))
        value.told = ValueStuck(
            time,
            since,
            part.device.name,
            part.topic,
            Reading(value.field, value.raw, State.VALUE),
            value.begun,
            self._limit(value),
            neighbour.device.name,
            neighbour.topic,
            low,
            high,
            part.frame,
        )
        self._emit(value.told)


def _goes_on(part: TopicRecord, now: int) -> bool:
    """Tell whether a periodic message is still sent: what another speaks for now is not stuck."""
    return part.rhythm.gap() is not None and now - part.rhythm.times[-1] <= part.rhythm.limit()


def _live(part: TopicRecord, field: FieldSpec) -> int | None:
    """Return the raw value of a field; None where it is none, or flagged."""
    raw = field.raw_in(part.frame.data)
    if raw is None or field.state(raw) is not State.VALUE:
        return None
    return None if part.values is not None and part.values.is_flagged(field.name) else raw


def _lag(one: TopicRecord, other: TopicRecord) -> int:
    """Return how long one of two topics may be behind the other."""
    return max(FOLLOW_US, *(MISSED_IN_A_ROW * (part.layout.gap or 0) for part in (one, other)))


def _within(field: FieldSpec, neighbour: TopicRecord) -> Iterator[str]:
    """Yield the fields of a topic that are neighbours of a field."""
    for name in field.moves_with:
        message, _, other = name.partition(".")
        if message == neighbour.topic.message:
            yield other


def _belong(one: TopicRecord, other: TopicRecord) -> bool:
    """Tell whether two topics are about one instance; of two functions, the battery that one of them is on counts."""
    if one.function is other.function:
        return one.topic.instance == other.topic.instance
    return _place(one) == _place(other)


def _place(part: TopicRecord) -> int | None:
    battery = _battery(part)
    return part.topic.instance if battery is None else battery


def _battery(part: TopicRecord) -> int | None:
    spec = part.layout.spec
    field = spec.by_name.get(_BATTERY) if spec is not None else None
    raw = field.raw_in(part.frame.data) if field is not None else None
    return raw if field is not None and field.state(raw) is State.VALUE else None
