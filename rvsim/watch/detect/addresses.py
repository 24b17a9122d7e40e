"""The detectors of who speaks from where, put together.

Knows: which of them is told what, and in which order. Does not know any problem itself. Needs every frame that says
something new, and every claim, request and reset.
"""

from collections.abc import Callable, Mapping

from rvsim.watch.attendance import Entry, Part, Role
from rvsim.watch.contest import Contests
from rvsim.watch.detect.asked import Asked
from rvsim.watch.detect.replacements import Replacements
from rvsim.watch.detect.restarts import Restarts
from rvsim.watch.detect.shared_instances import SharedInstances
from rvsim.watch.detect.shared_names import SharedNames
from rvsim.watch.detect.start_sequences import StartSequences
from rvsim.watch.detect.two_voices import Voices
from rvsim.watch.detect.unaddressed import Unaddressed
from rvsim.watch.detect.value_trains import ValueTrains
from rvsim.watch.roll_call import Emit, RollCall
from rvsim.watch.traffic import Agenda
from rvsim.watch.transitions import InstanceShared
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name


class AddressDetectors:
    """What is wrong with who speaks from which address, under which NAME, as what."""

    def __init__(
        self,
        roll_call: RollCall,
        agenda: Agenda,
        emit: Emit,
        by_name: Mapping[Name, Entry],
        owners: Mapping[Role, Entry] | None,
        share: Callable[[Entry, InstanceShared], None],
    ) -> None:
        """Take who is planned, by NAME and by what each speaks for, None without a rig.

        ``share`` is told of a device that speaks for what another one speaks for.
        """
        self._roll_call = roll_call
        self._by_name = by_name
        self.contests = Contests(roll_call, agenda, emit)
        self.asked = Asked()
        self._names = SharedNames(roll_call, agenda, emit, self.contests.names)
        self._unaddressed = Unaddressed(agenda, emit, self._called, self._last_at)
        self._restarts = Restarts(roll_call, agenda, emit, self.asked, self.contests.names)
        self._sequences = StartSequences(agenda, self.asked, self._restarts)
        self._voices = Voices(roll_call, agenda, emit, self._restarts, self.contests.stands)
        self._trains = ValueTrains(self._voices.note_trains)
        planned = owners or {}
        self.replacements = Replacements(roll_call, agenda, emit, owners, self.asked, self._names)
        self.instances = SharedInstances(
            agenda, emit, lambda entry, role: planned.get(role) is entry, share, self.replacements.begins
        )
        self.replacements.instances = self.instances

    def before(self, part: Part, time: int, now: int) -> bool:
        """Take in a frame before it is counted to anybody; return whether it matters however often it is repeated."""
        node, frame = part.node, part.frame
        if part.said != frame.data:
            part.said, part.changed = frame.data, now
            if node.address < NULL_ADDRESS and part.layout.spec is not None:
                self._trains.observe(part, time, now)
        if len(part.rhythm.times) == 1:
            self._voices.observe(part, now)
            self._sequences.observe(part, now)
        asks = self.asked.observe(part, now)
        if asks or node.address >= NULL_ADDRESS:
            self._unaddressed.observe(part, time, now)
        if part.topic.dgn == ADDRESS_CLAIM and len(frame.data) == 8:
            self._claim(part, Name.from_bytes(frame.data), time, now)
        return asks

    def _claim(self, part: Part, name: Name, time: int, now: int) -> None:
        node = part.node
        if node.name not in (None, name):
            self._voices.begin_anew(node, now)
        self._restarts.claim(part, name, time, now)
        self._unaddressed.claim(part, name, time)
        self._names.claim(part, name, time, now)
        self.contests.claim(part, time)

    def _called(self, name: Name) -> str:
        """Return what the device with a NAME is called: as planned, by the address that it had, or by its NAME."""
        entry, node = self._by_name.get(name), self._names.last_at(name)
        if entry is None and node is not None:
            entry = self._roll_call.heard_from(node)
        if entry is not None:
            return entry.name
        return node.nobody.name if node is not None else f"NAME {int(name):016X} hex"

    def _last_at(self, name: Name) -> int | None:
        node = self._names.last_at(name)
        return node.address if node is not None else None
