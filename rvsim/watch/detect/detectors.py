"""The detectors of a watch that depend on the message: which frames each of them takes in.

Knows: which messages concern which detector. Does not know what the detectors look for.
"""

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from rvsim.rig.functions import by_command, by_status
from rvsim.watch.decode import HEARTBEAT, Layout
from rvsim.watch.detect import (
    charge_signs,
    contradictions,
    dark_batteries,
    freeze_risks,
    held_keys,
    low_voltages,
    motions_without_interlock,
    off_outputs,
    place_temperatures,
)
from rvsim.watch.detect.charge_signs import ChargeSigns
from rvsim.watch.detect.commands import PlannedDevices, read_commands
from rvsim.watch.detect.contradictions import Contradictions
from rvsim.watch.detect.dark_batteries import DarkBatteries
from rvsim.watch.detect.driven_values import DrivenValues
from rvsim.watch.detect.freeze_risks import FreezeRisks
from rvsim.watch.detect.held_keys import HeldKeys
from rvsim.watch.detect.ignored_commands import IgnoredCommands
from rvsim.watch.detect.level_gate import LevelDetector, LevelGate
from rvsim.watch.detect.low_voltages import LowVoltages
from rvsim.watch.detect.missing_functions import MissingFunctions
from rvsim.watch.detect.motions_without_interlock import MotionsWithoutInterlock
from rvsim.watch.detect.off_outputs import OffOutputs
from rvsim.watch.detect.place_temperatures import PlaceTemperatures
from rvsim.watch.detect.stuck_values import StuckValues
from rvsim.watch.detect.two_commanders import TwoCommanders
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import EACH_CHANGE, LastChange, Need, Rest
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import Transition
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

Observe = Callable[[TopicRecord], bool]
"""Takes in the last frame of a topic; returns whether the same frame again would change nothing."""
_ACKNOWLEDGMENT_DGN = 0x0E800


class _Observer(NamedTuple):
    """What takes in the frames of a message; ``needs`` yields which of those with new data, by default all of them."""

    observe: Observe
    needs: Callable[[MessageSpec], Iterator[Need]] = lambda _spec: iter((EACH_CHANGE,))


def _nothing(_spec: MessageSpec) -> Iterator[Need]:
    """Yield nothing: the first frame is enough, or what is needed is told when it is (see ``needs_each_change``)."""
    return iter(())


