"""Long messages between others, put together by somebody who never answers (SAE J1939-21).

Knows: who sends to whom, announced or asked for, and which packets the receiver has asked for: only those are taken.
A packet that the listener missed can come again when the receiver missed it too, and a request that nobody answered may
be repeated. Does not send, and cannot ask.
"""

from collections import Counter
from typing import NamedTuple

from rvsim.wire import ident
from rvsim.wire.transfer.outcomes import ProblemKind, TransferEvent, TransferProblem, count
from rvsim.wire.transfer.packets import (
    CONNECTION,
    PACKET,
    RESPONSE_US,
    T1_US,
    T2_US,
    T3_US,
    T4_US,
    Abort,
    Acknowledge,
    Announce,
    Clear,
    Request,
    fits,
    is_packet,
    read_control,
)
from rvsim.wire.transfer.reassembly import Announced, Gathered

MOST = 64
"""So many messages to all, and so many between two nodes, are followed at once: our decision, 230 kB at most."""


PATIENCE_US = RESPONSE_US
"""The listener waits so much longer than the two nodes themselves: what they do at the end of their own waits, asking
again above all, is then heard as a part of the same message. Tr of SAE J1939-21; its use for this is our decision."""


class Pair(NamedTuple):
    """Who sends, and to whom."""

    source: int
    destination: int


class _Overheard:
    """One message between two other nodes, from its request to its acknowledgement."""

    def __init__(self, time: int, pair: Pair, offer: Request) -> None:
        self.gathered = Gathered(time, *pair, offer)
        self.answered = False
        self._asked = range(0)
        self._wait(time, T3_US)

    def _wait(self, time: int, wait: int) -> None:
        self.deadline = time + wait + PATIENCE_US

    def ask(self, time: int) -> list[TransferEvent]:
        """Hear the sender repeat its request, which nobody has answered."""
        self._wait(time, T3_US)
        return [self.gathered.trouble(ProblemKind.RETRIED, time)]

    def clear(self, time: int, clear: Clear) -> None:
        self.answered = True
        self._asked = range(clear.first, min(clear.first + clear.packets, self.gathered.offer.packets + 1))
        self._wait(time, T2_US if clear.packets else T4_US)

    def packet(self, time: int, data: bytes) -> list[TransferEvent]:
        number, was_complete = data[0], self.gathered.complete
        if number not in self._asked:
            return [self.gathered.trouble(ProblemKind.UNASKED, time)]
        kind = self.gathered.receive(number, data[1:])
        if kind is not None:
            return [self.gathered.trouble(kind, time)]
        self._wait(time, T3_US if number == self._asked[-1] else T1_US)
        return [self.gathered.message(time)] if self.gathered.complete and not was_complete else []


class LongListener:
    """Every long message on a bus. ``counts`` says how often each kind of trouble came.

    A message between two nodes is given out when its last missing packet comes; what follows up to the
    acknowledgement is only followed.
    """

    def __init__(self, *, most: int = MOST) -> None:
        self.counts: Counter[ProblemKind] = Counter()
        self._most = most
        self._announced = Announced(most)
        self._open: dict[Pair, _Overheard] = {}

    @property
    def open(self) -> int:
        """How many sessions are followed."""
        return len(self._announced) + len(self._open)

    def receive(self, time: int, identifier: int, data: bytes) -> list[TransferEvent]:
        """Take a frame; what was due before is done first."""
        events = self._expire(time, time - 1)
        parts = ident.split(identifier)
        if parts.dgn in (CONNECTION, PACKET):
            pair = Pair(parts.source, ident.GLOBAL if parts.destination is None else parts.destination)
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

    def _packet(self, time: int, pair: Pair, data: bytes) -> list[TransferEvent]:
        if pair.destination == ident.GLOBAL:
            return self._announced.packet(time, *pair, data)
        session = self._open.get(pair)
        if session is None:
            return [TransferProblem(ProblemKind.STRAY, time, *pair)]
        events = session.packet(time, data)
        if any(isinstance(event, TransferProblem) and event.kind is ProblemKind.CHANGED for event in events):
            del self._open[pair]
        return events

    def _steer(self, time: int, parts: ident.Identifier, data: bytes) -> list[TransferEvent]:
        """Take a connection frame; what a receiver says is about the session of the one it speaks to."""
        source, destination = parts.source, ident.GLOBAL if parts.destination is None else parts.destination
        control = read_control(data) if parts.dgn == CONNECTION else None
        to_all = destination == ident.GLOBAL
        if control is None or source >= ident.NULL_ADDRESS or to_all is not isinstance(control, Announce):
            return [TransferProblem(ProblemKind.MALFORMED, time, source, destination)]
        said, other = Pair(source, destination), Pair(destination, source)
        match control:
            case Announce():
                return self._announced.announce(time, source, destination, control)
            case Request():
                return self._request(time, said, control)
            case Abort():
                pairs = [pair for pair in (said, other) if self._follows(pair, control.dgn)]
                events = [
                    event for pair in pairs for event in self._end(pair, ProblemKind.ABORTED, time, control.reason)
                ]
                return events if pairs else [TransferProblem(ProblemKind.STRAY, time, *said, control.dgn)]
            case Clear() | Acknowledge():
                return self._answer(time, said, other, control)

    def _request(self, time: int, pair: Pair, request: Request) -> list[TransferEvent]:
        before = self._open.get(pair)
        if before is not None and not before.answered and before.gathered.offer == request:
            return before.ask(time)
        events = self._end(pair, ProblemKind.RESTARTED, time)
        if not fits(request):
            events.append(Gathered(time, *pair, request).trouble(ProblemKind.MISFIT, time))
        elif len(self._open) >= self._most:
            events.append(Gathered(time, *pair, request).trouble(ProblemKind.CROWDED, time))
        else:
            self._open[pair] = _Overheard(time, pair, request)
        return events

    def _answer(self, time: int, said: Pair, pair: Pair, control: Clear | Acknowledge) -> list[TransferEvent]:
        if not self._follows(pair, control.dgn):
            return [TransferProblem(ProblemKind.STRAY, time, *said, control.dgn)]
        if isinstance(control, Acknowledge):
            return self._end(pair, ProblemKind.BROKEN, time)
        self._open[pair].clear(time, control)
        return []

    def _follows(self, pair: Pair, dgn: int) -> bool:
        return pair in self._open and self._open[pair].gathered.offer.dgn == dgn

    def _end(self, pair: Pair, kind: ProblemKind, time: int, reason: int | None = None) -> list[TransferEvent]:
        """Put a session away; one whose message was given out has ended well, whatever comes."""
        session = self._open.pop(pair, None)
        if session is None or session.gathered.complete:
            return []
        return [session.gathered.trouble(kind, time, reason)]

    def _counted(self, events: list[TransferEvent]) -> list[TransferEvent]:
        self.counts.update(count(events))
        return events
