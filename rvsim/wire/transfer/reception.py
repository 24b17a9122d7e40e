"""The reception of one long message that is addressed to a node and requested window by window.

Knows: what a receiver does with each packet and at each timeout (SAE J1939-21). It accepts packets in sequence only, so
that no packet of another message is used. Does not know the node's other sessions.
"""

from rvsim.wire.transfer.outcomes import ProblemKind, TransferOutcome, empty_outcome
from rvsim.wire.transfer.packets import (
    HOLD_US,
    T1_US,
    T2_US,
    Abort,
    AbortReason,
    ClearToSend,
    Control,
    EndOfMessage,
    RequestToSend,
    control_frame,
)
from rvsim.wire.transfer.reassembly import PartialMessage

MAX_TRIES = 3
"""How many times in all the same packet, or an answer, is requested before the session is aborted: our decision. The
standard has an abort reason for it (5, from memory); its own number is not established."""
MAX_SILENCE_US = MAX_TRIES * T2_US
"""After this time without a packet, on hold or not, the session ends: our decision. The sender may be gone, and what it
sends next may be another message."""
NO_PACKET = 0xFF
"""The number of the next packet in a clear to send that means wait (from memory)."""


class Reception:
    """The reception of one message, requested ``window`` packets at a time.

    ``expire`` must be called at ``deadline``; ``finished`` is true when the session has ended. While ``on_hold`` the
    sender is made to wait after each window.
    """

    def __init__(self, time: int, source: int, own: int, offer: RequestToSend, window: int, *, on_hold: bool) -> None:
        self.partial = PartialMessage(time, source, own, offer)
        self.deadline: int
        self.finished = False
        self.on_hold = on_hold
        self._own, self._source = own, source
        self._limit = min(window, max(1, offer.limit))
        self._first = self._last = 0  # the requested packets
        self._tries = 0
        self._has_gap: bool
        self._ends = time + MAX_SILENCE_US

    def request_packets(self, time: int) -> TransferOutcome:
        """Request the next or the missing packets, or make the sender wait; abort after too many tries or too long."""
        first, last, outcome = self.partial.missing, self.partial.offer.packets, empty_outcome()
        self._has_gap = False
        if time >= self._ends:
            return self._abort(time, ProblemKind.TIMEOUT, AbortReason.TIMEOUT)
        if self.on_hold:
            self._first, self._last = 0, first - 1
            self.deadline = min(time + HOLD_US, self._ends)
            outcome.frames.append(self._frame(ClearToSend(0, NO_PACKET, self.partial.offer.dgn)))
            return outcome
        self._tries = self._tries + 1 if first == self._first else 1
        if self._tries > MAX_TRIES:
            return self._abort(time, ProblemKind.TOO_MANY_RETRIES, AbortReason.TOO_MANY_TRIES)
        if first <= self._last:
            outcome.events.append(self.partial.problem(ProblemKind.RETRIED, time))
        self._first, self._last = first, min(first + self._limit - 1, last)
        self.deadline = min(time + T2_US, self._ends)
        outcome.frames.append(self._frame(ClearToSend(self._last - first + 1, first, self.partial.offer.dgn)))
        return outcome

    def resume(self, time: int) -> TransferOutcome:
        """Continue after a hold."""
        self.on_hold = False
        return self.request_packets(time) if self._last < self.partial.missing else empty_outcome()

    def packet(self, time: int, data: bytes) -> TransferOutcome:
        """Take a packet; the last one returns the message and sends its acknowledgement.

        A packet that is repeated with other bytes ends the session: it is not known which of the two is right (reason 8
        of SAE J1939-21, a duplicate sequence number from which there is no recovery, from memory).
        """
        number, missing, outcome = data[0], self.partial.missing, empty_outcome()
        self._ends = time + MAX_SILENCE_US
        if number > self._last:
            outcome.events.append(self.partial.problem(ProblemKind.UNREQUESTED, time))
            return outcome
        if number > missing:
            return self._skipped(time, number)
        kind = self.partial.receive(number, data[1:])
        if kind is ProblemKind.CONTRADICTED:
            return self._abort(time, kind, AbortReason.DUPLICATE_SEQUENCE)
        if kind is not None:
            outcome.events.append(self.partial.problem(kind, time))
            return outcome
        if self.partial.complete:
            return self._done(time)
        if number == self._last:
            return self.request_packets(time)
        self.deadline = time + T1_US
        return outcome

    def _skipped(self, time: int, number: int) -> TransferOutcome:
        """Note that packets are missing, and request them when the last of this window is received."""
        outcome = empty_outcome()
        if not self._has_gap:
            outcome.events.append(self.partial.problem(ProblemKind.LOST, time))
        self._has_gap = True
        self.deadline = time + T1_US
        if number == self._last:
            outcome.add(self.request_packets(time))
        return outcome

    def expire(self, time: int) -> TransferOutcome:
        """Repeat the last request, or make the sender wait for longer."""
        return self.request_packets(time)

    def _done(self, time: int) -> TransferOutcome:
        self.finished = True
        offer = self.partial.offer
        return TransferOutcome(
            [self._frame(EndOfMessage(offer.size, offer.packets, offer.dgn))], [self.partial.message(time)]
        )

    def _abort(self, time: int, kind: ProblemKind, reason: AbortReason) -> TransferOutcome:
        self.finished = True
        frame = self._frame(Abort(reason, self.partial.offer.dgn))
        return TransferOutcome([frame], [self.partial.problem(kind, time, reason)])

    def _frame(self, control: Control) -> tuple[int, bytes]:
        return control_frame(control, self._own, self._source)
