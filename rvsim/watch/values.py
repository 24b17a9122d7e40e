"""The readings of one topic: which fields changed, and which have a value that cannot be right.

Knows: the last raw values of the fields, their limits, and that a device is not judged in its first second. Does not
know the sender (the name of the device is passed in), nor when the next frame is due. Needs the changes.
"""

from collections.abc import Iterator
from typing import Any

from rvsim.watch.detect.alarms import Alarms
from rvsim.watch.limits import Expected
from rvsim.watch.transitions import (
    AlarmCodeReported,
    DataLost,
    Emit,
    Ended,
    Limits,
    ReadingChanged,
    Topic,
    ValueOutOfRange,
)
from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

_NOT_REPORTED_AT_FIRST = frozenset({State.NO_DATA, State.MISSING, State.UNCHANGED})
"""States that are not reported for the first frame of a field."""
_NOT_JUDGED = frozenset({State.RESERVED, State.MISSING})
"""States that are neither good nor bad. A field that is missing in a short frame is a matter of its length."""
_BAD = frozenset({State.OUT_OF_RANGE, State.ERROR})
"""States that are bad by their code alone."""
MIN_UNMEASURED_STEP = 10
"""How far from the value before, in kelvin, the value of a sensor that has not measured yet must be: nearer, it may be
a measurement. Our decision."""
_NEVER_SEEN = object()


