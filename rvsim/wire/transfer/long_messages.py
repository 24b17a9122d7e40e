"""Long messages of one node: 9 to 1785 bytes to all or to one, in and out, many at once (SAE J1939-21).

Knows: which session a frame belongs to, one for each sender and destination, and that a message waits until the one
before it has ended. Does not know a bus, a clock or a thread: time is told in microseconds, frames are returned.
How others' messages are overheard is in ``transfer_listen``.
"""

from collections import Counter, deque

from rvsim.wire import ident
from rvsim.wire.transfer.outcomes import ProblemKind, TransferEvent, TransferOutcome, TransferProblem, count, nothing
from rvsim.wire.transfer.packets import (
    BETWEEN_PACKETS_US,
    CONNECTION,
    LONGEST,
    PACKET,
    SHORTEST,
    Abort,
    Acknowledge,
    Announce,
    Clear,
    Reason,
    Request,
    control_frame,
    fits,
    is_packet,
    read_control,
)
from rvsim.wire.transfer.reassembly import Announced
from rvsim.wire.transfer.reception import Reception
from rvsim.wire.transfer.sending import REST_FAILED_US, Announcing, Asking

WINDOW = 16
"""So many packets are asked for at once: our decision."""
MOST = 64
"""So many messages to all, and so many to this node, may come in at once: our decision, 230 kB at most."""
QUEUE = 16
"""So many messages may be on their way out or wait for it: our decision."""


