"""Long messages that fail, whoever sends them; and other exchanges of two nodes.

Needs every frame of the transport protocol, every request, acknowledgment and address claim, whether or not
its data are new.

Knows: that one kind of failure is one sender, destination and DGN, whatever the cause; that a problem is reported from
the second failure of a kind on (two: our decision), and ends when such a message succeeds; that the first failure after
a start of the sender does not count. A message is incomplete, aborted or timed out by the rules of SAE J1939-21; a wait
does not count time while the whole bus is quiet. A message that its receiver acknowledged has succeeded, even if this
listener missed a packet. A missing acknowledgment after the last packet is no failure: the whole message was on the
bus. Does not know refused requests: ``refusals`` does.
"""

from collections.abc import Callable
from typing import NamedTuple, assert_never

from rvsim.watch.detect.failures import FailureCounter, Failures
from rvsim.watch.detect.just_started import JustStarted
from rvsim.watch.detect.refusals import Refusals
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Topic, TransferFailed, Transition
from rvsim.wire.acknowledgment import ACKNOWLEDGMENT, read_acknowledgment, read_request
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN
from rvsim.wire.frame import Frame
from rvsim.wire.ident import GLOBAL_ADDRESS, is_addressed, split_identifier
from rvsim.wire.transfer.listener import LongMessageListener
from rvsim.wire.transfer.outcomes import LongMessage, LongMessageSent, ProblemKind, TransferEvent, TransferProblem
from rvsim.wire.transfer.packets import CONNECTION_MANAGEMENT, DATA_TRANSFER, T1_US

PACKETS = frozenset({CONNECTION_MANAGEMENT, DATA_TRANSFER})
"""The DGNs of the frames that carry long messages; a single packet holds no reading."""
EXCHANGES = PACKETS | {ACKNOWLEDGMENT, REQUEST_FOR_DGN, ADDRESS_CLAIM}
"""The DGNs of the frames that ``Transfers`` takes in."""
MIN_FAILURES = 2
"""From how many failures of one kind on they are reported. Our decision."""
_ORDER = 30
"""The order of its deadlines among those of one moment: after those of presence, NAMEs and commands."""
_MAX_NODE_PAIRS = 256
"""For how many pairs of nodes the last transport frame is kept: twice the number of messages followed at once."""


class _Key(NamedTuple):
    source: int
    destination: int
    dgn: int


