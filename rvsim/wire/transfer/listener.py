"""Reassembles the long messages between other nodes, without ever sending (SAE J1939-21).

Knows: the sender and destination of each message, and the packets that the receiver has requested; other packets are
ignored. A packet that the listener missed can be repeated where the receiver missed it too, and an unanswered request
to send can be repeated. Does not know how to send, so it cannot request a missing packet.
"""

from collections import Counter
from typing import NamedTuple

from rvsim.wire import ident
from rvsim.wire.transfer.outcomes import ProblemKind, TransferEvent, TransferProblem, count_problems
from rvsim.wire.transfer.packets import (
    CONNECTION_MANAGEMENT,
    DATA_TRANSFER,
    RESPONSE_US,
    T1_US,
    T2_US,
    T3_US,
    T4_US,
    Abort,
    BroadcastAnnounce,
    ClearToSend,
    EndOfMessage,
    RequestToSend,
    is_packet,
    is_valid_size,
    read_control,
)
from rvsim.wire.transfer.reassembly import BroadcastReceptions, PartialMessage

MAX_SESSIONS = 64
"""The maximum number of messages to all, and of those between two nodes, at once: our decision, 230 kB at most."""


EXTRA_WAIT_US = RESPONSE_US
"""The listener waits longer than the two nodes by this time, so that what they send at the end of their own waits, such
as a repeated request, still belongs to the same message. Tr of SAE J1939-21; its use here is our decision."""


class Endpoints(NamedTuple):
    """The sender and the destination of a message."""

    source: int
    destination: int


class _ObservedTransfer:
    """One message between two other nodes, from its request to its acknowledgement."""

    def __init__(self, time: int, pair: Endpoints, offer: RequestToSend) -> None:
        self.partial = PartialMessage(time, *pair, offer)
        self.answered = False
        self._requested = range(0)
        self._wait(time, T3_US)

    def _wait(self, time: int, wait: int) -> None:
        self.deadline = time + wait + EXTRA_WAIT_US

    def repeat_request(self, time: int) -> list[TransferEvent]:
        """Take a repeated request to send, which was not answered before."""
        self._wait(time, T3_US)
        return [self.partial.problem(ProblemKind.RETRIED, time)]

    def clear(self, time: int, clear: ClearToSend) -> None:
        """Take the receiver's request for packets, or for a pause."""
        self.answered = True
        self._requested = range(clear.first, min(clear.first + clear.packets, self.partial.offer.packets + 1))
        self._wait(time, T2_US if clear.packets else T4_US)

    def packet(self, time: int, data: bytes) -> list[TransferEvent]:
        """Take a packet; the last missing one returns the message."""
        number, was_complete = data[0], self.partial.complete
        if number not in self._requested:
            return [self.partial.problem(ProblemKind.UNREQUESTED, time)]
        kind = self.partial.receive(number, data[1:])
        if kind is not None:
            return [self.partial.problem(kind, time)]
        self._wait(time, T3_US if number == self._requested[-1] else T1_US)
        return [self.partial.message(time)] if self.partial.complete and not was_complete else []


