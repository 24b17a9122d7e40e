"""One controller on the simulated pair: its queue of frames and its two error counters.

Knows: fault confinement as in CAN Specification 2.0 (1991), part B, section 8, and ISO 11898-1; limits and the
exception of a lone transmitter are checked against published values; the steps (8 up for a frame that failed, 1 up
for one received badly, 1 down for one that went well) are from memory. Does not know time or other controllers. Left
out, and so a model: the 8 more that a receiver counts whose error flag came first, and errors within error flags.
"""

from heapq import heappop, heappush

from rvsim.wire.line_events import ErrorState

MAX_ACTIVE_ERRORS = 127
MAX_PASSIVE_ERRORS = 255
"""A counter above the first makes a controller error passive, the transmit counter above the second takes it off the
bus (ISO 11898-1 fault confinement; CAN Specification 2.0, part B, section 8)."""
FAILED_TRANSMISSION_STEP, FAILED_RECEPTION_STEP = 8, 1
"""What a failed frame adds to the counter of its sender and of a receiver (the same section, from memory)."""
MAX_WAITING_FRAMES = 64
"""Frames in the queue of a controller; one more is dropped by ``Line.send`` (``Overflowed``). Our model: real ones have
from 3 places to some hundred."""


ReadyFrame = tuple[int, int, int, bytes]
"""A frame that waits: identifier, number, time in microseconds since which it is ready, data. The smallest goes first:
frames of one identifier keep their order."""


class SimultaneousSenders(tuple[object, ...]):
    """The senders of one frame that several sent at once, and so did not receive: handed over in place of one."""


class Controller:
    """A controller, its queue of frames and its error counters."""

    __slots__ = (
        "free_from",
        "is_reversed",
        "is_unacknowledged",
        "name",
        "receive_errors",
        "sender",
        "transmit_errors",
        "waiting",
    )

    def __init__(self, sender: object, name: str) -> None:
        self.sender = sender
        self.name = name
        self.transmit_errors = 0
        self.receive_errors = 0
        self.free_from = 0
        """Time in microseconds before which it must not start: an error passive one pauses after its own frame."""
        self.is_reversed = False
        """Its two wires are swapped."""
        self.is_unacknowledged = False
        """Nobody acknowledges it: reported as ``endless``, and none of its frames has gone through since."""
        self.waiting: list[ReadyFrame] = []
        """All frames that it holds, a heap: the most urgent one first, the others in no order."""

    # Its frames.

    @property
    def is_full(self) -> bool:
        """Whether one more frame would be lost."""
        return len(self.waiting) >= MAX_WAITING_FRAMES

    @property
    def most_urgent(self) -> ReadyFrame | None:
        """The frame that it would send now."""
        return self.waiting[0] if self.waiting else None

    def hold(self, frame: ReadyFrame) -> None:
        """Keep a frame ready, a new one or one whose transmission failed."""
        heappush(self.waiting, frame)

    def take(self) -> ReadyFrame:
        """Take the most urgent frame out and return it."""
        return heappop(self.waiting)

    def clear(self) -> None:
        """Give up all ready frames."""
        self.waiting.clear()

    # Its counters.

    @property
    def state(self) -> ErrorState:
        """Its error state by its counters."""
        if self.transmit_errors > MAX_PASSIVE_ERRORS:
            return ErrorState.BUS_OFF
        if self.transmit_errors > MAX_ACTIVE_ERRORS or self.receive_errors > MAX_ACTIVE_ERRORS:
            return ErrorState.PASSIVE
        return ErrorState.ACTIVE

    @property
    def has_errors(self) -> bool:
        """Whether a counter is above 0."""
        return bool(self.transmit_errors or self.receive_errors)

    @property
    def takes_part(self) -> bool:
        """Whether it receives, acknowledges and lets others see its errors."""
        return not self.is_reversed and self.state is not ErrorState.BUS_OFF

    def count_failed_transmission(self) -> None:
        """Count a failed frame of its own."""
        self.transmit_errors += FAILED_TRANSMISSION_STEP

    def count_unacknowledged(self) -> None:
        """Count a frame of its own that nobody acknowledged, unless error passive.

        So the lone transmitter stays at 128 (a microcontroller maker's application note, SLAAET4, 2025; an exception
        of section 8 and of ISO 11898-1).
        """
        if self.state is not ErrorState.PASSIVE:
            self.transmit_errors += FAILED_TRANSMISSION_STEP

    def count_failed_reception(self) -> None:
        """Count a frame of another controller that failed."""
        self.receive_errors += FAILED_RECEPTION_STEP

    def count_transmission(self) -> None:
        """Count a frame of its own that went through."""
        self.transmit_errors = max(self.transmit_errors - 1, 0)
        self.is_unacknowledged = False

    def count_reception(self) -> None:
        """Count a frame of another that was right; from above 127 the counter falls to 127 (the standard allows
        119 to 127)."""
        self.receive_errors = min(max(self.receive_errors - 1, 0), MAX_ACTIVE_ERRORS)

    def recover(self) -> None:
        """Come back after bus-off, with both counters at 0."""
        self.transmit_errors = self.receive_errors = 0
        self.is_unacknowledged = False
