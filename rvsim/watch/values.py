"""What one topic says: which fields changed, and which say something that cannot be right.

Knows: the fields' last raw values, their limits, and the settling second in which a device that has just started
is not judged. Does not know who speaks (the device's name is handed in), nor when the next frame is due.
"""

from collections.abc import Callable, Iterator

from rvsim.watch.limits import Expected
from rvsim.watch.transitions import DataLost, Ended, Limits, RangeLeft, ReadingChanged, Topic, Transition
from rvsim.wire.fields import FieldSpec, Reading, Special, State
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

Emit = Callable[[Transition], None]

_SAYS_NOTHING = frozenset({State.NO_DATA, State.MISSING})
_NO_NEWS = _SAYS_NOTHING | {State.UNCHANGED}
"""What a field can say at first sight without being news."""
_NEVER = object()


class Values:
    """The readings of one topic of one source."""

    __slots__ = ("_carried", "_emit", "_expected", "_instance_first", "_open", "_raws", "_spec", "_topic", "unsettled")

    def __init__(
        self, spec: MessageSpec, topic: Topic, instanced: bool, expected: tuple[Expected, ...], emit: Emit
    ) -> None:
        self._spec = spec
        self._topic = topic
        self._instance_first = instanced
        self._expected = expected
        self._emit = emit
        self._raws: tuple[object, ...] = (_NEVER,) * len(spec.fields)
        self._carried: dict[str, tuple[int, Reading]] = {}
        self._open: dict[str, RangeLeft | DataLost] = {}
        self.unsettled = False
        """Whether something was seen that is judged only once the device has settled."""

    def expect(self, expected: tuple[Expected, ...]) -> None:
        """Judge by other expectations from now on: the source turned out to be a planned device."""
        self._expected = expected
        self.unsettled = True

    def hear(self, frame: Frame, device: str, settled: bool) -> None:
        """Take a frame: tell what changed, then what it says about right and wrong."""
        before, self._raws = self._raws, self._spec.raws(frame.data)
        again, self.unsettled = self.unsettled, False
        news = [
            (number, was)
            for number, (was, raw) in enumerate(zip(before, self._raws, strict=True))
            if (was != raw or again) and not (number == 0 and self._instance_first)
        ]
        for number, was in news:
            self._tell(number, was, frame, device)
        for number, _ in news:
            self._judge(number, frame, device, settled)

    def _reading(self, number: int, raw: object) -> Reading:
        field: FieldSpec = self._spec.fields[number]
        value = raw if isinstance(raw, int) else None
        return Reading(field, value, field.state(value))

    def _tell(self, number: int, was: object, frame: Frame, device: str) -> None:
        if was == self._raws[number]:
            return
        reading = self._reading(number, self._raws[number])
        if was is _NEVER and reading.state in _NO_NEWS:
            return
        previous = None if was is _NEVER else self._reading(number, was)
        topic = self._topic
        self._emit(
            ReadingChanged(frame.time, device, topic.source, self._spec, topic.instance, reading, previous)
        )

    def _judge(self, number: int, frame: Frame, device: str, settled: bool) -> None:
        reading, expected = self._reading(number, self._raws[number]), self._expected[number]
        problem: RangeLeft | DataLost | None = None
        if reading.state is State.RESERVED:
            return
        if _is_bad(reading, expected.limits):
            limits = expected.limits if reading.state is State.VALUE else None
            problem = RangeLeft(frame.time, device, self._topic, reading, limits, frame)
        elif reading.state in _SAYS_NOTHING:
            problem = self._lost(reading, expected, frame, device)
        if reading.state is State.VALUE:
            self._carried[reading.field.name] = (frame.time, reading)
        self._settle(reading.field.name, problem, frame.time, settled)

    def _lost(self, reading: Reading, expected: Expected, frame: Frame, device: str) -> DataLost | None:
        if reading.field.special is not Special.MEASURED:
            return None
        name = reading.field.name
        known = self._carried.get(name)
        if not expected.required and (known is None or expected.may_be_empty):
            return None
        time, before = known or (frame.time, None)
        return DataLost(frame.time, device, self._topic, reading, before, time, frame)

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

    def give_up(self) -> Iterator[RangeLeft | DataLost]:
        """Forget what stands open, and return it: nobody will speak of this topic again."""
        standing, self._open = self._open, {}
        yield from standing.values()


def _is_bad(reading: Reading, limits: Limits | None) -> bool:
    if reading.state is State.OUT_OF_RANGE:
        return True
    value = reading.value
    return limits is not None and value is not None and not limits.low <= value <= limits.high
