"""The sending of one long message: to all nodes, or to one node that controls the flow.

Knows: what a sender does with each answer and at each timeout (SAE J1939-21), and how long it must then send nothing to
that destination. Does not know other sessions.

A packet does not state its message. A receiver that missed the end of one message and the start of the next would mix
them, so a sender rests until every receiver has ended the old one: our decision.
"""

from rvsim.wire.ident import GLOBAL_ADDRESS
from rvsim.wire.transfer.outcomes import LongMessageSent, ProblemKind, TransferOutcome, TransferProblem, empty_outcome
from rvsim.wire.transfer.packets import (
    NO_PACKET_LIMIT,
    RESPONSE_US,
    T1_US,
    T3_US,
    T4_US,
    Abort,
    AbortReason,
    BroadcastAnnounce,
    ClearToSend,
    Control,
    EndOfMessage,
    RequestToSend,
    control_frame,
    packet_frame,
    packets_for,
)
from rvsim.wire.transfer.reception import MAX_SILENCE_US, MAX_TRIES

REST_AFTER_BROADCAST_US = T1_US
"""The rest after a message to all: how long a receiver waits for a packet that it missed."""
REST_AFTER_ACKNOWLEDGE_US = T3_US + RESPONSE_US
"""The rest after an acknowledgement: the longest that a node which missed it waits."""
REST_AFTER_FAILURE_US = MAX_SILENCE_US + RESPONSE_US
"""The rest after anything else: how long a receiver like ours can request missing packets. An abort from the other node
does not prove that it has stopped: it can concern that node's own message to us with the same DGN."""


class BroadcastSending:
    """One message to all: ``start`` announces it, then each ``expire`` sends a packet, ``gap`` microseconds apart."""

    def __init__(self, source: int, dgn: int, data: bytes, gap: int) -> None:
        self.dgn = dgn
        self.deadline: int
        self.finished = False
        self.rest = REST_AFTER_BROADCAST_US
        self._source, self._data, self._gap = source, data, gap
        self._count = packets_for(len(data))
        self._next = 1

    def start(self, time: int) -> TransferOutcome:
        """Announce the message."""
        self.deadline = time + self._gap
        announce = BroadcastAnnounce(len(self._data), self._count, self.dgn)
        return TransferOutcome([control_frame(announce, self._source, GLOBAL_ADDRESS)], [])

    def expire(self, time: int) -> TransferOutcome:
        """Send the next packet."""
        outcome = TransferOutcome([packet_frame(self._data, self._next, self._source, GLOBAL_ADDRESS)], [])
        self._next += 1
        self.deadline = time + self._gap
        if self._next > self._count:
            self.finished = True
            outcome.events.append(LongMessageSent(time, GLOBAL_ADDRESS, self.dgn))
        return outcome


class AddressedSending:
    """One message to one node: ``start`` requests to send, the node's clear to send controls the packets."""

    def __init__(self, source: int, destination: int, dgn: int, data: bytes) -> None:
        self.dgn = dgn
        self.deadline: int
        self.finished = False
        self.rest = REST_AFTER_FAILURE_US
        self._source, self._destination, self._data = source, destination, data
        self._count = packets_for(len(data))
        self._answered = False
        self._sent = 0  # the highest packet sent
        self._first = 0  # the first packet of the last window
        self._tries = 0  # of the request to send, or of the same first packet

    def start(self, time: int) -> TransferOutcome:
        """Request to send the message."""
        self._tries += 1
        self.deadline = time + T3_US
        return TransferOutcome(
            [self._frame(RequestToSend(len(self._data), self._count, NO_PACKET_LIMIT, self.dgn))], []
        )

    def expire(self, time: int) -> TransferOutcome:
        """Repeat the request while it is unanswered, else abort the session."""
        if self._answered or self._tries >= MAX_TRIES:
            return self._abort(time, ProblemKind.TIMEOUT, AbortReason.TIMEOUT)
        outcome = self.start(time)
        outcome.events.append(self._problem(ProblemKind.RETRIED, time))
        return outcome

    def receive(self, time: int, control: ClearToSend | EndOfMessage | Abort) -> TransferOutcome:
        """Take a connection management frame of the destination for this DGN."""
        match control:
            case ClearToSend():
                return self._clear(time, control)
            case EndOfMessage():
                return self._acknowledge(time, control)
            case Abort():
                self.finished = True
                return TransferOutcome([], [self._problem(ProblemKind.ABORTED, time, control.reason)])

    def _clear(self, time: int, clear: ClearToSend) -> TransferOutcome:
        """Send the requested packets, or wait."""
        outcome = empty_outcome()
        self._answered = True
        if clear.packets == 0:
            self.deadline = time + T4_US
            return outcome
        if not 1 <= clear.first <= min(self._sent + 1, self._count):
            return self._abort(time, ProblemKind.BAD_SEQUENCE, AbortReason.BAD_SEQUENCE)
        self._tries = self._tries + 1 if clear.first == self._first else 1
        if self._tries > MAX_TRIES:
            return self._abort(time, ProblemKind.TOO_MANY_RETRIES, AbortReason.TOO_MANY_TRIES)
        if clear.first <= self._sent:
            outcome.events.append(self._problem(ProblemKind.RETRIED, time))
        last = min(clear.first + clear.packets - 1, self._count)
        for number in range(clear.first, last + 1):
            outcome.frames.append(packet_frame(self._data, number, self._source, self._destination))
        self._first, self._sent = clear.first, max(self._sent, last)
        self.deadline = time + T3_US
        return outcome

    def _acknowledge(self, time: int, acknowledge: EndOfMessage) -> TransferOutcome:
        """End the session where the whole message is acknowledged."""
        if acknowledge != (len(self._data), self._count, self.dgn) or self._sent < self._count:
            return TransferOutcome(
                [], [TransferProblem(ProblemKind.UNEXPECTED, time, self._destination, self._source, self.dgn)]
            )
        self.finished, self.rest = True, REST_AFTER_ACKNOWLEDGE_US
        return TransferOutcome([], [LongMessageSent(time, self._destination, self.dgn)])

    def _abort(self, time: int, kind: ProblemKind, reason: AbortReason) -> TransferOutcome:
        self.finished = True
        return TransferOutcome([self._frame(Abort(reason, self.dgn))], [self._problem(kind, time, reason)])

    def _problem(self, kind: ProblemKind, time: int, reason: int | None = None) -> TransferProblem:
        return TransferProblem(kind, time, self._source, self._destination, self.dgn, reason)

    def _frame(self, control: Control) -> tuple[int, bytes]:
        return control_frame(control, self._source, self._destination)
