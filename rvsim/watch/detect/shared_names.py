"""One NAME at two addresses, and the addresses at which each NAME was claimed.

Knows: that a NAME is one unit (SAE J1939-81), and that a unit which moves is silent at its old address from then on.
Does not know devices. Needs every claim; whether the old address continues is checked once a second by its rhythm.

Frames that were in a queue when the unit moved may come for 2 s. An old address that another NAME has claimed belongs
to that unit. The problem ends when one of the two addresses is silent, or claimed by another NAME. Our decisions.
"""

from collections.abc import Callable

from rvsim.watch.identity.records import MAX_QUEUED_US, AddressRecord, TopicRecord
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Emit, Ended, NameShared
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name

_MAX_NAMES, _MAX_ADDRESSES_OF_NAME = 1024, 8
"""How many NAMEs, and addresses of one NAME, are kept, the newest ones. Our decision, to bound the memory."""


class _Move:
    """A NAME that was claimed at one address and then at another."""

    def __init__(self, number: int, name: Name) -> None:
        self.number = number
        self.name = name
        self.old: AddressRecord | None = None
        self.new: AddressRecord | None = None
        self.moved_at = 0
        """When it was claimed at the new address, in bus time."""
        self.reported: NameShared | None = None


class SharedNames:
    """The addresses at which every NAME of a bus was claimed."""

    def __init__(
        self, roll_call: RollCall, deadlines: Deadlines, emit: Emit, names_at: Callable[[int], tuple[Name, ...]]
    ) -> None:
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._names_at = names_at
        self._old_address_deadline = DeadlineKind(42, self._old_address_due, self._report)
        self._silence_deadline = DeadlineKind(43, self._silence_due, self._clear)
        self._nodes: dict[Name, dict[int, AddressRecord]] = {}
        self._moves: dict[Name, _Move] = {}
        self._count = 0

    def observe_claim(self, record: TopicRecord, name: Name, time: int, now: int) -> None:
        """Take in a claim."""
        node = record.node
        if node.address >= NULL_ADDRESS:
            return
        for other in list(self._moves.values()):
            if other.reported and other.name != name and node in (other.old, other.new):
                self._clear(other, time, now)
        before = self.last_node(name)
        if before is not None:
            before.left_at = now
        node.left_at = None
        nodes = self._nodes.pop(name, {})
        nodes.pop(node.address, None)
        self._nodes[name] = {**nodes, node.address: node}
        self._forget_oldest(name)
        if before is None or before is node:
            return
        move = self._moves.get(name)
        if move is None:
            self._count += 1
            move = self._moves[name] = _Move(self._count, name)
        if move.reported is None:
            move.old, move.new, move.moved_at = before, node, now
            self._deadlines.schedule(now + MAX_QUEUED_US, self._old_address_deadline, move.number, move)

    def last_node(self, name: Name) -> AddressRecord | None:
        """Return the node that last claimed a NAME; None where there is none."""
        nodes = self._nodes.get(name)
        return next(reversed(nodes.values())) if nodes else None

    def was_claimed_at(self, name: Name, address: int) -> bool:
        """Return whether a NAME was ever claimed at an address."""
        return address in self._nodes.get(name, {})

    def _forget_oldest(self, name: Name) -> None:
        nodes = self._nodes[name]
        if len(nodes) > _MAX_ADDRESSES_OF_NAME:
            del nodes[next(iter(nodes))]
        if len(self._nodes) > _MAX_NAMES:
            del self._nodes[next(iter(self._nodes))]

    # Deadlines.

    def _old_address_due(self, move: _Move, passed: int) -> int | None:
        old = move.old
        if old is None or move.reported is not None or set(self._names_at(old.address)) - {move.name}:
            self._discard(move)
            return None
        queued_until = move.moved_at + MAX_QUEUED_US
        if old.last_heard() > queued_until:
            return max(passed, queued_until)
        if passed > queued_until + old.silence_limit():
            self._discard(move)
            return None
        return max(passed + SECOND_US, queued_until)

    def _discard(self, move: _Move) -> None:
        if move.reported is None:
            self._moves.pop(move.name, None)

    def _report(self, move: _Move, time: int, since: int) -> None:
        old, new = move.old, move.new
        if old is None or new is None:
            return
        last = max(old.topics, key=lambda record: (record.frame.time, record.number)).frame
        device = (self._roll_call.planned_device_at(new) or new.unassigned).name
        move.reported = NameShared(time, since, device, move.name, (old.address, new.address), last)
        self._deadlines.schedule(self._silent_from(move), self._silence_deadline, move.number, move)
        self._emit(move.reported)

    @staticmethod
    def _silent_from(move: _Move) -> int:
        return min(node.last_heard() + node.silence_limit() for node in (move.old, move.new) if node is not None)

    def _silence_due(self, move: _Move, passed: int) -> int | None:
        return None if move.reported is None else max(passed, self._silent_from(move))

    def _clear(self, move: _Move, time: int, _since: int) -> None:
        if move.reported is not None:
            self._emit(Ended(time, move.reported.problem_key))
            move.reported = None
        self._moves.pop(move.name, None)
