"""Readings that contradict another reading.

Needs the changes of the messages in the table ``comparison_table``.

Knows: that only a reading that is fresh and not flagged itself can contradict another one, and that of several senders
for one battery the one with the highest device priority counts. Does not know the reasons for the table.
"""

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, assert_never

from rvsim.watch.detect.comparison_table import (
    MAX_BATTERY_V,
    MAX_DIFFERENCES_V,
    METER_DIFFERENCE_V,
    MIN_CHARGING_A,
    MIN_DIFFERENCE_US,
    UPPER_BOUNDS,
    VOLTAGE_PAIRS,
    UpperBound,
    VoltagePair,
    max_difference,
)
from rvsim.watch.detect.last_readings import is_fresh, reading_of, value_of
from rvsim.watch.detect.supply_limits import allowed_differences
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Differing, Exceeding, Need
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Ended, ReadingsContradict, Transition
from rvsim.wire.fields import Reading
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

_CHARGING_FUNCTIONS = ("charger", "solar_controller")
"""The functions whose voltages are compared with those of a DC source."""
MESSAGES = frozenset(
    {check.message for check in (*UPPER_BOUNDS, *VOLTAGE_PAIRS)} | {check.other_message for check in VOLTAGE_PAIRS}
)
"""The messages whose readings are compared."""


class _Comparison:
    """One reading of a topic that is compared with others.

    ``value`` is the reading, and ``instance`` that of the other message; None where they are not known. ``since`` is
    the moment (bus time) from which the two differ, None while they do not.
    """

    def __init__(self, number: int, record: TopicRecord, check: UpperBound | VoltagePair) -> None:
        self.number = number
        self.record = record
        self.check = check
        self.value: float | None = None
        self.instance: int | None = None
        self.since: int | None = None
        self.reported: ReadingsContradict | None = None


