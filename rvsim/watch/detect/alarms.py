"""Codes of status fields that are alarms by their definition.

Needs the changes of fields whose definition marks codes as alarms.

Knows: that each field of a topic is a problem of its own, and that another alarm code of the same field continues that
problem with another text. Does not know which codes are alarms: the definitions say so. Faults in heartbeats belong to
``reports``.
"""

from collections.abc import Callable, Iterator

from rvsim.watch.transitions import AlarmCodeReported, Ended, Topic, Transition
from rvsim.wire.fields import Reading, State
from rvsim.wire.frame import Frame


class Alarms:
    """The alarm codes of one topic."""

    def __init__(self, topic: Topic, emit: Callable[[Transition], None]) -> None:
        self._topic = topic
        self._emit = emit
        self._open: dict[str, AlarmCodeReported] = {}

    def observe(self, reading: Reading, frame: Frame, device: str) -> None:
        """Take in the reading of a field; a frame that is too short for the field changes nothing."""
        name, raw = reading.field.name, reading.raw
        if raw is None or reading.state is State.MISSING:
            return
        alarm = reading.field.alarms.get(raw)
        if alarm is not None:
            self._open[name] = AlarmCodeReported(frame.time, device, self._topic, reading, alarm, frame)
            self._emit(self._open[name])
        elif name in self._open:
            self._emit(Ended(frame.time, self._open.pop(name).problem_key))

    def close_all(self) -> Iterator[AlarmCodeReported]:
        """Forget the open problems, and return them."""
        problems, self._open = self._open, {}
        yield from problems.values()
