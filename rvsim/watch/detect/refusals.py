"""Requests of one node that another node refuses repeatedly.

Needs every request and every acknowledgment, and the next frame of a message that was refused and is requested again.

Knows: that one kind is one refusing node, one requesting node, one DGN and one instance; that a problem is reported
from the third refusal in a row on, whatever the codes (three: our decision); that an acknowledgment does not tell
whether it answers a request or a command, so both count; and that a row ends when the message comes after a request, or
is acknowledged. A message that a node sends without a request is no answer. The first refusal after a start of the
refusing node does not count. Does not know long messages: ``transfers`` does.
"""

from collections.abc import Callable
from typing import NamedTuple

from rvsim.watch.detect.failures import FailureCounter, Failures
from rvsim.watch.detect.just_started import JustStarted
from rvsim.watch.identity.records import AddressRecord, TopicRecord
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import RequestsRefused, Topic, Transition
from rvsim.wire.acknowledgment import Acknowledgment, AcknowledgmentCode, DgnRequest
from rvsim.wire.ident import GLOBAL_ADDRESS, NULL_ADDRESS, Identifier

MIN_REFUSALS = 3
"""From how many refusals in a row on they are reported. Our decision."""


class _Key(NamedTuple):
    source: int
    requester: int
    dgn: int
    instance: int | None


class _Refusal(Failures):
    """The refusals of one kind; ``requested`` is whether the message was requested again since the last one."""

    __slots__ = ("node", "requested")

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.node: AddressRecord | None = None
        self.requested = False


class Refusals:
    """Every refusal on a bus.

    Args:
        order: the order of its deadlines among those of one moment.
        deadlines: takes its deadlines.
        emit: takes the transitions.
        name_of: returns the name of the device at an address.
        message_of: returns the name of a DGN, None where it has none.
        just_started: the nodes that have just started.
    """

    def __init__(
        self,
        order: int,
        deadlines: Deadlines,
        emit: Callable[[Transition], None],
        name_of: Callable[[int], str],
        message_of: Callable[[int], str | None],
        just_started: JustStarted,
    ) -> None:
        self._name_of, self._message_of, self._just_started = name_of, message_of, just_started
        self._failures: FailureCounter[_Key, _Refusal] = FailureCounter(order, deadlines, emit, _Refusal)

    def observe_acknowledgment(
        self, record: TopicRecord, identifier: Identifier, acknowledgment: Acknowledgment
    ) -> None:
        """Take in an acknowledgment: a refusal counts, a positive one ends a row."""
        requester = acknowledgment.requester if acknowledgment.requester < NULL_ADDRESS else identifier.destination
        if requester is None or requester >= NULL_ADDRESS or identifier.source >= NULL_ADDRESS:
            return
        key, frame = _Key(identifier.source, requester, acknowledgment.dgn, acknowledgment.instance), record.frame
        if acknowledgment.code is AcknowledgmentCode.DONE:
            self._succeed(key, frame.time)
            return
        if self._just_started.excuse_failure(key.source):
            return
        refusal = self._failures.fail(key, record.rhythm.times[-1], frame.time, frame)
        refusal.node, refusal.requested = record.node, False
        if refusal.count >= MIN_REFUSALS:
            topic = Topic(key.source, key.dgn, self._message_of(key.dgn), key.instance)
            problem = RequestsRefused(
                frame.time,
                frame.time,
                self._name_of(key.source),
                topic,
                requester,
                self._name_of(requester),
                refusal.count,
                acknowledgment.code,
                tuple(refusal.frames),
            )
            self._failures.report(refusal, problem)

    def observe_request(self, identifier: Identifier, request: DgnRequest) -> None:
        """Take in a request: if the message was refused before, its next frame is an answer."""
        for key, refusal in self._failures.kinds.items():
            from_requester = (key.requester, key.dgn) == (identifier.source, request.dgn)
            to_refuser = identifier.destination in (key.source, GLOBAL_ADDRESS)
            if (
                from_requester
                and to_refuser
                and _can_be_same_instance(key.instance, request.instance)
                and refusal.node is not None
            ):
                refusal.requested = True
                _await_message(refusal.node, key.dgn)

    def observe_answer(self, source: int, dgn: int, instance: int | None, time: int) -> None:
        """Take in a message that may be the answer to a request."""
        for key, refusal in list(self._failures.kinds.items()):
            if (
                refusal.requested
                and (key.source, key.dgn) == (source, dgn)
                and _can_be_same_instance(key.instance, instance)
            ):
                self._succeed(key, time)

    def observe_awaited(self, record: TopicRecord) -> None:
        """Take in a frame of a DGN that is awaited from its node, and end the waiting if it was the answer."""
        source, dgn = record.topic.source, record.topic.dgn
        self.observe_answer(source, dgn, record.topic.instance, record.frame.time)
        if not any(refusal.requested and key[::2] == (source, dgn) for key, refusal in self._failures.kinds.items()):
            record.node.awaited_dgns.discard(dgn)

    def _succeed(self, key: _Key, time: int) -> None:
        self._just_started.note_success(key.source)
        self._failures.end(key, time)


def _can_be_same_instance(instance: int | None, other: int | None) -> bool:
    """Return whether two instances can be the same; None is any instance."""
    return instance is None or other is None or instance == other


def _await_message(node: AddressRecord, dgn: int) -> None:
    """Have the next frame of a node under a DGN examined, even if it is the same as before."""
    node.awaited_dgns.add(dgn)
    for record in node.topics:
        if record.topic.dgn == dgn:
            record.examine_next()