class LongMessageListener:
    """Every long message on a bus. ``counts`` is the number of problems of each kind.

    A message between two nodes is returned with its last missing packet; its session stays open until the
    acknowledgement.
    """

    def __init__(self, *, max_sessions: int = MAX_SESSIONS) -> None:
        self.counts: Counter[ProblemKind] = Counter()
        self._max_sessions = max_sessions
        self._announced = BroadcastReceptions(max_sessions)
        self._open: dict[Endpoints, _ObservedTransfer] = {}

    @property
    def open_sessions(self) -> int:
        """The number of open sessions."""
        return len(self._announced) + len(self._open)

    def receive(self, time: int, identifier: int, data: bytes) -> list[TransferEvent]:
        """Receive a frame; what is due before ``time`` is done first."""
        events = self._expire(time, time - 1)
        parts = ident.split_identifier(identifier)
        if parts.dgn in (CONNECTION_MANAGEMENT, DATA_TRANSFER):
            pair = Endpoints(parts.source, ident.GLOBAL_ADDRESS if parts.destination is None else parts.destination)
            events += self._packet(time, pair, data) if is_packet(parts, data) else self._control(time, parts, data)
        return self._counted(events)

    def due(self) -> int | None:
        """Return the time at which ``expire`` must be called, None while no session is open."""
        times = [session.deadline for session in self._open.values()]
        announced = self._announced.due()
        return min(times if announced is None else [*times, announced], default=None)

    def expire(self, time: int) -> list[TransferEvent]:
        """End the sessions whose deadline is ``time`` or earlier."""
        return self._counted(self._expire(time, time))

    def _expire(self, time: int, until: int) -> list[TransferEvent]:
        events = self._announced.expire(time, until)
        for pair in [pair for pair, session in self._open.items() if session.deadline <= until]:
            events += self._end(pair, ProblemKind.TIMEOUT, time)
        return events

    def _packet(self, time: int, pair: Endpoints, data: bytes) -> list[TransferEvent]:
        if pair.destination == ident.GLOBAL_ADDRESS:
            return self._announced.packet(time, *pair, data)
        session = self._open.get(pair)
        if session is None:
            return [TransferProblem(ProblemKind.UNEXPECTED, time, *pair)]
        events = session.packet(time, data)
        if any(isinstance(event, TransferProblem) and event.kind is ProblemKind.CONTRADICTED for event in events):
            del self._open[pair]
        return events

    def _control(self, time: int, parts: ident.Identifier, data: bytes) -> list[TransferEvent]:
        """Take a connection management frame; that of a receiver belongs to the session of its destination."""
        source, destination = parts.source, ident.GLOBAL_ADDRESS if parts.destination is None else parts.destination
        control = read_control(data) if parts.dgn == CONNECTION_MANAGEMENT else None
        to_all = destination == ident.GLOBAL_ADDRESS
        if control is None or source >= ident.NULL_ADDRESS or to_all is not isinstance(control, BroadcastAnnounce):
            return [TransferProblem(ProblemKind.MALFORMED, time, source, destination)]
        direct, reverse = Endpoints(source, destination), Endpoints(destination, source)
        match control:
            case BroadcastAnnounce():
                return self._announced.announce(time, source, destination, control)
            case RequestToSend():
                return self._request(time, direct, control)
            case Abort():
                pairs = [pair for pair in (direct, reverse) if self._follows(pair, control.dgn)]
                events = [
                    event for pair in pairs for event in self._end(pair, ProblemKind.ABORTED, time, control.reason)
                ]
                return events if pairs else [TransferProblem(ProblemKind.UNEXPECTED, time, *direct, control.dgn)]
            case ClearToSend() | EndOfMessage():
                return self._answer(time, direct, reverse, control)

    def _request(self, time: int, pair: Endpoints, request: RequestToSend) -> list[TransferEvent]:
        session = self._open.get(pair)
        if session is not None and not session.answered and session.partial.offer == request:
            return session.repeat_request(time)
        events = self._end(pair, ProblemKind.RESTARTED, time)
        if not is_valid_size(request):
            events.append(PartialMessage(time, *pair, request).problem(ProblemKind.SIZE_MISMATCH, time))
        elif len(self._open) >= self._max_sessions:
            events.append(PartialMessage(time, *pair, request).problem(ProblemKind.NO_SESSION_FREE, time))
        else:
            self._open[pair] = _ObservedTransfer(time, pair, request)
        return events

    def _answer(
        self, time: int, direct: Endpoints, pair: Endpoints, control: ClearToSend | EndOfMessage
    ) -> list[TransferEvent]:
        if not self._follows(pair, control.dgn):
            return [TransferProblem(ProblemKind.UNEXPECTED, time, *direct, control.dgn)]
        if isinstance(control, EndOfMessage):
            return self._end(pair, ProblemKind.INCOMPLETE, time)
        self._open[pair].clear(time, control)
        return []

    def _follows(self, pair: Endpoints, dgn: int) -> bool:
        return pair in self._open and self._open[pair].partial.offer.dgn == dgn

    def _end(self, pair: Endpoints, kind: ProblemKind, time: int, reason: int | None = None) -> list[TransferEvent]:
        """Close a session; one whose message was returned has ended without a problem."""
        session = self._open.pop(pair, None)
        if session is None or session.partial.complete:
            return []
        return [session.partial.problem(kind, time, reason)]

    def _counted(self, events: list[TransferEvent]) -> list[TransferEvent]:
        self.counts.update(count_problems(events))
        return events
