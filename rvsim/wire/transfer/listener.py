"""Long messages between others, put together by somebody who never answers (SAE J1939-21).

Knows: who sends to whom, announced or asked for, and which packets the receiver has asked for: only those are taken.
A packet that the listener missed can come again when the receiver missed it too, and a request that nobody answered may
be repeated. Does not send, and cannot ask.
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
"""So many messages to all, and so many between two nodes, are followed at once: our decision, 230 kB at most."""


EXTRA_WAIT_US = RESPONSE_US
"""The listener waits so much longer than the two nodes themselves: what they do at the end of their own waits, asking
again above all, is then heard as a part of the same message. Tr of SAE J1939-21; its use for this is our decision."""


class Endpoints(NamedTuple):
    """Who sends, and to whom."""

    source: int
    destination: int


class _ObservedTransfer:
    """One message between two other nodes, from its request to its acknowledgement."""

    def __init__(self, time: int, pair: Endpoints, offer: RequestToSend) -> None:
        self.partial = PartialMessage(time, *pair, offer)
        self.answered = False
        self._asked = range(0)
        self._wait(time, T3_US)

    def _wait(self, time: int, wait: int) -> None:
        self.deadline = time + wait + EXTRA_WAIT_US

    def repeat_request(self, time: int) -> list[TransferEvent]:
        """Hear the sender repeat its request, which nobody has answered."""
        self._wait(time, T3_US)
        return [self.partial.problem(ProblemKind.RETRIED, time)]

    def clear(self, time: int, clear: ClearToSend) -> None:
        self.answered = True
        self._asked = range(clear.first, min(clear.first + clear.packets, self.partial.offer.packets + 1))
        self._wait(time, T2_US if clear.packets else T4_US)

    def packet(self, time: int, data: bytes) -> list[TransferEvent]:
        number, was_complete = data[0], self.partial.complete
        if number not in self._asked:
            return [self.partial.problem(ProblemKind.UNREQUESTED, time)]
        kind = self.partial.receive(number, data[1:])
        if kind is not None:
            return [self.partial.problem(kind, time)]
        self._wait(time, T3_US if number == self._asked[-1] else T1_US)
        return [self.partial.message(time)] if self.partial.complete and not was_complete else []


class LongMessageListener:
    """Every long message on a bus. ``counts`` says how often each kind of trouble came.

    A message between two nodes is given out when its last missing packet comes; what follows up to the
    acknowledgement is only followed.
    """

    def __init__(self, *, most: int = MAX_SESSIONS) -> None:
        self.counts: Counter[ProblemKind] = Counter()
        self._most = most
        self._announced = BroadcastReceptions(most)
        self._open: dict[Endpoints, _ObservedTransfer] = {}

    @property
    def open_sessions(self) -> int:
        """How many sessions are followed."""
        return len(self._announced) + len(self._open)

    def receive(self, time: int, identifier: int, data: bytes) -> list[TransferEvent]:
        """Take a frame; what was due before is done first."""
        events = self._expire(time, time - 1)
        parts = ident.split_identifier(identifier)
        if parts.dgn in (CONNECTION_MANAGEMENT, DATA_TRANSFER):
            pair = Endpoints(parts.source, ident.GLOBAL_ADDRESS if parts.destination is None else parts.destination)
            events += self._packet(time, pair, data) if is_packet(parts, data) else self._steer(time, parts, data)
        return self._counted(events)

    def due(self) -> int | None:
        """Return when ``expire`` has something to do, None while nothing is under way."""
        moments = [session.deadline for session in self._open.values()]
        announced = self._announced.due()
        return min(moments if announced is None else [*moments, announced], default=None)

    def expire(self, time: int) -> list[TransferEvent]:
        """Give up what had to go on by now and has not."""
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

    def _steer(self, time: int, parts: ident.Identifier, data: bytes) -> list[TransferEvent]:
        """Take a connection frame; what a receiver says is about the session of the one it speaks to."""
        source, destination = parts.source, ident.GLOBAL_ADDRESS if parts.destination is None else parts.destination
        control = read_control(data) if parts.dgn == CONNECTION_MANAGEMENT else None
        to_all = destination == ident.GLOBAL_ADDRESS
        if control is None or source >= ident.NULL_ADDRESS or to_all is not isinstance(control, BroadcastAnnounce):
            return [TransferProblem(ProblemKind.MALFORMED, time, source, destination)]
        said, other = Endpoints(source, destination), Endpoints(destination, source)
        match control:
            case BroadcastAnnounce():
                return self._announced.announce(time, source, destination, control)
            case RequestToSend():
                return self._request(time, said, control)
            case Abort():
                pairs = [pair for pair in (said, other) if self._follows(pair, control.dgn)]
                events = [
                    event for pair in pairs for event in self._end(pair, ProblemKind.ABORTED, time, control.reason)
                ]
                return events if pairs else [TransferProblem(ProblemKind.UNEXPECTED, time, *said, control.dgn)]
            case ClearToSend() | EndOfMessage():
                return self._answer(time, said, other, control)

    def _request(self, time: int, pair: Endpoints, request: RequestToSend) -> list[TransferEvent]:
        before = self._open.get(pair)
        if before is not None and not before.answered and before.partial.offer == request:
            return before.repeat_request(time)
        events = self._end(pair, ProblemKind.RESTARTED, time)
        if not is_valid_size(request):
            events.append(PartialMessage(time, *pair, request).problem(ProblemKind.SIZE_MISMATCH, time))
        elif len(self._open) >= self._most:
            events.append(PartialMessage(time, *pair, request).problem(ProblemKind.NO_SESSION_FREE, time))
        else:
            self._open[pair] = _ObservedTransfer(time, pair, request)
        return events

    def _answer(
        self, time: int, said: Endpoints, pair: Endpoints, control: ClearToSend | EndOfMessage
    ) -> list[TransferEvent]:
        if not self._follows(pair, control.dgn):
            return [TransferProblem(ProblemKind.UNEXPECTED, time, *said, control.dgn)]
        if isinstance(control, EndOfMessage):
            return self._end(pair, ProblemKind.INCOMPLETE, time)
        self._open[pair].clear(time, control)
        return []

    def _follows(self, pair: Endpoints, dgn: int) -> bool:
        return pair in self._open and self._open[pair].partial.offer.dgn == dgn

    def _end(self, pair: Endpoints, kind: ProblemKind, time: int, reason: int | None = None) -> list[TransferEvent]:
        """Put a session away; one whose message was given out has ended well, whatever comes."""
        session = self._open.pop(pair, None)
        if session is None or session.partial.complete:
            return []
        return [session.partial.problem(kind, time, reason)]

    def _counted(self, events: list[TransferEvent]) -> list[TransferEvent]:
        self.counts.update(count_problems(events))
        return events
