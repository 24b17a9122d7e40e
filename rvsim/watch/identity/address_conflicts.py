"""Two NAMEs on one address: which conflicts end by the rules, and which do not.

Knows: where each NAME was claimed last, and that a node which loses an address claims another one or reports, from the
null address, that it cannot claim (SAE J1939-81). Does not know which planned device a NAME belongs to. Needs every
address claim, and the rhythm of each node that continues to send.

The rules give 250 ms for objections (SAE J1939-81; rv-c.com/book/export/html/17). Here both nodes have 2 s, to allow
for slow nodes: our decision.
"""

from collections.abc import Callable

from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US, AddressRecord, TopicRecord
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import AddressShared, Emit, Ended
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name

TIME_TO_YIELD_US = 2 * SECOND_US
_MAX_NAMES = 8
"""The largest number of NAMEs stored for one address, the latest ones: our decision, against floods."""


class _Claims:
    """The NAMEs that claimed one address and have not left it, in the order of their claims."""

    def __init__(self, node: AddressRecord) -> None:
        self.node = node
        self.names: list[Name] = []
        self.since = 0
        """The time of the latest claim, in bus time."""
        self.shared: AddressShared | None = None


class AddressConflicts:
    """Observes every address claim of a bus and reports conflicts."""

    def __init__(self, roll_call: RollCall, deadlines: Deadlines, emit: Emit) -> None:
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._contest = DeadlineKind(3, self._contest_due, self._judge)
        self._silence = DeadlineKind(4, self._silence_due, self._end)
        self.on_end: Callable[[AddressRecord], None] = lambda _node: None
        """Called with a node whose address is no longer reported as shared."""
        self._claims: dict[int, _Claims] = {}
        self._address_of: dict[Name, int] = {}

    def claim(self, record: TopicRecord, time: int) -> None:
        """Take in a claim that was just received; a frame without eight bytes is ignored."""
        node, data, now = record.node, record.frame.data, record.rhythm.times[-1]
        if len(data) != 8 or node.address > NULL_ADDRESS:
            return
        name = Name.from_bytes(data)
        before = self._address_of.pop(name, None)
        if before is not None and before != node.address:
            self._remove_name(name, self._claims[before], time)
        if node.address == NULL_ADDRESS:
            return
        self._address_of[name] = node.address
        claims = self._claims.setdefault(node.address, _Claims(node))
        if name in claims.names:
            return
        if claims.names and not self._heard_before(record, now):
            self._end(claims, time, now)
        claims.names.append(name)
        if len(claims.names) > _MAX_NAMES:
            self._address_of.pop(claims.names.pop(0), None)
        if len(claims.names) > 1:
            claims.since = now
            self._deadlines.schedule(now + TIME_TO_YIELD_US, self._contest, node.address, claims)

    def resume_listening(self, time: int, now: int) -> None:
        """Forget all claims: nobody listened for so long that any unit may have been exchanged or have moved."""
        for claims in self._claims.values():
            self._end(claims, time, now)

    def is_shared(self, address: int) -> bool:
        """Return whether an address is reported as shared."""
        claims = self._claims.get(address)
        return claims is not None and claims.shared is not None

    def names(self, address: int) -> tuple[Name, ...]:
        """Return the NAMEs that claimed an address and have not left it."""
        claims = self._claims.get(address)
        return tuple(claims.names) if claims is not None else ()

    def _heard_before(self, record: TopicRecord, now: int) -> bool:
        """Return whether frames still came from the address when this claim came from it."""
        times = [one.rhythm.times[-1] for one in record.node.topics if one is not record]
        if len(record.rhythm.times) > 1:
            times.append(record.rhythm.times[-2])
        return bool(times) and now - max(times) <= record.node.silence_limit()

    def _remove_name(self, name: Name, claims: _Claims, time: int) -> None:
        """Remove a NAME that was claimed at another address, or could not claim."""
        claims.names.remove(name)
        if claims.shared is None:
            return
        if len(claims.names) < 2:
            self._emit(Ended(time, claims.shared.problem_key))
            claims.shared = None
            self.on_end(claims.node)
        else:
            self._report(claims, time, claims.shared.since)

    # Deadlines.

    def _contest_due(self, claims: _Claims, passed: int) -> int | None:
        return max(passed, claims.since + TIME_TO_YIELD_US) if len(claims.names) > 1 else None

    def _judge(self, claims: _Claims, time: int, since: int) -> None:
        self._report(claims, time, since)
        self._deadlines.schedule(self._silent_from(claims.node), self._silence, claims.node.address, claims)

    def _report(self, claims: _Claims, time: int, since: int) -> None:
        """Report which NAMEs share the address now; the report of another set of NAMEs ends."""
        node = claims.node
        subject = (self._roll_call.planned_device_at(node) or node.unassigned).name
        if claims.shared is not None:
            self._emit(Ended(time, claims.shared.problem_key))
        claims.shared = AddressShared(time, since, subject, node.address, tuple(claims.names))
        self._emit(claims.shared)

    def _silent_from(self, node: AddressRecord) -> int:
        return node.last_heard() + node.silence_limit()

    def _silence_due(self, claims: _Claims, passed: int) -> int | None:
        if claims.shared is None:
            return None
        earliest = claims.node.sends_until(MIN_SILENCE_LIMIT_US) + MIN_SILENCE_LIMIT_US
        return earliest if earliest > passed else max(passed, self._silent_from(claims.node))

    def _end(self, claims: _Claims, time: int, _since: int) -> None:
        """Remove the claims of an address from which no frame comes any more."""
        for name in tuple(claims.names):
            del self._address_of[name]
            self._remove_name(name, claims, time)
