"""Devices that restart without a claim, found by the order of their first messages after a start.

Knows: the first second of a node that started while the bus was observed. The same messages in the same order within a
second, at moments that do not fit their gaps, are a restart. Does not know claims. Needs the first frame of each topic;
the times of the later frames are searched every 10 s for a heartbeat that does not fit its gap.

A restart is reported only under these conditions (our decision): the node started with its claim, or at least 2 s
after the first frame of the bus; its sequence has three messages or more, with a heartbeat, since heartbeats are not
sent on change; the heartbeat, and more than half of the messages with a known rhythm, come more than a quarter of their
gap too early or too late; no request reached the node in the 2 s before; and no message of it was missed before.
"""

from itertools import pairwise

from rvsim.watch.decode import HEARTBEAT
from rvsim.watch.detect.request_history import RequestHistory
from rvsim.watch.detect.restarts import Restarts
from rvsim.watch.identity.records import AddressRecord, TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import NULL_ADDRESS

MAX_SEQUENCE_US = SECOND_US
"""How long a start-up sequence lasts at most."""
MIN_OBSERVED_US = 2 * SECOND_US
"""How long the bus must be observed before the first frame of a node is its start."""
CHECK_EVERY_US = 10 * SECOND_US
MIN_MESSAGES = 3
"""How many messages a sequence has at least."""
MAX_OFFSET_OF_GAP = 0.25
"""How much earlier or later than its gap a frame may come and still be in its rhythm, as a share of the gap."""


class _Sequence:
    """The messages of the first second of a node, in order. Times are bus time."""

    def __init__(self, node: AddressRecord) -> None:
        self.node = node
        self.started_at: int | None = None
        self.records: list[TopicRecord] = []
        self.heartbeat: TopicRecord | None = None
        """The first heartbeat among them, None where there is none."""
        self.checked_until = 0
        """The moment up to which restarts were searched for."""
        self.checked_at = 0
        """The moment of the last search."""


class StartSequences:
    """Every node whose start was observed."""

    def __init__(self, deadlines: Deadlines, requests: RequestHistory, restarts: Restarts) -> None:
        self._deadlines = deadlines
        self._requests = requests
        self._restarts = restarts
        self._check = DeadlineKind(46, self._check_due, self._report)
        self._first_frame_at: int | None = None
        self._sequences: dict[int, _Sequence | None] = {}

    def observe(self, record: TopicRecord, now: int) -> None:
        """Take in the first frame of a topic."""
        node = record.node
        if self._first_frame_at is None:
            self._first_frame_at = now
        if node.address >= NULL_ADDRESS:
            return
        is_claim = record.topic.dgn == ADDRESS_CLAIM
        if node.address not in self._sequences:
            is_start = is_claim or now - self._first_frame_at >= MIN_OBSERVED_US
            self._sequences[node.address] = _Sequence(node) if is_start else None
        sequence = self._sequences[node.address]
        if sequence is None or is_claim:
            return
        if sequence.started_at is None:
            sequence.started_at = now
            self._deadlines.schedule(now + CHECK_EVERY_US, self._check, node.address, sequence)
        if now - sequence.started_at <= MAX_SEQUENCE_US:
            sequence.records.append(record)
            sequence.checked_until = sequence.started_at
            if sequence.heartbeat is None and record.topic.message == HEARTBEAT:
                sequence.heartbeat = record

    def _check_due(self, sequence: _Sequence, passed: int) -> int | None:
        """Return the moment of the next check: ``passed`` itself where a restart is found."""
        if len(sequence.records) < MIN_MESSAGES or sequence.heartbeat is None:
            return None
        if not sequence.node.topics.issuperset(sequence.records):
            return None  # another unit sends from this address now
        sequence.checked_at = passed
        if self._find_restart(sequence) is not None:
            return passed
        sequence.checked_until = max(sequence.checked_until, passed - 2 * MAX_SEQUENCE_US)
        known_until = self._regular_until(sequence.heartbeat, sequence.checked_until)
        sequence.checked_at = passed + max(0, -((passed - known_until) // CHECK_EVERY_US) - 1) * CHECK_EVERY_US
        sequence.checked_until = max(sequence.checked_until, sequence.checked_at - 2 * MAX_SEQUENCE_US)
        return sequence.checked_at + CHECK_EVERY_US

    @staticmethod
    def _regular_until(heartbeat: TopicRecord, start: int) -> int:
        """Return a moment up to which every heartbeat after ``start`` is known to fit its gap; 0 on a live bus."""
        gap = heartbeat.layout.gap
        if gap is None or heartbeat.column is None:
            return 0
        shortest, longest = gap - MAX_OFFSET_OF_GAP * gap + 1, gap + MAX_OFFSET_OF_GAP * gap - 1  # no rounding matters
        times = list(heartbeat.rhythm.times)
        if any(time > start and not shortest <= time - before <= longest for before, time in pairwise(times)):
            return 0
        return heartbeat.rhythm.regular_until(shortest, longest)

    def _find_restart(self, sequence: _Sequence) -> int | None:
        """Return when a restart that was not reported yet started; None where there was none."""
        heartbeat, until = sequence.heartbeat, sequence.checked_at - MAX_SEQUENCE_US
        if heartbeat is None:
            return None
        heartbeat_times = heartbeat.rhythm.times
        for index in range(len(heartbeat_times) - 1, 0, -1):
            heartbeat_at = heartbeat_times[index]
            if heartbeat_at <= sequence.checked_until:
                break
            if _is_off_rhythm(heartbeat, index):
                for started_at in sequence.records[0].rhythm.times:
                    is_candidate = (
                        sequence.checked_until < started_at <= until
                        and started_at <= heartbeat_at <= started_at + MAX_SEQUENCE_US
                    )
                    if is_candidate and self._is_restart(sequence, started_at):
                        return started_at
        return None

    def _is_restart(self, sequence: _Sequence, started_at: int) -> bool:
        before, known_count, off_count = started_at, 0, 0
        for record in sequence.records:
            times = record.rhythm.times
            index = next((index for index, time in enumerate(times) if time >= before), len(times))
            if index == len(times) or times[index] > started_at + MAX_SEQUENCE_US:
                return False
            before = times[index]
            off_rhythm = _is_off_rhythm(record, index)
            known_count += off_rhythm is not None
            off_count += off_rhythm is True
        if 2 * off_count <= known_count or sequence.records[0].rhythm.returned_at > started_at - MIN_OBSERVED_US:
            return False
        return not self._requests.was_requested(sequence.node.address, started_at)

    def _report(self, sequence: _Sequence, time: int, since: int) -> None:
        started_at = self._find_restart(sequence)
        if started_at is not None:
            sequence.checked_until = started_at
            self._restarts.note_start_sequence(sequence.node, time, since, started_at, sequence.records[0].frame)
        self._deadlines.schedule(sequence.checked_at + CHECK_EVERY_US, self._check, sequence.node.address, sequence)


def _is_off_rhythm(record: TopicRecord, index: int) -> bool | None:
    """Return whether a frame came out of its rhythm; None where that is not known."""
    if index == 0 or record.layout.gap is None:
        return None
    times = record.rhythm.times
    step = times[index] - times[index - 1]
    if abs(step - record.layout.gap) <= MAX_OFFSET_OF_GAP * record.layout.gap:
        return False
    gap = record.rhythm.gap() or record.layout.gap
    return abs(step - gap) > MAX_OFFSET_OF_GAP * gap
