"""Long messages that fail, overheard from whoever sends them; and what else passes between two nodes.

Needs every frame of the transport protocol, every request, acknowledgement and address claim; no rhythm, no changes.

Knows: that one kind is one sender, destination and DGN, whatever the way of failing; that the second failure of a kind
is told (two: our decision), and over when such a message comes through; that the first failure after a start of the
sender does not count. A message broke off, was aborted or timed out by the rules of SAE J1939-21; the time of a wait
stands still while the whole bus is quiet. One that its receiver acknowledged came through, even if a packet of it was
not heard here. What goes wrong after the last packet, an acknowledgement that never comes, is no failure: all of it was
on the bus. `refusals` has the requests that are refused.
"""

from collections.abc import Callable
from typing import NamedTuple

from rvsim.watch.detect.failures import FailureBook, Failures
from rvsim.watch.detect.refusals import Refusals
from rvsim.watch.detect.starts import Starts
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Topic, TransferFailed, Transition
from rvsim.wire.acknowledgment import ACKNOWLEDGMENT, read_acknowledgment, read_request
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN
from rvsim.wire.frame import Frame
from rvsim.wire.ident import GLOBAL_ADDRESS, is_addressed, split_identifier
from rvsim.wire.transfer.listener import LongMessageListener
from rvsim.wire.transfer.outcomes import LongMessage, ProblemKind, TransferEvent, TransferProblem
from rvsim.wire.transfer.packets import CONNECTION_MANAGEMENT, DATA_TRANSFER, T1_US

PACKETS = frozenset({CONNECTION_MANAGEMENT, DATA_TRANSFER})
"""The DGNs of what long messages travel in: what a single packet says is no reading."""
EXCHANGES = PACKETS | {ACKNOWLEDGMENT, REQUEST_FOR_DGN, ADDRESS_CLAIM}
"""The DGNs that this is about."""
FAILURES_TO_TELL = 2
FAILING_KINDS = frozenset(
    {
        ProblemKind.SIZE_MISMATCH,
        ProblemKind.CONTRADICTED,
        ProblemKind.INCOMPLETE,
        ProblemKind.RESTARTED,
        ProblemKind.ABORTED,
        ProblemKind.TIMEOUT,
    }
)
"""What makes a message fail; that this listener has no room for one more is none of them."""
_ORDER = 30
"""Of deadlines at one moment these come behind those of presence, names and commands."""
_MAX_PAIRS = 256
"""Of so many pairs of nodes the last transport frame is kept: twice what is followed at once."""


class _Key(NamedTuple):
    source: int
    destination: int
    dgn: int


