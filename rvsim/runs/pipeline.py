"""What every run does with a frame: record it, let the watch hear it, show what that has changed.

Knows: how watch, recorder and the shown form are put together. Does not know where frames come from: a bench, a
captured log or a bus.
"""

from collections import deque
from collections.abc import Iterator, Sequence
from typing import Protocol

from rvsim.runs.sink import Sink
from rvsim.watch.flag import Flag
from rvsim.watch.watch import Event, FlagRaised, PresenceChanged, ReadingChanged, Watch
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent


class FrameWriter(Protocol):
    """Something that keeps frames, such as a recorder."""

    def write(self, frame: Frame) -> None:
        """Keep a frame."""

    def write_event(self, event: LineEvent) -> None:
        """Keep what happened beside frames, as far as it is kept."""

    def flush(self) -> None:
        """Hand on what was kept."""


class RunObserver(Protocol):
    """Something that has to know what was heard, after the watch has heard it."""

    def observe_frame(self, frame: Frame, events: Sequence[Event]) -> None:
        """Take a frame and what followed from it."""

    def observe_events(self, events: Sequence[Event]) -> None:
        """Take what followed from the passing of time, or happened beside frames."""


class Pipeline:
    """A watch with its sink and its recorder.

    Args:
        watch: hears the frames.
        sink: shows what changed.
        recorder: keeps the frames.
        every: show all that each frame says, not only what changed.
    """

    def __init__(
        self,
        watch: Watch,
        sink: Sink,
        recorder: FrameWriter | None = None,
        every: bool = False,
    ) -> None:
        self.watch = watch
        self.time = 0
        """How far the watch has come, in microseconds."""
        self.raised: Flag | None = None
        """The flag that was raised last."""
        self.shown = True
        """Whether the sink is told; what goes by untold can be caught up with."""
        self.witness: RunObserver | None = None
        """Is told of each frame behind the watch."""
        self._sink, self._recorder, self._every = sink, recorder, every
        self._own: deque[tuple[int, bytes]] = deque()

    def expect_own(self, identifier: int, data: bytes) -> None:
        """Note that a frame of the person at the bench is under way, which is no stranger on the bus."""
        self._own.append((identifier, data))

    def observe(self, frame: Frame) -> None:
        """Hear a frame.

        Raises:
            InputError: it cannot be recorded.
        """
        if self._recorder is not None:
            self._recorder.write(frame)
        if self.shown:
            self._sink.frame(frame)
        if frame.time > self.time:
            self.time = frame.time
        is_own = bool(self._own) and (frame.identifier, frame.data) in self._own
        if is_own:
            self._own.remove((frame.identifier, frame.data))
        events = self.watch.observe_own(frame) if is_own else self.watch.observe(frame)
        if self.witness is not None:
            self.witness.observe_frame(frame, events)
        if self._every and self.shown and not is_own:
            events = [*(event for event in events if not isinstance(event, ReadingChanged)), *self._readings(frame)]
        if events:
            self._show(events)

    def observe_event(self, event: LineEvent) -> None:
        """Let the watch know what happened on the pair beside frames.

        Raises:
            InputError: it cannot be recorded.
        """
        if self._recorder is not None:
            self._recorder.write_event(event)
        self.time = max(self.time, event.time)
        self._follow(self.watch.observe_event(event))

    def advance(self, time: int) -> None:
        """Let the watch know that nothing before ``time`` (microseconds) is still to come."""
        self.time = max(self.time, time)
        self._follow(self.watch.advance(time))

    def _follow(self, events: list[Event]) -> None:
        if events:
            if self.witness is not None:
                self.witness.observe_events(events)
            self._show(events)

    def _show(self, events: list[Event]) -> None:
        for event in events:
            if isinstance(event, FlagRaised):
                self.raised = event.flag
        if self.shown:
            self._sink.events(events)

    def _readings(self, frame: Frame) -> Iterator[ReadingChanged]:
        """Return everything a frame says, changed or not."""
        said = self.watch.readings(frame)
        if said is not None:
            for reading in said.readings:
                yield ReadingChanged(
                    said.time, said.device, said.source, said.spec, said.instance, reading, None, said.dsa
                )

    def catch_up(self) -> None:
        """From here on tell the sink, beginning with who is there and which flags stand."""
        self.shown = True
        here = [one for one in self.watch.roll_call if one.state is not None]
        events: list[Event] = [
            PresenceChanged(self.time, one.device, one.source, one.state) for one in here if one.state is not None
        ]
        events += [FlagRaised(self.time, flag) for flag in self.watch.flags]
        if events:
            self._sink.events(events)

    def finish(self, time: int) -> None:
        """Say how it ended."""
        self._sink.end(time, self.watch)
        self.flush()

    def flush(self) -> None:
        """Hand everything on to whoever reads."""
        self._sink.flush()
        if self._recorder is not None:
            self._recorder.flush()
