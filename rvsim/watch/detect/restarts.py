"""Devices that begin anew while they are there: how often, and how soon after one another.

Knows: that a node claims its address when it starts (SAE J1939-81), that it also claims when it is asked to, was
commanded elsewhere or defends its address, and that a device which was found silent has come back and not restarted.
Does not know start-up sequences: ``start_sequences`` tells of those. Needs every claim and every request.

A claim counts as a restart where something else than a claim was heard from the address since the claim before, under
the same NAME or none. It is judged 2 s later, so that a contest has shown itself. After ten minutes without one it is
over. A device that is planned to sleep claims when it wakes. All of this is our decision.
"""

from collections.abc import Callable

from rvsim.watch.detect.asked import Asked
from rvsim.watch.identity.records import AddressRecord, TopicRecord
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Emit, Ended, Restarted
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name

CONTEST_US = 2 * SECOND_US
"""So long a claim may turn out to be one of a contest."""
CALM_US = 600 * SECOND_US
SETTLES_US = 60 * SECOND_US
"""So long after a restart a device may say things more often than it does later."""


class _Starts:
    """What is known of the restarts of one address. Times are bus time."""

    def __init__(self, node: AddressRecord) -> None:
        self.node = node
        self.name: Name | None = None
        self.claimed: int | None = None
        self.waiting: list[tuple[int, int, Frame]] = []
        """Claims that are still to be judged: bus time, time, frame."""
        self.count = 0
        self.last: int | None = None
        self.shortest: int | None = None
        self.found: Restarted | None = None


class Restarts:
    """Every device of a bus, by its address."""

    def __init__(
        self,
        roll_call: RollCall,
        deadlines: Deadlines,
        emit: Emit,
        asked: Asked,
        names_at: Callable[[int], tuple[Name, ...]],
    ) -> None:
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._asked = asked
        self._names_at = names_at
        self._judging = DeadlineKind(44, self._judging_due, self._judge)
        self._calm = DeadlineKind(45, self._calm_due, self._end)
        self._starts: dict[int, _Starts] = {}

    def claim(self, part: TopicRecord, name: Name, time: int, now: int) -> None:
        """Take in a claim, before anything else is made of it."""
        node = part.node
        if node.address >= NULL_ADDRESS:
            return
        starts = self._of(node)
        known, before, starts.name, starts.claimed = starts.name, starts.claimed, name, now
        if known not in (None, name) or not self._was_there(node, before):
            return
        if self._asked.may_claim(node.address, name, now):
            return
        starts.waiting.append((now, time, part.frame))
        self._deadlines.schedule(now + CONTEST_US, self._judging, node.address, starts)

    def begin_again(self, node: AddressRecord, time: int, since: int, now: int, frame: Frame) -> None:
        """Count a restart without a claim that was found at ``since`` and began at ``now``, in bus time.

        Where the node has claimed its address at that time, the claim decides.
        """
        starts = self._of(node)
        if all(abs(now - known) > CONTEST_US for known in (starts.claimed, starts.last) if known is not None):
            self._note(starts, time, now, since, frame, claimed=False)

    def recent(self, address: int, now: int) -> bool:
        """Tell whether a device has restarted within the last minute before a moment, or may have."""
        starts = self._starts.get(address)
        if starts is None:
            return False
        return bool(starts.waiting) or (starts.last is not None and now - starts.last <= SETTLES_US)

    def _of(self, node: AddressRecord) -> _Starts:
        return self._starts.setdefault(node.address, _Starts(node))

    def _was_there(self, node: AddressRecord, claimed: int | None) -> bool:
        """Tell whether something else than a claim was heard since the last one, and nothing was missed of the node."""
        here = [
            entry for entry in self._roll_call.entries if entry.node is node and entry.is_heard and not entry.merged
        ]
        if not here or any(entry.plan is not None and entry.plan.sleeps for entry in here):
            return False
        spoken = (part.rhythm.times[-1] for part in node.topics if part.topic.dgn != ADDRESS_CLAIM)
        return any(claimed is None or time > claimed for time in spoken)

    # What is due.

    def _judging_due(self, starts: _Starts, passed: int) -> int | None:
        return max(passed, starts.waiting[0][0] + CONTEST_US) if starts.waiting else None

    def _judge(self, starts: _Starts, time: int, _since: int) -> None:
        contested = self._names_at(starts.node.address) != (starts.name,)
        now, at, frame = starts.waiting.pop(0)
        if starts.waiting:
            self._deadlines.schedule(starts.waiting[0][0] + CONTEST_US, self._judging, starts.node.address, starts)
        if not contested:
            self._note(starts, time, now, at, frame, claimed=True)

    def _note(self, starts: _Starts, time: int, now: int, at: int, frame: Frame, *, claimed: bool) -> None:
        starts.count += 1
        if starts.last is not None:
            between = now - starts.last
            starts.shortest = between if starts.shortest is None else min(starts.shortest, between)
        starts.last = now
        device = (self._roll_call.planned_device_at(starts.node) or starts.node.unassigned).name
        if starts.found is not None:
            device = starts.found.device
        source = starts.node.address
        starts.found = Restarted(time, at, device, source, starts.count, starts.shortest, claimed, frame)
        self._deadlines.schedule(now + CALM_US, self._calm, source, starts)
        self._emit(starts.found)

    def _calm_due(self, starts: _Starts, passed: int) -> int | None:
        return None if starts.last is None else max(passed, starts.last + CALM_US)

    def _end(self, starts: _Starts, time: int, _since: int) -> None:
        if starts.found is not None:
            self._emit(Ended(time, starts.found.problem_key))
        starts.count, starts.last, starts.shortest, starts.found = 0, None, None, None
