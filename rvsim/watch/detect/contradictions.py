"""Readings that are impossible beside another one.

Needs the changes of the messages in the table ``beside``.

Knows: that only a reading that is fresh and not flagged itself can speak against another one, and that of several who
speak for a battery the one with the highest device priority counts. Does not know the table's reasons.
"""

from collections.abc import Callable, Iterable

from rvsim.watch.detect.beside import APART, APART_FOR_US, CHARGES_FROM_A, WITHIN, Apart, Within, max_apart
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Ended, ReadingsContradict, Transition
from rvsim.wire.fields import Reading

MESSAGES = frozenset({check.message for check in (*WITHIN, *APART)} | {check.other_message for check in APART})
"""The messages that are looked at."""


class _Held:
    """One reading of a topic that is held against others; ``since`` is bus time, None while nothing is wrong.

    ``value`` is what it says, and ``instance`` of which other it is; None where that cannot be told.
    """

    def __init__(self, number: int, part: TopicRecord, check: Within | Apart) -> None:
        self.number = number
        self.part = part
        self.check = check
        self.value: float | None = None
        self.instance: int | None = None
        self.since: int | None = None
        self.told: ReadingsContradict | None = None


class Contradictions:
    """Holds readings against each other."""

    def __init__(self, deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._deadlines = deadlines
        self._emit = emit
        self._lasting = DeadlineKind(23, self._due, self._tell_apart)
        self._numbers = 0
        self._held: dict[TopicRecord, list[_Held]] = {}
        self._others: dict[str, list[TopicRecord]] = {check.other_message: [] for check in APART}

    def observe(self, part: TopicRecord) -> None:
        """Take in a frame of one of the messages."""
        message = part.topic.message or ""
        held = self._held.get(part)
        if held is None:
            held = self._held[part] = self._begin(part, message)
        for one in held:
            _read(one)
        if message in self._others:
            held = [one for those in self._held.values() for one in those if _looks_at(one, part)]
        for one in held:
            self._look(one, part.frame.time, part.rhythm.times[-1])

    def forget(self, part: TopicRecord, time: int) -> None:
        """Forget a topic that nobody speaks for any more."""
        for held in self._held.pop(part, ()):
            self._settle(held, None, time)
        for parts in self._others.values():
            if part in parts:
                parts.remove(part)

    def _begin(self, part: TopicRecord, message: str) -> list[_Held]:
        if message in self._others:
            self._others[message].append(part)
        held = []
        for check in (*WITHIN, *APART):
            if check.message == message:
                held.append(_Held(self._numbers, part, check))
                self._numbers += 1
        return held

    def _look(self, held: _Held, time: int, now: int) -> None:
        """Look at one reading again: what is in one frame counts at once, what two devices say when it lasts."""
        if isinstance(held.check, Within):
            self._settle(held, _above(held.part, held.check), time)
            return
        if self._apart(held, held.check, now) is None:
            held.since = None
            self._settle(held, None, time)
        elif held.since is None:
            held.since = now
            self._deadlines.schedule(now + APART_FOR_US, self._lasting, held.number, held)

    def _due(self, held: _Held, passed: int) -> int | None:
        return None if held.since is None else max(passed, held.since + APART_FOR_US)

    def _tell_apart(self, held: _Held, time: int, since: int) -> None:
        if held.since is None or not isinstance(held.check, Apart):
            return
        other = self._apart(held, held.check, held.since + APART_FOR_US)
        if other is None:
            held.since = None
            return
        said, beside = _reading(held.part, held.check.field), _reading(other, held.check.other_field)
        rule = f"{held.check.other_message} {held.check.other_field}"
        self._settle(held, _contradiction(held.part, said, other, beside, rule)._replace(since=since), time)

    def _apart(self, held: _Held, check: Apart, now: int) -> TopicRecord | None:
        """Return who speaks of the same battery otherwise; None where nobody does, or nothing can be told."""
        volts = held.value
        if volts is None:
            return None
        others = [one for one in self._others[check.other_message] if _looks_at(held, one)]
        if not any(_is_apart(volts, one, check) for one in others) or not _is_fresh(held.part, now):
            return None
        other = _loudest(one for one in others if _is_fresh(one, now))
        return other if other is not None and _is_apart(volts, other, check) else None

    def _settle(self, held: _Held, found: ReadingsContradict | None, time: int) -> None:
        """Bring what is told in line with what is found."""
        if found is not None:
            since = held.told.since if held.told is not None else found.since
            held.told = found._replace(time=time, since=since)
            self._emit(held.told)
        elif held.told is not None:
            self._emit(Ended(time, held.told.problem_key))
            held.told = None


def _above(part: TopicRecord, check: Within) -> ReadingsContradict | None:
    value, most = _value(part, check.field), _value(part, check.most)
    if value is None or not most or value <= most:  # a size of zero is one that is not set
        return None
    return _contradiction(part, _reading(part, check.field), part, _reading(part, check.most), check.rule)


def _contradiction(
    part: TopicRecord, reading: Reading, other: TopicRecord, beside: Reading, rule: str
) -> ReadingsContradict:
    time, device = part.frame.time, part.device.name
    return ReadingsContradict(
        time, time, device, part.topic, reading, other.device.name, other.topic, beside, rule, part.frame
    )


def _read(held: _Held) -> None:
    """Note what a reading says now: a voltage only while a current flows."""
    check, part = held.check, held.part
    held.value = _value(part, check.field)
    if isinstance(check, Apart):
        instance, amps = _value(part, check.joined_by), _value(part, check.current)
        held.instance = None if instance is None else int(instance)
        if amps is None or amps < CHARGES_FROM_A:
            held.value = None


def _looks_at(held: _Held, other: TopicRecord) -> bool:
    """Tell whether a reading is held against what a topic says."""
    check = held.check
    if not isinstance(check, Apart) or check.other_message != other.topic.message:
        return False
    return held.instance is not None and held.instance == other.topic.instance


def _is_apart(volts: float, other: TopicRecord, check: Apart) -> bool:
    said = _value(other, check.other_field)
    return said is not None and abs(volts - said) > max_apart(volts, said)


def _loudest(parts: Iterable[TopicRecord]) -> TopicRecord | None:
    return max(parts, key=lambda part: (_value(part, "device_priority") or 0, part.rhythm.times[-1]), default=None)


def _is_fresh(part: TopicRecord, now: int) -> bool:
    return part.device.is_heard and now - part.rhythm.times[-1] <= part.rhythm.limit()


def _reading(part: TopicRecord, name: str) -> Reading:
    assert part.layout.spec is not None
    field = part.layout.spec.by_name[name]
    raw = field.raw_in(part.frame.data)
    return Reading(field, raw, field.state(raw))


def _value(part: TopicRecord, name: str) -> float | None:
    """Return the value of a field; None where there is none, or it is flagged."""
    spec = part.layout.spec
    if spec is None or name not in spec.by_name or (part.values is not None and part.values.is_flagged(name)):
        return None
    return _reading(part, name).value
