"""Two NAMEs on one address: whose contest ends by the rules, and whose does not.

Knows: where each NAME was claimed last, and that a node which loses a contest claims another address or says, from
the null address, that it cannot claim (SAE J1939-81). Does not know which planned device a NAME belongs to. Needs
every address claim, and the rhythm of who goes on.

The rules give 250 ms for objections (SAE J1939-81; rv-c.com/book/export/html/17). Both get 2 s here, so that slow nodes
have room: our decision.
"""

from rvsim.watch.identity.records import AddressRecord, TopicRecord
from rvsim.watch.identity.roll_call import Emit, RollCall
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import AddressShared, Ended
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name

TIME_TO_YIELD_US = 2 * SECOND_US
_MOST = 8
"""So many NAMEs are remembered of one address, the newest: our decision, against floods."""


class _Claims:
    """The NAMEs that claimed one address and have not left it, the first first."""

    def __init__(self, node: AddressRecord) -> None:
        self.node = node
        self.names: list[Name] = []
        self.since = 0
        """When the last of them came, in bus time."""
        self.shared: AddressShared | None = None


class AddressConflicts:
    """Every address claim of a bus."""

    def __init__(self, roll_call: RollCall, deadlines: Deadlines, emit: Emit) -> None:
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._yielding = DeadlineKind(3, self._yield_due, self._judge)
        self._silence = DeadlineKind(4, self._silence_due, self._end)
        self._claims: dict[int, _Claims] = {}
        self._places: dict[Name, int] = {}

    def claim(self, part: TopicRecord, time: int) -> None:
        """Take in a claim that was just heard; one that has not eight bytes claims nothing."""
        node, data, now = part.node, part.frame.data, part.rhythm.times[-1]
        if len(data) != 8 or node.address > NULL_ADDRESS:
            return
        name = Name.from_bytes(data)
        before = self._places.pop(name, None)
        if before is not None and before != node.address:
            self._depart(name, self._claims[before], time)
        if node.address == NULL_ADDRESS:
            return
        self._places[name] = node.address
        claims = self._claims.setdefault(node.address, _Claims(node))
        if name in claims.names:
            return
        if claims.names and not self._heard_before(part, now):
            self._end(claims, time, now)
        claims.names.append(name)
        if len(claims.names) > _MOST:
            self._places.pop(claims.names.pop(0), None)
        if len(claims.names) > 1:
            claims.since = now
            self._deadlines.put(now + TIME_TO_YIELD_US, self._yielding, node.address, claims)

    def stands(self, address: int) -> bool:
        """Tell whether an address is told to be shared."""
        claims = self._claims.get(address)
        return claims is not None and claims.shared is not None

    def names(self, address: int) -> tuple[Name, ...]:
        """Return the NAMEs that claimed an address and have not left it."""
        claims = self._claims.get(address)
        return tuple(claims.names) if claims is not None else ()

    def _heard_before(self, part: TopicRecord, now: int) -> bool:
        """Tell whether somebody was still heard from an address when this claim came from it."""
        times = [one.rhythm.times[-1] for one in part.node.topics if one is not part]
        if len(part.rhythm.times) > 1:
            times.append(part.rhythm.times[-2])
        return bool(times) and now - max(times) <= part.node.silence_limit()

    def _depart(self, name: Name, claims: _Claims, time: int) -> None:
        """Note that a NAME was claimed elsewhere, or cannot be claimed."""
        claims.names.remove(name)
        if claims.shared is None:
            return
        if len(claims.names) < 2:
            self._emit(Ended(time, claims.shared.problem_key))
            claims.shared = None
        else:
            self._tell(claims, time, claims.shared.since)

    # What is due.

    def _yield_due(self, claims: _Claims, passed: int) -> int | None:
        return max(passed, claims.since + TIME_TO_YIELD_US) if len(claims.names) > 1 else None

    def _judge(self, claims: _Claims, time: int, since: int) -> None:
        self._tell(claims, time, since)
        self._deadlines.put(self._silent_from(claims.node), self._silence, claims.node.address, claims)

    def _tell(self, claims: _Claims, time: int, since: int) -> None:
        """Tell who shares the address now; what was told before of others is over."""
        node = claims.node
        subject = (self._roll_call.observe_address(node) or node.nobody).name
        if claims.shared is not None:
            self._emit(Ended(time, claims.shared.problem_key))
        claims.shared = AddressShared(time, since, subject, node.address, tuple(claims.names))
        self._emit(claims.shared)

    def _silent_from(self, node: AddressRecord) -> int:
        return node.last() + node.silence_limit()

    def _silence_due(self, claims: _Claims, passed: int) -> int | None:
        return max(passed, self._silent_from(claims.node)) if claims.shared is not None else None

    def _end(self, claims: _Claims, time: int, _since: int) -> None:
        """Forget who claimed an address from which nobody is heard any more."""
        for name in tuple(claims.names):
            del self._places[name]
            self._depart(name, claims, time)