class Values:
    """The readings of one topic; with ``emit_readings`` each change is emitted, else only problems."""

    __slots__ = (
        "_alarms",
        "_emit",
        "_emit_readings",
        "_expected",
        "_instance",
        "_last_values",
        "_open",
        "_raws",
        "_spec",
        "_topic",
        "unsettled",
    )

    def __init__(
        self,
        spec: MessageSpec,
        topic: Topic,
        instance: FieldSpec | None,
        expected: tuple[Expected, ...],
        emit: Emit,
        *,
        emit_readings: bool = True,
    ) -> None:
        self._spec = spec
        self._topic = topic
        self._instance = instance
        self._expected = expected
        self._emit = emit
        self._emit_readings = emit_readings
        self._raws: tuple[Any, ...] = (_NEVER_SEEN,) * len(spec.fields)
        self._last_values: dict[str, Reading] = {}
        self._open: dict[str, ValueOutOfRange | DataLost] = {}
        alarming = not spec.is_protocol and any(field.alarms for field in spec.fields)
        self._alarms = Alarms(topic, emit) if alarming else None
        self.unsettled = False
        """Whether a problem was found that is reported only after the first second of the device."""

    @property
    def raws(self) -> tuple[Any, ...]:
        """The raw values of the last frame, in field order; None where the frame is too short."""
        return self._raws

    @property
    def has_problems(self) -> bool:
        """Whether a problem of any field is open, or was found and is not reported yet."""
        return bool(self._open) or self.unsettled

    def expect(self, expected: tuple[Expected, ...]) -> None:
        """Judge by other expectations from now on: the source was identified as a planned device."""
        self._expected = expected
        self.unsettled = True

    def observe(self, frame: Frame, device: str, *, settled: bool) -> None:
        """Take in a frame: emit what changed, then judge the readings."""
        before, self._raws = self._raws, self._spec.raws(frame.data)
        judge_all, self.unsettled = self.unsettled, False
        changed: list[tuple[Reading, Expected]] = []
        for field, previous_raw, raw, expected_value in zip(
            self._spec.fields, before, self._raws, self._expected, strict=True
        ):
            if (previous_raw == raw and not judge_all) or field is self._instance:
                continue
            reading = Reading(field, raw, field.state(raw))
            changed.append((reading, expected_value))
            if (
                self._emit_readings
                and previous_raw != raw
                and not (previous_raw is _NEVER_SEEN and reading.state in _NOT_REPORTED_AT_FIRST)
            ):
                self._emit_change(reading, previous_raw, frame.time, device)
        for reading, expected_value in changed:
            self._judge(reading, expected_value, frame, device, settled=settled)
            if self._alarms is not None:
                self._alarms.observe(reading, frame, device)

    def _emit_change(self, reading: Reading, previous_raw: Any, time: int, device: str) -> None:
        field, topic = reading.field, self._topic
        previous = None if previous_raw is _NEVER_SEEN else Reading(field, previous_raw, field.state(previous_raw))
        self._emit(ReadingChanged(time, device, topic.source, self._spec, topic.instance, reading, previous, topic.dsa))

    def _judge(self, reading: Reading, expected_value: Expected, frame: Frame, device: str, *, settled: bool) -> None:
        problem: ValueOutOfRange | DataLost | None = None
        name = reading.field.name
        if reading.state in _NOT_JUDGED:
            return
        if self._spec.is_protocol:  # not judged; its values still count for a frame that is too short
            if reading.state is State.VALUE:
                self._last_values[name] = reading
            return
        if expected_value.unmeasured is not None and self._is_unmeasured(reading, expected_value):
            problem = ValueOutOfRange(frame.time, device, self._topic, reading, None, frame, is_unmeasured=True)
            self._update_problem(name, problem, frame.time, settled=settled)
            return
        if _is_bad(reading, expected_value.limits):
            limits = expected_value.limits if reading.state is State.VALUE else None
            problem = ValueOutOfRange(frame.time, device, self._topic, reading, limits, frame)
        elif reading.state is State.NO_DATA:
            problem = self._data_lost(reading, expected_value, frame, device)
        elif reading.state is State.VALUE and not self._open:  # the most frequent case
            self._last_values[name] = reading
            return
        if reading.state is State.VALUE and (problem is None or name not in self._last_values):
            self._last_values[name] = reading
        self._update_problem(name, problem, frame.time, settled=settled)

    def _is_unmeasured(self, reading: Reading, expected: Expected) -> bool:
        """Return whether a reading is what its sensor reports before its first measurement."""
        if reading.value != expected.unmeasured or expected.unmeasured is None:
            return False
        before = self._last_values.get(reading.field.name)
        if before is None or before.value is None:
            return expected.is_air
        return abs(before.value - expected.unmeasured) >= MIN_UNMEASURED_STEP

    def _data_lost(self, reading: Reading, expected: Expected, frame: Frame, device: str) -> DataLost | None:
        before = self._last_values.get(reading.field.name)
        if not expected.required and (before is None or expected.may_be_empty):
            return None
        return DataLost(frame.time, device, self._topic, reading, before, frame)

    def _update_problem(
        self, name: str, problem: ValueOutOfRange | DataLost | None, time: int, *, settled: bool
    ) -> None:
        """Begin and end the problem of a field by its last reading."""
        standing = self._open.get(name)
        if type(standing) is type(problem):
            return
        if standing is not None:
            del self._open[name]
            self._emit(Ended(time, standing.problem_key))
        if problem is not None and settled:
            self._open[name] = problem
            self._emit(problem)
        elif problem is not None:
            self.unsettled = True

    def has_carried(self, fields: tuple[str, ...]) -> bool:
        """Return whether one of the fields ever had a value, or is required to have one."""
        required = {
            field.name for field, expected in zip(self._spec.fields, self._expected, strict=True) if expected.required
        }
        return any(name in self._last_values or name in required for name in fields)

    def is_flagged(self, field: str) -> bool:
        """Return whether a problem of the field is open."""
        return field in self._open

    def close_all(self) -> Iterator[ValueOutOfRange | DataLost | AlarmCodeReported]:
        """Remove the open problems and yield them: the topic is dropped."""
        standing, self._open = self._open, {}
        yield from standing.values()
        if self._alarms is not None:
            yield from self._alarms.close_all()


def _is_bad(reading: Reading, limits: Limits | None) -> bool:
    if reading.state in _BAD:
        return True
    if limits is None:
        return False
    value = reading.value
    return value is not None and not limits.low <= value <= limits.high