class Detectors:
    """Passes each frame to the detectors that it concerns.

    ``name_of`` returns the name of the device at an address; ``records_of`` returns the topics of a message that were
    received so far.
    """

    def __init__(
        self,
        catalogue: Catalogue,
        rig: "Rig | None",
        deadlines: Deadlines,
        emit: Callable[[Transition], None],
        name_of: Callable[[int], str],
        records_of: Callable[[str], Iterable[TopicRecord]],
    ) -> None:
        self._planned = planned = PlannedDevices(rig)
        self._records_of = records_of
        self._two_commanders = TwoCommanders(planned, deadlines, emit, name_of)
        self._ignored_commands = IgnoredCommands(planned, deadlines, emit, name_of)
        self._missing_functions = MissingFunctions(planned, catalogue, deadlines, emit, name_of)
        self._contradictions = Contradictions(rig, deadlines, emit)
        self._low_voltages = LowVoltages(rig, deadlines, emit)
        self._dark_batteries = DarkBatteries(deadlines, emit)
        self._off_outputs = OffOutputs(deadlines, emit)
        self._held_keys = HeldKeys(deadlines, emit)
        self._freeze_risks = FreezeRisks(rig, deadlines, emit)
        self._charge_signs = ChargeSigns(deadlines, emit)
        self._place_temperatures = PlaceTemperatures(rig, deadlines, emit)
        self._motions = MotionsWithoutInterlock(rig, deadlines, emit)
        self._stuck_values = StuckValues(catalogue, deadlines, emit)
        self._driven_values = DrivenValues(rig, deadlines, emit, self._stuck_values.is_reported)
        self._gates: dict[str, LevelGate] = {}
        """The gates in front of the detectors that need values passing a level, by message."""
        self._observers: dict[str, list[Observe]] = {}
        self._neighbour_messages: set[str] = set()

    def observers_of(self, layout: Layout) -> list[Observe]:
        """Return the functions that take in the frames of a message, in order; the list may grow later."""
        if layout.name is None or layout.spec is None or not layout.spec.fields:
            return []
        if layout.name not in self._observers:
            self._observers[layout.name] = [observer.observe for observer in self._select(layout)]
            for name in StuckValues.neighbours_of(layout.spec) - self._neighbour_messages:
                self._add_neighbour(name)
        return self._observers[layout.name]

    def needs(self, layout: Layout) -> Iterator[Need]:
        """Yield what is needed of the topics of a message, where the sender is not in question.

        Commands and acknowledgments need every frame, and are given it, since their observers settle nothing.
        """
        if layout.name is None or layout.spec is None or not layout.spec.fields:
            return
        for observer in self._select(layout):
            yield from observer.needs(layout.spec)
        yield from self._stuck_values.needs(layout.spec)  # a message may become a neighbour at any moment

    def needs_each_change(self, record: TopicRecord) -> bool:
        """Return whether each frame with new data of a topic is needed at present."""
        message = record.topic.message
        return (
            self._ignored_commands.needs_each_change(record)
            or (message in contradictions.MESSAGES and self._contradictions.needs_each_change(record))
            or self._place_temperatures.needs_each_change(record)
            or self._motions.needs_each_change(record)
        )

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present."""
        message = record.topic.message
        fields = self._stuck_values.needed_fields(record) + self._driven_values.needed_values(record)
        gate = self._gates.get(message or "")
        return fields if gate is None else fields + gate.needed_fields(record)

    def has_differences(self) -> bool:
        """Return whether two voltages differ at present."""
        return self._contradictions.has_differences()

    def rest(self, record: TopicRecord, field: str) -> Rest | None:
        """Return since when a value with neighbours has been constant; None where it is not known."""
        return self._stuck_values.rest(record, field)

    def enter(self, record: TopicRecord, last_change: LastChange) -> None:
        """Take in the last frames with new data that were passed over."""
        self._contradictions.enter(record)
        self._freeze_risks.enter(record, last_change)
        self._stuck_values.enter(record, last_change)
        self._driven_values.enter(record, last_change)

    def refresh_reported(self) -> None:
        """Have what is reported be of the last frames, where changes of it are passed over."""
        self._freeze_risks.refresh()

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        self._ignored_commands.forget(record, time)
        self._contradictions.forget(record, time)
        gate = self._gates.get(record.topic.message or "")
        if gate is not None:
            gate.forget(record)
        self._low_voltages.forget(record, time)
        self._dark_batteries.forget(record, time)
        self._off_outputs.forget(record, time)
        self._held_keys.forget(record, time)
        self._freeze_risks.forget(record, time)
        self._charge_signs.forget(record, time)
        self._place_temperatures.forget(record, time)
        self._motions.forget(record, time)
        self._stuck_values.forget(record, time)
        self._driven_values.forget(record, time)

    def resume_listening(self, time: int, now: int) -> None:
        """Note that nobody listened up to ``time``, which is bus time ``now``."""
        self._ignored_commands.resume_listening()
        self._contradictions.resume_listening()
        self._low_voltages.resume_listening(now)
        self._dark_batteries.resume_listening(now)
        self._off_outputs.resume_listening(now)
        self._held_keys.resume_listening(now)
        self._freeze_risks.resume_listening(now)
        self._charge_signs.resume_listening(now)
        self._place_temperatures.resume_listening(now)
        self._motions.resume_listening(time)
        self._stuck_values.resume_listening(time, now)
        self._driven_values.resume_listening(time, now)

    def _select(self, layout: Layout) -> Iterable[_Observer]:
        assert layout.name is not None
        assert layout.spec is not None
        if by_command(layout.name) is not None:
            yield _Observer(self._observe_command)
        if by_status(layout.name) is not None:
            yield _Observer(self._observe_status, _nothing)
        if layout.name == HEARTBEAT:
            yield _Observer(self._observe_heartbeat, _nothing)
        if layout.dgn == _ACKNOWLEDGMENT_DGN:
            yield _Observer(self._observe_acknowledgment)
        if layout.name in contradictions.MESSAGES:
            yield _Observer(_settled_by(self._contradictions.observe), self._contradictions.needs)
        gate = self._gate(layout.name, layout.spec)
        if gate is not None:
            yield _Observer(gate.observe, gate.needs)
        if layout.name in freeze_risks.COLD_MESSAGES:
            yield _Observer(_settled_by(self._freeze_risks.renew), _nothing)
        if layout.name in place_temperatures.MESSAGES and self._place_temperatures.is_used:
            yield _Observer(_settled_by(self._place_temperatures.observe), _nothing)
        if layout.name in motions_without_interlock.MESSAGES and self._motions.is_used:
            yield _Observer(_settled_by(self._motions.observe), _nothing)
        if StuckValues.neighbours_of(layout.spec):
            yield _Observer(_settled_by(self._stuck_values.observe), _nothing)
        if layout.name in self._driven_values.value_messages:
            yield _Observer(_settled_by(self._driven_values.observe_value), _nothing)
        if layout.name in self._neighbour_messages:
            yield _Observer(_settled_by(self._stuck_values.observe_neighbour), self._stuck_values.needs)

    def _gate(self, message: str, spec: MessageSpec) -> LevelGate | None:
        """Return the gate of a message; None where no detector needs its values passing a level."""
        if message not in self._gates:
            detectors: tuple[tuple[LevelDetector, frozenset[str]], ...] = (
                (self._low_voltages, low_voltages.MESSAGES),
                (self._dark_batteries, dark_batteries.MESSAGES),
                (self._off_outputs, off_outputs.MESSAGES),
                (self._held_keys, held_keys.MESSAGES),
                (self._freeze_risks, freeze_risks.MESSAGES),
                (self._charge_signs, charge_signs.MESSAGES),
                (self._driven_values, self._driven_values.source_messages),
            )
            concerned = [detector for detector, messages in detectors if message in messages]
            if not concerned:
                return None
            self._gates[message] = LevelGate(spec, concerned)
        return self._gates[message]

    def _add_neighbour(self, message: str) -> None:
        """Follow a message from now on; the next frame of each of its topics is examined."""
        self._neighbour_messages.add(message)
        if message in self._observers:
            self._observers[message].append(_settled_by(self._stuck_values.observe_neighbour))
        for record in self._records_of(message):
            record.examine_next()

    def _observe_command(self, record: TopicRecord) -> bool:
        for command in read_commands(record, self._planned):
            self._two_commanders.observe(command)
            self._ignored_commands.observe(command)
            self._missing_functions.observe(command)
        return False

    def _observe_status(self, record: TopicRecord) -> bool:
        self._missing_functions.observe_status(record)
        return self._ignored_commands.observe_status(record)

    def _observe_heartbeat(self, record: TopicRecord) -> bool:
        self._missing_functions.observe_heartbeat(record)
        return self._ignored_commands.observe_heartbeat(record)

    def _observe_acknowledgment(self, record: TopicRecord) -> bool:
        self._ignored_commands.observe_acknowledgment(record)
        return False


def _settled_by(take_in: Callable[[TopicRecord], None]) -> Observe:
    """Return an observer for which the same frame again would change nothing."""

    def observe(record: TopicRecord) -> bool:
        take_in(record)
        return True

    return observe
