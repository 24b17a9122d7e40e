"""One NAME on two addresses, and where each NAME was claimed.

Knows: that a NAME is one unit (SAE J1939-81), and that a unit which moves is silent at its old address from then on.
Does not know devices. Needs every claim; whether the old address goes on is looked at once a second by the rhythm.

Frames that stood in a queue when the unit moved are let pass for 2 s. An old address that another NAME has claimed
belongs to that unit. The flag ends when one of both addresses is silent, or claimed by another NAME. Our decisions.
"""

from collections.abc import Callable

from rvsim.watch.identity.records import MAX_QUEUED_US, AddressRecord, TopicRecord
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Emit, Ended, NameShared
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name

_MAX_NAMES, _MAX_PLACES = 1024, 8
"""So much is remembered, the newest: our decision, against floods."""


class _Move:
    """A NAME that was claimed at one address and then at another."""

    def __init__(self, number: int, name: Name) -> None:
        self.number = number
        self.name = name
        self.old: AddressRecord | None = None
        self.new: AddressRecord | None = None
        self.at = 0
        self.found: NameShared | None = None


class SharedNames:
    """Where every NAME of a bus was claimed."""

    def __init__(
        self, roll_call: RollCall, deadlines: Deadlines, emit: Emit, names_at: Callable[[int], tuple[Name, ...]]
    ) -> None:
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._names_at = names_at
        self._going_on = DeadlineKind(42, self._going_on_due, self._tell)
        self._silence = DeadlineKind(43, self._silence_due, self._end)
        self._places: dict[Name, dict[int, AddressRecord]] = {}
        self._moves: dict[Name, _Move] = {}
        self._count = 0

    def claim(self, part: TopicRecord, name: Name, time: int, now: int) -> None:
        """Take in a claim."""
        node = part.node
        if node.address >= NULL_ADDRESS:
            return
        for other in [
            one for one in self._moves.values() if one.found and one.name != name and node in (one.old, one.new)
        ]:
            self._end(other, time, now)
        before = self.last_at(name)
        if before is not None:
            before.left_at = now
        node.left_at = None
        places = self._places.pop(name, {})
        places.pop(node.address, None)
        self._places[name] = {**places, node.address: node}
        self._forget_oldest(name)
        if before is None or before is node:
            return
        move = self._moves.get(name)
        if move is None:
            self._count += 1
            move = self._moves[name] = _Move(self._count, name)
        if move.found is None:
            move.old, move.new, move.at = before, node, now
            self._deadlines.schedule(now + MAX_QUEUED_US, self._going_on, move.number, move)

    def last_at(self, name: Name) -> AddressRecord | None:
        """Return the node that claimed a NAME last; None where nobody did."""
        places = self._places.get(name)
        return next(reversed(places.values())) if places else None

    def was_at(self, name: Name, address: int) -> bool:
        """Tell whether a NAME was ever claimed from an address."""
        return address in self._places.get(name, {})

    def _forget_oldest(self, name: Name) -> None:
        places = self._places[name]
        if len(places) > _MAX_PLACES:
            del places[next(iter(places))]
        if len(self._places) > _MAX_NAMES:
            del self._places[next(iter(self._places))]

    # What is due.

    def _going_on_due(self, move: _Move, passed: int) -> int | None:
        old = move.old
        if old is None or move.found is not None or set(self._names_at(old.address)) - {move.name}:
            self._drop(move)
            return None
        from_then = move.at + MAX_QUEUED_US
        if old.last_heard() > from_then:
            return max(passed, from_then)
        if passed > from_then + old.silence_limit():
            self._drop(move)
            return None
        return max(passed + SECOND_US, from_then)

    def _drop(self, move: _Move) -> None:
        if move.found is None:
            self._moves.pop(move.name, None)

    def _tell(self, move: _Move, time: int, since: int) -> None:
        old, new = move.old, move.new
        if old is None or new is None:
            return
        last = max(old.topics, key=lambda part: (part.frame.time, part.number)).frame
        device = (self._roll_call.planned_device_at(new) or new.unassigned).name
        move.found = NameShared(time, since, device, move.name, (old.address, new.address), last)
        self._deadlines.schedule(self._silent_from(move), self._silence, move.number, move)
        self._emit(move.found)

    @staticmethod
    def _silent_from(move: _Move) -> int:
        return min(node.last_heard() + node.silence_limit() for node in (move.old, move.new) if node is not None)

    def _silence_due(self, move: _Move, passed: int) -> int | None:
        return None if move.found is None else max(passed, self._silent_from(move))

    def _end(self, move: _Move, time: int, _since: int) -> None:
        if move.found is not None:
            self._emit(Ended(time, move.found.problem_key))
            move.found = None
        self._moves.pop(move.name, None)