class LongMessages:
    """The long messages of one node. Set ``address`` by ``move``; without one nothing is sent.

    ``counts`` says how often each kind of trouble came. Frames of the node itself need not be told.

    Raises:
        ValueError: packets to all would be less than 50 ms or more than 200 ms apart.
    """

    def __init__(
        self, address: int | None = None, *, gap: int = BETWEEN_PACKETS_US[0], window: int = WINDOW, most: int = MOST
    ) -> None:
        if not BETWEEN_PACKETS_US[0] <= gap <= BETWEEN_PACKETS_US[1]:
            raise ValueError(f"packets {gap} us apart: a message to all needs 50 to 200 ms between them")
        self.address = address
        self.counts: Counter[ProblemKind] = Counter()
        self._gap, self._window, self._most = gap, window, most
        self._held = False
        self._announced = Announced(most)
        self._receptions: dict[int, Reception] = {}
        self._sendings: dict[int, Announcing | Asking] = {}
        self._waiting: deque[tuple[int, int, bytes]] = deque()
        self._rests: dict[int, int] = {}  # destination to the time from which it may be sent to again

    @property
    def open(self) -> int:
        """How many sessions are open, in and out."""
        return len(self._announced) + len(self._receptions) + len(self._sendings)

    # Out.

    def send(self, time: int, dgn: int, data: bytes, destination: int = ident.GLOBAL) -> TransferOutcome:
        """Send a message, as soon as the one before it to the same destination has ended.

        Raises:
            ValueError: there are not 9 to 1785 bytes, or nobody can have this destination.
        """
        if not SHORTEST <= len(data) <= LONGEST:
            raise ValueError(f"{len(data)} bytes: a long message has {SHORTEST} to {LONGEST}")
        if destination == ident.NULL_ADDRESS or destination == self.address or not 0 <= destination <= ident.GLOBAL:
            raise ValueError(f"no other node can have the address {destination}")
        if not 0 <= dgn < ident.DGN_LIMIT:
            raise ValueError(f"DGN {dgn:X} hex does not fit in 18 bits")
        outcome = nothing()
        if self.address is None:
            outcome.events.append(TransferProblem(ProblemKind.NO_ADDRESS, time, ident.NULL_ADDRESS, destination, dgn))
        elif len(self._waiting) + len(self._sendings) >= QUEUE:
            outcome.events.append(TransferProblem(ProblemKind.CROWDED, time, self.address, destination, dgn))
        else:
            self._waiting.append((destination, dgn, data))
            self._start_waiting(time, outcome)
        return self._counted(outcome)

    def _start_waiting(self, time: int, outcome: TransferOutcome) -> None:
        """Start what waits for nothing any more, the oldest first."""
        for waiting in list(self._waiting):
            destination, dgn, data = waiting
            if self.address is None or destination in self._sendings or self._rests.get(destination, 0) > time:
                continue
            self._waiting.remove(waiting)
            sending = (
                Announcing(self.address, dgn, data, self._gap)
                if destination == ident.GLOBAL
                else Asking(self.address, destination, dgn, data)
            )
            self._sendings[destination] = sending
            outcome.add(sending.start(time))

    def _follow(
        self, time: int, destination: int, sending: Announcing | Asking, step: TransferOutcome
    ) -> TransferOutcome:
        """Put a sending away when it is over, and rest."""
        if sending.over:
            del self._sendings[destination]
            self._rests[destination] = time + sending.rest
        return step

    # In.

    def receive(self, time: int, identifier: int, data: bytes) -> TransferOutcome:
        """Take a frame of another node; what was due before is done first."""
        outcome = self._expire(time, time - 1)
        parts = ident.split(identifier)
        if parts.dgn in (CONNECTION, PACKET) and parts.source != self.address:
            if parts.destination == ident.GLOBAL:
                outcome.events.extend(self._to_all(time, parts, data))
            elif self.address is not None and parts.destination == self.address:
                outcome.add(self._to_this(time, parts, self.address, data))
        self._start_waiting(time, outcome)
        return self._counted(outcome)

    def _to_all(self, time: int, parts: ident.Identifier, data: bytes) -> list[TransferEvent]:
        control = read_control(data) if parts.dgn == CONNECTION else None
        if isinstance(control, Announce) and parts.source < ident.NULL_ADDRESS:
            return self._announced.announce(time, parts.source, ident.GLOBAL, control)
        if is_packet(parts, data):
            return self._announced.packet(time, parts.source, ident.GLOBAL, data)
        return [TransferProblem(ProblemKind.MALFORMED, time, parts.source, ident.GLOBAL)]

    def _to_this(self, time: int, parts: ident.Identifier, own: int, data: bytes) -> TransferOutcome:
        source = parts.source
        if is_packet(parts, data):
            return self._packet(time, source, own, data)
        control = read_control(data) if parts.dgn == CONNECTION else None
        if control is None or isinstance(control, Announce) or source >= ident.NULL_ADDRESS:
            return TransferOutcome([], [TransferProblem(ProblemKind.MALFORMED, time, source, own)])
        if isinstance(control, Request):
            return self._request(time, source, own, control)
        return self._answer(time, source, own, control)

    def _packet(self, time: int, source: int, own: int, data: bytes) -> TransferOutcome:
        reception = self._receptions.get(source)
        if reception is None:
            return TransferOutcome([], [TransferProblem(ProblemKind.STRAY, time, source, own)])
        return self._keep(source, reception, reception.packet(time, data))

    def _request(self, time: int, source: int, own: int, request: Request) -> TransferOutcome:
        """Take a message, or say why not; a request for the same DGN takes the place of the one before (J1939-21)."""
        old, outcome = self._receptions.get(source), nothing()
        reason, kind = Reason.OTHER, ProblemKind.MISFIT
        if old is not None and old.gathered.offer.dgn == request.dgn:
            outcome.events.append(self._receptions.pop(source).gathered.trouble(ProblemKind.RESTARTED, time))
        if source in self._receptions:
            reason, kind = Reason.BUSY, ProblemKind.BUSY
        elif fits(request) and len(self._receptions) < self._most:
            reception = Reception(time, source, own, request, self._window, self._held)
            self._receptions[source] = reception
            outcome.add(reception.ask(time))
            return outcome
        elif fits(request):
            reason, kind = Reason.RESOURCES, ProblemKind.CROWDED
        outcome.frames.append(control_frame(Abort(reason, request.dgn), own, source))
        outcome.events.append(TransferProblem(kind, time, source, own, request.dgn, reason))
        return outcome

    def _answer(self, time: int, source: int, own: int, control: Clear | Acknowledge | Abort) -> TransferOutcome:
        """Take what the other side says about a message of ours, or the abort of one of its own."""
        outcome, known = nothing(), False
        reception, sending = self._receptions.get(source), self._sendings.get(source)
        if isinstance(control, Abort) and reception is not None and reception.gathered.offer.dgn == control.dgn:
            known = True
            del self._receptions[source]
            outcome.events.append(reception.gathered.trouble(ProblemKind.ABORTED, time, control.reason))
        if isinstance(sending, Asking) and sending.dgn == control.dgn:
            known = True
            outcome.add(self._follow(time, source, sending, sending.receive(time, control)))
        if not known:
            outcome.events.append(TransferProblem(ProblemKind.STRAY, time, source, own, control.dgn))
        return outcome

    def _keep(self, source: int, reception: Reception, step: TransferOutcome) -> TransferOutcome:
        """Put a reception away when it is over."""
        if reception.over:
            del self._receptions[source]
        return step

    def hold(self) -> None:
        """Tell whoever sends to this node to wait after its turn until ``resume``, or for 3.75 s at most."""
        self._held = True
        for reception in self._receptions.values():
            reception.held = True

    def resume(self, time: int) -> TransferOutcome:
        """Let them go on; who has waited for too long is told that it is over."""
        self._held = False
        outcome = nothing()
        for source, reception in list(self._receptions.items()):
            outcome.add(self._keep(source, reception, reception.resume(time)))
        return self._counted(outcome)

    # Time and address.

    def due(self) -> int | None:
        """Return when ``expire`` has something to do, None while nothing is under way."""
        sessions = [*self._receptions.values(), *self._sendings.values()]
        moments = [session.deadline for session in sessions]
        moments += [self._rests[to] for to, _, _ in self._waiting if to not in self._sendings]
        announced = self._announced.due()
        return min(moments if announced is None else [*moments, announced], default=None)

    def expire(self, time: int) -> TransferOutcome:
        """Do what was due by now: send the next packets, ask again, give up."""
        outcome = self._expire(time, time)
        self._start_waiting(time, outcome)
        return self._counted(outcome)

    def _expire(self, time: int, until: int) -> TransferOutcome:
        outcome = TransferOutcome([], self._announced.expire(time, until))
        for source, reception in list(self._receptions.items()):
            if reception.deadline <= until:
                outcome.add(self._keep(source, reception, reception.expire(time)))
        for destination, sending in list(self._sendings.items()):
            if sending.deadline <= until:
                outcome.add(self._follow(time, destination, sending, sending.expire(time)))
        return outcome

    def move(self, time: int, address: int | None) -> TransferOutcome:
        """Go on from another address, or from none: what was under way from and to the old one ends here."""
        outcome, own = nothing(), ident.NULL_ADDRESS if self.address is None else self.address
        for reception in self._receptions.values():
            outcome.events.append(reception.gathered.trouble(ProblemKind.MOVED, time))
        leaving = [(to, sending.dgn) for to, sending in self._sendings.items()]
        self._rests.update(dict.fromkeys(self._sendings, time + REST_FAILED_US))
        for to, dgn in [*leaving, *((to, dgn) for to, dgn, _ in self._waiting)]:
            outcome.events.append(TransferProblem(ProblemKind.MOVED, time, own, to, dgn))
        self._receptions.clear()
        self._sendings.clear()
        self._waiting.clear()
        self.address = address
        return self._counted(outcome)

    def _counted(self, outcome: TransferOutcome) -> TransferOutcome:
        self.counts.update(count(outcome.events))
        return outcome
