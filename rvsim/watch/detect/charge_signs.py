"""Currents of batteries whose sign their voltage or their state of charge excludes: a reversed shunt.

Needs the frames with which a current or a voltage passes a limit, and each change of a state of charge whose current is
known.

Knows: that a battery gives no current for long at a voltage of charging, and that its charge does not rise while
current flows out, nor fall while current flows in. A jump is a correction, not a charge. Does not know the battery.
"""

from collections.abc import Callable, Iterator
from functools import partial

from rvsim.watch.detect.last_readings import is_fresh, reading_of, value_of
from rvsim.watch.detect.lasting import Lasting, LastingConditions
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Crossing, Need
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import CurrentSignContradicts, Ended, Transition
from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

SOURCE, CHARGE = "DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2"
MESSAGES = frozenset({SOURCE, CHARGE})
_AMPS, _VOLTS, _PERCENT = "dc_current", "dc_voltage", "state_of_charge"
MIN_SIGN_A = 2.0
"""A lower current may be the offset of a shunt. Common practice, no source."""
CHARGING_VOLTS = ((13.9, 15.5), (27.8, 31.0))
"""A battery of 12 V or 24 V that gives current is below these: full lead-acid 12.9 V, four full lithium iron phosphate
cells 13.6 V; above them it is none of such a battery. Common practice, no source."""
MIN_CHARGING_US = 150 * SECOND_US
"""How long it must be so: a full lithium battery that was just charged to 14.4 V falls below it in two minutes, one
that was charged to 14.6 V in less than this (a time constant of 120 s, from memory)."""
MIN_STEPS, MAX_STEP_PERCENT = 4, 1.0
"""How many steps in a row the state of charge must go the wrong way, and what is not a step but a correction. Common
practice, no source."""
BATTERY_INSTANCES = (1, 2, 3)
"""DC sources that are batteries (from memory); another one may be an alternator, which gives current at any voltage."""


class _Count:
    """The state of charge of one battery from one sender, beside its current."""

    def __init__(self) -> None:
        self.source: TopicRecord | None = None
        self.charge: TopicRecord | None = None
        self.sign = 0
        """1 while current flows out, -1 while it flows in, 0 while it is small or not known."""
        self.last: int | None = None
        """The last raw state of charge."""
        self.first: int | None = None
        """The raw state of charge before the first step the wrong way."""
        self.steps = 0
        self.reported: CurrentSignContradicts | None = None


