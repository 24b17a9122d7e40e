"""Who speaks from an address: the way from NAME to function and instance to address.

Knows: that an address alone never tells what a device is (rv-c.com/node/82). A source that claims a planned NAME is
that device, whatever it speaks as. Else it is bound to a planned device by a status message of one of the device's
functions and instances, unless it is known to have another NAME; or, where only one planned device has the function,
by the default source address in its heartbeat, which carries no instance. Of several devices with a function that has
no status message at all, such as panels, the planned address chooses. Functions that devices share by design bind
nobody, nor do commands and requests. A planned device that has no function of its own is what is heard from its
address, as long as nothing else is known of that. Does not know ages: it tells the roll call who has come. Needs
every claim, and of other frames those that say something new.
"""

from collections.abc import Callable
from typing import NamedTuple

from rvsim.rig.functions import FUNCTIONS, by_dsa
from rvsim.rig.model import Rig
from rvsim.watch.detect.addresses import AddressDetectors
from rvsim.watch.identity.records import HEARTBEAT_FLOOR, AddressRecord, DeviceRecord, FunctionInstance, TopicRecord
from rvsim.watch.identity.roll_call import Emit, RollCall
from rvsim.watch.limits import expected
from rvsim.watch.traffic import Agenda, Duty
from rvsim.watch.transitions import Ended, InstanceShared, Presence, Stranger
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import Frame
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name


class _Objection(NamedTuple):
    """A source speaks for a function and instance that it may not have; ``holder`` is who has it."""

    function: str
    holder: DeviceRecord | None


