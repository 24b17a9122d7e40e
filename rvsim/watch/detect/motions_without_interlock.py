"""Motions that start, or go on, while the interlock that the rig names for them does not hold.

Needs each change of the outputs that move something and of the inputs that must hold.

Knows: that an output which is on moves what hangs on it, that an input which was never heard, or whose device is
silent, cannot be judged, and how long who commands has to stop a motion whose interlock is lost. Does not know who
commanded it, nor whether it has come to its end.
"""

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from rvsim.rig.default_times import DEFAULT_ANSWER_TIME_US
from rvsim.watch.detect.last_readings import reading_of
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Ended, MovedWithoutInterlock, Transition
from rvsim.wire.frame import Frame

if TYPE_CHECKING:
    from rvsim.rig.model import Rig
    from rvsim.rig.motions import MotionPlan, Way

INPUT_STATUS, _POSITION = "DIGITAL_INPUT_STATUS", "switch_position"
OUTPUT_STATUS = {"dimmer": ("DC_DIMMER_STATUS_3", "operating_status"), "load": ("DC_LOAD_STATUS", "operating_status")}
"""The status of an output by its messages, and the field that is above zero while it is on."""
SHADE, SHADE_STATUS = "window_shade", "WINDOW_SHADE_CONTROL_STATUS"
_SHADE_FIELDS: "dict[Way, str]" = {"extend": "forward_status", "retract": "reverse_status"}
MESSAGES = frozenset({INPUT_STATUS, SHADE_STATUS, *(message for message, _ in OUTPUT_STATUS.values())})
MIN_KNOWN_US = 500_000
"""How long an input must have been reported before a motion counts as started against it: a command may be under way
when the input changes. Our decision."""
MAX_STOPPING_US = DEFAULT_ANSWER_TIME_US
"""How long a motion may go on after its interlock was lost, until who commands has stopped it. Our decision."""


class _Status(NamedTuple):
    """A state that a topic reports: since when, in bus time, and the frame that reported it first."""

    now: int
    frame: Frame
    record: TopicRecord
    is_on: bool = True
    way: "Way" = "extend"
    by: str = ""


class _Drive(NamedTuple):
    """The field of a status that is above zero while a motion is driven on a way."""

    motion: "_Motion"
    way: "Way"
    field: str
    by: str


class _Motion:
    """One motion with an interlock; ``inputs`` are name, instance and position of each input."""

    def __init__(self, number: int, plan: "MotionPlan", inputs: tuple[tuple[str, int, str], ...]) -> None:
        self.number, self.plan, self.inputs = number, plan, inputs
        self.driven: dict[tuple[TopicRecord, str], _Status] = {}
        self.due: int | None = None
        """When it has to be stopped at the latest, in bus time; None while there is nothing to stop."""
        self.reported: MovedWithoutInterlock | None = None


