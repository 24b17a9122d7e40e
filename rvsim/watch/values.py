"""What one topic says: which fields changed, and which say something that cannot be right.

Knows: the fields' last raw values, their limits, and the settling second in which a device that has just started is
not judged. Does not know who speaks (the device's name is handed in), nor when the next frame is due. Needs the
changes.
"""

from collections.abc import Callable, Iterator
from typing import Any

from rvsim.watch.detect.alarms import Alarms
from rvsim.watch.limits import Expected
from rvsim.watch.transitions import CodeAlarmed, DataLost, Ended, Limits, RangeLeft, ReadingChanged, Topic, Transition
from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

Emit = Callable[[Transition], None]

_NO_NEWS = frozenset({State.NO_DATA, State.MISSING, State.UNCHANGED})
"""What a field can say at first sight without being news."""
_NOT_JUDGED = frozenset({State.RESERVED, State.MISSING})
"""What tells neither good nor bad. That a frame is too short to hold a field is a matter of its length."""
_BAD = frozenset({State.OUT_OF_RANGE, State.ERROR})
"""What is bad by its code alone."""
_NEVER = object()


class Values:
    """The readings of one topic of one source; with ``tells`` it is told what changed, else only what is wrong."""

    __slots__ = (
        "_alarms",
        "_carried",
        "_emit",
        "_expected",
        "_instance",
        "_open",
        "_raws",
        "_spec",
        "_tells",
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
        tells: bool = True,
    ) -> None:
        self._spec = spec
        self._topic = topic
        self._instance = instance
        self._expected = expected
        self._emit = emit
        self._tells = tells
        self._raws: tuple[Any, ...] = (_NEVER,) * len(spec.fields)
        self._carried: dict[str, Reading] = {}
        self._open: dict[str, RangeLeft | DataLost] = {}
        alarming = not spec.is_protocol and any(field.alarms for field in spec.fields)
        self._alarms = Alarms(topic, emit) if alarming else None
        self.unsettled = False
        """Whether something was seen that is judged only once the device has settled."""

    def expect(self, expected: tuple[Expected, ...]) -> None:
        """Judge by other expectations from now on: the source turned out to be a planned device."""
        self._expected = expected
        self.unsettled = True

    def observe(self, frame: Frame, device: str, settled: bool) -> None:
        """Take a frame: tell what changed, then judge what it says."""
        before, self._raws = self._raws, self._spec.raws(frame.data)
        again, self.unsettled = self.unsettled, False
        looked_at: list[tuple[Reading, Expected]] = []
        for field, was, raw, known in zip(self._spec.fields, before, self._raws, self._expected, strict=True):
            if (was == raw and not again) or field is self._instance:
                continue
            reading = Reading(field, raw, field.state(raw))
            looked_at.append((reading, known))
            if self._tells and was != raw and not (was is _NEVER and reading.state in _NO_NEWS):
                self._tell(reading, was, frame.time, device)
        for reading, known in looked_at:
            self._judge(reading, known, frame, device, settled)
            if self._alarms is not None:
                self._alarms.observe(reading, frame, device)

    def _tell(self, reading: Reading, was: Any, time: int, device: str) -> None:
        field, topic = reading.field, self._topic
        previous = None if was is _NEVER else Reading(field, was, field.state(was))
        self._emit(ReadingChanged(time, device, topic.source, self._spec, topic.instance, reading, previous, topic.dsa))

    def _judge(self, reading: Reading, known: Expected, frame: Frame, device: str, settled: bool) -> None:
        problem: RangeLeft | DataLost | None = None
        name = reading.field.name
        if reading.state in _NOT_JUDGED:
            return
        if self._spec.is_protocol:  # no reading of anything; what it carried still counts for a frame that is too short
            if reading.state is State.VALUE:
                self._carried[name] = reading
            return
        if _is_bad(reading, known.limits):
            limits = known.limits if reading.state is State.VALUE else None
            problem = RangeLeft(frame.time, device, self._topic, reading, limits, frame)
        elif reading.state is State.NO_DATA:
            problem = self._lost(reading, known, frame, device)
        elif reading.state is State.VALUE and not self._open:  # what nearly every reading is
            self._carried[name] = reading
            return
        if reading.state is State.VALUE and (problem is None or name not in self._carried):
            self._carried[name] = reading
        self._settle(name, problem, frame.time, settled)

    def _lost(self, reading: Reading, expected: Expected, frame: Frame, device: str) -> DataLost | None:
        before = self._carried.get(reading.field.name)
        if not expected.required and (before is None or expected.may_be_empty):
            return None
        return DataLost(frame.time, device, self._topic, reading, before, frame)

    def _settle(self, name: str, problem: RangeLeft | DataLost | None, time: int, settled: bool) -> None:
        """Bring what stands open for a field in line with what its last reading shows."""
        standing = self._open.get(name)
        if type(standing) is type(problem):
            return
        if standing is not None:
            del self._open[name]
            self._emit(Ended(time, standing.cause))
        if problem is not None and settled:
            self._open[name] = problem
            self._emit(problem)
        elif problem is not None:
            self.unsettled = True

    def carried(self, fields: tuple[str, ...]) -> bool:
        """Tell whether one of the fields has ever carried a value, or is required to."""
        required = {
            field.name for field, expected in zip(self._spec.fields, self._expected, strict=True) if expected.required
        }
        return any(name in self._carried or name in required for name in fields)

    def is_flagged(self, field: str) -> bool:
        """Tell whether something is wrong with what a field says."""
        return field in self._open

    def give_up(self) -> Iterator[RangeLeft | DataLost | CodeAlarmed]:
        """Forget what stands open, and return it: nobody will speak of this topic again."""
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
