"""Who speaks from an address: the way from NAME to function and instance to address.

Knows: that an address alone never tells what a device is (rv-c.com/node/82). A source is bound to a planned device
by a status message of one of the device's functions and instances; or, where only one planned device has the
function, by the default source address in its heartbeat, which carries no instance. Of several devices with a
function that has no status message at all, such as panels, the planned address chooses. Functions that devices share
by design bind nobody, nor do commands and requests. Does not know ages: it tells the roll call who has come.
"""

from collections.abc import Callable
from typing import NamedTuple

from rvsim.rig.functions import by_dsa
from rvsim.rig.model import Rig
from rvsim.watch.attendance import HEARTBEAT_FLOOR, Entry, Node, Part
from rvsim.watch.limits import expected
from rvsim.watch.roll_call import Emit, RollCall
from rvsim.watch.traffic import Agenda, Duty
from rvsim.watch.transitions import Ended, Stranger
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name


class _Objection(NamedTuple):
    """A source speaks for a function and instance that it may not have; ``holder`` is who has it."""

    function: str
    holder: Entry | None


class Identity:
    """Counts every topic to the device that speaks it."""

    def __init__(
        self, rig: Rig | None, roll_call: RollCall, agenda: Agenda, emit: Emit, forget: Callable[[Part], None]
    ) -> None:
        self._with_rig = rig is not None
        self._roll_call = roll_call
        self._agenda = agenda
        self._emit = emit
        self._forget = forget
        self._naming = Duty(2, self._naming_due, self._stay_unknown)
        self._owners: dict[tuple[str, int], Entry] = {}
        self._by_function: dict[str, list[Entry]] = {}
        for entry in roll_call.entries:
            for function, instances in entry.plan.functions.items() if entry.plan else ():
                self._by_function.setdefault(function, []).append(entry)
                self._owners.update({(function, instance): entry for instance in instances})
        self._time_to_say = max((entry.silence_limit() for entry in roll_call.entries), default=HEARTBEAT_FLOOR)
        """So long a source may take to say what it is: three heartbeats, or three of the slowest planned status."""

    def hear(self, part: Part, time: int) -> bool:
        """Count a topic that was just heard to its device.

        Returns:
            Whether the same frame again could change nothing here.
        """
        node, now = part.node, part.rhythm.times[-1]
        if node.address >= NULL_ADDRESS:
            return True
        if part.topic.dgn == ADDRESS_CLAIM:
            self._take_name(part, time, now)
        owner, objection = self._who(part) if self._with_rig else (None, None)
        if objection is not None:
            self._doubt(part, time, now)
        if owner is None and part.entry.is_gone and part.entry.plan is not None:
            owner = part.entry  # back with something that it had said before from here
        if owner is not None:
            self._bind(owner, part, time)
        elif part.entry is node.nobody:
            self._give(part, self._speaker(node), time)
        self._come(part.entry, time, now)
        if objection is not None:
            self._object(part.entry, objection, time, time)
        return objection is None and (part.entry.plan is not None or not (self._with_rig and part.says_who))

    # Who it is.

    def _who(self, part: Part) -> tuple[Entry | None, _Objection | None]:
        """Return the planned device that a topic shows to be its sender, or what the sender may not speak for."""
        function, instance = part.function, part.topic.instance
        if function is None or instance is None:
            return self._by_heartbeat(part), None
        owner = self._owners.get((function.name, instance))
        if owner is None:
            return None, _Objection(part.spoken, None)
        if function.shared:
            return None, None
        if self._may_bind(owner, part.node):
            owner.by_dsa_only = False
            return owner, None
        return None, _Objection(part.spoken, owner)

    def _by_heartbeat(self, part: Part) -> Entry | None:
        node, function = part.node, by_dsa(part.topic.dsa) if part.topic.dsa is not None else None
        if function is None or function.shared or function.name in node.other_instances:
            return None
        having = self._by_function.get(function.name, [])
        if not function.statuses and len(having) > 1:
            having = [entry for entry in having if entry.plan is not None and entry.plan.address == node.address]
        if len(having) != 1:
            return None
        entry = having[0]
        if entry.node is node:
            return entry
        if entry.heard or self._heard_from(node) is not None:
            return None
        entry.by_dsa_only = True
        return entry

    def _may_bind(self, entry: Entry, node: Node) -> bool:
        """Tell whether a status message can bind a device to a node: it is heard from nowhere else, or has moved."""
        other = entry.node
        if other is None or other is node or not entry.heard or entry.by_dsa_only:
            return True
        return node.name is not None and node.name == other.name and entry.last() < node.claimed_at

    def _take_name(self, part: Part, time: int, now: int) -> None:
        """Note the NAME that a node claims; one that differs from that of a silent device means another node."""
        node = part.node
        if len(part.frame.data) != 8:
            return
        before, node.name, node.claimed_at = node.name, Name.from_bytes(part.frame.data), now
        if before is None or before == node.name:
            return
        node.other_instances.clear()
        for entry in self._roll_call.entries:
            if entry.plan is not None and entry.node is node and entry.is_gone:
                self._leave(entry, time, keep=part)

    def _doubt(self, part: Part, time: int, now: int) -> None:
        """Take back what a heartbeat alone had shown, where the status says another instance of that function."""
        function, node = part.function, part.node
        if function is None or function.shared:
            return
        node.other_instances.add(function.name)
        for entry in self._by_function.get(function.name, []):
            if entry.node is node and entry.by_dsa_only and entry.heard:
                self._leave(entry, time, keep=part)
                entry.node, entry.state, entry.waiting_from = None, None, now

    # Binding and leaving.

    def _bind(self, entry: Entry, part: Part, time: int) -> None:
        node = part.node
        if part.entry is entry and entry.node is node and entry.heard:
            return
        if entry.node is not node:
            self._leave(entry, time)
        entry.node = node
        stranger, node.stranger = node.stranger, None
        since = self._absorb(stranger, entry, time) if stranger is not None else time
        self._give(part, entry, time)
        self._roll_call.arrive(entry, time, part.rhythm.times[-1])
        entry.since = min(since, entry.since)

    def _absorb(self, stranger: Entry, entry: Entry, time: int) -> int:
        """Count everything of an unknown source to the planned device that it is; return since when it is heard."""
        for one in stranger.strange.values():
            self._emit(Ended(time, one.cause))
        for part in tuple(stranger.parts):
            self._give(part, entry, time)
        stranger.merged = True
        return stranger.since

    def _leave(self, entry: Entry, time: int, keep: Part | None = None) -> None:
        """Forget all that a device said from its address: it speaks, or somebody else speaks, from there no more."""
        for one in entry.strange.values():
            self._emit(Ended(time, one.cause))
        entry.strange.clear()
        for part in entry.parts:
            part.entry = part.node.nobody
            if part is not keep:
                self._give_up(part, time)
        entry.parts.clear()
        entry.late = 0
        entry.heard = False

    def _give_up(self, part: Part, time: int) -> None:
        if part.late is not None:
            self._emit(Ended(time, part.late.cause))
        for problem in part.values.give_up() if part.values else ():
            self._emit(Ended(time, problem.cause))
        self._forget(part)

    def _give(self, part: Part, entry: Entry, time: int) -> None:
        """Count a topic to a device from now on."""
        before = part.entry
        if before is entry:
            return
        if part in before.parts:
            before.parts.remove(part)
        over = before.strange.pop(part.spoken, None)
        if over is not None:
            self._emit(Ended(time, over.cause))
        part.entry = entry
        entry.parts.append(part)
        if part.values is not None and part.layout.spec is not None:
            part.values.expect(expected(part.layout.spec, entry.plan, self._with_rig))
            part.data = None

    def _heard_from(self, node: Node) -> Entry | None:
        """Return the planned device that is heard from a node; of several the first in the rig."""
        at_node = (entry for entry in self._roll_call.entries if entry.node is node and entry.plan is not None)
        return next((entry for entry in at_node if entry.heard), None)

    def _speaker(self, node: Node) -> Entry:
        """Return whom a topic without a word about its sender is counted to."""
        planned = self._heard_from(node)
        if planned is not None:
            return planned
        if node.stranger is None:
            node.stranger = self._roll_call.add(node.nobody.name)
            node.stranger.node = node
        return node.stranger

    # Sources that the rig does not have.

    def _come(self, entry: Entry, time: int, now: int) -> None:
        """Let an unknown source come; a planned device has come when it was bound."""
        if entry.heard:
            if not self._with_rig:
                self._roll_call.arm_silence(entry)
            return
        self._roll_call.arrive(entry, time, now)
        if self._with_rig:
            entry.waiting_from = now
            self._agenda.put(now + self._time_to_say, self._naming, entry.number, entry)

    def _naming_due(self, entry: Entry, passed: int) -> int | None:
        if entry.merged or not entry.heard:
            return None
        return max(passed, entry.waiting_from + self._time_to_say)

    def _stay_unknown(self, entry: Entry, time: int, since: int) -> None:
        self._object(entry, None, time, since)

    def _object(self, entry: Entry, objection: _Objection | None, time: int, since: int) -> None:
        """Raise what the rig does not have, once: a function of a planned device, or a whole source."""
        key = objection.function if objection is not None and entry.plan is not None else None
        if key in entry.strange or entry.node is None:
            return
        holder = objection.holder if objection is not None else None
        stranger = Stranger(
            time,
            since,
            entry.name,
            entry.node.address,
            entry.plan is not None,
            objection.function if objection is not None else None,
            f"{holder.name} (address {holder.node.address:02X} hex)" if holder and holder.node else None,
            self._time_to_say,
            entry.last_frame(),
        )
        entry.strange[key] = stranger
        if entry.plan is None:
            self._roll_call.turn_unplanned(entry, time)
        self._emit(stranger)
