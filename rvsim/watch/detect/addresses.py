"""The detectors of problems with the addresses, the NAMEs and the functions of senders.

Knows: which of them takes in what, and in which order. Does not know any problem itself. Needs every frame that differs
from the one before, and every claim, request and reset.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence

from rvsim.watch.detect.replacements import Replacements
from rvsim.watch.detect.request_history import RequestHistory
from rvsim.watch.detect.restarts import Restarts
from rvsim.watch.detect.shared_instances import SharedInstances
from rvsim.watch.detect.shared_names import SharedNames
from rvsim.watch.detect.start_sequences import StartSequences
from rvsim.watch.detect.two_senders import TwoSendersDetector
from rvsim.watch.detect.value_trains import ValueTrains
from rvsim.watch.detect.without_address import SendersWithoutAddress
from rvsim.watch.identity.address_conflicts import AddressConflicts
from rvsim.watch.identity.records import (
    MIN_SILENCE_LIMIT_US,
    AddressRecord,
    DeviceRecord,
    FunctionInstance,
    TopicRecord,
)
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.needs import Need, PassedChange
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import Emit, InstanceShared
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name
from rvsim.wire.spec import MessageSpec

_MAX_NAMES = 256
"""How many NAMEs keep the name of their device, the newest ones. Our decision, to bound the memory."""


class AddressDetectors:
    """Passes each frame to the detectors of problems with addresses, NAMEs and functions."""

    def __init__(
        self,
        roll_call: RollCall,
        deadlines: Deadlines,
        emit: Emit,
        by_name: Mapping[Name, DeviceRecord],
        owners: Mapping[FunctionInstance, DeviceRecord] | None,
        report_shared: Callable[[DeviceRecord, InstanceShared], None],
    ) -> None:
        """Put the detectors together.

        Args:
            roll_call: the devices.
            deadlines: takes the deadlines.
            emit: takes the problems and their ends.
            by_name: the planned devices, by their NAMEs.
            owners: the planned devices, by the functions and instances that they have; None without a rig.
            report_shared: takes each device that sends a function and instance of another one, with that problem.
        """
        self._roll_call = roll_call
        self._by_name = by_name
        self._device_names: dict[Name, str] = {}
        """The name of the device that last sent under each NAME."""
        self.conflicts = AddressConflicts(roll_call, deadlines, emit)
        self.requests = RequestHistory()
        self._names = SharedNames(roll_call, deadlines, emit, self.conflicts.names)
        self._without_address = SendersWithoutAddress(deadlines, emit, self._device_name, self._last_address)
        self._restarts = Restarts(roll_call, deadlines, emit, self.requests, self.conflicts.names)
        self._start_sequences = StartSequences(deadlines, self.requests, self._restarts)
        self._two_senders = TwoSendersDetector(roll_call, deadlines, emit, self._restarts, self.conflicts.is_shared)
        self.conflicts.on_end = self._two_senders.resume
        self._value_trains = ValueTrains(self._two_senders.report_trains)
        planned = owners or {}
        self.replacements = Replacements(
            roll_call, deadlines, emit, owners, self.requests, self._names, self.conflicts.is_shared
        )
        self.instances = SharedInstances(
            deadlines,
            emit,
            lambda entry, function: planned.get(function) is entry,
            report_shared,
            self.replacements.sender_started,
        )
        self.replacements.instances = self.instances

    def observe_before_assignment(self, record: TopicRecord, time: int, now: int) -> bool:
        """Take in a frame before it is assigned to a device; return whether it counts even if it is repeated."""
        node, frame = record.node, record.frame
        if record.last_data != frame.data:
            record.last_data, record.changed_at = frame.data, now
            if node.address < NULL_ADDRESS and record.layout.spec is not None:
                self._value_trains.observe(record, time, now)
        if len(record.rhythm.times) == 1:
            self._two_senders.observe(record, now)
            self._start_sequences.observe(record, now)
        is_request = (
            record.layout.spec is not None and record.layout.spec.is_protocol and self.requests.observe(frame, now)
        )
        if is_request or node.address >= NULL_ADDRESS:
            self._without_address.observe(record, time, now)
        if record.topic.dgn == ADDRESS_CLAIM and len(frame.data) == 8:
            self._observe_claim(record, Name.from_bytes(frame.data), time, now)
        return is_request

    def resume_listening(self, time: int, now: int, *, gap_us: int) -> None:
        """Note that nobody listened for ``gap_us`` up to ``time``, which is bus time ``now``.

        After more than the limit of a silent device any unit may have been exchanged, as after a silence.
        """
        if gap_us > MIN_SILENCE_LIMIT_US:
            self.conflicts.resume_listening(time, now)

    def enter(self, record: TopicRecord, changes: Sequence[PassedChange]) -> None:
        """Take in the last frames with new data that were passed over."""
        self._value_trains.enter(record, changes)

    @staticmethod
    def needs(spec: MessageSpec | None) -> Iterator[Need]:
        """Yield what is needed of the topics of a message, where the sender is not in question."""
        return ValueTrains.needs(spec)

    def _observe_claim(self, record: TopicRecord, name: Name, time: int, now: int) -> None:
        node = record.node
        if node.name not in (None, name):
            self._note_device_name(node)
            self._two_senders.restart(node, now)
        self._restarts.observe_claim(record, name, time, now)
        self.conflicts.claim(record, time)
        self._without_address.observe_claim(record, name, time, now)
        self._names.observe_claim(record, name, time, now)

    def _device_name(self, name: Name) -> str:
        """Return the name of the device with a NAME: the planned one, that when it last sent, or its NAME as text."""
        if name in self._by_name:
            return self._by_name[name].name
        node = self._names.last_node(name)
        if node is not None and node.name == name:
            self._note_device_name(node)
        return self._device_names.get(name, f"NAME {int(name):016X} hex")

    def _note_device_name(self, node: AddressRecord) -> None:
        """Note the name of the device at an address, where it has sent more than claims under its NAME."""
        sent = (record.rhythm.times[-1] for record in node.topics if record.topic.dgn != ADDRESS_CLAIM)
        if node.name is not None and any(time > node.claimed_at for time in sent):
            self._device_names.pop(node.name, None)
            self._device_names[node.name] = (self._roll_call.planned_device_at(node) or node.unassigned).name
            if len(self._device_names) > _MAX_NAMES:
                del self._device_names[next(iter(self._device_names))]

    def _last_address(self, name: Name) -> int | None:
        node = self._names.last_node(name)
        return node.address if node is not None else None
