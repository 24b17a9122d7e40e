"""What a command is: the function that it is for, its sender, and the commanded values.

Knows: that a function has command messages, that all ones leave a field unchanged, that a command can be sent to one
node alone, and which planned device has a function. Does not know the answers.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from rvsim.rig.functions import FUNCTIONS, by_command
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.transitions import Topic
from rvsim.wire.fields import Reading, Special, State
from rvsim.wire.frame import Frame
from rvsim.wire.ident import GLOBAL_ADDRESS, is_addressed

if TYPE_CHECKING:
    from rvsim.rig.model import DevicePlan, Rig

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


def read_command(record: TopicRecord) -> Command | None:
    """Return the command in the last frame of a topic.

    Returns None for a frame that commands nothing, or that commands a group, whose members are not known. Fields
    without special codes are left out: delay and group, for example, do not hold a commanded value.
    """
    spec, frame = record.layout.spec, record.frame
    function = by_command(spec.name) if spec is not None else None
    if spec is None or function is None or (record.layout.instance is not None and record.topic.instance is None):
        return None
    commanded = {
        reading.field.name: reading
        for reading in spec.decode(frame.data)
        if reading.field is not record.layout.instance
        and reading.state is State.VALUE
        and reading.field.special is not Special.NONE
        and reading.label != _NO_ACTION_LABEL
    }
    if not commanded:
        return None
    destination = frame.identifier >> 8 & 0xFF if is_addressed(record.topic.dgn) else GLOBAL_ADDRESS
    target = CommandTarget(function.name, record.topic.instance, None if destination == GLOBAL_ADDRESS else destination)
    return Command(record.rhythm.times[-1], record.topic.source, target, commanded, record.topic, frame)


class PlannedDevices:
    """The planned devices, by their functions and instances."""

    def __init__(self, rig: "Rig | None") -> None:
        self._owners: dict[tuple[str, int | None], DevicePlan] = {}
        for plan in rig.devices if rig else ():
            for function, instances in plan.functions.items():
                self._owners.setdefault((function, None), plan)
                for instance in instances:
                    self._owners.setdefault((function, instance), plan)

    def find(self, target: CommandTarget) -> "DevicePlan | None":
        """Return the planned device with a function and instance; None where the rig has none, or there is no rig."""
        return self._owners.get((target.function, target.instance))
