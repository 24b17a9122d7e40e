"""Units that were replaced: a function of a device comes from another NAME, address or instance.

Knows: which unit sends in place of a device that is not heard, with a rig or without one. Does not know ages: the roll
call reports when a device falls silent, and ``identity`` when one is identified. Needs changes only: silences, first
frames of topics, claims, and which source is identified as which device.

Our decisions:
- nothing is reported before the device itself has passed its silence limit: then the replacement is reported in place
  of the silence;
- another instance counts where the rig has no such instance, exactly one planned device of the function is not heard,
  and that device did not continue after the other unit started;
- a planned device that is first heard from another address has 15 s for the claim that identifies it;
- without a rig the other unit has to send as every function that the silent one sent as;
- at an address with a reported address conflict no unit was replaced: only the conflict is reported;
- a unit that only moved, shown by its NAME at the old address or by a commanded address, was not replaced.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import NamedTuple

from rvsim.rig.functions import FUNCTIONS, by_dsa
from rvsim.watch.detect.request_history import RequestHistory
from rvsim.watch.detect.shared_instances import FunctionSender, SharedInstances
from rvsim.watch.detect.shared_names import SharedNames
from rvsim.watch.identity.records import (
    MIN_SILENCE_LIMIT_US,
    AddressRecord,
    DeviceRecord,
    FunctionInstance,
    TopicRecord,
)
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Difference, Emit, Ended, Presence, Replaced
from rvsim.wire.name import Name

_ABSENT_STATES = (Presence.SILENT, Presence.ASLEEP)


class _Substitute(NamedTuple):
    """A topic of the unit that sends in place of a device, and how that unit differs."""

    record: TopicRecord
    difference: Difference


class Replacements:
    """The devices of a bus that other units have replaced."""

    def __init__(
        self,
        roll_call: RollCall,
        deadlines: Deadlines,
        emit: Emit,
        owners: Mapping[FunctionInstance, DeviceRecord] | None,
        requests: RequestHistory,
        names: SharedNames,
        is_contested: Callable[[int], bool],
    ) -> None:
        """Take the objects that this depends on.

        Args:
            roll_call: the devices; it reports silences and returns to this object.
            deadlines: takes the deadlines.
            emit: takes the problems and their ends.
            owners: the planned devices, by the functions and instances that they have; None without a rig.
            requests: the commanded addresses.
            names: the addresses at which each NAME was claimed.
            is_contested: returns whether an address conflict is reported at an address.
        """
        self._with_rig = owners is not None
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._owners = owners or {}
        self._requests = requests
        self._names = names
        self._is_contested = is_contested
        self._address_deadline = DeadlineKind(50, self._address_due, self._report_address)
        self.instances: SharedInstances
        """The senders of each function and instance; set once, by the creator of both objects."""
        roll_call.on_silence = self.observe_silence
        roll_call.on_arrival = self.observe_return

    # A device falls silent or returns.

    def observe_silence(self, entry: DeviceRecord, time: int, since: int) -> bool:
        """Note that a device fell silent; return whether something else is reported than its silence."""
        self._end_as_replacement(entry, time, since)
        self._end(entry, time)
        if entry.plan is None and self._with_rig:
            return False
        if self._has_moved(entry):
            return True
        substitute = self._find_substitute(entry)
        if substitute is None:
            return False
        self._replace(entry, substitute, time, since)
        return True

    def observe_return(self, entry: DeviceRecord, time: int) -> None:
        """Note that a device is heard again: its replacement ends, unless it continues at the address of that."""
        reported = entry.replaced
        same_address = reported is not None and entry.node is not None and reported.source == entry.node.address
        if reported is not None and not (same_address and reported.difference is Difference.ADDRESS):
            self._end(entry, time)
        entry.replacement = None

    def _end_as_replacement(self, entry: DeviceRecord, time: int, since: int) -> None:
        """Report the silence of each device that the silent unit has replaced."""
        for device in self._roll_call.entries:
            if device.replacement is entry and device.replaced is not None:
                self._end(device, time)
                if device.plan is not None:
                    self._roll_call.report_silence(device, time, since)

    def _end(self, entry: DeviceRecord, time: int) -> None:
        if entry.replaced is not None:
            self._emit(Ended(time, entry.replaced.problem_key))
        entry.replaced = entry.replacement = None

    @staticmethod
    def _has_moved(entry: DeviceRecord) -> bool:
        """Return whether the unit at an unplanned address has claimed another address since."""
        return entry.plan is None and entry.node is not None and entry.node.has_left()

    # The unit that sends instead.

    def _find_substitute(self, entry: DeviceRecord) -> _Substitute | None:
        if entry.plan is None:
            return self._find_by_functions(entry)
        return self._same_instance(entry) or self._other_instance(entry) or self._same_heartbeat(entry)

    def _find_by_functions(self, entry: DeviceRecord) -> _Substitute | None:
        """Find a unit that sends as all functions and instances of an address."""
        function_instances = _sent_functions(entry)
        if not function_instances or entry.node is None:
            return None
        now = self._now(entry)
        senders_by_node = [
            {
                sender.node: sender
                for sender in self.instances.senders_of(function_instance, now)
                if sender.node is not entry.node
            }
            for function_instance in function_instances
        ]
        common = [node for node in senders_by_node[0] if all(node in others for others in senders_by_node[1:])]
        return _Substitute(senders_by_node[0][common[0]].record, Difference.ADDRESS) if common else None

    def _now(self, entry: DeviceRecord) -> int:
        """Return the latest bus time that is known: that of the last frame, or the start of the silence."""
        heard = (record.rhythm.times[-1] for device in self._roll_call.entries for record in device.topics)
        return max(heard, default=entry.last_heard())

    def _same_instance(self, entry: DeviceRecord) -> _Substitute | None:
        now = self._now(entry)
        for function_instance in _planned_functions(entry):
            for sender in self.instances.senders_of(function_instance, now):
                record = sender.record
                if record.device is entry or sender.node.claimed_device not in (None, entry):
                    continue
                if _is_other_unit(entry, sender.node):
                    return _Substitute(record, Difference.NAME) if record.device.plan is None else None
                return _Substitute(record, Difference.ADDRESS)
        return None

    def _other_instance(self, entry: DeviceRecord) -> _Substitute | None:
        for record in self._unplanned_topics():
            if self._can_be_function_of(entry, record) and self._absent_devices(record) == [entry]:
                return _Substitute(record, Difference.INSTANCE)
        return None

    def _same_heartbeat(self, entry: DeviceRecord) -> _Substitute | None:
        """Find another unit with a function that has no status, such as a panel's, and that only this device has."""
        for record in self._unplanned_topics():
            if (
                _is_heartbeat_of(entry, record)
                and _is_other_unit(entry, record.node)
                and self._devices_with_heartbeat(record) == [entry]
            ):
                return _Substitute(record, Difference.NAME)
        return None

    def _unplanned_topics(self) -> Iterator[TopicRecord]:
        """Yield the topics of the unplanned sources that are heard."""
        for device in self._roll_call.entries:
            if device.is_heard and device.plan is None and not device.merged:
                yield from device.topics

    def _devices_with_heartbeat(self, record: TopicRecord) -> list[DeviceRecord]:
        """Return the planned devices with the function of a heartbeat."""
        return [device for device in self._roll_call.entries if _is_heartbeat_of(device, record)]

    def _can_be_function_of(self, entry: DeviceRecord, record: TopicRecord) -> bool:
        """Return whether a topic can be a function of a device, with an instance that the rig does not have."""
        function_instance = record.exclusive_function
        if (
            function_instance is None
            or function_instance in self._owners
            or entry.plan is None
            or function_instance[0] not in entry.plan.functions
        ):
            return False
        return not entry.topics or entry.last_heard() <= (record.rhythm.first_at or 0)

    def _absent_devices(self, record: TopicRecord) -> list[DeviceRecord]:
        """Return the planned devices with the function of a topic that are not heard."""
        function = record.function.name if record.function is not None else ""
        having = dict.fromkeys(device for (name, _), device in self._owners.items() if name == function)
        return [device for device in having if not device.is_heard]

    # A source sends as a function that another device has by the rig, or none.

    def explains_objection(
        self, entry: DeviceRecord, record: TopicRecord, holder: DeviceRecord | None, time: int
    ) -> bool:
        """Return whether an objection to a source is, or may turn out to be, a replacement.

        ``holder`` is the device that has the function by the rig. A device that is silent already is replaced now; one
        that falls silent later is examined then.
        """
        if entry.plan is not None or record.exclusive_function is None:
            return False
        absent = [holder] if holder is not None else self._absent_devices(record)
        if any(device.replacement is entry for device in absent):
            return True
        silent = [device for device in absent if device.state in _ABSENT_STATES]
        if holder is None and len(absent) == len(silent) != 1:
            return False
        if len(absent) == 1 == len(silent):
            if silent[0].replaced is not None or (holder is None and not self._can_be_function_of(silent[0], record)):
                return False
            difference = Difference.INSTANCE if holder is None else Difference.NAME
            self._replace_silence(silent[0], _Substitute(record, difference), time)
        return True

    def explains_unidentified(self, entry: DeviceRecord, time: int) -> bool:
        """Note that a source did not identify itself in time; return whether it is reported as a replacement."""
        for device in self._roll_call.entries:
            if device.plan is not None and device.silence is not None:
                substitute = self._same_heartbeat(device)
                if substitute is not None and substitute.record.device is entry:
                    self._replace_silence(device, substitute, time)
        return any(device.replacement is entry for device in self._roll_call.entries)

    def sender_started(self, sender: FunctionSender, before: Name | None, time: int) -> None:
        """Note that an address starts to send as a function; ``before`` is the other NAME that sent so from there."""
        entry = sender.record.device
        if before is not None and (entry.plan is None or entry.plan.claimed_name is None):
            self._report_new_name(sender, before, time)
        if self._with_rig:
            return
        for device in self._roll_call.entries:
            if (
                device.plan is None
                and device.silence is not None
                and device.node is not sender.node
                and sender.function_instance in _sent_functions(device)
            ):
                substitute = self._find_by_functions(device)
                if substitute is not None:
                    self._replace_silence(device, substitute, time)

    def _report_new_name(self, sender: FunctionSender, before: Name, time: int) -> None:
        entry, record = sender.record.device, sender.record
        if entry.replaced is not None or (entry.plan is None and self._with_rig):
            return
        self._report(entry, _Substitute(record, Difference.NAME), time, time, before)

    def _replace_silence(self, entry: DeviceRecord, substitute: _Substitute, time: int) -> None:
        """Report the replacement in place of the silence."""
        since = time
        if entry.silence is not None:
            since = entry.silence.since
            self._emit(Ended(time, entry.silence.problem_key))
            entry.silence = None
        self._replace(entry, substitute, time, since)

    def _replace(self, entry: DeviceRecord, substitute: _Substitute, time: int, since: int) -> None:
        sending_device = substitute.record.device
        entry.replacement = sending_device
        if sending_device.plan is None and self._with_rig:
            explained = {
                None,
                *(record.function_text for record in sending_device.topics if _is_status_of(entry, record)),
            }
            for key, problem in tuple(sending_device.open_unplanned.items()):
                if problem.function in explained:
                    del sending_device.open_unplanned[key]
                    self._emit(Ended(time, problem.problem_key))
            if sending_device.state is not Presence.UNPLANNED and substitute.difference is not Difference.ADDRESS:
                self._roll_call.turn_unplanned(sending_device, time)
        self._report(entry, substitute, time, since, entry.plan.claimed_name if entry.plan is not None else None)

    def _report(self, entry: DeviceRecord, substitute: _Substitute, time: int, since: int, before: Name | None) -> None:
        record, plan = substitute.record, entry.plan
        address = (
            plan.address if plan is not None else entry.node.address if entry.node is not None else record.node.address
        )
        earlier_name = (
            entry.node.name if plan is None and entry.node is not None and entry.node is not record.node else None
        )
        entry.replaced = Replaced(
            time,
            since,
            entry.name,
            substitute.difference,
            record.function_text or _title(record) or entry.name,
            record.node.address,
            record.node.name,
            address,
            before or earlier_name,
            plan is not None,
            " and ".join(_function_texts(_planned_functions(entry, record.function.name if record.function else None))),
            record.frame,
        )
        self._emit(entry.replaced)

    # A planned device sends from another address.

    def observe_assignment(
        self, entry: DeviceRecord, before: AddressRecord | None, record: TopicRecord, time: int, *, was_silent: bool
    ) -> None:
        """Note that a planned device was identified at an address; ``before`` is the address where it was before."""
        if not self._is_elsewhere(entry):
            if entry.replaced is not None and entry.replaced.difference is Difference.ADDRESS:
                self._end(entry, time)
        elif before is not None and was_silent and entry.replaced is None:
            self._report(entry, _Substitute(record, Difference.ADDRESS), time, time, None)
        else:
            self._deadlines.schedule(
                record.rhythm.times[-1] + MIN_SILENCE_LIMIT_US, self._address_deadline, entry.number, entry
            )

    def observe_name(self, entry: DeviceRecord, time: int) -> None:
        """Note that the NAME of a planned device was claimed: its address may be explained now."""
        reported = entry.replaced
        if reported is not None and reported.difference is Difference.ADDRESS and not self._is_elsewhere(entry):
            self._end(entry, time)

    def _is_elsewhere(self, entry: DeviceRecord) -> bool:
        """Return whether a device is heard from another address, and nothing shows that it is the same unit."""
        node, plan = entry.node, entry.plan
        if node is None or plan is None or plan.dynamic or node.address == plan.address:
            return False
        if self._is_contested(node.address):
            return False
        name = node.name
        return name is None or not (
            name == plan.claimed_name
            or self._names.was_claimed_at(name, plan.address)
            or self._requests.commanded_address(name) == node.address
        )

    def _address_due(self, entry: DeviceRecord, passed: int) -> int | None:
        return passed if entry.is_heard and entry.replaced is None and self._is_elsewhere(entry) else None

    def _report_address(self, entry: DeviceRecord, time: int, since: int) -> None:
        records = [record for record in entry.topics if record.exclusive_function is not None] or entry.topics
        if records:
            self._report(entry, _Substitute(records[0], Difference.ADDRESS), time, since, None)


