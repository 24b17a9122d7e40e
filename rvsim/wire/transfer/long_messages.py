"""The long messages of one node: 9 to 1785 bytes to all or to one node, sent and received, many at once (SAE J1939-21).

Knows: the session of a frame, one for each sender and destination; a message waits until the previous one to its
destination has ended. Does not know a bus, a clock or a thread: the caller passes the time in microseconds, and sends
the returned frames. ``listener`` reassembles the messages between other nodes.
"""

from collections import Counter, deque

from rvsim.wire import ident
from rvsim.wire.transfer.outcomes import (
    ProblemKind,
    TransferEvent,
    TransferOutcome,
    TransferProblem,
    count_problems,
    empty_outcome,
)
from rvsim.wire.transfer.packets import (
    CONNECTION_MANAGEMENT,
    DATA_TRANSFER,
    MAX_MESSAGE_BYTES,
    MIN_MESSAGE_BYTES,
    PACKET_GAP_LIMITS_US,
    Abort,
    AbortReason,
    BroadcastAnnounce,
    ClearToSend,
    EndOfMessage,
    RequestToSend,
    control_frame,
    is_packet,
    is_valid_size,
    read_control,
)
from rvsim.wire.transfer.reassembly import BroadcastReceptions
from rvsim.wire.transfer.reception import Reception
from rvsim.wire.transfer.sending import REST_AFTER_FAILURE_US, AddressedSending, BroadcastSending

MAX_WINDOW = 16
"""The maximum number of packets that are requested at once: our decision."""
MAX_SESSIONS = 64
"""The maximum number of messages to all, and of those to this node, received at once: our decision, 230 kB at most."""
MAX_SENDINGS = 16
"""The maximum number of messages that are being sent or wait for it: our decision."""


