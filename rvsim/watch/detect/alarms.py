"""Codes of status fields that mean trouble by their definition.

Needs the changes of fields whose definition marks codes as alarming.

Knows: that each field of a topic is a cause of its own, and that another alarming code of it is the same cause with
other words. Does not know which codes alarm: definitions say so. What a heartbeat says is told by ``reports``.
"""

from collections.abc import Callable, Iterator

from rvsim.watch.transitions import AlarmCodeReported, Ended, Topic, Transition
from rvsim.wire.fields import Reading, State
from rvsim.wire.frame import Frame


class Alarms:
    """The alarming codes of one topic."""

    def __init__(self, topic: Topic, emit: Callable[[Transition], None]) -> None:
        self._topic = topic
        self._emit = emit
        self._open: dict[str, AlarmCodeReported] = {}

    def observe(self, reading: Reading, frame: Frame, device: str) -> None:
        """Take in what a field says now; a frame too short to hold it says nothing."""
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
        """Forget what stands open, and return it."""
        standing, self._open = self._open, {}
        yield from standing.values()
