"""Nodes without an address: those that say so, and those that speak all the same.

Knows: that a node which cannot claim an address says so from the null address, once and whenever everybody is asked for
claims, and may send nothing else but such a request (SAE J1939-81). Does not know devices: it asks what a NAME is
called. Needs every claim and every request, and of other frames those that say something new.

When a node that could not claim has an address or is gone: it claims one and does not take that back within 2 s; or
everybody is asked for claims and it says nothing within 2 s. Its silence alone tells nothing, since it has to be
silent. Both are our decisions.
"""

from collections.abc import Callable

from rvsim.watch.detect.asked import ANSWER_US, asks_for_claims
from rvsim.watch.identity.records import AddressRecord, TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import CannotClaim, Emit, Ended, SentWithoutAddress
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import GLOBAL_ADDRESS, NULL_ADDRESS, split_identifier
from rvsim.wire.name import Name

CALM_US = 60 * SECOND_US
"""A message without an address has stopped when it was not heard for so long. Our decision."""
_MAX_HOMELESS = 64
"""So many nodes without an address are remembered, the newest. Our decision, against floods."""


class _Homeless:
    """A node that could not claim an address.

    ``doubted`` is when it claimed one after all, or was asked for its claim, and has said nothing else since, in bus
    time.
    """

    def __init__(self, number: int, found: CannotClaim) -> None:
        self.number = number
        self.found = found
        self.doubted: int | None = None
        self.over = False


class _Speech:
    """A message that comes from an address nobody can have."""

    def __init__(self, number: int, node: AddressRecord, found: SentWithoutAddress) -> None:
        self.number = number
        self.node = node
        self.found = found

    def parts(self) -> list[TopicRecord]:
        """Return its topics."""
        return [part for part in self.node.topics if part.topic.dgn == self.found.topic.dgn]


class Unaddressed:
    """Every node of a bus that has no address."""

    def __init__(
        self, deadlines: Deadlines, emit: Emit, called: Callable[[Name], str], at: Callable[[Name], int | None]
    ) -> None:
        self._deadlines = deadlines
        self._emit = emit
        self._called = called
        self._at = at
        self._answer = DeadlineKind(40, self._answer_due, self._over)
        self._calm = DeadlineKind(41, self._calm_due, self._stopped)
        self._homeless: dict[Name, _Homeless] = {}
        self._speeches: dict[tuple[int, int], _Speech] = {}
        self._count = 0

    def claim(self, part: TopicRecord, name: Name, time: int, now: int) -> None:
        """Take in a claim, or the word that none was possible."""
        known = self._homeless.get(name)
        if part.node.address == NULL_ADDRESS:
            if known is not None:
                known.doubted = None
                return
            found = CannotClaim(time, self._called(name), name, self._at(name), part.frame)
            self._homeless[name] = _Homeless(self._next(), found)
            self._emit(found)
            if len(self._homeless) > _MAX_HOMELESS:
                self._over(self._homeless[next(iter(self._homeless))], time, time)
        elif known is not None and part.node.address < NULL_ADDRESS:
            self._doubt(known, now)

    def observe(self, part: TopicRecord, time: int, now: int) -> None:
        """Take in a frame that says something new."""
        if asks_for_claims(part):
            self._asked(part, now)
        source = part.node.address
        if source < NULL_ADDRESS or (source == NULL_ADDRESS and _is_allowed(part)):
            return
        key = source, part.topic.dgn
        if key not in self._speeches:
            found = SentWithoutAddress(time, part.node.unassigned.name, part.topic, part.frame)
            speech = self._speeches[key] = _Speech(self._next(), part.node, found)
            self._deadlines.schedule(now + CALM_US, self._calm, speech.number, speech)
            self._emit(found)

    def _asked(self, part: TopicRecord, now: int) -> None:
        if split_identifier(part.frame.identifier).destination != GLOBAL_ADDRESS:
            return
        for one in self._homeless.values():
            self._doubt(one, now)

    def _doubt(self, one: _Homeless, now: int) -> None:
        if one.doubted is None:
            one.doubted = now
            self._deadlines.schedule(now + ANSWER_US, self._answer, one.number, one)

    def _next(self) -> int:
        self._count += 1
        return self._count

    # What is due.

    def _answer_due(self, one: _Homeless, passed: int) -> int | None:
        return None if one.over or one.doubted is None else max(passed, one.doubted + ANSWER_US)

    def _over(self, one: _Homeless, time: int, _since: int) -> None:
        one.over = True
        del self._homeless[one.found.name]
        self._emit(Ended(time, one.found.problem_key))

    def _calm_due(self, speech: _Speech, passed: int) -> int | None:
        last = max((part.rhythm.times[-1] for part in speech.parts()), default=0)
        return max(passed, last + CALM_US)

    def _stopped(self, speech: _Speech, time: int, _since: int) -> None:
        for part in speech.parts():
            part.examine_next()
        del self._speeches[speech.node.address, speech.found.topic.dgn]
        self._emit(Ended(time, speech.found.problem_key))


def _is_allowed(part: TopicRecord) -> bool:
    """Tell whether a node without an address may send this."""
    return part.topic.dgn == ADDRESS_CLAIM or asks_for_claims(part)
