"""All detectors of a watch: which frames each of them sees.

Knows: which messages concern which detector. Does not know what they look for.
"""

from collections.abc import Callable, Iterable

from rvsim.rig.functions import by_command, by_status
from rvsim.rig.model import Rig
from rvsim.watch.decode import HEARTBEAT, Layout
from rvsim.watch.detect import contradictions
from rvsim.watch.detect.commands import PlannedDevices, read_command
from rvsim.watch.detect.contradictions import Contradictions
from rvsim.watch.detect.ignored import IgnoredCommands
from rvsim.watch.detect.stuck import StuckValues
from rvsim.watch.detect.two_commanders import TwoCommanders
from rvsim.watch.detect.unheard import UnheardFunctions
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import Transition
from rvsim.wire.catalogue import Catalogue

Observe = Callable[[TopicRecord], bool]
"""Takes in a frame that may say something new; tells whether the same frame again could change nothing."""
_ACKNOWLEDGMENT = 0x0E800


class Detectors:
    """Hands each frame to the detectors that it concerns.

    ``name_of`` names the device at an address; ``parts_of`` returns what was heard of a message so far.
    """

    def __init__(
        self,
        catalogue: Catalogue,
        rig: Rig | None,
        deadlines: Deadlines,
        emit: Callable[[Transition], None],
        name_of: Callable[[int], str],
        parts_of: Callable[[str], Iterable[TopicRecord]],
    ) -> None:
        planned = PlannedDevices(rig)
        self._parts_of = parts_of
        self._commanders = TwoCommanders(planned, deadlines, emit, name_of)
        self._ignored = IgnoredCommands(planned, deadlines, emit, name_of)
        self._unheard = UnheardFunctions(planned, catalogue, deadlines, emit, name_of)
        self._contradictions = Contradictions(deadlines, emit)
        self._stuck = StuckValues(deadlines, emit)
        self._by_message: dict[str, list[Observe]] = {}
        self._neighbours: set[str] = set()

    def of(self, layout: Layout) -> list[Observe]:
        """Return what takes in the frames of a message, in their order; more can join the list later."""
        if layout.name is None or layout.spec is None or not layout.spec.fields:
            return []
        if layout.name not in self._by_message:
            self._by_message[layout.name] = list(self._chosen(layout))
            for name in StuckValues.neighbours_of(layout.spec) - self._neighbours:
                self._add_neighbour(name)
        return self._by_message[layout.name]

    def forget(self, part: TopicRecord, time: int) -> None:
        """Forget a topic that nobody speaks for any more."""
        self._ignored.forget(part, time)
        self._contradictions.forget(part, time)
        self._stuck.forget(part, time)

    def _chosen(self, layout: Layout) -> Iterable[Observe]:
        assert layout.name is not None
        assert layout.spec is not None
        if by_command(layout.name) is not None:
            yield self._command
        if by_status(layout.name) is not None:
            yield self._status
        if layout.name == HEARTBEAT:
            yield self._heartbeat
        if layout.dgn == _ACKNOWLEDGMENT:
            yield self._acknowledgement
        if layout.name in contradictions.MESSAGES:
            yield _plainly(self._contradictions.observe)
        if StuckValues.neighbours_of(layout.spec):
            yield _plainly(self._stuck.observe)
        if layout.name in self._neighbours:
            yield _plainly(self._stuck.neighbour)

    def _add_neighbour(self, message: str) -> None:
        """Follow a message from now on; what was heard of it is looked at with its next frame."""
        self._neighbours.add(message)
        if message in self._by_message:
            self._by_message[message].append(_plainly(self._stuck.neighbour))
        for part in self._parts_of(message):
            part.settled_data = None

    def _command(self, part: TopicRecord) -> bool:
        command = read_command(part)
        if command is not None:
            self._commanders.observe(command)
            self._ignored.observe(command)
            self._unheard.observe(command)
        return False

    def _status(self, part: TopicRecord) -> bool:
        self._unheard.status(part)
        return self._ignored.status(part)

    def _heartbeat(self, part: TopicRecord) -> bool:
        self._unheard.heartbeat(part)
        return self._ignored.heartbeat(part)

    def _acknowledgement(self, part: TopicRecord) -> bool:
        self._ignored.acknowledgement(part)
        return False


def _plainly(take: Callable[[TopicRecord], None]) -> Observe:
    """Let something take in frames to which the same frame again says nothing."""

    def observe(part: TopicRecord) -> bool:
        take(part)
        return True

    return observe
