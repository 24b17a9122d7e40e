"""The path of a frame in every run: it is recorded, observed by the watch, and what it has changed is shown.

Knows: how watch, recorder and sink are put together. Does not know where frames come from: a bench, a captured log or a
bus.
"""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Protocol

from rvsim.runs.sink import BalanceSink, Sink
from rvsim.watch.flag import Flag
from rvsim.watch.watch import Event, FlagRaised, PresenceChanged, ReadingChanged, Watch
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent, Marked
from rvsim.world.balance import BalanceFigures

MAX_RAISED_TIMES = 100_000
"""How many times of flags are kept, to find them again. Our choice, to bound the memory."""


class FrameWriter(Protocol):
    """Something that keeps frames, such as a recorder."""

    def write(self, frame: Frame) -> None:
        """Keep a frame."""

    def write_event(self, event: LineEvent) -> None:
        """Keep an event that is not a frame, if the format has a place for it."""

    def flush(self) -> None:
        """Write everything that is buffered."""


class RunObserver(Protocol):
    """Something that gets frames and events after the watch has observed them."""

    def observe_frame(self, frame: Frame, events: Sequence[Event]) -> None:
        """Take a frame and the events that it caused."""

    def observe_events(self, events: Sequence[Event]) -> None:
        """Take events that were not caused by a frame, such as those of passing time."""


class Pipeline:
    """A watch with its sink and its recorder.

    Args:
        watch: observes the frames.
        sink: shows what changed.
        recorder: keeps the frames.
        every: show all readings of each frame, not only changes.
    """

    def __init__(
        self,
        watch: Watch,
        sink: Sink,
        recorder: FrameWriter | None = None,
        *,
        every: bool = False,
    ) -> None:
        self.watch = watch
        self.time = 0
        """The time up to which the watch has observed, in microseconds."""
        self.last_raised: Flag | None = None
        """The flag that was raised last."""
        self.raised_times: deque[int] = deque(maxlen=MAX_RAISED_TIMES)
        """When flags were raised, in microseconds; the oldest are removed first."""
        self.is_shown = True
        """Whether the sink gets frames and events; ``show_present_state`` makes up for what it did not get."""
        self.observer: RunObserver | None = None
        """Gets each frame after the watch."""
        self.on_flag: Callable[[int], None] | None = None
        """Called with the time of each flag that is raised, in microseconds."""
        self._sink, self._recorder, self._every = sink, recorder, every
        self._own: deque[tuple[int, bytes]] = deque()
        self.on_change: Callable[[int, str], None] | None = None
        """Gets each noted change when the watch has observed up to its time: the time, and the words."""
        self._changes: deque[tuple[int, str]] = deque()

    def note_change(self, time: int, text: str) -> None:
        """Note a change of the vehicle, which is told in its turn: after the frames before it."""
        self._changes.append((time, text))

    def _tell_changes(self, time: int) -> None:
        """Tell the changes up to a time before which no frame is still to come, each after what happened before it."""
        while self._changes and self._changes[0][0] <= time:
            at, text = self._changes.popleft()
            self._deliver(self.watch.advance(max(at, self.time)))
            if self.on_change is not None:
                self.on_change(at, text)

    def expect_own(self, identifier: int, data: bytes) -> None:
        """Note that a frame of the person at the bench will come, which the watch must not count as a device's."""
        self._own.append((identifier, data))

    def observe(self, frame: Frame) -> None:
        """Record a frame, let the watch observe it, and show what it has changed.

        Raises:
            InputError: it cannot be recorded.
        """
        if self._recorder is not None:
            self._recorder.write(frame)
        if self._changes:
            self._tell_changes(frame.time)
        if self.is_shown:
            self._sink.frame(frame)
        if frame.time > self.time:
            self.time = frame.time
        is_own = bool(self._own) and (frame.identifier, frame.data) in self._own
        if is_own:
            self._own.remove((frame.identifier, frame.data))
        events = self.watch.observe_own(frame) if is_own else self.watch.observe(frame)
        if self.observer is not None:
            self.observer.observe_frame(frame, events)
        if self._every and self.is_shown and not is_own:
            events = [*(event for event in events if not isinstance(event, ReadingChanged)), *self._readings(frame)]
        if events:
            self._show(events)

    def observe_event(self, event: LineEvent) -> None:
        """Record an event of the bus that is not a frame, let the watch observe it, and show what it has changed.

        Raises:
            InputError: it cannot be recorded.
        """
        if self._recorder is not None:
            self._recorder.write_event(event)
        self.time = max(self.time, event.time)
        self._deliver(self.watch.observe_event(event))

    def mark(self, note: str) -> None:
        """Mark the present moment, with what the person who listens wrote to it.

        Raises:
            InputError: it cannot be recorded.
        """
        self.observe_event(Marked(self.time, note))

    @property
    def awaits_own(self) -> bool:
        """Whether a frame of the person at the bench is on its way."""
        return bool(self._own)

    def record(self, frames: Sequence[Frame], events: Sequence[tuple[int, LineEvent]]) -> None:
        """Record frames, and events, each with the number of frames before it, which are observed in another way.

        Raises:
            InputError: they cannot be recorded.
        """
        if self._recorder is None:
            return
        done = 0
        for before, event in events:
            for frame in frames[done:before]:
                self._recorder.write(frame)
            self._recorder.write_event(event)
            done = before
        for frame in frames[done:]:
            self._recorder.write(frame)

    def advance(self, time: int) -> None:
        """Let time go on to ``time`` (microseconds); no frame before it is still to come."""
        self._tell_changes(time)
        self.time = max(self.time, time)
        self._deliver(self.watch.advance(time))

    def _deliver(self, events: list[Event]) -> None:
        if events:
            if self.observer is not None:
                self.observer.observe_events(events)
            self._show(events)

    def note_flags(self, events: Sequence[Event]) -> None:
        """Note the flags among events that are not shown: they belong to what is passed over."""
        for event in events:
            if isinstance(event, FlagRaised):
                self.last_raised = event.flag
                self.raised_times.append(event.time)
                if self.on_flag is not None:
                    self.on_flag(event.time)

    def _show(self, events: list[Event]) -> None:
        self.note_flags(events)
        if self.is_shown:
            self._sink.events(events)

    def _readings(self, frame: Frame) -> Iterator[ReadingChanged]:
        """Return all readings of a frame, changed or not."""
        decoded = self.watch.readings(frame)
        if decoded is not None:
            time, device, source, dsa = decoded.time, decoded.device, decoded.source, decoded.dsa
            for reading in decoded.readings:
                yield ReadingChanged(time, device, source, decoded.spec, decoded.instance, reading, None, dsa)

    def show_present_state(self) -> None:
        """Show the devices and the raised flags of the present moment, and everything from here on."""
        self.is_shown = True
        events: list[Event] = [
            PresenceChanged(self.time, line.device, line.source, line.state)
            for line in self.watch.roll_call
            if line.state is not None
        ]
        events += [FlagRaised(self.time, flag) for flag in self.watch.flags]
        if events:
            self._sink.events(events)

    def finish(self, time: int, balance: BalanceFigures | None = None) -> None:
        """Show the end of the run, with the balance of a simulated vehicle."""
        if balance is not None and isinstance(self._sink, BalanceSink):
            self._sink.balance(time, balance)
        self._sink.end(time, self.watch)
        self.flush()

    def flush(self) -> None:
        """Write everything that is buffered."""
        self._sink.flush()
        if self._recorder is not None:
            self._recorder.flush()