def _sent_functions(entry: DeviceRecord) -> set[FunctionInstance]:
    """Return the functions and instances that a device sends, without those that devices share by design."""
    return {
        function_instance for record in entry.topics if (function_instance := record.exclusive_function) is not None
    }


def _planned_functions(entry: DeviceRecord, only: str | None = None) -> list[FunctionInstance]:
    """Return the planned instances of a device, of one function or of all."""
    functions = entry.plan.functions if entry.plan is not None else {}
    return [
        (name, instance)
        for name, instances in functions.items()
        if not FUNCTIONS[name].shared and only in (None, name)
        for instance in instances
    ]


def _function_texts(function_instances: Iterable[FunctionInstance]) -> list[str]:
    return [FUNCTIONS[name].label(instance) for name, instance in function_instances]


def _is_status_of(entry: DeviceRecord, record: TopicRecord) -> bool:
    """Return whether a topic is the status of a planned function of a device."""
    return entry.plan is not None and record.function is not None and record.function.name in entry.plan.functions


def _title(record: TopicRecord) -> str:
    """Return the title of the function of a heartbeat; empty where it has none."""
    function = by_dsa(record.topic.dsa) if record.topic.dsa is not None else None
    return function.title if function is not None else ""


def _is_heartbeat_of(entry: DeviceRecord, record: TopicRecord) -> bool:
    """Return whether a heartbeat is that of a planned function of a device that has no status."""
    function = by_dsa(record.topic.dsa) if record.topic.dsa is not None else None
    if function is None or function.statuses or entry.plan is None:
        return False
    return function.name in entry.plan.functions


def _is_other_unit(entry: DeviceRecord, node: AddressRecord) -> bool:
    """Return whether an address has a NAME other than the planned one of a device."""
    planned = entry.plan.claimed_name if entry.plan is not None else None
    return planned is not None and node.name is not None and node.name != planned