class MotionsWithoutInterlock:
    """Compares the status of what moves with that of the inputs that must hold."""

    def __init__(self, rig: "Rig | None", deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._deadlines, self._emit = deadlines, emit
        self._deadline = DeadlineKind(39, self._due, self._expire)
        self._inputs: dict[int, _Status] = {}
        """The last status of each input that matters, by its instance."""
        self._by_input: dict[int, list[_Motion]] = {}
        self._drives: dict[tuple[str, int], list[_Drive]] = {}
        if rig is not None and rig.motions:
            self._add_motions(rig)

    def _add_motions(self, rig: "Rig") -> None:
        instances = {position.name: position.instance for entry in rig.inputs for position in entry.positions}
        for number, plan in enumerate(rig.motions):
            inputs = tuple(
                (name, instance, wanted)
                for name, wanted in plan.must_hold.items()
                if (instance := instances.get(name)) is not None
            )
            if not inputs:
                continue
            motion = _Motion(number, plan, inputs)
            for _, instance, _ in inputs:
                self._by_input.setdefault(instance, []).append(motion)
            for message, instance, drive in _drives_of(rig, motion):
                self._drives.setdefault((message, instance), []).append(drive)

    @property
    def is_used(self) -> bool:
        """Whether the rig has a motion with an interlock on the network."""
        return bool(self._drives)

    def needs_each_change(self, record: TopicRecord) -> bool:
        """Return whether each frame with new data of a topic is needed."""
        message, instance = record.topic.message or "", record.topic.instance
        if instance is None or message not in MESSAGES or not self._drives:
            return False
        return (message, instance) in self._drives or (message == INPUT_STATUS and instance in self._by_input)

    def observe(self, record: TopicRecord) -> None:
        """Take in a frame of one of the messages."""
        message, instance = record.topic.message or "", record.topic.instance
        if instance is None:
            return
        for drive in self._drives.get((message, instance), ()):
            self._observe_drive(record, drive)
        if message == INPUT_STATUS and instance in self._by_input:
            self._observe_input(record, instance)

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic that the watch drops."""
        if not self.needs_each_change(record):
            return
        instance = record.topic.instance
        if instance in self._inputs and self._inputs[instance].record is record:
            del self._inputs[instance]
            for motion in self._by_input[instance]:
                self._judge(motion, time)
        for drive in self._drives.get((record.topic.message or "", instance or 0), ()):
            if drive.motion.driven.pop((record, drive.field), None) is not None:
                self._judge(drive.motion, time)

    def resume_listening(self, time: int) -> None:
        """Forget everything: nobody listened for a time, and an input reports its changes only."""
        motions = {drive.motion.number: drive.motion for drives in self._drives.values() for drive in drives}
        for motion in motions.values():
            motion.driven.clear()
            self._judge(motion, time)
        self._inputs.clear()

    def _observe_drive(self, record: TopicRecord, drive: _Drive) -> None:
        key, frame, driven = (record, drive.field), record.frame, drive.motion.driven
        if not _value(record, drive.field):
            if driven.pop(key, None) is None:
                return
        elif key not in driven:
            driven[key] = _Status(record.rhythm.times[-1], frame, record, way=drive.way, by=drive.by)
        else:
            return
        self._judge(drive.motion, frame.time)

    def _observe_input(self, record: TopicRecord, instance: int) -> None:
        value, before = _value(record, _POSITION), self._inputs.get(instance)
        if value is None:
            if self._inputs.pop(instance, None) is None:
                return
        elif before is None or before.is_on != bool(value) or record.rhythm.returned_at > before.now:
            self._inputs[instance] = _Status(record.rhythm.times[-1], record.frame, record, is_on=bool(value))
        else:
            self._inputs[instance] = before._replace(record=record)
            return
        for motion in self._by_input[instance]:
            self._judge(motion, record.frame.time)

    # What is found.

    def _wrong_inputs(self, motion: _Motion) -> list[tuple[_Status, str, str]]:
        """Return the inputs that are not as they must be, with name and position, the one that is so longest first."""
        found = [
            (status, name, wanted)
            for name, instance, wanted in motion.inputs
            if (status := self._inputs.get(instance)) is not None
            and status.is_on != (wanted == "on")
            and status.record.device.is_heard
        ]
        return sorted(found, key=lambda one: one[0].now)

    def _judge(self, motion: _Motion, time: int) -> None:
        wrong = self._wrong_inputs(motion)
        if not motion.driven or not wrong:
            motion.due = None
            if motion.reported is not None:
                self._emit(Ended(time, motion.reported.problem_key))
                motion.reported = None
            return
        if motion.reported is not None:
            return
        started, lost = _first(motion).now, wrong[0][0].now
        if started - lost >= MIN_KNOWN_US:
            self._report(motion, time, time, is_start=True)
            return
        motion.due = max(started, lost) + MAX_STOPPING_US
        self._deadlines.schedule(motion.due, self._deadline, motion.number, motion)

    def _due(self, motion: _Motion, passed: int) -> int | None:
        return None if motion.due is None or motion.reported is not None else max(passed, motion.due)

    def _expire(self, motion: _Motion, time: int, since: int) -> None:
        if motion.due is not None and motion.reported is None:
            self._report(motion, time, since, is_start=False)

    def _report(self, motion: _Motion, time: int, since: int, *, is_start: bool) -> None:
        status, wrong = _first(motion), self._wrong_inputs(motion)
        motion.due = None
        motion.reported = MovedWithoutInterlock(
            time, since, status.record.device.name, motion.plan.name, status.way, status.by,
            tuple((name, wanted) for _, name, wanted in wrong), is_start, status.record.topic, status.frame,
            wrong[0][0].frame,
        )  # fmt: skip
        self._emit(motion.reported)


def _value(record: TopicRecord, field: str) -> float | None:
    """Return the value of a field, None where it has none, or where a user's definition has no such field."""
    spec = record.layout.spec
    return reading_of(record, field).value if spec is not None and field in spec.by_name else None


def _first(motion: _Motion) -> _Status:
    """Return the status that has shown the motion longest."""
    return min(motion.driven.values(), key=lambda status: (status.now, status.record.number))


def _drives_of(rig: "Rig", motion: _Motion) -> Iterator[tuple[str, int, _Drive]]:
    """Yield message and instance of each status that shows a motion, with what it shows."""
    outputs = {output.name: output for output in rig.outputs}
    for way, name in motion.plan.outputs.items():
        output = outputs[name]
        if output.instance is not None:
            message, field = OUTPUT_STATUS[output.form]
            yield message, output.instance, _Drive(motion, way, field, f"output {name}")
    for device in rig.devices:
        if device.name == motion.plan.device:
            for instance in device.functions.get(SHADE, ()):
                for way, field in _SHADE_FIELDS.items():
                    yield SHADE_STATUS, instance, _Drive(motion, way, field, f"the motor of {device.name}")
