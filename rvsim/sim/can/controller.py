"""One controller on the simulated pair: the frames it has ready and its two error counters.

Knows: fault confinement as in CAN Specification 2.0 (1991), part B, section 8, and ISO 11898-1; limits and the
exception of a lone transmitter are checked against published values, the steps (8 up for a frame that failed, 1 up
for one heard badly, 1 down for one that went well) are from memory. Does not know time or other nodes. Left out, and
so a model: the 8 more that a receiver counts whose error flag came first, and errors within error flags.
"""

from heapq import heappop, heappush

from rvsim.wire.line_events import ErrorState

PASSIVE_ABOVE = 127
OFF_ABOVE = 255
"""A counter above the first makes a node error passive, the transmit counter above the second takes it off the bus
(ISO 11898-1 fault confinement; CAN Specification 2.0, part B, section 8)."""
SENDING_FAILED, HEARING_FAILED = 8, 1
"""What a failed frame adds to the counter of who sent it and of who heard it (the same section, from memory)."""
ROOM = 64
"""Frames that a node holds ready; one more is lost. Our model: real ones have from 3 places to some hundred."""


Ready = tuple[int, int, int, bytes]
"""A frame that waits: identifier, number, time since which it is ready, data. The smallest goes first: frames of one
identifier keep their order."""


class Together(tuple[object, ...]):
    """Those who sent a frame at once and so did not hear it, where they were several: the sender handed over then."""


class Node:
    """A controller, its ready frames and its error counters."""

    __slots__ = ("crossed", "free_from", "is_alone", "name", "receive_errors", "sender", "transmit_errors", "waiting")

    def __init__(self, sender: object, name: str) -> None:
        self.sender = sender
        self.name = name
        self.transmit_errors = 0
        self.receive_errors = 0
        self.free_from = 0
        """Time in microseconds before which it must not start: an error passive node pauses after its own frame."""
        self.crossed = False
        """Its two wires are swapped."""
        self.is_alone = False
        """Nobody acknowledges it: told of by ``endless``, and nothing of its has gone through since."""
        self.waiting: list[Ready] = []
        """All frames that it holds, a heap: the most urgent one first, the others in no order."""

    # Its frames.

    @property
    def is_full(self) -> bool:
        """Whether one more frame would be lost."""
        return len(self.waiting) >= ROOM

    @property
    def most_urgent(self) -> Ready | None:
        """The frame that it would send now."""
        return self.waiting[0] if self.waiting else None

    def hold(self, frame: Ready) -> None:
        """Keep a frame ready, a new one or one whose sending failed."""
        heappush(self.waiting, frame)

    def take(self) -> Ready:
        """Hand over the most urgent frame."""
        return heappop(self.waiting)

    def forget(self) -> None:
        """Give up all ready frames."""
        self.waiting.clear()

    # Its counters.

    @property
    def state(self) -> ErrorState:
        """Its error state by its counters."""
        if self.transmit_errors > OFF_ABOVE:
            return ErrorState.BUS_OFF
        if self.transmit_errors > PASSIVE_ABOVE or self.receive_errors > PASSIVE_ABOVE:
            return ErrorState.PASSIVE
        return ErrorState.ACTIVE

    @property
    def is_clean(self) -> bool:
        """Whether both counters are at 0."""
        return not (self.transmit_errors or self.receive_errors)

    @property
    def takes_part(self) -> bool:
        """Whether it hears, acknowledges and lets others see its errors."""
        return not self.crossed and self.state is not ErrorState.BUS_OFF

    def sending_failed(self) -> None:
        """Count a failed frame of its own."""
        self.transmit_errors += SENDING_FAILED

    def unacknowledged(self) -> None:
        """Count a frame of its own that nobody acknowledged, unless error passive.

        So the lone transmitter stays at 128 (a microcontroller maker's application note, SLAAET4, 2025; an exception
        of section 8 and of ISO 11898-1).
        """
        if self.state is not ErrorState.PASSIVE:
            self.transmit_errors += SENDING_FAILED

    def hearing_failed(self) -> None:
        """Count a spoilt frame of another node."""
        self.receive_errors += HEARING_FAILED

    def sent(self) -> None:
        """Count a frame of its own that went through."""
        self.transmit_errors = max(self.transmit_errors - 1, 0)
        self.is_alone = False

    def heard(self) -> None:
        """Count a frame of another node that was right; from above 127 the counter falls to 127 (119 to 127 may be)."""
        self.receive_errors = min(max(self.receive_errors - 1, 0), PASSIVE_ABOVE)

    def recover(self) -> None:
        """Come back after bus-off, as if new."""
        self.transmit_errors = self.receive_errors = 0
        self.is_alone = False
