"""Identifies the device behind a source address: first by NAME, then by function and instance, then by address.

Knows: that an address alone never identifies a device (rv-c.com/node/82). A source that claims a planned NAME is that
device, whatever functions it sends. Otherwise it is bound to a planned device by a status message of one of the
device's functions and instances, unless it is known to have another NAME; or, where only one planned device has the
function, by the default source address in its heartbeat, which has no instance. Of several devices with a function that
has no status message at all, such as panels, or one on change only, such as keypads, the planned address decides.
Functions that devices share by design bind no device, nor do commands and requests. A planned device that has no
function of its own is bound to its planned address, as long as nothing else is known of that address; so is one whose
own function has no status, where a status that it shares by plan comes from there. Does not know
ages: it informs the roll call which device was heard. Needs every claim, and those other frames whose data are new.
"""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from rvsim.rig.functions import FUNCTIONS, by_dsa
from rvsim.watch.detect.addresses import AddressDetectors
from rvsim.watch.identity.records import (
    MIN_SILENCE_LIMIT_US,
    AddressRecord,
    DeviceRecord,
    FunctionInstance,
    TopicRecord,
)
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.limits import expected
from rvsim.watch.needs import PassedChange
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Emit, Ended, InstanceShared, Presence, UnplannedDevice
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import Frame
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name

if TYPE_CHECKING:
    from rvsim.rig.device_plan import DevicePlan
    from rvsim.rig.model import Rig


class _Objection(NamedTuple):
    """A source sends a function and instance that it may not have; ``holder`` is the device that has it by the rig."""

    function: str
    holder: DeviceRecord | None