class ChargeSigns:
    """Compares the sign of a battery's current with its voltage and its state of charge."""

    def __init__(self, deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._emit = emit
        self._conditions = LastingConditions(27, deadlines, emit)
        self._by_voltage: dict[TopicRecord, Lasting] = {}
        self._counts: dict[tuple[int, int | None], _Count] = {}

    def observe(self, record: TopicRecord) -> None:
        """Take in a frame of one of the messages."""
        key = record.topic.source, record.topic.instance
        count = self._counts.get(key)
        if count is None:
            count = self._counts[key] = _Count()
        if record.topic.message == CHARGE:
            self._observe_charge(count, record)
        elif record.layout.spec is not None and {_AMPS, _VOLTS} <= record.layout.spec.by_name.keys():
            self._observe_source(count, record)

    @staticmethod
    def needs(spec: MessageSpec) -> Iterator[Need]:
        """Yield what is needed of the topics of a message."""
        if spec.name == SOURCE and {_AMPS, _VOLTS} <= spec.by_name.keys():
            yield Crossing(_AMPS, (-MIN_SIGN_A, MIN_SIGN_A))
            yield Crossing(_VOLTS, tuple(volts for limits in CHARGING_VOLTS for volts in limits))

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present."""
        fields = self._conditions.needed_fields(record)
        count = self._counts.get((record.topic.source, record.topic.instance))
        if count is not None and count.charge is record and count.source is not None:
            assert record.layout.spec is not None
            fields = (record.layout.spec.by_name[_PERCENT], *fields)
        return fields

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        condition = self._by_voltage.pop(record, None)
        if condition is not None:
            self._conditions.remove(condition, time)
        count = self._counts.get((record.topic.source, record.topic.instance))
        if count is not None and record in (count.source, count.charge):
            self._restart(count, time)
            count.last = None
            if count.source is record:
                count.source, count.sign = None, 0
            else:
                count.charge = None
            if count.source is count.charge is None:
                del self._counts[record.topic.source, record.topic.instance]

    def resume_listening(self, now: int) -> None:
        """Note that nobody listened up to ``now``: steps in that time were not seen."""
        self._conditions.resume_listening(now)
        for count in self._counts.values():
            count.steps, count.last = 0, None

    def _observe_source(self, count: _Count, record: TopicRecord) -> None:
        time, now = record.frame.time, record.rhythm.times[-1]
        amps, volts = value_of(record, _AMPS), value_of(record, _VOLTS)
        sign = 0 if amps is None else (amps > MIN_SIGN_A) - (amps < -MIN_SIGN_A)
        condition = self._by_voltage.get(record)
        if condition is None and record.topic.instance in BATTERY_INSTANCES:
            assert record.layout.spec is not None
            fields = [(record, record.layout.spec.by_name[name]) for name in (_AMPS, _VOLTS)]
            condition = self._conditions.add(MIN_CHARGING_US, fields, partial(_by_voltage, record))
            self._by_voltage[record] = condition
        if condition is not None:
            is_charging = volts is not None and any(low <= volts <= high for low, high in CHARGING_VOLTS)
            self._conditions.update(condition, time, now, holds=sign > 0 and is_charging)
        if count.source is None and count.charge is not None:
            count.charge.refresh()
            count.last = _raw(count.charge)
            count.charge.choose_again()
        count.source = record
        if sign != count.sign:
            count.sign = sign
            self._restart(count, time)

    def _observe_charge(self, count: _Count, record: TopicRecord) -> None:
        if record.layout.spec is None or _PERCENT not in record.layout.spec.by_name:
            return
        time, now = record.frame.time, record.rhythm.times[-1]
        count.charge = record
        raw, last = _raw(record), count.last
        if count.source is None or raw == last:
            return
        count.last = raw
        if raw is None or last is None:
            self._restart(count, time)
            return
        field = record.layout.spec.by_name[_PERCENT]
        is_wrong = (raw - last) * count.sign > 0 and abs(field.value(raw) - field.value(last)) <= MAX_STEP_PERCENT
        if not is_wrong or not is_fresh(count.source, now):
            self._restart(count, time)
            return
        if not count.steps:
            count.first = last
        count.steps += 1
        if count.steps >= MIN_STEPS:
            self._report(count, field, time)

    def _report(self, count: _Count, field: FieldSpec, time: int) -> None:
        source, charge = count.source, count.charge
        assert source is not None
        assert charge is not None
        assert count.first is not None
        source.refresh()
        since = time if count.reported is None else count.reported.since
        amps = reading_of(source, _AMPS)
        before = Reading(field, count.first, State.VALUE)
        count.reported = CurrentSignContradicts(
            time, since, source.device.name, source.topic, amps, charge.topic, reading_of(charge, _PERCENT), before,
            charge.frame,
        )  # fmt: skip
        self._emit(count.reported)

    def _restart(self, count: _Count, time: int) -> None:
        count.steps = 0
        if count.reported is not None:
            self._emit(Ended(time, count.reported.problem_key))
            count.reported = None


def _raw(record: TopicRecord) -> int | None:
    """Return the raw state of charge; None where it has no value."""
    return reading_of(record, _PERCENT).raw if value_of(record, _PERCENT) is not None else None


def _by_voltage(record: TopicRecord, time: int, since: int) -> CurrentSignContradicts:
    amps, volts = reading_of(record, _AMPS), reading_of(record, _VOLTS)
    return CurrentSignContradicts(
        time, since, record.device.name, record.topic, amps, record.topic, volts, None, record.frame
    )
