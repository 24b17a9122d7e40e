"""The detectors of who speaks from where, put together.

Knows: which of them is told what, and in which order. Does not know any problem itself. Needs every frame that says
something new, and every claim, request and reset.
"""

from collections.abc import Callable, Mapping

from rvsim.watch.detect.asked import Asked
from rvsim.watch.detect.replacements import Replacements
from rvsim.watch.detect.restarts import Restarts
from rvsim.watch.detect.shared_instances import SharedInstances
from rvsim.watch.detect.shared_names import SharedNames
from rvsim.watch.detect.start_sequences import StartSequences
from rvsim.watch.detect.two_voices import Voices
from rvsim.watch.detect.unaddressed import Unaddressed
from rvsim.watch.detect.value_trains import ValueTrains
from rvsim.watch.identity.address_conflicts import AddressConflicts
from rvsim.watch.identity.records import AddressRecord, DeviceRecord, FunctionInstance, TopicRecord
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import Emit, InstanceShared
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name

_MAX_NAMES = 256


class AddressDetectors:
    """What is wrong with who speaks from which address, under which NAME, as what."""

    def __init__(
        self,
        roll_call: RollCall,
        deadlines: Deadlines,
        emit: Emit,
        by_name: Mapping[Name, DeviceRecord],
        owners: Mapping[FunctionInstance, DeviceRecord] | None,
        share: Callable[[DeviceRecord, InstanceShared], None],
    ) -> None:
        """Take who is planned, by NAME and by what each speaks for, None without a rig.

        ``share`` is told of a device that speaks for what another one speaks for.
        """
        self._roll_call = roll_call
        self._by_name = by_name
        self._spoke: dict[Name, str] = {}
        """What each NAME was called when something was heard under it."""
        self.contests = AddressConflicts(roll_call, deadlines, emit)
        self.asked = Asked()
        self._names = SharedNames(roll_call, deadlines, emit, self.contests.names)
        self._unaddressed = Unaddressed(deadlines, emit, self._called, self._last_at)
        self._restarts = Restarts(roll_call, deadlines, emit, self.asked, self.contests.names)
        self._sequences = StartSequences(deadlines, self.asked, self._restarts)
        self._voices = Voices(roll_call, deadlines, emit, self._restarts, self.contests.is_shared)
        self._trains = ValueTrains(self._voices.note_trains)
        planned = owners or {}
        self.replacements = Replacements(
            roll_call, deadlines, emit, owners, self.asked, self._names, self.contests.is_shared
        )
        self.instances = SharedInstances(
            deadlines, emit, lambda entry, role: planned.get(role) is entry, share, self.replacements.begins
        )
        self.replacements.instances = self.instances

    def before(self, part: TopicRecord, time: int, now: int) -> bool:
        """Take in a frame before it is counted to anybody; return whether it matters however often it is repeated."""
        node, frame = part.node, part.frame
        if part.last_data != frame.data:
            part.last_data, part.changed_at = frame.data, now
            if node.address < NULL_ADDRESS and part.layout.spec is not None:
                self._trains.observe(part, time, now)
        if len(part.rhythm.times) == 1:
            self._voices.observe(part, now)
            self._sequences.observe(part, now)
        asks = part.layout.spec is not None and part.layout.spec.is_protocol and self.asked.observe(frame, now)
        if asks or node.address >= NULL_ADDRESS:
            self._unaddressed.observe(part, time, now)
        if part.topic.dgn == ADDRESS_CLAIM and len(frame.data) == 8:
            self._claim(part, Name.from_bytes(frame.data), time, now)
        return asks

    def _claim(self, part: TopicRecord, name: Name, time: int, now: int) -> None:
        node = part.node
        if node.name not in (None, name):
            self._remember(node)
            self._voices.begin_anew(node, now)
        self._restarts.claim(part, name, time, now)
        self.contests.claim(part, time)
        self._unaddressed.claim(part, name, time, now)
        self._names.claim(part, name, time, now)

    def _called(self, name: Name) -> str:
        """Return what the device with a NAME is called: as planned, as it was when it spoke, or by its NAME."""
        if name in self._by_name:
            return self._by_name[name].name
        node = self._names.last_at(name)
        if node is not None and node.name == name:
            self._remember(node)
        return self._spoke.get(name, f"NAME {int(name):016X} hex")

    def _remember(self, node: AddressRecord) -> None:
        """Note what is heard from an address, where something else than a claim was heard under its NAME."""
        heard = (part.rhythm.times[-1] for part in node.topics if part.topic.dgn != ADDRESS_CLAIM)
        if node.name is not None and any(time > node.claimed_at for time in heard):
            self._spoke.pop(node.name, None)
            self._spoke[node.name] = (self._roll_call.planned_device_at(node) or node.unassigned).name
            if len(self._spoke) > _MAX_NAMES:
                del self._spoke[next(iter(self._spoke))]

    def _last_at(self, name: Name) -> int | None:
        node = self._names.last_at(name)
        return node.address if node is not None else None
