"""Devices that restart while they are present: how often, and with how much time between two restarts.

Knows: that a node claims its address when it starts (SAE J1939-81), that it also claims on request, after a commanded
address and to defend its address, and that a device which was found silent has returned and not restarted. Does not
know start-up sequences: ``start_sequences`` finds those. Needs every claim and every request.

A claim counts as a restart where a frame other than a claim was received from the address since the claim before, under
the same NAME or none. It is judged 2 s later, when an address conflict is known. Ten minutes without a restart end the
problem. A device that is planned to sleep claims when it wakes, which is no restart. All of this is our decision.
"""

from collections.abc import Callable

from rvsim.watch.detect.request_history import RequestHistory
from rvsim.watch.identity.records import AddressRecord, TopicRecord
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Emit, Ended, Restarted
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name

CLAIM_JUDGED_AFTER_US = 2 * SECOND_US
"""How long after a claim it can turn out to be part of an address conflict."""
CLEAR_AFTER_US = 600 * SECOND_US
"""How long after the last restart the problem ends."""
RECENT_RESTART_US = 60 * SECOND_US
"""How long after a restart a device may send messages more often than later."""


class _AddressRestarts:
    """The restarts of one address. Times are bus time."""

    def __init__(self, node: AddressRecord) -> None:
        self.node = node
        self.name: Name | None = None
        self.claimed_at: int | None = None
        self.claims: list[tuple[int, int, Frame]] = []
        """The claims that are not judged yet: bus time, frame time, frame."""
        self.count = 0
        self.last_at: int | None = None
        self.shortest: int | None = None
        """The shortest time between two restarts."""
        self.reported: Restarted | None = None


class Restarts:
    """The restarts of every address of a bus."""

    def __init__(
        self,
        roll_call: RollCall,
        deadlines: Deadlines,
        emit: Emit,
        requests: RequestHistory,
        names_at: Callable[[int], tuple[Name, ...]],
    ) -> None:
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._requests = requests
        self._names_at = names_at
        self._claim_deadline = DeadlineKind(44, self._claim_due, self._judge_claim)
        self._clear_deadline = DeadlineKind(45, self._clear_due, self._clear)
        self._states: dict[int, _AddressRestarts] = {}

    def observe_claim(self, record: TopicRecord, name: Name, time: int, now: int) -> None:
        """Take in a claim, before any other detector does."""
        node = record.node
        if node.address >= NULL_ADDRESS:
            return
        state = self._state_of(node)
        known, before, state.name, state.claimed_at = state.name, state.claimed_at, name, now
        if known not in (None, name) or not self._was_sending(node, before):
            return
        if self._requests.explains_claim(node.address, name, now):
            return
        state.claims.append((now, time, record.frame))
        self._deadlines.schedule(now + CLAIM_JUDGED_AFTER_US, self._claim_deadline, node.address, state)

    def note_start_sequence(self, node: AddressRecord, time: int, since: int, now: int, frame: Frame) -> None:
        """Count a restart without a claim: found at ``since``, started at ``now`` in bus time.

        Where the node has claimed its address at that time, the claim alone decides.
        """
        state = self._state_of(node)
        if all(
            abs(now - known) > CLAIM_JUDGED_AFTER_US for known in (state.claimed_at, state.last_at) if known is not None
        ):
            self._count_restart(state, time, now, since, frame, claimed=False)

    def restarted_recently(self, address: int, now: int) -> bool:
        """Return whether a device has restarted, or may have restarted, in the minute before a moment."""
        state = self._states.get(address)
        if state is None:
            return False
        return bool(state.claims) or (state.last_at is not None and now - state.last_at <= RECENT_RESTART_US)

    def _state_of(self, node: AddressRecord) -> _AddressRestarts:
        return self._states.setdefault(node.address, _AddressRestarts(node))

    def _was_sending(self, node: AddressRecord, claimed_at: int | None) -> bool:
        """Return whether a node is heard, never sleeps, and has sent more than claims since its last claim."""
        heard = [
            entry for entry in self._roll_call.entries if entry.node is node and entry.is_heard and not entry.merged
        ]
        if not heard or any(entry.plan is not None and entry.plan.sleeps for entry in heard):
            return False
        sent = (record.rhythm.times[-1] for record in node.topics if record.topic.dgn != ADDRESS_CLAIM)
        return any(claimed_at is None or time > claimed_at for time in sent)

    # Deadlines.

    def _claim_due(self, state: _AddressRestarts, passed: int) -> int | None:
        return max(passed, state.claims[0][0] + CLAIM_JUDGED_AFTER_US) if state.claims else None

    def _judge_claim(self, state: _AddressRestarts, time: int, _since: int) -> None:
        conflict = self._names_at(state.node.address) != (state.name,)
        now, claim_time, frame = state.claims.pop(0)
        if state.claims:
            self._deadlines.schedule(
                state.claims[0][0] + CLAIM_JUDGED_AFTER_US, self._claim_deadline, state.node.address, state
            )
        if not conflict:
            self._count_restart(state, time, now, claim_time, frame, claimed=True)

    def _count_restart(
        self, state: _AddressRestarts, time: int, now: int, since: int, frame: Frame, *, claimed: bool
    ) -> None:
        state.count += 1
        if state.last_at is not None:
            between = now - state.last_at
            state.shortest = between if state.shortest is None else min(state.shortest, between)
        state.last_at = now
        device = (self._roll_call.planned_device_at(state.node) or state.node.unassigned).name
        if state.reported is not None:
            device = state.reported.device
        source = state.node.address
        state.reported = Restarted(time, since, device, source, state.count, state.shortest, claimed, frame)
        self._deadlines.schedule(now + CLEAR_AFTER_US, self._clear_deadline, source, state)
        self._emit(state.reported)

    def _clear_due(self, state: _AddressRestarts, passed: int) -> int | None:
        return None if state.last_at is None else max(passed, state.last_at + CLEAR_AFTER_US)

    def _clear(self, state: _AddressRestarts, time: int, _since: int) -> None:
        if state.reported is not None:
            self._emit(Ended(time, state.reported.problem_key))
        state.count, state.last_at, state.shortest, state.reported = 0, None, None, None