class Identity:
    """Assigns every topic to the device that sends it."""

    def __init__(
        self,
        rig: "Rig | None",
        roll_call: RollCall,
        deadlines: Deadlines,
        emit: Emit,
        forget: Callable[[TopicRecord, int], None],
    ) -> None:
        self._with_rig = rig is not None
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._forget = forget
        self._identification = DeadlineKind(2, self._identification_due, self._report_unidentified)
        self._by_name: dict[Name, DeviceRecord] = {}
        self._by_address: dict[int, DeviceRecord] = {}
        """The planned devices that have no function with a status of their own."""
        self._owners: dict[FunctionInstance, DeviceRecord] = {}
        self._by_function: dict[str, list[DeviceRecord]] = {}
        for entry in roll_call.entries:
            for function, instances in entry.plan.functions.items() if entry.plan else ():
                self._by_function.setdefault(function, []).append(entry)
                self._owners.update({(function, instance): entry for instance in instances})
            if entry.plan is not None and _is_known_by_address(entry.plan):
                self._by_address[entry.plan.address] = entry
            if entry.plan is not None and entry.plan.claimed_name is not None:
                self._by_name[entry.plan.claimed_name] = entry
        owners = self._owners if self._with_rig else None
        self.assignments = 0
        """How often the values of a topic were given other limits."""
        self._detectors = AddressDetectors(
            roll_call, deadlines, emit, self._by_name, owners, self._note_shared_instance
        )
        self._identify_within_us = max(
            (entry.silence_limit() for entry in roll_call.entries), default=MIN_SILENCE_LIMIT_US
        )
        """How long a source may take to identify itself: three heartbeats, or three gaps of the slowest planned
        status."""

    def is_contested(self, address: int) -> bool:
        """Return whether two NAMEs are reported to share an address."""
        return self._detectors.conflicts.is_shared(address)

    def command(self, name: Name, address: int, now: int) -> None:
        """Note that a NAME was commanded to an address, at a moment in bus time."""
        self._detectors.requests.note_commanded_address(name, address, now)

    def resume_listening(self, time: int, now: int, *, gap_us: int) -> None:
        """Note that nobody listened for ``gap_us`` up to ``time``, which is bus time ``now``."""
        self._detectors.resume_listening(time, now, gap_us=gap_us)

    def observe_request(self, frame: Frame, now: int) -> None:
        """Take in a frame of a sender outside the roll call; it may be a request."""
        self._detectors.requests.observe(frame, now)

    def observe(self, record: TopicRecord, time: int) -> bool:
        """Assign a topic that was just received to its device.

        Returns:
            Whether the same frame again would change nothing here.
        """
        node, now, is_claim = record.node, record.rhythm.times[-1], record.topic.dgn == ADDRESS_CLAIM
        is_request = self._detectors.observe_before_assignment(record, time, now)
        if node.address >= NULL_ADDRESS:
            return not (is_claim or is_request)
        if is_claim:
            self._take_name(record, time, now)
        owner, objection = self._identify(record) if self._with_rig else (None, None)
        if objection is not None:
            self._revoke_tentative(record, time, now)
        if owner is None and record.device.is_silent and record.device.plan is not None:
            owner = record.device  # it is heard again with a topic that it sent from here before
        if owner is None and record.device.plan is None and self._by_address:
            owner = self._by_planned_address(node, record)
        if owner is not None:
            self._bind(owner, record, time)
        elif record.device is node.unassigned:
            self._assign(record, self._unknown_sender(node), time)
        self._note_presence(record.device, time, now)
        settled = self._detectors.instances.observe(record, time, now)
        if objection is not None:
            self._report_objection(record, objection, time)
        known = record.device.plan is not None or not (self._with_rig and record.identifies_device)
        # a claim matters however often it is repeated, and so does a request
        record.values_only = settled and objection is None and known and not is_claim and not is_request
        return record.values_only

    def is_in_question(self, record: TopicRecord) -> bool:
        """Return whether a frame with new data of a topic can change what is known of its sender."""
        is_known = record.device.plan is not None or not self._with_rig
        return not (record.values_only and is_known and self._detectors.instances.has_one_sender(record))

    def enter(self, record: TopicRecord, changes: Sequence[PassedChange]) -> None:
        """Take in the last frames with new data that were passed over."""
        self._detectors.enter(record, changes)

    # Identification.

    def _identify(self, record: TopicRecord) -> tuple[DeviceRecord | None, _Objection | None]:
        """Return the planned device that a topic identifies as its sender, and the objection to that topic, if any."""
        node, function, instance = record.node, record.function, record.topic.instance
        claimant = node.claimed_device
        if claimant is not None and not (record.topic.dgn == ADDRESS_CLAIM or self._may_bind(claimant, node)):
            claimant = None
        if claimant is not None:
            claimant.is_tentative = False
        if function is None or instance is None:
            return claimant or self._by_heartbeat(record), None
        owner = self._owners.get((function.name, instance))
        if owner is None:
            return claimant, _Objection(record.function_text, None)
        if function.shared or owner is claimant:
            return claimant, None
        if claimant is None and not _other_unit(owner, node) and self._may_bind(owner, node):
            owner.is_tentative = False
            return owner, None
        return claimant, _Objection(record.function_text, owner)

    def _by_heartbeat(self, record: TopicRecord) -> DeviceRecord | None:
        node, function = record.node, by_dsa(record.topic.dsa) if record.topic.dsa is not None else None
        if function is None or function.shared or function.name in node.wrong_instance_functions:
            return None
        having = self._by_function.get(function.name, [])
        if (function.on_change or not function.statuses) and len(having) > 1:
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
        if self._by_planned_address(node, record) is not None or self._roll_call.planned_device_at(node) is not None:
            return None
        entry.is_tentative = True
        return entry

    def _by_planned_address(self, node: AddressRecord, record: TopicRecord | None = None) -> DeviceRecord | None:
        """Return the planned device that is identified by its address alone, where no other is known to send from
        there.

        One that has a function of its own without a status, such as a battery monitor, has a heartbeat for it; of its
        other messages only a status that it shares by plan counts.
        """
        entry = self._by_address.get(node.address)
        if entry is None or _other_unit(entry, node):
            return None
        if record is not None and not entry.is_heard and not _may_be_from(entry, record):
            return None
        if entry.is_heard:
            return entry if entry.node is node else None
        if self._roll_call.planned_device_at(node) is not None:
            return None
        entry.is_tentative = True
        return entry

    def _may_bind(self, entry: DeviceRecord, node: AddressRecord) -> bool:
        """Return whether a status message can bind a device to a node: it is heard from no other node, or has moved."""
        other = entry.node
        if other is None or other is node or not entry.is_heard or entry.is_tentative:
            return True
        return _has_moved(entry, node)

    def _take_name(self, record: TopicRecord, time: int, now: int) -> None:
        """Note the NAME that a node claims; one that differs from that of a silent device means another unit.

        A device that is known to have another NAME, or whose place is claimed by the NAME of another planned device, is
        no longer bound to the node.
        """
        node = record.node
        if len(record.frame.data) != 8:
            return
        before, node.name, node.claimed_at = node.name, Name.from_bytes(record.frame.data), now
        if before == node.name:
            return
        node.doubt_senders()
        node.claimed_device = self._by_name.get(node.name)
        if before is not None:
            node.wrong_instance_functions.clear()
        for entry in self._roll_call.entries:
            if entry.plan is None or entry.node is not node:
                continue
            self._detectors.replacements.observe_name(entry, time)
            if entry is node.claimed_device:
                continue
            wrong = node.claimed_device is not None or entry.plan.claimed_name is not None
            if wrong and entry.is_heard:
                self._unbind(entry, record, time, now)
            elif entry.is_silent and (wrong or before is not None):
                self._remove_topics(entry, time, keep=record)

    def _revoke_tentative(self, record: TopicRecord, time: int, now: int) -> None:
        """Unbind a device that only its heartbeat identified, where the status has another instance of that
        function.
        """
        function, node = record.function, record.node
        if function is None or function.shared:
            return
        node.wrong_instance_functions.add(function.name)
        node.doubt_senders()
        for entry in self._by_function.get(function.name, []):
            if entry.node is node and entry.is_tentative and entry.is_heard:
                self._unbind(entry, record, time, now)

    def _unbind(self, entry: DeviceRecord, record: TopicRecord, time: int, now: int) -> None:
        """Unbind a device: the frames that were assigned to it come from another unit."""
        if entry.node is not None:
            entry.node.doubt_senders()
        self._remove_topics(entry, time, keep=record)
        entry.node, entry.state, entry.waiting_from = None, None, now
        self._roll_call.hasten_silence(entry)

    # Binding.

    def _bind(self, entry: DeviceRecord, record: TopicRecord, time: int) -> None:
        node = record.node
        if record.device is entry and entry.node is node and entry.is_heard:
            return
        node.doubt_senders()
        if entry.node is not node:
            self._remove_topics(entry, time)
        placed = self._by_address.get(node.address)
        is_other = placed is not None and placed is not entry and placed.node is node and placed.is_heard
        if placed is not None and is_other and _has_only_shared(placed):
            self._unbind(placed, record, time, record.rhythm.times[-1])
        for other in self._by_function.get(record.function.name, ()) if record.function is not None else ():
            if other is not entry and other.node is node and other.is_tentative and other.is_heard:
                self._unbind(other, record, time, record.rhythm.times[-1])  # the status says that it is not this one
        before, was_silent, entry.node = entry.node, entry.is_silent, node
        unplanned, node.unplanned = node.unplanned, None
        since = self._merge(unplanned, entry, time) if unplanned is not None else time
        self._assign(record, entry, time)
        self._roll_call.arrive(entry, time, record.rhythm.times[-1])
        self._roll_call.hasten_silence(entry)
        entry.since = min(since, entry.since)
        self._detectors.replacements.observe_assignment(entry, before, record, time, was_silent=was_silent)

    def _merge(self, unplanned: DeviceRecord, entry: DeviceRecord, time: int) -> int:
        """Assign all topics of an unknown source to the planned device that it is; return since when it is heard."""
        for one in unplanned.open_unplanned.values():
            self._emit(Ended(time, one.problem_key))
        for record in tuple(unplanned.topics):
            self._assign(record, entry, time)
        unplanned.merged = True
        return unplanned.since

    def _remove_topics(self, entry: DeviceRecord, time: int, keep: TopicRecord | None = None) -> None:
        """Remove all topics of a device: it no longer sends from its address, or another unit does."""
        for one in entry.open_unplanned.values():
            self._emit(Ended(time, one.problem_key))
        entry.open_unplanned.clear()
        for record in entry.topics:
            record.refresh()
            record.device = record.node.unassigned
            if record is not keep:
                self._drop_topic(record, time)
        entry.topics.clear()
        entry.late_count = 0
        entry.is_heard = False

    def _drop_topic(self, record: TopicRecord, time: int) -> None:
        if record.lateness is not None:
            self._emit(Ended(time, record.lateness.problem_key))
        for problem in record.values.close_all() if record.values else ():
            self._emit(Ended(time, problem.problem_key))
        self._forget(record, time)

    def _assign(self, record: TopicRecord, entry: DeviceRecord, time: int) -> None:
        """Assign a topic to a device from now on."""
        before = record.device
        if before is entry:
            return
        if record in before.topics:
            before.topics.remove(record)
            self._roll_call.hasten_silence(before)
        ended = before.open_unplanned.pop(record.function_text, None)
        if ended is not None:
            self._emit(Ended(time, ended.problem_key))
        record.device = entry
        entry.topics.append(record)
        if record.values is not None and record.layout.spec is not None:
            self.assignments += 1
            record.examine_next()
            record.values.expect(expected(record.layout.spec, entry.plan, twelve_volts=self._with_rig))

    def _unknown_sender(self, node: AddressRecord) -> DeviceRecord:
        """Return the device that a topic is assigned to when the topic does not identify its sender."""
        planned = self._roll_call.planned_device_at(node)
        if planned is not None:
            return planned
        if node.unplanned is None:
            node.unplanned = self._roll_call.add(node.unassigned.name)
            node.unplanned.node = node
        return node.unplanned

    # Sources that are not in the rig.

    def _note_presence(self, entry: DeviceRecord, time: int, now: int) -> None:
        """Note that an unknown source is heard; for a planned device this was noted when it was bound."""
        if entry.is_heard:
            if not self._with_rig:
                self._roll_call.arm_silence(entry)
            return
        self._roll_call.arrive(entry, time, now)
        if self._with_rig:
            entry.waiting_from = now
            self._deadlines.schedule(now + self._identify_within_us, self._identification, entry.number, entry)

    def _identification_due(self, entry: DeviceRecord, passed: int) -> int | None:
        if entry.merged or not entry.is_heard or not self._roll_call.judges:
            return None
        if any(record.exclusive_function is not None for record in entry.topics):
            return None  # it has identified itself, which is judged separately
        return max(passed, entry.waiting_from + self._identify_within_us)

    def _report_unidentified(self, entry: DeviceRecord, time: int, since: int) -> None:
        if not self._detectors.replacements.explains_unidentified(entry, time):
            self._raise_unplanned(entry, None, time, since)

    def _report_objection(self, record: TopicRecord, objection: _Objection, time: int) -> None:
        """Report a function that a source may not have, unless another problem explains it, or may still do so.

        Where both the source and the holder send it, it is a shared instance; where the holder is not heard, a
        replacement.
        """
        entry, holder = record.device, objection.holder
        if holder is not None and holder.is_heard:
            speaks = any(one.exclusive_function == record.exclusive_function for one in holder.topics)
            if speaks or time - holder.since < MIN_SILENCE_LIMIT_US:
                return
        elif self._detectors.replacements.explains_objection(entry, record, holder, time):
            return
        self._raise_unplanned(entry, objection, time, time)

    def _note_shared_instance(self, entry: DeviceRecord, found: InstanceShared) -> None:
        """Note a shared instance: it replaces the report of an unplanned function."""
        if not self._with_rig:
            return
        for key, one in tuple(entry.open_unplanned.items()):
            if one.function in found.functions:
                del entry.open_unplanned[key]
                self._emit(Ended(found.time, one.problem_key))
        if entry.plan is None and entry.state is not Presence.UNPLANNED:
            self._roll_call.turn_unplanned(entry, found.time)

    def _raise_unplanned(self, entry: DeviceRecord, objection: _Objection | None, time: int, since: int) -> None:
        """Report once what is not in the rig: a function of a planned device, or a whole source."""
        key = objection.function if objection is not None and entry.plan is not None else None
        if key in entry.open_unplanned or entry.node is None:
            return
        holder = objection.holder if objection is not None else None
        there = holder is not None and holder.is_heard
        unplanned = UnplannedDevice(
            time,
            since,
            entry.name,
            entry.node.address,
            entry.plan is not None,
            objection.function if objection is not None else None,
            f"{holder.name} (address {holder.node.address:02X} hex)" if holder and holder.node else None,
            self._identify_within_us,
            entry.last_frame(),
            holder.name if holder is not None and not there else None,
            entry.node.name,
        )
        entry.open_unplanned[key] = unplanned
        if entry.plan is None:
            self._roll_call.turn_unplanned(entry, time)
        self._emit(unplanned)


