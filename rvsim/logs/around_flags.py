"""A recording that keeps what was on the bus around each flag, and leaves out the rest.

Knows: how long before and after a flag is kept. Does not know why a flag was raised, nor how a file is written. What is
left out between two flags stands in the recording as a time in which nobody listened, where the format has a place for
it: a survey of the recording then judges nothing by it.
"""

from collections import deque
from typing import Protocol

from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent, ListeningResumed

MIN_SPAN_US, MAX_SPAN_US = 1_000_000, 600_000_000
"""The shortest and the longest time around a flag. Our decision: ten minutes of a full bus are a million frames."""


class _Writer(Protocol):
    """Writes what is kept."""

    def write(self, frame: Frame) -> None:
        """Write a frame."""

    def write_event(self, event: LineEvent) -> None:
        """Write an event that is not a frame."""

    def flush(self) -> None:
        """Write everything that is buffered."""


class AroundFlags:
    """Writes what comes within ``span_us`` before or after a flag.

    Args:
        recording: writes what is kept.
        span_us: how long before and after each flag is kept, in microseconds.
    """

    def __init__(self, recording: _Writer, span_us: int) -> None:
        self._recording, self._span_us = recording, span_us
        self._waiting: deque[Frame | LineEvent] = deque()
        """What is kept if a flag comes."""
        self._keep_until = -1
        self._left_out_since: int | None = None
        """The end of what was written last, where something was left out after it."""
        self._written_until = 0
        self._has_written = False
        self.flags = 0
        """How many flags there were."""
        self.left_out = 0
        """How many frames were left out."""

    def write(self, frame: Frame) -> None:
        """Keep a frame, or wait whether a flag comes.

        Raises:
            InputError: it cannot be written.
        """
        self._take(frame)

    def write_event(self, event: LineEvent) -> None:
        """Keep an event that is not a frame, as ``write`` does."""
        self._take(event)

    def _take(self, entry: Frame | LineEvent) -> None:
        if entry.time <= self._keep_until:
            self._put(entry)
            return
        waiting = self._waiting
        waiting.append(entry)
        while waiting[0].time < entry.time - self._span_us:
            left_out = waiting.popleft()
            self.left_out += isinstance(left_out, Frame)
            if self._left_out_since is None and self._has_written:
                self._left_out_since = self._written_until

    def note_flag(self, time: int) -> None:
        """Keep what is around a flag that was raised at ``time`` (microseconds).

        Raises:
            InputError: it cannot be written.
        """
        self.flags += 1
        self._keep_until = max(self._keep_until, time + self._span_us)
        while self._waiting and self._waiting[0].time <= self._keep_until:
            self._put(self._waiting.popleft())

    def _put(self, entry: Frame | LineEvent) -> None:
        if self._left_out_since is not None:
            about = f"left out: no flag within {self._span_us / 1e6:g} s"
            self._recording.write_event(ListeningResumed(entry.time, self._left_out_since, about))
            self._left_out_since = None
        if isinstance(entry, Frame):
            self._recording.write(entry)
        else:
            self._recording.write_event(entry)
        self._written_until, self._has_written = entry.time, True

    def flush(self) -> None:
        """Write everything that is buffered and kept; raises as ``write`` does."""
        self._recording.flush()

    @property
    def closing_line(self) -> str:
        """What was kept, in one sentence."""
        left_out = self.left_out + sum(isinstance(entry, Frame) for entry in self._waiting)
        flags = "1 flag" if self.flags == 1 else f"{self.flags} flags"
        return f"{flags}; {left_out} frames that were further than {self._span_us / 1e6:g} s from a flag were left out"