class Transfers:
    """Every long message and every refusal on a bus.

    Args:
        emit: takes the transitions.
        agenda: takes the deadlines.
        name_of: what the device at an address is called.
        message_of: the name of a DGN, None where it has none.
    """

    def __init__(
        self,
        emit: Callable[[Transition], None],
        deadlines: Deadlines,
        name_of: Callable[[int], str],
        message_of: Callable[[int], str | None],
    ) -> None:
        self._deadlines, self._name_of, self._message_of = deadlines, name_of, message_of
        self._long = LongMessageListener()
        self._waiting = DeadlineKind(_ORDER, self._wait_due, self._give_up)
        self._starts = Starts()
        self._book: FailureBook[_Key, Failures] = FailureBook(_ORDER + 1, deadlines, emit, Failures)
        self._refusals = Refusals(_ORDER + 2, deadlines, emit, name_of, message_of, self._starts)
        self._last: dict[frozenset[int], Frame] = {}
        """The last transport frame between two nodes."""

    def observe(self, part: TopicRecord) -> list[LongMessage]:
        """Take a frame of one of these DGNs; return the long message that it completes, if it does."""
        frame, now, dgn = part.frame, part.rhythm.times[-1], part.topic.dgn
        parts = split_identifier(frame.identifier)
        if dgn in PACKETS:
            return self._packet(
                frame,
                now,
                frozenset({parts.source, GLOBAL_ADDRESS if parts.destination is None else parts.destination}),
            )
        if dgn == ADDRESS_CLAIM:
            self._starts.claim(parts.source, now)
        elif dgn == ACKNOWLEDGMENT and (said := read_acknowledgment(frame.data)) is not None:
            self._refusals.acknowledge(part, parts, said)
        elif dgn == REQUEST_FOR_DGN and (request := read_request(frame.data)) is not None:
            if request.dgn == ADDRESS_CLAIM and parts.destination is not None:
                self._starts.observe_request(parts.destination, now)
            self._refusals.observe_request(parts, request)
        return []

    def heed(self, part: TopicRecord) -> None:
        """Take a frame of a DGN that is awaited of its node."""
        self._refusals.heed(part)

    # Long messages.

    def _packet(self, frame: Frame, now: int, pair: frozenset[int]) -> list[LongMessage]:
        events = self._long.receive(now, frame.identifier, frame.data)
        self._take(events, now, frame.time, frame.time, frame)
        self._last.pop(pair, None)
        self._last[pair] = frame
        if len(self._last) > _MAX_PAIRS:
            del self._last[next(iter(self._last))]
        if self._long.open_sessions:
            self._deadlines.schedule(now + T1_US, self._waiting, 0, None)
        return [event for event in events if isinstance(event, LongMessage)]

    def _take(self, events: list[TransferEvent], now: int, time: int, since: int, frame: Frame | None) -> None:
        """Take what was found at bus time ``now``, which is frame time ``time``, by a frame or by waiting in vain."""
        for event in events:
            if isinstance(event, LongMessage):
                self._succeed(_Key(event.source, event.destination, event.dgn), time)
            elif isinstance(event, TransferProblem) and event.kind in FAILING_KINDS and event.dgn is not None:
                dgn = event.dgn & 0x3FF00 if is_addressed(event.dgn) else event.dgn
                key = _Key(event.source, event.destination, dgn)
                if event.kind is ProblemKind.INCOMPLETE and event.destination != GLOBAL_ADDRESS:
                    self._succeed(key, time)  # acknowledged: only this listener has missed a packet
                else:
                    self._fail(key, event, now, time, since, frame)

    def _succeed(self, key: _Key, time: int) -> None:
        self._starts.succeed(key.source)
        self._refusals.answer(key.source, key.dgn, None, time)
        failures = self._book.kinds.get(key)
        if failures is not None and failures.told is not None:
            self._book.end(key, time)
        elif failures is not None:
            failures.came_through = True

    def _fail(self, key: _Key, trouble: TransferProblem, now: int, time: int, since: int, frame: Frame | None) -> None:
        if self._starts.excuse(key.source):
            return
        if trouble.kind is ProblemKind.TIMEOUT:
            frame = self._last.get(frozenset({key.source, key.destination}))
        failures = self._book.fail(key, now, time, frame)
        if failures.count < FAILURES_TO_TELL:
            return
        aborted = trouble.kind is ProblemKind.ABORTED and frame is not None
        problem = TransferFailed(
            time,
            since,
            self._name_of(key.source),
            Topic(key.source, key.dgn, self._message_of(key.dgn)),
            key.destination,
            "all" if key.destination == GLOBAL_ADDRESS else self._name_of(key.destination),
            failures.count,
            trouble.kind,
            trouble.reason,
            self._name_of(frame.identifier & 0xFF) if aborted and frame is not None else None,
            tuple(failures.frames),
        )
        self._book.report(failures, problem)

    # Waits.

    def _wait_due(self, _subject: None, passed: int) -> int | None:
        """Return when the first message has waited for too long.

        One that begins or goes on after ``passed`` waits at least for T1, so nothing before that has to be looked at.
        """
        due = self._long.due()
        return due if due is None or due <= passed else min(due, passed + T1_US)

    def _give_up(self, _subject: None, time: int, since: int) -> None:
        due = self._long.due()
        if due is None:
            return
        self._take(self._long.expire(due), due, time, since, None)
        later = self._long.due()
        if later is not None:
            self._deadlines.schedule(min(later, due + T1_US), self._waiting, 0, None)
