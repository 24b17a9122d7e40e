"""Hands what came in through a port to a watch, and tells it the time.

Knows: the watermark. The sender says "by simulated time T I have sent N frames"; only when N frames have been
taken in may the watch believe that nothing before T is still to come. So a slow machine, or a run at twenty
times the wall clock, raises no false flag. Does not know what the watch makes of a frame.
"""

from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from rvsim.edge.port import Port
from rvsim.errors import BusError
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent

_PATIENCE_S = 5.0


class Watermark(NamedTuple):
    """By ``time`` (microseconds) ``sent`` frames had been put on the bus."""

    time: int
    sent: int


class Feed:
    """Moves frames from a port to ``take`` and tells ``advance`` the time once every frame before it was taken.

    What happens beside frames does not pass through the port; ``tell`` gets it in its place among them.
    """

    def __init__(
        self,
        port: Port,
        take: Callable[[Frame], None],
        advance: Callable[[int], None],
        tell: Callable[[LineEvent], None],
    ) -> None:
        self._port = port
        self._take = take
        self._advance = advance
        self._tell = tell
        self._taken = 0
        self._beside: deque[tuple[int, LineEvent]] = deque()

    def note_event(self, event: LineEvent, sent: int) -> None:
        """Keep what happened when ``sent`` frames had been put on the bus until they were taken in."""
        self._beside.append((sent, event))

    def _tell_up_to(self, taken: float) -> None:
        while self._beside and self._beside[0][0] <= taken:
            self._tell(self._beside.popleft()[1])

    def pump(self, mark: Watermark) -> int:
        """Take in what has arrived; return how many frames of the watermark are still under way.

        Raises:
            BusError: the reader of the port has ended.
        """
        for one in self._port.receive():
            self._tell_up_to(self._taken)
            if isinstance(one, Frame):
                self._take(one)
                self._taken += 1
            else:
                self._tell(one)
        statistics = self._port.statistics
        if statistics.error is not None:
            raise BusError(f"the bus was lost while listening ({statistics.error})")
        missing = mark.sent - self._taken - statistics.dropped
        if missing <= 0:
            self._tell_up_to(mark.sent)
            self._advance(mark.time)
        return max(0, missing)

    def settle(self, mark: Watermark, under_way: int = 0) -> None:
        """Take in frames until at most ``under_way`` of the watermark's are missing.

        Raises:
            BusError: frames that were sent do not come in.
        """
        while self.pump(mark) > under_way:
            self._port.arrived.clear()
            if self.pump(mark) > under_way and not self._port.arrived.wait(_PATIENCE_S):
                raise BusError(f"frames that were sent did not come back from the bus within {_PATIENCE_S:.0f} s")
