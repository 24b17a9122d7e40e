"""The packets of long messages that come in, and the messages to all, of which nothing can be asked for.

Knows: what a receiver of a message to all does with each packet and after silence (SAE J1939-21). Those packets are
taken in their order only, so that none of another message slips in. Does not send.
"""

from rvsim.wire.ident import is_addressed
from rvsim.wire.transfer.outcomes import LongMessage, ProblemKind, TransferEvent, TransferProblem
from rvsim.wire.transfer.packets import T1_US, Announce, Request, fits


class Gathered:
    """The packets of one message so far; ``missing`` is the first that is not there."""

    def __init__(self, started: int, source: int, destination: int, offer: Announce | Request) -> None:
        self.offer = offer
        self.missing = 1
        self._started = started
        self._source, self._destination = source, destination
        self._parts: dict[int, bytes] = {}

    def receive(self, number: int, payload: bytes) -> ProblemKind | None:
        """Keep a packet; say so where it had come before."""
        if number in self._parts:
            return ProblemKind.REPEATED if self._parts[number] == payload else ProblemKind.CHANGED
        self._parts[number] = payload
        while self.missing in self._parts:
            self.missing += 1
        return None

    @property
    def complete(self) -> bool:
        """Whether every packet is there."""
        return self.missing > self.offer.packets

    def message(self, time: int) -> LongMessage:
        """Return the complete message."""
        dgn = self.offer.dgn & 0x3FF00 if is_addressed(self.offer.dgn) else self.offer.dgn
        data = b"".join(self._parts[number] for number in range(1, self.missing))[: self.offer.size]
        return LongMessage(self._source, self._destination, dgn, data, self._started, time)

    def trouble(self, kind: ProblemKind, time: int, reason: int | None = None) -> TransferProblem:
        """Return what went wrong with this message."""
        return TransferProblem(kind, time, self._source, self._destination, self.offer.dgn, reason)


class Announced:
    """All messages to all that are under way, one for each sender, ``most`` at once."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._open: dict[int, Gathered] = {}
        self._deadlines: dict[int, int] = {}

    def announce(self, time: int, source: int, destination: int, offer: Announce) -> list[TransferEvent]:
        """Begin to gather, and forget what the same sender left unfinished."""
        events: list[TransferEvent] = [old.trouble(ProblemKind.RESTARTED, time) for old in self._drop(source)]
        gathered = Gathered(time, source, destination, offer)
        if not fits(offer):
            events.append(gathered.trouble(ProblemKind.MISFIT, time))
        elif len(self._open) >= self._most:
            events.append(gathered.trouble(ProblemKind.CROWDED, time))
        else:
            self._open[source] = gathered
            self._deadlines[source] = time + T1_US
        return events

    def packet(self, time: int, source: int, destination: int, data: bytes) -> list[TransferEvent]:
        """Take a packet; the last one brings the message."""
        gathered = self._open.get(source)
        if gathered is None:
            return [TransferProblem(ProblemKind.STRAY, time, source, destination)]
        kind = ProblemKind.BROKEN if data[0] > gathered.missing else gathered.receive(data[0], data[1:])
        if kind is ProblemKind.REPEATED:
            return [gathered.trouble(kind, time)]
        if kind is not None:
            self._drop(source)
            return [gathered.trouble(kind, time)]
        self._deadlines[source] = time + T1_US
        if not gathered.complete:
            return []
        self._drop(source)
        return [gathered.message(time)]

    def due(self) -> int | None:
        """Return when the next sender will have been silent for too long."""
        return min(self._deadlines.values(), default=None)

    def expire(self, time: int, until: int) -> list[TransferEvent]:
        """Give up what had to go on until then and has not."""
        late = [source for source, deadline in self._deadlines.items() if deadline <= until]
        return [gathered.trouble(ProblemKind.TIMEOUT, time) for source in late for gathered in self._drop(source)]

    def __len__(self) -> int:
        return len(self._open)

    def _drop(self, source: int) -> list[Gathered]:
        self._deadlines.pop(source, None)
        return [self._open.pop(source)] if source in self._open else []