class Transfers:
    """Every long message and every refusal on a bus.

    Args:
        emit: takes the transitions.
        deadlines: takes the deadlines.
        name_of: returns the name of the device at an address.
        message_of: returns the name of a DGN, None where it has none.
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
        self._timeout = DeadlineKind(_ORDER, self._timeout_due, self._time_out)
        self._just_started = JustStarted()
        self._failures: FailureCounter[_Key, Failures] = FailureCounter(_ORDER + 1, deadlines, emit, Failures)
        self._refusals = Refusals(_ORDER + 2, deadlines, emit, name_of, message_of, self._just_started)
        self._last_frames: dict[frozenset[int], Frame] = {}
        """The last transport frame between two nodes."""

    def observe(self, record: TopicRecord) -> list[LongMessage]:
        """Take in a frame of one of ``EXCHANGES``; return the long message that it completes, if any."""
        frame, now, dgn = record.frame, record.rhythm.times[-1], record.topic.dgn
        identifier = split_identifier(frame.identifier)
        if dgn in PACKETS:
            destination = GLOBAL_ADDRESS if identifier.destination is None else identifier.destination
            return self._observe_packet(frame, now, frozenset({identifier.source, destination}))
        if dgn == ADDRESS_CLAIM:
            self._just_started.observe_claim(identifier.source, now)
        elif dgn == ACKNOWLEDGMENT and (acknowledgment := read_acknowledgment(frame.data)) is not None:
            self._refusals.observe_acknowledgment(record, identifier, acknowledgment)
        elif dgn == REQUEST_FOR_DGN and (request := read_request(frame.data)) is not None:
            if request.dgn == ADDRESS_CLAIM and identifier.destination is not None:
                self._just_started.observe_request(identifier.destination, now)
            self._refusals.observe_request(identifier, request)
        return []

    def observe_joined(self, message: LongMessage) -> None:
        """Take in a long message that a log has in one entry: it has succeeded."""
        self._succeed(_Key(message.source, message.destination, message.dgn), message.ended)

    def observe_awaited(self, record: TopicRecord) -> None:
        """Take in a frame of a DGN that is awaited from its node."""
        self._refusals.observe_awaited(record)

    def resume_listening(self) -> None:
        """Drop the long messages in progress: nobody listened for a time, so their packets were missed."""
        self._long = LongMessageListener()
        self._last_frames.clear()

    # Long messages.

    def _observe_packet(self, frame: Frame, now: int, pair: frozenset[int]) -> list[LongMessage]:
        events = self._long.receive(now, frame.identifier, frame.data)
        self._process(events, now, frame.time, frame.time, frame)
        self._last_frames.pop(pair, None)
        self._last_frames[pair] = frame
        if len(self._last_frames) > _MAX_NODE_PAIRS:
            del self._last_frames[next(iter(self._last_frames))]
        if self._long.open_sessions:
            self._deadlines.schedule(now + T1_US, self._timeout, 0, None)
        return [event for event in events if isinstance(event, LongMessage)]

    def _process(self, events: list[TransferEvent], now: int, time: int, since: int, frame: Frame | None) -> None:
        """Take in what a frame, or a wait without one, has shown at bus time ``now``, ``time`` in frame time."""
        for event in events:
            match event:
                case LongMessage():
                    self._succeed(_Key(event.source, event.destination, event.dgn), time)
                case TransferProblem():
                    if is_failure(event.kind) and event.dgn is not None:
                        dgn = event.dgn & 0x3FF00 if is_addressed(event.dgn) else event.dgn
                        self._process_failure(
                            _Key(event.source, event.destination, dgn), event, now, time, since, frame
                        )
                case LongMessageSent():
                    pass  # a message of this node; a listener sends none
                case _:
                    assert_never(event)

    def _process_failure(
        self, key: _Key, problem: TransferProblem, now: int, time: int, since: int, frame: Frame | None
    ) -> None:
        if problem.kind is ProblemKind.INCOMPLETE and problem.destination != GLOBAL_ADDRESS:
            self._succeed(key, time)  # acknowledged: only this listener missed a packet
        else:
            self._fail(key, problem, now, time, since, frame)

    def _succeed(self, key: _Key, time: int) -> None:
        self._just_started.note_success(key.source)
        self._refusals.observe_answer(key.source, key.dgn, None, time)
        failures = self._failures.kinds.get(key)
        if failures is not None and failures.reported is not None:
            self._failures.end(key, time)
        elif failures is not None:
            failures.has_succeeded = True

    def _fail(self, key: _Key, problem: TransferProblem, now: int, time: int, since: int, frame: Frame | None) -> None:
        if self._just_started.excuse_failure(key.source):
            return
        if problem.kind is ProblemKind.TIMEOUT:
            frame = self._last_frames.get(frozenset({key.source, key.destination}))
        failures = self._failures.fail(key, now, time, frame)
        if failures.count < MIN_FAILURES:
            return
        aborted = problem.kind is ProblemKind.ABORTED and frame is not None
        failed = TransferFailed(
            time,
            since,
            self._name_of(key.source),
            Topic(key.source, key.dgn, self._message_of(key.dgn)),
            key.destination,
            "all" if key.destination == GLOBAL_ADDRESS else self._name_of(key.destination),
            failures.count,
            problem.kind,
            problem.reason,
            self._name_of(frame.identifier & 0xFF) if aborted and frame is not None else None,
            tuple(failures.frames),
        )
        self._failures.report(failures, failed)

    # Waits.

    def _timeout_due(self, _subject: None, passed: int) -> int | None:
        """Return when the first of the waiting messages times out.

        A message that starts or continues after ``passed`` waits at least for T1, so there is no deadline before that.
        """
        due = self._long.due()
        return due if due is None or due <= passed else min(due, passed + T1_US)

    def _time_out(self, _subject: None, time: int, since: int) -> None:
        due = self._long.due()
        if due is None:
            return
        self._process(self._long.expire(due), due, time, since, None)
        next_due = self._long.due()
        if next_due is not None:
            self._deadlines.schedule(min(next_due, due + T1_US), self._timeout, 0, None)


def is_failure(kind: ProblemKind) -> bool:
    """Return whether a problem is a failure of a message; a listener that is full is not one."""
    match kind:
        case (
            ProblemKind.SIZE_MISMATCH
            | ProblemKind.CONTRADICTED
            | ProblemKind.INCOMPLETE
            | ProblemKind.RESTARTED
            | ProblemKind.ABORTED
            | ProblemKind.TIMEOUT
        ):
            return True
        case (
            ProblemKind.MALFORMED
            | ProblemKind.UNEXPECTED
            | ProblemKind.UNREQUESTED
            | ProblemKind.REPEATED
            | ProblemKind.LOST
            | ProblemKind.RETRIED
            | ProblemKind.BUSY
            | ProblemKind.NO_SESSION_FREE
            | ProblemKind.TOO_MANY_RETRIES
            | ProblemKind.BAD_SEQUENCE
            | ProblemKind.NO_ADDRESS
            | ProblemKind.MOVED
        ):
            return False
        case _:
            assert_never(kind)
