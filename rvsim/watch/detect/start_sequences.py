"""Devices that begin again without a claim: by the order in which their messages came when they began.

Knows: the first second of a node that began while the bus was listened to. The same messages in the same order within
a second, out of their rhythm, are a start. Does not know claims. Needs the first frame of each topic; the rest is
looked at every 10 s by the rhythm, as far as a heartbeat has left its own.

So that nothing else looks like a start, by our decision: the node began with its claim, or at least 2 s after the first
frame of the bus; its sequence has three messages or more, a heartbeat among them, since heartbeats are not sent on
change; at least the heartbeat and more than half of those whose rhythm is known come more than a quarter of their gap
too soon or too late; nobody had asked it for anything within 2 s; and it was not missed before.
"""

from rvsim.watch.decode import HEARTBEAT
from rvsim.watch.detect.asked import Asked
from rvsim.watch.detect.restarts import Restarts
from rvsim.watch.identity.records import AddressRecord, TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import NULL_ADDRESS

WINDOW_US = SECOND_US
LISTENED_US = 2 * SECOND_US
LOOK_US = 10 * SECOND_US
MIN_MESSAGES = 3
MAX_OFFSET_OF_GAP = 0.25


class _Sequence:
    """The messages of a node's first second, in their order. Times are bus time."""

    def __init__(self, node: AddressRecord) -> None:
        self.node = node
        self.begun: int | None = None
        self.parts: list[TopicRecord] = []
        self.heartbeat: TopicRecord | None = None
        """The first heartbeat among them."""
        self.looked = 0
        """Up to when starts were looked for."""
        self.at = 0
        """When they were looked for last."""


class StartSequences:
    """Every node whose beginning was heard."""

    def __init__(self, deadlines: Deadlines, asked: Asked, restarts: Restarts) -> None:
        self._deadlines = deadlines
        self._asked = asked
        self._restarts = restarts
        self._looking = DeadlineKind(46, self._look, self._found)
        self._first: int | None = None
        self._sequences: dict[int, _Sequence | None] = {}

    def observe(self, part: TopicRecord, now: int) -> None:
        """Take in the first frame of a topic."""
        node = part.node
        if self._first is None:
            self._first = now
        if node.address >= NULL_ADDRESS:
            return
        claims = part.topic.dgn == ADDRESS_CLAIM
        if node.address not in self._sequences:
            heard = claims or now - self._first >= LISTENED_US
            self._sequences[node.address] = _Sequence(node) if heard else None
        sequence = self._sequences[node.address]
        if sequence is None or claims:
            return
        if sequence.begun is None:
            sequence.begun = now
            self._deadlines.schedule(now + LOOK_US, self._looking, node.address, sequence)
        if now - sequence.begun <= WINDOW_US:
            sequence.parts.append(part)
            sequence.looked = sequence.begun
            if sequence.heartbeat is None and part.topic.message == HEARTBEAT:
                sequence.heartbeat = part

    def _look(self, sequence: _Sequence, passed: int) -> int | None:
        """Look for a start; the deadline is now where there was one."""
        if len(sequence.parts) < MIN_MESSAGES or sequence.heartbeat is None:
            return None
        if not sequence.node.topics.issuperset(sequence.parts):
            return None  # somebody else speaks there now
        sequence.at = passed
        if self._start(sequence) is not None:
            return passed
        sequence.looked = max(sequence.looked, passed - 2 * WINDOW_US)
        return passed + LOOK_US

    def _start(self, sequence: _Sequence) -> int | None:
        """Return when a start began that was not told yet, None where there was none."""
        heartbeat, behind = sequence.heartbeat, sequence.at - WINDOW_US
        if heartbeat is None:
            return None
        beats = heartbeat.rhythm.times
        for place in range(len(beats) - 1, 0, -1):
            beat = beats[place]
            if beat <= sequence.looked:
                break
            if _is_off(heartbeat, place):
                for begun in sequence.parts[0].rhythm.times:
                    near = sequence.looked < begun <= behind and begun <= beat <= begun + WINDOW_US
                    if near and self._is_start(sequence, begun):
                        return begun
        return None

    def _is_start(self, sequence: _Sequence, begun: int) -> bool:
        before, judged, off = begun, 0, 0
        for part in sequence.parts:
            times = part.rhythm.times
            place = next((place for place, time in enumerate(times) if time >= before), len(times))
            if place == len(times) or times[place] > begun + WINDOW_US:
                return False
            before = times[place]
            is_off = _is_off(part, place)
            judged += is_off is not None
            off += is_off is True
        if 2 * off <= judged or sequence.parts[0].rhythm.returned_at > begun - LISTENED_US:
            return False
        return not self._asked.asked_for_anything(sequence.node.address, begun)

    def _found(self, sequence: _Sequence, time: int, since: int) -> None:
        begun = self._start(sequence)
        if begun is not None:
            sequence.looked = begun
            self._restarts.begin_again(sequence.node, time, since, begun, sequence.parts[0].frame)
        self._deadlines.schedule(sequence.at + LOOK_US, self._looking, sequence.node.address, sequence)


def _is_off(part: TopicRecord, place: int) -> bool | None:
    """Tell whether a frame came out of its rhythm, None where it cannot be told."""
    if place == 0 or part.layout.gap is None:
        return None
    times = part.rhythm.times
    step = times[place] - times[place - 1]
    if abs(step - part.layout.gap) <= MAX_OFFSET_OF_GAP * part.layout.gap:
        return False
    gap = part.rhythm.gap() or part.layout.gap
    return abs(step - gap) > MAX_OFFSET_OF_GAP * gap
