"""Passes the frames of a port to a watch, and advances the watch by the sender's watermark.

Knows: the watermark. The sender states that it has sent N frames by simulated time T; the watch advances to T only when
N frames have been received. So a slow machine, or a run at twenty times the wall clock, raises no false flag. Does not
know what the watch does with a frame.
"""

from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from rvsim.edge.port import Port
from rvsim.errors import BusError
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent

MAX_WAIT_S = 5.0
"""The longest wait for a frame that was sent. Our choice."""


class Watermark(NamedTuple):
    """By ``time`` (microseconds) ``sent`` frames had been sent on the bus."""

    time: int
    sent: int


class Feed:
    """Passes frames from a port to ``on_frame``; calls ``advance`` with a time when all frames before it were received.

    Other events of the line do not pass through the port; ``on_event`` receives them in their place among the frames.
    """

    def __init__(
        self,
        port: Port,
        on_frame: Callable[[Frame], None],
        advance: Callable[[int], None],
        on_event: Callable[[LineEvent], None],
    ) -> None:
        self._port = port
        self._on_frame = on_frame
        self._advance = advance
        self._on_event = on_event
        self._received = 0
        self._pending_events: deque[tuple[int, LineEvent]] = deque()

    def add_event(self, event: LineEvent, sent: int) -> None:
        """Keep an event of the line until the ``sent`` frames before it were received."""
        self._pending_events.append((sent, event))

    def _pass_events(self, received: float) -> None:
        while self._pending_events and self._pending_events[0][0] <= received:
            self._on_event(self._pending_events.popleft()[1])

    def process(self, mark: Watermark) -> int:
        """Process what the port has received; return how many frames of the watermark are missing.

        Raises:
            BusError: the reader of the port has ended.
        """
        for item in self._port.receive():
            self._pass_events(self._received)
            if isinstance(item, Frame):
                self._on_frame(item)
                self._received += 1
            else:
                self._on_event(item)
        statistics = self._port.statistics
        if statistics.error is not None:
            raise BusError(f"the bus was lost while listening ({statistics.error})")
        missing = mark.sent - self._received - statistics.dropped
        if missing <= 0:
            self._pass_events(mark.sent)
            self._advance(mark.time)
        return max(0, missing)

    def wait_for(self, mark: Watermark, max_missing: int = 0) -> None:
        """Process frames until at most ``max_missing`` frames of the watermark are missing.

        Raises:
            BusError: frames that were sent are not received.
        """
        while self.process(mark) > max_missing:
            self._port.arrived.clear()
            if self.process(mark) > max_missing and not self._port.arrived.wait(MAX_WAIT_S):
                raise BusError(f"frames that were sent did not come back from the bus within {MAX_WAIT_S:.0f} s")
