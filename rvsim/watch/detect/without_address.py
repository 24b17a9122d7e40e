"""Nodes without an address: those that cannot claim one, and those that send without one.

Knows: that a node which cannot claim an address sends that from the null address, once and on every request for claims
to all, and may send nothing else but such a request (SAE J1939-81). Does not know devices. Needs every claim and every
request, and of the other frames those that differ from the one before.

The flag of a node that could not claim is cleared in two cases (our decision): the node claims an address and does not
withdraw that claim within 2 s, so it has one; or claims are requested from all and it does not answer within 2 s, so it
has left the bus. Silence alone shows nothing, since a node without an address has to be silent.
"""

from collections.abc import Callable

from rvsim.watch.detect.request_history import MAX_ANSWER_US, is_claim_request
from rvsim.watch.identity.records import AddressRecord, TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import CannotClaim, Emit, Ended, SentWithoutAddress
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import GLOBAL_ADDRESS, NULL_ADDRESS, split_identifier
from rvsim.wire.name import Name

CLEAR_AFTER_US = 60 * SECOND_US
"""How long after its last frame a message without an address has stopped. Our decision."""
_MAX_NODES = 64
"""How many nodes without an address are kept, the newest ones. Our decision, to bound the memory."""


class _NodeWithoutAddress:
    """A node that could not claim an address.

    ``questioned_at`` is when it claimed one after all, or when its claim was requested, in bus time; None where it has
    sent since then that it cannot claim.
    """

    def __init__(self, number: int, reported: CannotClaim) -> None:
        self.number = number
        self.reported = reported
        self.questioned_at: int | None = None
        self.is_over = False


class _MessageWithoutAddress:
    """A message from an address that no node can have."""

    def __init__(self, number: int, node: AddressRecord, reported: SentWithoutAddress) -> None:
        self.number = number
        self.node = node
        self.reported = reported

    def records(self) -> list[TopicRecord]:
        """Return its topics."""
        return [record for record in self.node.topics if record.topic.dgn == self.reported.topic.dgn]


class SendersWithoutAddress:
    """Every node of a bus that has no address."""

    def __init__(
        self,
        deadlines: Deadlines,
        emit: Emit,
        device_name: Callable[[Name], str],
        last_address: Callable[[Name], int | None],
    ) -> None:
        self._deadlines = deadlines
        self._emit = emit
        self._device_name = device_name
        self._last_address = last_address
        self._answer_deadline = DeadlineKind(40, self._answer_due, self._clear_node)
        self._stop_deadline = DeadlineKind(41, self._stop_due, self._clear_message)
        self._nodes: dict[Name, _NodeWithoutAddress] = {}
        self._messages: dict[tuple[int, int], _MessageWithoutAddress] = {}
        self._count = 0

    def observe_claim(self, record: TopicRecord, name: Name, time: int, now: int) -> None:
        """Take in a claim, or the message that a node cannot claim an address."""
        known = self._nodes.get(name)
        if record.node.address == NULL_ADDRESS:
            if known is not None:
                known.questioned_at = None
                return
            reported = CannotClaim(time, self._device_name(name), name, self._last_address(name), record.frame)
            self._nodes[name] = _NodeWithoutAddress(self._next_number(), reported)
            self._emit(reported)
            if len(self._nodes) > _MAX_NODES:
                self._clear_node(self._nodes[next(iter(self._nodes))], time, time)
        elif known is not None and record.node.address < NULL_ADDRESS:
            self._await_answer(known, now)

    def observe(self, record: TopicRecord, time: int, now: int) -> None:
        """Take in a frame that differs from the one before."""
        if is_claim_request(record):
            self._observe_claim_request(record, now)
        source = record.node.address
        if source < NULL_ADDRESS or (source == NULL_ADDRESS and _is_allowed(record)):
            return
        key = source, record.topic.dgn
        if key not in self._messages:
            reported = SentWithoutAddress(time, record.node.unassigned.name, record.topic, record.frame)
            message = self._messages[key] = _MessageWithoutAddress(self._next_number(), record.node, reported)
            self._deadlines.schedule(now + CLEAR_AFTER_US, self._stop_deadline, message.number, message)
            self._emit(reported)

    def _observe_claim_request(self, record: TopicRecord, now: int) -> None:
        if split_identifier(record.frame.identifier).destination != GLOBAL_ADDRESS:
            return
        for node in self._nodes.values():
            self._await_answer(node, now)

    def _await_answer(self, node: _NodeWithoutAddress, now: int) -> None:
        if node.questioned_at is None:
            node.questioned_at = now
            self._deadlines.schedule(now + MAX_ANSWER_US, self._answer_deadline, node.number, node)

    def _next_number(self) -> int:
        self._count += 1
        return self._count

    # Deadlines.

    def _answer_due(self, node: _NodeWithoutAddress, passed: int) -> int | None:
        return None if node.is_over or node.questioned_at is None else max(passed, node.questioned_at + MAX_ANSWER_US)

    def _clear_node(self, node: _NodeWithoutAddress, time: int, _since: int) -> None:
        node.is_over = True
        del self._nodes[node.reported.name]
        self._emit(Ended(time, node.reported.problem_key))

    def _stop_due(self, message: _MessageWithoutAddress, passed: int) -> int | None:
        last = max((record.rhythm.times[-1] for record in message.records()), default=0)
        return max(passed, last + CLEAR_AFTER_US)

    def _clear_message(self, message: _MessageWithoutAddress, time: int, _since: int) -> None:
        for record in message.records():
            record.examine_next()
        del self._messages[message.node.address, message.reported.topic.dgn]
        self._emit(Ended(time, message.reported.problem_key))


def _is_allowed(record: TopicRecord) -> bool:
    """Return whether a node without an address may send this message."""
    return record.topic.dgn == ADDRESS_CLAIM or is_claim_request(record)
