"""What a command is: the function that it is for, its sender, and the commanded values.

Knows: that a function has command messages, that all ones leave a field unchanged, that a command can be sent to one
node alone or to a group of outputs, and which planned device has a function. Does not know the answers.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, NamedTuple

from rvsim.rig.functions import FUNCTIONS, by_command
from rvsim.watch.detect import output_commands
from rvsim.watch.detect.output_commands import output_coding
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.transitions import Topic
from rvsim.wire.fields import Reading, Special, State
from rvsim.wire.frame import Frame
from rvsim.wire.ident import GLOBAL_ADDRESS, is_addressed

if TYPE_CHECKING:
    from rvsim.rig.device_plan import DevicePlan
    from rvsim.rig.model import Rig

_NO_ACTION_LABEL = "no action"
"""The label of a code that commands nothing."""


class CommandTarget(NamedTuple):
    """What can be commanded: a function and its instance.

    ``instance`` is None for a function whose messages carry none, since a vehicle has it once. ``node`` is the only
    address that a command was sent to, None for a command to all.
    """

    function: str
    instance: int | None
    node: int | None = None

    def __str__(self) -> str:
        function = FUNCTIONS[self.function]
        return function.title if self.instance is None else function.label(self.instance)


class Command(NamedTuple):
    """One command; ``commanded`` are the fields that it does not leave unchanged, by name. ``now`` is bus time."""

    now: int
    source: int
    target: CommandTarget
    commanded: Mapping[str, Reading]
    topic: Topic
    frame: Frame
    states: Mapping[str, Reading]
    """What it commands as a state that another command can contradict: for dimmers and loads the level alone."""
    is_answered: bool = True
    """Whether a status has to answer it."""
    delay_us: int = 0
    """How long the function may wait by the command itself, in microseconds."""


def read_commands(record: TopicRecord, planned: "PlannedDevices") -> Iterator[Command]:
    """Yield the command in the last frame of a topic; one for each planned member where it commands a group of outputs.

    Yields none for a frame that commands nothing, or that commands a group whose members are not known. Fields without
    special codes are left out: delay and group, for example, do not hold a commanded value.
    """
    spec, frame = record.layout.spec, record.frame
    function = by_command(spec.name) if spec is not None else None
    if spec is None or function is None:
        return
    commanded = {
        reading.field.name: reading
        for reading in spec.decode(frame.data)
        if reading.field is not record.layout.instance
        and reading.state is State.VALUE
        and reading.field.special is not Special.NONE
        and reading.label != _NO_ACTION_LABEL
    }
    if not commanded:
        return
    instances: Iterable[int | None] = (record.topic.instance,)
    states, is_answered, delay_us = commanded, True, 0
    if function.name in output_commands.FUNCTIONS:
        coding = output_coding(spec, frame.data, commanded)
        states, is_answered, delay_us = dict(coding.levels), coding.is_answered, coding.delay_us
        if coding.groups:
            instances = planned.members(function.name, coding.groups)
        elif record.topic.instance is None:
            return
    elif record.layout.instance is not None and record.topic.instance is None:
        return
    destination = frame.identifier >> 8 & 0xFF if is_addressed(record.topic.dgn) else GLOBAL_ADDRESS
    node = None if destination == GLOBAL_ADDRESS else destination
    for instance in instances:
        target = CommandTarget(function.name, instance, node)
        now, source = record.rhythm.times[-1], record.topic.source
        yield Command(now, source, target, commanded, record.topic, frame, states, is_answered, delay_us)


class PlannedDevices:
    """The planned devices, by their functions and instances."""

    def __init__(self, rig: "Rig | None") -> None:
        self._owners: dict[tuple[str, int | None], DevicePlan] = {}
        for plan in rig.devices if rig else ():
            for function, instances in plan.functions.items():
                self._owners.setdefault((function, None), plan)
                for instance in instances:
                    self._owners.setdefault((function, instance), plan)
        self._outputs = {
            (output.function, output.instance): output
            for output in (rig.outputs if rig else ())
            if output.instance is not None
        }

    def members(self, function: str, groups: frozenset[int]) -> Iterator[int]:
        """Yield the instances of the planned outputs with a function that are in one of these groups."""
        for (known, instance), output in self._outputs.items():
            if known == function and not groups.isdisjoint(output.groups):
                yield instance

    def off_delay_us(self, target: CommandTarget) -> int:
        """Return how long a planned output stays on after it is commanded off, in microseconds."""
        output = None if target.instance is None else self._outputs.get((target.function, target.instance))
        return 0 if output is None else output.delay_off

    def find(self, target: CommandTarget) -> "DevicePlan | None":
        """Return the planned device with a function and instance; None where the rig has none, or there is no rig."""
        return self._owners.get((target.function, target.instance))