def _is_known_by_address(plan: "DevicePlan") -> bool:
    """Return whether no status message can bind a device, other than one of a function that devices share."""
    functions = [FUNCTIONS[name] for name in plan.functions]
    shares = any(function.shared for function in functions) or not functions
    return shares and all(function.shared or not function.statuses for function in functions)


def _has_only_shared(entry: DeviceRecord) -> bool:
    """Return whether a planned device has no functions but those that devices share by design."""
    return entry.plan is not None and all(FUNCTIONS[name].shared for name in entry.plan.functions)


def _may_be_from(entry: DeviceRecord, record: TopicRecord) -> bool:
    """Return whether a message from the address of a device that is known by its address can be of that device."""
    functions = entry.plan.functions if entry.plan is not None else {}
    if _has_only_shared(entry):
        return True
    name = record.function.name if record.function is not None else ""
    return record.topic.instance in functions.get(name, ())


def _has_moved(entry: DeviceRecord, node: AddressRecord) -> bool:
    """Return whether a node claims the NAME of the node of a device, and that node was silent since."""
    name = entry.node.name if entry.node is not None else None
    return name is not None and node.name == name and entry.last_heard() < node.claimed_at


def _other_unit(entry: DeviceRecord, node: AddressRecord) -> bool:
    """Return whether a node is known to have another NAME than the device is planned to have."""
    planned = entry.plan.claimed_name if entry.plan is not None else None
    return planned is not None and node.name is not None and node.name != planned