class Contradictions:
    """Compares readings with each other."""

    def __init__(self, rig: "Rig | None", deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._deadlines = deadlines
        self._emit = emit
        self._allowed = {
            (function, instance): drop + METER_DIFFERENCE_V
            for function, instance, drop in allowed_differences(rig, _CHARGING_FUNCTIONS)
        }
        """How far voltages may differ where the rig has the wire between them, by function and instance."""
        self._difference_deadline = DeadlineKind(23, self._due, self._report_difference)
        self._count = 0
        self._comparisons: dict[TopicRecord, list[_Comparison]] = {}
        self._others: dict[str, list[TopicRecord]] = {check.other_message: [] for check in VOLTAGE_PAIRS}

    def observe(self, record: TopicRecord) -> None:
        """Take in a frame of one of the messages."""
        message = record.topic.message or ""
        comparisons = self._comparisons.get(record)
        if comparisons is None:
            comparisons = self._comparisons[record] = self._start(record, message)
        for comparison in comparisons:
            _read(comparison)
        if message in self._others:
            every = (comparison for known in self._comparisons.values() for comparison in known)
            comparisons = [comparison for comparison in every if _is_compared_with(comparison, record)]
        for comparison in comparisons:
            self._compare(comparison, record.frame.time, record.rhythm.times[-1])

    def needs_each_change(self, record: TopicRecord) -> bool:
        """Return whether each frame with new data of a topic is needed at present: its report is renewed."""
        comparisons = self._comparisons.get(record, ())
        return any(isinstance(one.check, UpperBound) and one.reported is not None for one in comparisons)

    def has_differences(self) -> bool:
        """Return whether two voltages differ at present."""
        every = (comparison for comparisons in self._comparisons.values() for comparison in comparisons)
        return any(comparison.since is not None or comparison.reported is not None for comparison in every)

    def needs(self, spec: MessageSpec) -> Iterator[Need]:
        """Yield what is needed of the topics of a message."""
        for bound in UPPER_BOUNDS:
            if bound.message == spec.name:
                yield Exceeding(bound.field, bound.bound)
        for pair in VOLTAGE_PAIRS:
            if spec.name in (pair.message, pair.other_message):
                yield Differing(
                    pair.message,
                    pair.field,
                    pair.current,
                    MIN_CHARGING_A,
                    pair.other_message,
                    pair.other_field,
                    tuple(sorted({*MAX_DIFFERENCES_V, *self._allowed.values()})),
                    tuple(highest for highest, _ in MAX_BATTERY_V),
                )

    def enter(self, record: TopicRecord) -> None:
        """Take in the last frame of those that were passed over."""
        for comparison in self._comparisons.get(record, ()):
            _read(comparison)

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        for comparison in self._comparisons.pop(record, ()):
            self._update(comparison, None, time)
        for records in self._others.values():
            if record in records:
                records.remove(record)

    def resume_listening(self) -> None:
        """Compare voltages anew: nobody listened for a time, so those known of two devices are not of one moment."""
        for comparisons in self._comparisons.values():
            for comparison in comparisons:
                comparison.since = None

    def _start(self, record: TopicRecord, message: str) -> list[_Comparison]:
        if message in self._others:
            self._others[message].append(record)
        comparisons = []
        for check in (*UPPER_BOUNDS, *VOLTAGE_PAIRS):
            if check.message == message:
                comparisons.append(_Comparison(self._count, record, check))
                self._count += 1
        return comparisons

    def _compare(self, comparison: _Comparison, time: int, now: int) -> None:
        """Compare one reading again.

        A contradiction within one frame counts at once, one between two devices only when it lasts.
        """
        match comparison.check:
            case UpperBound() as bound:
                self._update(comparison, _bound_exceeded(comparison.record, bound), time)
            case VoltagePair() as pair:
                self._compare_voltages(comparison, pair, time, now)
            case _:
                assert_never(comparison.check)

    def _compare_voltages(self, comparison: _Comparison, pair: VoltagePair, time: int, now: int) -> None:
        comparison.record.refresh()
        if self._different(comparison, pair, now) is None:
            comparison.since = None
            self._update(comparison, None, time)
        elif comparison.since is None:
            comparison.since = now
            self._deadlines.schedule(now + MIN_DIFFERENCE_US, self._difference_deadline, comparison.number, comparison)

    def _due(self, comparison: _Comparison, passed: int) -> int | None:
        return None if comparison.since is None else max(passed, comparison.since + MIN_DIFFERENCE_US)

    def _report_difference(self, comparison: _Comparison, time: int, since: int) -> None:
        if comparison.since is None or not isinstance(comparison.check, VoltagePair):
            return
        comparison.record.refresh()
        other = self._different(comparison, comparison.check, comparison.since + MIN_DIFFERENCE_US)
        if other is None:
            comparison.since = None
            return
        record, check = comparison.record, comparison.check
        reading, other_reading = reading_of(record, check.field), reading_of(other, check.other_field)
        rule = f"{check.other_message} {check.other_field}"
        self._update(
            comparison, _contradiction(record, reading, other, other_reading, rule)._replace(since=since), time
        )

    def _different(self, comparison: _Comparison, check: VoltagePair, now: int) -> TopicRecord | None:
        """Return the topic that reports a different voltage of the same battery; None where none is known."""
        volts = comparison.value
        if volts is None:
            return None
        others = [other for other in self._others[check.other_message] if _is_compared_with(comparison, other)]
        if not any(self._differs(comparison, volts, other, check) for other in others) or not is_fresh(
            comparison.record, now
        ):
            return None
        measuring = _highest_priority(other for other in others if is_fresh(other, now))
        return measuring if measuring is not None and self._differs(comparison, volts, measuring, check) else None

    def _differs(self, comparison: _Comparison, volts: float, other: TopicRecord, check: VoltagePair) -> bool:
        other_volts = value_of(other, check.other_field)
        if other_volts is None:
            return False
        function, instance = comparison.record.function, comparison.record.topic.instance
        allowed = (
            self._allowed.get((function.name, instance)) if function is not None and instance is not None else None
        )
        return abs(volts - other_volts) > (max_difference(volts, other_volts) if allowed is None else allowed)

    def _update(self, comparison: _Comparison, found: ReadingsContradict | None, time: int) -> None:
        """Report a contradiction that was found, or end the reported one where none was found."""
        if found is not None:
            since = comparison.reported.since if comparison.reported is not None else found.since
            comparison.reported = found._replace(time=time, since=since)
            self._emit(comparison.reported)
        elif comparison.reported is not None:
            self._emit(Ended(time, comparison.reported.problem_key))
            comparison.reported = None


def _bound_exceeded(record: TopicRecord, check: UpperBound) -> ReadingsContradict | None:
    value, bound = value_of(record, check.field), value_of(record, check.bound)
    if value is None or not bound or value <= bound:  # a size of zero is a size that is not set
        return None
    return _contradiction(record, reading_of(record, check.field), record, reading_of(record, check.bound), check.rule)


def _contradiction(
    record: TopicRecord, reading: Reading, other: TopicRecord, other_reading: Reading, rule: str
) -> ReadingsContradict:
    time, device = record.frame.time, record.device.name
    return ReadingsContradict(
        time, time, device, record.topic, reading, other.device.name, other.topic, other_reading, rule, record.frame
    )


def _read(comparison: _Comparison) -> None:
    """Note the present value of a reading: a voltage only while a current flows."""
    check, record = comparison.check, comparison.record
    comparison.value = value_of(record, check.field)
    if isinstance(check, VoltagePair):
        instance, amps = value_of(record, check.instance_field), value_of(record, check.current)
        comparison.instance = None if instance is None else int(instance)
        if amps is None or amps < MIN_CHARGING_A:
            comparison.value = None


def _is_compared_with(comparison: _Comparison, other: TopicRecord) -> bool:
    """Return whether a reading is compared with those of a topic."""
    check = comparison.check
    if not isinstance(check, VoltagePair) or check.other_message != other.topic.message:
        return False
    return comparison.instance is not None and comparison.instance == other.topic.instance


def _highest_priority(records: Iterable[TopicRecord]) -> TopicRecord | None:
    return max(
        records, key=lambda record: (value_of(record, "device_priority") or 0, record.rhythm.times[-1]), default=None
    )
