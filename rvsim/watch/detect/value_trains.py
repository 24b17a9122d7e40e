"""Two trains of values in one field: A, B, A, B, as two units at one address send them.

A train is the series of values that one unit sends. Knows: which measured values cannot alternate between two levels:
temperatures, levels and states of charge; not currents, powers and voltages, which depend on loads, nor settings. Does
not know the sender. Needs each frame that differs from the one before it.

Six values of each train in a row, with a difference of more than ten times the step of each train, one raw step at
least: our decision.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Alternations, Need, PassedChange
from rvsim.wire.fields import FieldSpec, Special, State
from rvsim.wire.quantity_text import compose
from rvsim.wire.spec import MessageSpec

MIN_ALTERNATIONS = 10
"""Six values of each train: from the third frame on, each value is compared with its own train and with the other."""
MIN_STEP_RATIO = 10
"""The difference between the two trains must be more than this many times the step within each of them."""
_LEVEL_FIELDS = frozenset({"relative_level", "absolute_level", "state_of_charge", "relative_capacity"})
_SETTING_PREFIXES = ("set_point", "default_")


class _LastValues(NamedTuple):
    """The last two values of a field, the bus time of the last one, and how often they alternated in a row."""

    before: int | None
    last: int
    time: int
    alternations: int


class ValueTrains:
    """Finds the fields that alternate between two trains of values.

    ``report`` takes the topic, the field as text, the figures as text, the frame time and the bus time.
    """

    def __init__(self, report: Callable[[TopicRecord, str, str, int, int], None]) -> None:
        self._report = report
        self._fields: dict[int, tuple[FieldSpec, ...]] = {}
        self._last_values: dict[tuple[int, str], _LastValues] = {}

    def observe(self, record: TopicRecord, time: int, now: int) -> None:
        """Take in a frame that differs from the one before."""
        fields = self._fields.get(record.topic.dgn)
        if fields is None:
            fields = self._fields[record.topic.dgn] = _fields_without_jumps(record.layout.spec)
        for field in fields:
            raw = field.raw_in(record.frame.data)
            key = record.number, field.name
            if raw is None or field.state(raw) is not State.VALUE:
                self._last_values.pop(key, None)
                continue
            times = record.rhythm.times
            before = times[-2] if len(times) > 1 else None
            last_values = self._last_values[key] = _updated(self._last_values.get(key), raw, now, before)
            if last_values.alternations >= MIN_ALTERNATIONS and last_values.before is not None:
                values = compose(field.brief(last_values.before), " and ", field.brief(raw))
                figures = values + f", {MIN_ALTERNATIONS // 2 + 1} times in turn"
                self._report(record, f"{field.title} of {record.topic}", figures, time, now)

    def enter(self, record: TopicRecord, changes: Sequence[PassedChange]) -> None:
        """Take in the last two frames that differ from the ones before them, none of which alternates."""
        for field in self._fields.get(record.topic.dgn, ()):
            key = record.number, field.name
            if len(changes) > 1:
                self._last_values.pop(key, None)
            for change in changes:
                raw = field.raw_in(change.data)
                if raw is None or field.state(raw) is not State.VALUE:
                    self._last_values.pop(key, None)
                else:
                    known = self._last_values.get(key)
                    self._last_values[key] = _updated(known, raw, change.now, change.before)

    @staticmethod
    def needs(spec: MessageSpec | None) -> Iterator[Need]:
        """Yield what is needed of the topics of a message."""
        return (Alternations(field.name, MIN_STEP_RATIO) for field in _fields_without_jumps(spec))


def _updated(last_values: _LastValues | None, raw: int, now: int, before: int | None) -> _LastValues:
    """Return the last values with another one; ``before`` is the time of the frame before it."""
    # where the times differ, the frame before repeated the value
    if last_values is None or before != last_values.time:
        return _LastValues(None, raw, now, 0)
    if last_values.before is None:
        return _LastValues(last_values.last, raw, now, 0)
    difference = min(abs(raw - last_values.last), abs(last_values.before - last_values.last))
    alternates = difference > MIN_STEP_RATIO * max(1, abs(raw - last_values.before))
    return _LastValues(last_values.last, raw, now, last_values.alternations + 1 if alternates else 0)


def _fields_without_jumps(spec: MessageSpec | None) -> tuple[FieldSpec, ...]:
    """Return the fields of a message that measure quantities which cannot jump."""
    fields = spec.fields if spec is not None else ()
    return tuple(
        field
        for field in fields
        if field.special is Special.MEASURED
        and (field.name in _LEVEL_FIELDS or (field.unit == "degC" and not field.name.startswith(_SETTING_PREFIXES)))
    )
