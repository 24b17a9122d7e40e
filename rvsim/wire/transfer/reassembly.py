"""Reassembles received packets, and receives messages to all, of which no packet can be requested.

Knows: what a receiver of a message to all does with each packet and after its timeout (SAE J1939-21). It accepts
packets in sequence only, so that no packet of another message is used. Does not know how to send.
"""

from rvsim.wire.ident import is_addressed
from rvsim.wire.transfer.outcomes import LongMessage, ProblemKind, TransferEvent, TransferProblem
from rvsim.wire.transfer.packets import T1_US, BroadcastAnnounce, RequestToSend, is_valid_size


class PartialMessage:
    """The received packets of one message; ``missing`` is the number of the first missing one."""

    def __init__(self, started: int, source: int, destination: int, offer: BroadcastAnnounce | RequestToSend) -> None:
        self.offer = offer
        self.missing = 1
        self._started = started
        self._source, self._destination = source, destination
        self._payloads: dict[int, bytes] = {}

    def receive(self, number: int, payload: bytes) -> ProblemKind | None:
        """Store a packet; return a problem where it was received before."""
        if number in self._payloads:
            return ProblemKind.REPEATED if self._payloads[number] == payload else ProblemKind.CONTRADICTED
        self._payloads[number] = payload
        while self.missing in self._payloads:
            self.missing += 1
        return None

    @property
    def complete(self) -> bool:
        """Whether all packets are received."""
        return self.missing > self.offer.packets

    def message(self, time: int) -> LongMessage:
        """Return the complete message."""
        dgn = self.offer.dgn & 0x3FF00 if is_addressed(self.offer.dgn) else self.offer.dgn
        data = b"".join(self._payloads[number] for number in range(1, self.missing))[: self.offer.size]
        return LongMessage(self._source, self._destination, dgn, data, self._started, time)

    def problem(self, kind: ProblemKind, time: int, reason: int | None = None) -> TransferProblem:
        """Return a problem of this message."""
        return TransferProblem(kind, time, self._source, self._destination, self.offer.dgn, reason)


class BroadcastReceptions:
    """The messages to all in progress, one for each sender, at most ``max_sessions`` at once."""

    def __init__(self, max_sessions: int) -> None:
        self._max_sessions = max_sessions
        self._open: dict[int, PartialMessage] = {}
        self._deadlines: dict[int, int] = {}

    def announce(self, time: int, source: int, destination: int, offer: BroadcastAnnounce) -> list[TransferEvent]:
        """Start a message; an unfinished one of the same sender is dropped."""
        events: list[TransferEvent] = [old.problem(ProblemKind.RESTARTED, time) for old in self._drop(source)]
        partial = PartialMessage(time, source, destination, offer)
        if not is_valid_size(offer):
            events.append(partial.problem(ProblemKind.SIZE_MISMATCH, time))
        elif len(self._open) >= self._max_sessions:
            events.append(partial.problem(ProblemKind.NO_SESSION_FREE, time))
        else:
            self._open[source] = partial
            self._deadlines[source] = time + T1_US
        return events

    def packet(self, time: int, source: int, destination: int, data: bytes) -> list[TransferEvent]:
        """Take a packet; the last one returns the message."""
        partial = self._open.get(source)
        if partial is None:
            return [TransferProblem(ProblemKind.UNEXPECTED, time, source, destination)]
        kind = ProblemKind.INCOMPLETE if data[0] > partial.missing else partial.receive(data[0], data[1:])
        if kind is ProblemKind.REPEATED:
            return [partial.problem(kind, time)]
        if kind is not None:
            self._drop(source)
            return [partial.problem(kind, time)]
        self._deadlines[source] = time + T1_US
        if not partial.complete:
            return []
        self._drop(source)
        return [partial.message(time)]

    def due(self) -> int | None:
        """Return the earliest deadline for a next packet, None while no message is in progress."""
        return min(self._deadlines.values(), default=None)

    def expire(self, time: int, until: int) -> list[TransferEvent]:
        """End the messages whose deadline is ``until`` or earlier; ``time`` is that of the events."""
        late = [source for source, deadline in self._deadlines.items() if deadline <= until]
        return [partial.problem(ProblemKind.TIMEOUT, time) for source in late for partial in self._drop(source)]

    def __len__(self) -> int:
        return len(self._open)

    def _drop(self, source: int) -> list[PartialMessage]:
        self._deadlines.pop(source, None)
        return [self._open.pop(source)] if source in self._open else []