class Identity:
    """Counts every topic to the device that speaks it."""

    def __init__(
        self,
        rig: Rig | None,
        roll_call: RollCall,
        agenda: Agenda,
        emit: Emit,
        forget: Callable[[TopicRecord, int], None],
    ) -> None:
        self._with_rig = rig is not None
        self._roll_call = roll_call
        self._agenda = agenda
        self._emit = emit
        self._forget = forget
        self._naming = Duty(2, self._naming_due, self._stay_unknown)
        self._by_name: dict[Name, DeviceRecord] = {}
        self._by_address: dict[int, DeviceRecord] = {}
        """The planned devices that have no function of their own."""
        self._owners: dict[FunctionInstance, DeviceRecord] = {}
        self._by_function: dict[str, list[DeviceRecord]] = {}
        for entry in roll_call.entries:
            for function, instances in entry.plan.functions.items() if entry.plan else ():
                self._by_function.setdefault(function, []).append(entry)
                self._owners.update({(function, instance): entry for instance in instances})
            if entry.plan is not None and all(FUNCTIONS[name].shared for name in entry.plan.functions):
                self._by_address[entry.plan.address] = entry
            if entry.plan is not None and entry.plan.claimed_name is not None:
                self._by_name[entry.plan.claimed_name] = entry
        owners = self._owners if self._with_rig else None
        self._detectors = AddressDetectors(roll_call, agenda, emit, self._by_name, owners, self._share)
        self._time_to_say = max((entry.silence_limit() for entry in roll_call.entries), default=HEARTBEAT_FLOOR)
        """So long a source may take to say what it is: three heartbeats, or three of the slowest planned status."""

    def is_contested(self, address: int) -> bool:
        """Tell whether two NAMEs are told to share an address."""
        return self._detectors.conflicts.stands(address)

    def command(self, name: Name, address: int, now: int) -> None:
        """Note that a NAME was commanded to an address, at a moment in bus time."""
        self._detectors.requests.note_commanded_address(name, address, now)

    def observe_request(self, frame: Frame, now: int) -> None:
        """Take in a frame of somebody who is neither present nor absent, but may ask others for something."""
        self._detectors.requests.observe(frame, now)

    def observe(self, part: TopicRecord, time: int) -> bool:
        """Count a topic that was just heard to its device.

        Returns:
            Whether the same frame again could change nothing here.
        """
        node, now, claims = part.node, part.rhythm.times[-1], part.topic.dgn == ADDRESS_CLAIM
        asks = self._detectors.observe_before_assignment(part, time, now)
        if node.address >= NULL_ADDRESS:
            return not (claims or asks)
        if claims:
            self._take_name(part, time, now)
        owner, objection = self._who(part) if self._with_rig else (None, None)
        if objection is not None:
            self._doubt(part, time, now)
        if owner is None and part.device.is_gone and part.device.plan is not None:
            owner = part.device  # back with something that it had said before from here
        if owner is None and part.device.plan is None and self._by_address:
            owner = self._by_place(node)
        if owner is not None:
            self._bind(owner, part, time)
        elif part.device is node.nobody:
            self._give(part, self._speaker(node), time)
        self._come(part.device, time, now)
        settled = self._detectors.instances.observe(part, time, now)
        if objection is not None:
            self._weigh(part, objection, time)
        known = part.device.plan is not None or not (self._with_rig and part.says_who)
        # a claim matters however often it is repeated, and so does a request
        return settled and objection is None and known and not claims and not asks

    # Who it is.

    def _who(self, part: TopicRecord) -> tuple[DeviceRecord | None, _Objection | None]:
        """Return the planned device that a topic shows to be its sender, and what the sender may not speak for."""
        node, function, instance = part.node, part.function, part.topic.instance
        claimant = node.claimant
        if claimant is not None and not (part.topic.dgn == ADDRESS_CLAIM or self._may_bind(claimant, node)):
            claimant = None
        if claimant is not None:
            claimant.unsure = False
        if function is None or instance is None:
            return claimant or self._by_heartbeat(part), None
        owner = self._owners.get((function.name, instance))
        if owner is None:
            return claimant, _Objection(part.spoken, None)
        if function.shared or owner is claimant:
            return claimant, None
        if claimant is None and not _other_unit(owner, node) and self._may_bind(owner, node):
            owner.unsure = False
            return owner, None
        return claimant, _Objection(part.spoken, owner)

    def _by_heartbeat(self, part: TopicRecord) -> DeviceRecord | None:
        node, function = part.node, by_dsa(part.topic.dsa) if part.topic.dsa is not None else None
        if function is None or function.shared or function.name in node.other_instances:
            return None
        having = self._by_function.get(function.name, [])
        if not function.statuses and len(having) > 1:
            having = [entry for entry in having if entry.plan is not None and entry.plan.address == node.address]
        if len(having) != 1:
            return None
        entry = having[0]
        if _other_unit(entry, node):
            return None
        if entry.node is node:
            return entry
        if entry.is_heard and not _has_moved(entry, node):
            return None
        if self._by_place(node) is not None or self._roll_call.observe_address(node) is not None:
            return None
        entry.unsure = True
        return entry

    def _by_place(self, node: AddressRecord) -> DeviceRecord | None:
        """Return the planned device that is known by its address alone, where nobody else is known to speak there."""
        entry = self._by_address.get(node.address)
        if entry is None or _other_unit(entry, node):
            return None
        if entry.is_heard:
            return entry if entry.node is node else None
        if self._roll_call.observe_address(node) is not None:
            return None
        entry.unsure = True
        return entry

    def _may_bind(self, entry: DeviceRecord, node: AddressRecord) -> bool:
        """Tell whether a status message can bind a device to a node: it is heard from nowhere else, or has moved."""
        other = entry.node
        if other is None or other is node or not entry.is_heard or entry.unsure:
            return True
        return _has_moved(entry, node)

    def _take_name(self, part: TopicRecord, time: int, now: int) -> None:
        """Note the NAME that a node claims; one that differs from that of a silent device means another node.

        Whoever is known to have another NAME, or was taken to be there while the NAME is that of another planned
        device, speaks there no more.
        """
        node = part.node
        if len(part.frame.data) != 8:
            return
        before, node.name, node.claimed_at = node.name, Name.from_bytes(part.frame.data), now
        if before == node.name:
            return
        node.claimant = self._by_name.get(node.name)
        if before is not None:
            node.other_instances.clear()
        for entry in self._roll_call.entries:
            if entry.plan is None or entry.node is not node:
                continue
            self._detectors.replacements.observe_name(entry, time)
            if entry is node.claimant:
                continue
            wrong = node.claimant is not None or entry.plan.claimed_name is not None
            if wrong and entry.is_heard:
                self._unseat(entry, part, time, now)
            elif entry.is_gone and (wrong or before is not None):
                self._leave(entry, time, keep=part)

    def _doubt(self, part: TopicRecord, time: int, now: int) -> None:
        """Take back what a heartbeat alone had shown, where the status says another instance of that function."""
        function, node = part.function, part.node
        if function is None or function.shared:
            return
        node.other_instances.add(function.name)
        for entry in self._by_function.get(function.name, []):
            if entry.node is node and entry.unsure and entry.is_heard:
                self._unseat(entry, part, time, now)

    def _unseat(self, entry: DeviceRecord, part: TopicRecord, time: int, now: int) -> None:
        """Take back that a device is heard: what was taken for it is somebody else."""
        self._leave(entry, time, keep=part)
        entry.node, entry.state, entry.waiting_from = None, None, now

    # Binding and leaving.

    def _bind(self, entry: DeviceRecord, part: TopicRecord, time: int) -> None:
        node = part.node
        if part.device is entry and entry.node is node and entry.is_heard:
            return
        if entry.node is not node:
            self._leave(entry, time)
        placed = self._by_address.get(node.address)
        if placed is not None and placed is not entry and placed.node is node and placed.is_heard:
            self._unseat(placed, part, time, part.rhythm.times[-1])
        before, was_silent, entry.node = entry.node, entry.is_gone, node
        stranger, node.stranger = node.stranger, None
        since = self._absorb(stranger, entry, time) if stranger is not None else time
        self._give(part, entry, time)
        self._roll_call.arrive(entry, time, part.rhythm.times[-1])
        entry.since = min(since, entry.since)
        self._detectors.replacements.observe_assignment(entry, before, part, time, was_silent=was_silent)

    def _absorb(self, stranger: DeviceRecord, entry: DeviceRecord, time: int) -> int:
        """Count everything of an unknown source to the planned device that it is; return since when it is heard."""
        for one in stranger.strange.values():
            self._emit(Ended(time, one.cause))
        for part in tuple(stranger.topics):
            self._give(part, entry, time)
        stranger.merged = True
        return stranger.since

    def _leave(self, entry: DeviceRecord, time: int, keep: TopicRecord | None = None) -> None:
        """Forget all that a device said from its address: it speaks, or somebody else speaks, from there no more."""
        for one in entry.strange.values():
            self._emit(Ended(time, one.cause))
        entry.strange.clear()
        for part in entry.topics:
            part.device = part.node.nobody
            if part is not keep:
                self._give_up(part, time)
        entry.topics.clear()
        entry.late = 0
        entry.is_heard = False

    def _give_up(self, part: TopicRecord, time: int) -> None:
        if part.late is not None:
            self._emit(Ended(time, part.late.cause))
        for problem in part.values.give_up() if part.values else ():
            self._emit(Ended(time, problem.cause))
        self._forget(part, time)

    def _give(self, part: TopicRecord, entry: DeviceRecord, time: int) -> None:
        """Count a topic to a device from now on."""
        before = part.device
        if before is entry:
            return
        if part in before.topics:
            before.topics.remove(part)
        over = before.strange.pop(part.spoken, None)
        if over is not None:
            self._emit(Ended(time, over.cause))
        part.device = entry
        entry.topics.append(part)
        if part.values is not None and part.layout.spec is not None:
            part.values.expect(expected(part.layout.spec, entry.plan, self._with_rig))
            part.data = None

    def _speaker(self, node: AddressRecord) -> DeviceRecord:
        """Return whom a topic without a word about its sender is counted to."""
        planned = self._roll_call.observe_address(node)
        if planned is not None:
            return planned
        if node.stranger is None:
            node.stranger = self._roll_call.add(node.nobody.name)
            node.stranger.node = node
        return node.stranger

    # Sources that the rig does not have.

    def _come(self, entry: DeviceRecord, time: int, now: int) -> None:
        """Let an unknown source come; a planned device has come when it was bound."""
        if entry.is_heard:
            if not self._with_rig:
                self._roll_call.arm_silence(entry)
            return
        self._roll_call.arrive(entry, time, now)
        if self._with_rig:
            entry.waiting_from = now
            self._agenda.put(now + self._time_to_say, self._naming, entry.number, entry)

    def _naming_due(self, entry: DeviceRecord, passed: int) -> int | None:
        if entry.merged or not entry.is_heard or not self._roll_call.judges:
            return None
        if any(part.speaks_as is not None for part in entry.topics):
            return None  # it has said what it is: that is judged by itself
        return max(passed, entry.waiting_from + self._time_to_say)

    def _stay_unknown(self, entry: DeviceRecord, time: int, since: int) -> None:
        if not self._detectors.replacements.explains_unidentified(entry, time):
            self._object(entry, None, time, since)

    def _weigh(self, part: TopicRecord, objection: _Objection, time: int) -> None:
        """Tell of what a source may not speak for, unless it is, or may turn out to be, something else.

        Where both it and the holder speak it is a shared instance, and where the holder is not heard a replacement.
        """
        entry, holder = part.device, objection.holder
        if holder is not None and holder.is_heard:
            speaks = any(one.speaks_as == part.speaks_as for one in holder.topics)
            if speaks or time - holder.since < HEARTBEAT_FLOOR:
                return
        elif self._detectors.replacements.explains_objection(entry, part, holder, time):
            return
        self._object(entry, objection, time, time)

    def _share(self, entry: DeviceRecord, found: InstanceShared) -> None:
        """Note that a device speaks for what another one speaks for: that is told by itself."""
        if not self._with_rig:
            return
        for key, one in tuple(entry.strange.items()):
            if one.function in found.functions:
                del entry.strange[key]
                self._emit(Ended(found.time, one.cause))
        if entry.plan is None and entry.state is not Presence.UNPLANNED:
            self._roll_call.turn_unplanned(entry, found.time)

    def _object(self, entry: DeviceRecord, objection: _Objection | None, time: int, since: int) -> None:
        """Raise what the rig does not have, once: a function of a planned device, or a whole source."""
        key = objection.function if objection is not None and entry.plan is not None else None
        if key in entry.strange or entry.node is None:
            return
        holder = objection.holder if objection is not None else None
        there = holder is not None and holder.is_heard
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
            holder.name if holder is not None and not there else None,
            entry.node.name,
        )
        entry.strange[key] = stranger
        if entry.plan is None:
            self._roll_call.turn_unplanned(entry, time)
        self._emit(stranger)


def _has_moved(entry: DeviceRecord, node: AddressRecord) -> bool:
    """Tell whether a node claims the NAME of the one at which a device is heard, and that one is silent since."""
    name = entry.node.name if entry.node is not None else None
    return name is not None and node.name == name and entry.last() < node.claimed_at


def _other_unit(entry: DeviceRecord, node: AddressRecord) -> bool:
    """Tell whether a node is known to have another NAME than a device is planned to have."""
    planned = entry.plan.claimed_name if entry.plan is not None else None
    return planned is not None and node.name is not None and node.name != planned
