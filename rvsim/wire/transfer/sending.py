"""One long message that goes out: announced to all, or to one node that steers it.

Knows: what a sender does with each answer and at each timeout (SAE J1939-21), and how long it then has to leave that
destination alone. Does not know other sessions.

Packets do not say which message they belong to. A receiver that missed the end of one and the beginning of the next
would mix them, so a sender rests until every receiver has given the old one up: our decision.
"""

from rvsim.wire.ident import GLOBAL
from rvsim.wire.transfer.outcomes import Arrived, ProblemKind, TransferOutcome, TransferProblem, nothing
from rvsim.wire.transfer.packets import (
    NO_LIMIT,
    RESPONSE_US,
    T1_US,
    T3_US,
    T4_US,
    Abort,
    Acknowledge,
    Announce,
    Clear,
    Control,
    Reason,
    Request,
    control_frame,
    packet_frame,
    packets_for,
)
from rvsim.wire.transfer.reception import LIFE_US, TRIES

REST_ANNOUNCED_US = T1_US
"""After a message to all: what a receiver waits for a packet that it missed."""
REST_ARRIVED_US = T3_US + RESPONSE_US
"""After an acknowledgement: the longest that anybody who missed it goes on waiting."""
REST_FAILED_US = LIFE_US + RESPONSE_US
"""After anything else: a receiver of our kind may ask so long for what it misses. An abort of the other side is no
proof that it does not: it may have meant its own message of the same DGN to us."""


class Announcing:
    """One message to all: announced by ``start``, then a packet each ``gap`` microseconds by ``expire``."""

    def __init__(self, source: int, dgn: int, data: bytes, gap: int) -> None:
        self.dgn = dgn
        self.deadline: int
        self.over = False
        self.rest = REST_ANNOUNCED_US
        self._source, self._data, self._gap = source, data, gap
        self._count = packets_for(len(data))
        self._next = 1

    def start(self, time: int) -> TransferOutcome:
        """Announce the message."""
        self.deadline = time + self._gap
        announce = Announce(len(self._data), self._count, self.dgn)
        return TransferOutcome([control_frame(announce, self._source, GLOBAL)], [])

    def expire(self, time: int) -> TransferOutcome:
        """Send the next packet."""
        outcome = TransferOutcome([packet_frame(self._data, self._next, self._source, GLOBAL)], [])
        self._next += 1
        self.deadline = time + self._gap
        if self._next > self._count:
            self.over = True
            outcome.events.append(Arrived(time, GLOBAL, self.dgn))
        return outcome


class Asking:
    """One message to one node: asked for by ``start``, sent when and as far as the node says."""

    def __init__(self, source: int, destination: int, dgn: int, data: bytes) -> None:
        self.dgn = dgn
        self.deadline: int
        self.over = False
        self.rest = REST_FAILED_US
        self._source, self._destination, self._data = source, destination, data
        self._count = packets_for(len(data))
        self._answered = False
        self._sent = 0  # the highest packet sent
        self._first = 0  # where the last turn began
        self._tries = 0  # at what is wanted now: an answer to the request, or the same first packet

    def start(self, time: int) -> TransferOutcome:
        """Ask whether the message may be sent."""
        self._tries += 1
        self.deadline = time + T3_US
        return TransferOutcome([self._frame(Request(len(self._data), self._count, NO_LIMIT, self.dgn))], [])

    def expire(self, time: int) -> TransferOutcome:
        """Ask again while nothing has been answered, else end the session."""
        if self._answered or self._tries >= TRIES:
            return self._abort(time, ProblemKind.TIMEOUT, Reason.TIMEOUT)
        outcome = self.start(time)
        outcome.events.append(self._trouble(ProblemKind.RETRIED, time))
        return outcome

    def receive(self, time: int, control: Clear | Acknowledge | Abort) -> TransferOutcome:
        """Do what the other side says about this DGN."""
        match control:
            case Clear():
                return self._clear(time, control)
            case Acknowledge():
                return self._acknowledge(time, control)
            case Abort():
                self.over = True
                return TransferOutcome([], [self._trouble(ProblemKind.ABORTED, time, control.reason)])

    def _clear(self, time: int, clear: Clear) -> TransferOutcome:
        """Send what was asked for, or wait."""
        outcome = nothing()
        self._answered = True
        if clear.packets == 0:
            self.deadline = time + T4_US
            return outcome
        if not 1 <= clear.first <= min(self._sent + 1, self._count):
            return self._abort(time, ProblemKind.BAD_SEQUENCE, Reason.BAD_SEQUENCE)
        self._tries = self._tries + 1 if clear.first == self._first else 1
        if self._tries > TRIES:
            return self._abort(time, ProblemKind.GAVE_UP, Reason.TOO_MANY_TRIES)
        if clear.first <= self._sent:
            outcome.events.append(self._trouble(ProblemKind.RETRIED, time))
        last = min(clear.first + clear.packets - 1, self._count)
        for number in range(clear.first, last + 1):
            outcome.frames.append(packet_frame(self._data, number, self._source, self._destination))
        self._first, self._sent = clear.first, max(self._sent, last)
        self.deadline = time + T3_US
        return outcome

    def _acknowledge(self, time: int, acknowledge: Acknowledge) -> TransferOutcome:
        """End the session where this acknowledges the whole message."""
        if acknowledge != (len(self._data), self._count, self.dgn) or self._sent < self._count:
            return TransferOutcome(
                [], [TransferProblem(ProblemKind.STRAY, time, self._destination, self._source, self.dgn)]
            )
        self.over, self.rest = True, REST_ARRIVED_US
        return TransferOutcome([], [Arrived(time, self._destination, self.dgn)])

    def _abort(self, time: int, kind: ProblemKind, reason: Reason) -> TransferOutcome:
        self.over = True
        return TransferOutcome([self._frame(Abort(reason, self.dgn))], [self._trouble(kind, time, reason)])

    def _trouble(self, kind: ProblemKind, time: int, reason: int | None = None) -> TransferProblem:
        return TransferProblem(kind, time, self._source, self._destination, self.dgn, reason)

    def _frame(self, control: Control) -> tuple[int, bytes]:
        return control_frame(control, self._source, self._destination)