class LongMessages:
    """The long messages of one node. Change ``address`` with ``move``; without an address nothing is sent.

    ``gap`` is the time between packets to all in microseconds. ``counts`` is the number of problems of each kind. The
    node's own frames need not be passed to ``receive``.

    Raises:
        ValueError: the gap is below 50 ms or above 200 ms.
    """

    def __init__(
        self,
        address: int | None = None,
        *,
        gap: int = PACKET_GAP_LIMITS_US[0],
        window: int = MAX_WINDOW,
        max_sessions: int = MAX_SESSIONS,
    ) -> None:
        if not PACKET_GAP_LIMITS_US[0] <= gap <= PACKET_GAP_LIMITS_US[1]:
            raise ValueError(f"packets {gap} us apart: a message to all needs 50 to 200 ms between them")
        self.address = address
        self.counts: Counter[ProblemKind] = Counter()
        self._gap, self._window, self._max_sessions = gap, window, max_sessions
        self._on_hold = False
        self._announced = BroadcastReceptions(max_sessions)
        self._receptions: dict[int, Reception] = {}
        self._sendings: dict[int, BroadcastSending | AddressedSending] = {}
        self._waiting: deque[tuple[int, int, bytes]] = deque()
        self._rests: dict[int, int] = {}  # destination to the time from which it may be sent to again

    @property
    def open_sessions(self) -> int:
        """The number of open sessions, of messages received and sent."""
        return len(self._announced) + len(self._receptions) + len(self._sendings)

    # Sending.

    def send(self, time: int, dgn: int, data: bytes, destination: int = ident.GLOBAL_ADDRESS) -> TransferOutcome:
        """Send a message as soon as the previous one to the same destination has ended.

        Raises:
            ValueError: there are not 9 to 1785 bytes, or no other node can have the destination.
        """
        if not MIN_MESSAGE_BYTES <= len(data) <= MAX_MESSAGE_BYTES:
            raise ValueError(f"{len(data)} bytes: a long message has {MIN_MESSAGE_BYTES} to {MAX_MESSAGE_BYTES}")
        if (
            destination == ident.NULL_ADDRESS
            or destination == self.address
            or not 0 <= destination <= ident.GLOBAL_ADDRESS
        ):
            raise ValueError(f"no other node can have the address {destination}")
        if not 0 <= dgn < ident.DGN_LIMIT:
            raise ValueError(f"DGN {dgn:X} hex does not fit in 18 bits")
        outcome = empty_outcome()
        if self.address is None:
            outcome.events.append(TransferProblem(ProblemKind.NO_ADDRESS, time, ident.NULL_ADDRESS, destination, dgn))
        elif len(self._waiting) + len(self._sendings) >= MAX_SENDINGS:
            outcome.events.append(TransferProblem(ProblemKind.NO_SESSION_FREE, time, self.address, destination, dgn))
        else:
            self._waiting.append((destination, dgn, data))
            self._start_waiting(time, outcome)
        return self._counted(outcome)

    def _start_waiting(self, time: int, outcome: TransferOutcome) -> None:
        """Start the waiting messages whose destination is free, the oldest first."""
        for waiting in list(self._waiting):
            destination, dgn, data = waiting
            if self.address is None or destination in self._sendings or self._rests.get(destination, 0) > time:
                continue
            self._waiting.remove(waiting)
            sending = (
                BroadcastSending(self.address, dgn, data, self._gap)
                if destination == ident.GLOBAL_ADDRESS
                else AddressedSending(self.address, destination, dgn, data)
            )
            self._sendings[destination] = sending
            outcome.add(sending.start(time))

    def _follow(
        self, time: int, destination: int, sending: BroadcastSending | AddressedSending, step: TransferOutcome
    ) -> TransferOutcome:
        """Close a sending when it has finished, and rest."""
        if sending.finished:
            del self._sendings[destination]
            self._rests[destination] = time + sending.rest
        return step

    # Receiving.

    def receive(self, time: int, identifier: int, data: bytes) -> TransferOutcome:
        """Receive a frame of another node; what is due before ``time`` is done first."""
        outcome = self._expire(time, time - 1)
        parts = ident.split_identifier(identifier)
        if parts.dgn in (CONNECTION_MANAGEMENT, DATA_TRANSFER) and parts.source != self.address:
            if parts.destination == ident.GLOBAL_ADDRESS:
                outcome.events.extend(self._to_all(time, parts, data))
            elif self.address is not None and parts.destination == self.address:
                outcome.add(self._to_this(time, parts, self.address, data))
        self._start_waiting(time, outcome)
        return self._counted(outcome)

    def _to_all(self, time: int, parts: ident.Identifier, data: bytes) -> list[TransferEvent]:
        control = read_control(data) if parts.dgn == CONNECTION_MANAGEMENT else None
        if isinstance(control, BroadcastAnnounce) and parts.source < ident.NULL_ADDRESS:
            return self._announced.announce(time, parts.source, ident.GLOBAL_ADDRESS, control)
        if is_packet(parts, data):
            return self._announced.packet(time, parts.source, ident.GLOBAL_ADDRESS, data)
        return [TransferProblem(ProblemKind.MALFORMED, time, parts.source, ident.GLOBAL_ADDRESS)]

    def _to_this(self, time: int, parts: ident.Identifier, own: int, data: bytes) -> TransferOutcome:
        source = parts.source
        if is_packet(parts, data):
            return self._packet(time, source, own, data)
        control = read_control(data) if parts.dgn == CONNECTION_MANAGEMENT else None
        if control is None or isinstance(control, BroadcastAnnounce) or source >= ident.NULL_ADDRESS:
            return TransferOutcome([], [TransferProblem(ProblemKind.MALFORMED, time, source, own)])
        if isinstance(control, RequestToSend):
            return self._request(time, source, own, control)
        return self._answer(time, source, own, control)

    def _packet(self, time: int, source: int, own: int, data: bytes) -> TransferOutcome:
        reception = self._receptions.get(source)
        if reception is None:
            return TransferOutcome([], [TransferProblem(ProblemKind.UNEXPECTED, time, source, own)])
        return self._keep(source, reception, reception.packet(time, data))

    def _request(self, time: int, source: int, own: int, request: RequestToSend) -> TransferOutcome:
        """Accept a message or abort it; a request with the DGN of the open session replaces that session (J1939-21)."""
        old, outcome = self._receptions.get(source), empty_outcome()
        reason, kind = AbortReason.OTHER, ProblemKind.SIZE_MISMATCH
        if old is not None and old.partial.offer.dgn == request.dgn:
            outcome.events.append(self._receptions.pop(source).partial.problem(ProblemKind.RESTARTED, time))
        if source in self._receptions:
            reason, kind = AbortReason.BUSY, ProblemKind.BUSY
        elif is_valid_size(request) and len(self._receptions) < self._max_sessions:
            reception = Reception(time, source, own, request, self._window, on_hold=self._on_hold)
            self._receptions[source] = reception
            outcome.add(reception.request_packets(time))
            return outcome
        elif is_valid_size(request):
            reason, kind = AbortReason.RESOURCES, ProblemKind.NO_SESSION_FREE
        outcome.frames.append(control_frame(Abort(reason, request.dgn), own, source))
        outcome.events.append(TransferProblem(kind, time, source, own, request.dgn, reason))
        return outcome

    def _answer(self, time: int, source: int, own: int, control: ClearToSend | EndOfMessage | Abort) -> TransferOutcome:
        """Take a frame of the other node about a message of this node, or the abort of its own message."""
        outcome, known = empty_outcome(), False
        reception, sending = self._receptions.get(source), self._sendings.get(source)
        if isinstance(control, Abort) and reception is not None and reception.partial.offer.dgn == control.dgn:
            known = True
            del self._receptions[source]
            outcome.events.append(reception.partial.problem(ProblemKind.ABORTED, time, control.reason))
        if isinstance(sending, AddressedSending) and sending.dgn == control.dgn:
            known = True
            outcome.add(self._follow(time, source, sending, sending.receive(time, control)))
        if not known:
            outcome.events.append(TransferProblem(ProblemKind.UNEXPECTED, time, source, own, control.dgn))
        return outcome

    def _keep(self, source: int, reception: Reception, step: TransferOutcome) -> TransferOutcome:
        """Close a reception when it has finished."""
        if reception.finished:
            del self._receptions[source]
        return step

    def hold(self) -> None:
        """Make all senders to this node wait after their window until ``resume``, for 3.75 s at most."""
        self._on_hold = True
        for reception in self._receptions.values():
            reception.on_hold = True

    def resume(self, time: int) -> TransferOutcome:
        """Let the senders continue; a session that was on hold for too long is aborted."""
        self._on_hold = False
        outcome = empty_outcome()
        for source, reception in list(self._receptions.items()):
            outcome.add(self._keep(source, reception, reception.resume(time)))
        return self._counted(outcome)

    # Time and address.

    def due(self) -> int | None:
        """Return the time at which ``expire`` must be called, None while nothing is pending."""
        sessions = [*self._receptions.values(), *self._sendings.values()]
        times = [session.deadline for session in sessions]
        times += [self._rests[to] for to, _, _ in self._waiting if to not in self._sendings]
        announced = self._announced.due()
        return min(times if announced is None else [*times, announced], default=None)

    def expire(self, time: int) -> TransferOutcome:
        """Do what is due by ``time``: send the next packets, repeat requests, end sessions."""
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
        """Continue from another address, or from none; the messages from and to the old address end."""
        outcome, own = empty_outcome(), ident.NULL_ADDRESS if self.address is None else self.address
        for reception in self._receptions.values():
            outcome.events.append(reception.partial.problem(ProblemKind.MOVED, time))
        leaving = [(to, sending.dgn) for to, sending in self._sendings.items()]
        self._rests.update(dict.fromkeys(self._sendings, time + REST_AFTER_FAILURE_US))
        for to, dgn in [*leaving, *((to, dgn) for to, dgn, _ in self._waiting)]:
            outcome.events.append(TransferProblem(ProblemKind.MOVED, time, own, to, dgn))
        self._receptions.clear()
        self._sendings.clear()
        self._waiting.clear()
        self.address = address
        return self._counted(outcome)

    def _counted(self, outcome: TransferOutcome) -> TransferOutcome:
        self.counts.update(count_problems(outcome.events))
        return outcome
