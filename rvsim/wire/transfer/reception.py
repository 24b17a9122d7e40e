"""One long message that a node was asked to take, and asks for turn by turn.

Knows: what a receiver does with each packet and at each timeout (SAE J1939-21). Packets are taken in their order only,
so that none of another message slips in. Does not know the node's other sessions.
"""

from rvsim.wire.transfer.outcomes import ProblemKind, TransferOutcome, nothing
from rvsim.wire.transfer.packets import (
    HOLD_US,
    T1_US,
    T2_US,
    Abort,
    Acknowledge,
    Clear,
    Control,
    Reason,
    Request,
    control_frame,
)
from rvsim.wire.transfer.reassembly import Gathered

TRIES = 3
"""So often in all is the same packet asked for, or an unanswered request sent, before the session is given up: our
decision. The standard has an abort reason for it (5, from memory); its own number is not established."""
LIFE_US = TRIES * T2_US
"""So long without a packet, whether asked for or held back, and the session has ended: our decision. The sender may be
gone, and what it sends next is another message."""
NO_PACKET = 0xFF
"""The next packet in a frame that tells the sender to wait (from memory)."""


class Reception:
    """One message that a node was asked to take, and takes ``window`` packets at a time.

    ``deadline`` is when ``expire`` has to be called; ``over`` says that there is nothing left to do. While ``held``
    the sender is told to wait when it has sent what it was asked for.
    """

    def __init__(self, time: int, source: int, own: int, offer: Request, window: int, held: bool) -> None:
        self.gathered = Gathered(time, source, own, offer)
        self.deadline: int
        self.over = False
        self.held = held
        self._own, self._source = own, source
        self._limit = min(window, max(1, offer.limit))
        self._first = self._last = 0  # the packets asked for
        self._tries = 0
        self._gap: bool
        self._ends = time + LIFE_US

    def ask(self, time: int) -> TransferOutcome:
        """Ask for the next packets, or for those that are missing, or tell the sender to wait; give up in the end."""
        first, last, outcome = self.gathered.missing, self.gathered.offer.packets, nothing()
        self._gap = False
        if time >= self._ends:
            return self._abort(time, ProblemKind.TIMEOUT, Reason.TIMEOUT)
        if self.held:
            self._first, self._last = 0, first - 1
            self.deadline = min(time + HOLD_US, self._ends)
            outcome.frames.append(self._frame(Clear(0, NO_PACKET, self.gathered.offer.dgn)))
            return outcome
        self._tries = self._tries + 1 if first == self._first else 1
        if self._tries > TRIES:
            return self._abort(time, ProblemKind.GAVE_UP, Reason.TOO_MANY_TRIES)
        if first <= self._last:
            outcome.events.append(self.gathered.trouble(ProblemKind.RETRIED, time))
        self._first, self._last = first, min(first + self._limit - 1, last)
        self.deadline = min(time + T2_US, self._ends)
        outcome.frames.append(self._frame(Clear(self._last - first + 1, first, self.gathered.offer.dgn)))
        return outcome

    def resume(self, time: int) -> TransferOutcome:
        """Go on after a hold."""
        self.held = False
        return self.ask(time) if self._last < self.gathered.missing else nothing()

    def packet(self, time: int, data: bytes) -> TransferOutcome:
        """Take a packet; the last one brings the message and its acknowledgement.

        One that came before with other bytes ends the session: which of the two is right cannot be told (reason 8 of
        SAE J1939-21, a duplicate sequence number that cannot be made good, from memory).
        """
        number, missing, outcome = data[0], self.gathered.missing, nothing()
        self._ends = time + LIFE_US
        if number > self._last:
            outcome.events.append(self.gathered.trouble(ProblemKind.UNASKED, time))
            return outcome
        if number > missing:
            return self._skipped(time, number)
        kind = self.gathered.receive(number, data[1:])
        if kind is ProblemKind.CHANGED:
            return self._abort(time, kind, Reason.DUPLICATE_SEQUENCE)
        if kind is not None:
            outcome.events.append(self.gathered.trouble(kind, time))
            return outcome
        if self.gathered.complete:
            return self._done(time)
        if number == self._last:
            return self.ask(time)
        self.deadline = time + T1_US
        return outcome

    def _skipped(self, time: int, number: int) -> TransferOutcome:
        """Note that packets are missing, and ask for them when the last of this turn has come."""
        outcome = nothing()
        if not self._gap:
            outcome.events.append(self.gathered.trouble(ProblemKind.LOST, time))
        self._gap = True
        self.deadline = time + T1_US
        if number == self._last:
            outcome.add(self.ask(time))
        return outcome

    def expire(self, time: int) -> TransferOutcome:
        """Ask again after silence, or repeat that the sender has to wait."""
        return self.ask(time)

    def _done(self, time: int) -> TransferOutcome:
        self.over = True
        offer = self.gathered.offer
        return TransferOutcome(
            [self._frame(Acknowledge(offer.size, offer.packets, offer.dgn))], [self.gathered.message(time)]
        )

    def _abort(self, time: int, kind: ProblemKind, reason: Reason) -> TransferOutcome:
        self.over = True
        frame = self._frame(Abort(reason, self.gathered.offer.dgn))
        return TransferOutcome([frame], [self.gathered.trouble(kind, time, reason)])

    def _frame(self, control: Control) -> tuple[int, bytes]:
        return control_frame(control, self._own, self._source)
