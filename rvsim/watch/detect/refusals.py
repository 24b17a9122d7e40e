"""Requests that are refused again and again between the same two nodes.

Needs every request and every acknowledgement, and of what was refused and is asked for again the next frame.

Knows: that one kind is one node that refuses, one that asks, one DGN and one instance; that the third refusal in a row
is told, whatever their codes (three: our decision); that an acknowledgement does not say whether it is about a request
or a command, so both count; and that a row ends when the message comes after a request, or is acknowledged. What a node
sends by itself, unasked, is no answer. The first refusal after the start of the node that refuses does not count.
"""

from collections.abc import Callable
from typing import NamedTuple

from rvsim.watch.detect.failures import FailureBook, Failures
from rvsim.watch.detect.starts import Starts
from rvsim.watch.identity.records import AddressRecord, TopicRecord
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import RequestsRefused, Topic, Transition
from rvsim.wire.acknowledgment import Acknowledgment, AcknowledgmentCode, DgnRequest
from rvsim.wire.ident import GLOBAL_ADDRESS, NULL_ADDRESS, Identifier

REFUSALS_TO_TELL = 3


class _Key(NamedTuple):
    source: int
    asker: int
    dgn: int
    instance: int | None


class _Refused(Failures):
    """What one node refuses another; ``asked`` tells whether it was asked for again since."""

    __slots__ = ("asked", "node")

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.node: AddressRecord | None = None
        self.asked = False


class Refusals:
    """Every refusal on a bus.

    Args:
        order: that of its deadlines among others of one moment.
        agenda: takes its deadlines.
        emit: takes the transitions.
        name_of: what the device at an address is called.
        message_of: the name of a DGN, None where it has none.
        starts: who has just started.
    """

    def __init__(
        self,
        order: int,
        deadlines: Deadlines,
        emit: Callable[[Transition], None],
        name_of: Callable[[int], str],
        message_of: Callable[[int], str | None],
        starts: Starts,
    ) -> None:
        self._name_of, self._message_of, self._starts = name_of, message_of, starts
        self._book: FailureBook[_Key, _Refused] = FailureBook(order, deadlines, emit, _Refused)

    def acknowledge(self, part: TopicRecord, parts: Identifier, said: Acknowledgment) -> None:
        """Take in an acknowledgement: a refusal counts, the other one ends a row."""
        asker = said.requester if said.requester < NULL_ADDRESS else parts.destination
        if asker is None or asker >= NULL_ADDRESS or parts.source >= NULL_ADDRESS:
            return
        key, frame = _Key(parts.source, asker, said.dgn, said.instance), part.frame
        if said.code is AcknowledgmentCode.DONE:
            self._succeed(key, frame.time)
            return
        if self._starts.excuse(key.source):
            return
        refused = self._book.fail(key, part.rhythm.times[-1], frame.time, frame)
        refused.node, refused.asked = part.node, False
        if refused.count >= REFUSALS_TO_TELL:
            topic = Topic(key.source, key.dgn, self._message_of(key.dgn), key.instance)
            problem = RequestsRefused(
                frame.time,
                frame.time,
                self._name_of(key.source),
                topic,
                asker,
                self._name_of(asker),
                refused.count,
                said.code,
                tuple(refused.frames),
            )
            self._book.report(refused, problem)

    def observe_request(self, parts: Identifier, request: DgnRequest) -> None:
        """Take in a request: if what it asks for was refused, the next frame of that is an answer."""
        for key, refused in self._book.kinds.items():
            asked = (key.asker, key.dgn) == (parts.source, request.dgn) and parts.destination in (
                key.source,
                GLOBAL_ADDRESS,
            )
            if asked and _agree(key.instance, request.instance) and refused.node is not None:
                refused.asked = True
                _await(refused.node, key.dgn)

    def answer(self, source: int, dgn: int, instance: int | None, time: int) -> None:
        """Take in a message that may have been asked for."""
        for key, refused in list(self._book.kinds.items()):
            if refused.asked and (key.source, key.dgn) == (source, dgn) and _agree(key.instance, instance):
                self._succeed(key, time)

    def heed(self, part: TopicRecord) -> None:
        """Take in a frame of a DGN that is awaited of its node; note whether it still is."""
        source, dgn = part.topic.source, part.topic.dgn
        self.answer(source, dgn, part.topic.instance, part.frame.time)
        if not any(refused.asked and key[::2] == (source, dgn) for key, refused in self._book.kinds.items()):
            part.node.awaited_dgns.discard(dgn)

    def _succeed(self, key: _Key, time: int) -> None:
        self._starts.succeed(key.source)
        self._book.end(key, time)


def _agree(one: int | None, other: int | None) -> bool:
    """Tell whether two can be the same instance; None is any."""
    return one is None or other is None or one == other


def _await(node: AddressRecord, dgn: int) -> None:
    """See to it that the next frame of a node under a DGN is looked at, even if it says the same as before."""
    node.awaited_dgns.add(dgn)
    for part in node.topics:
        if part.topic.dgn == dgn:
            part.settled_data, part.time_only = None, False
