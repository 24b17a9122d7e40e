"""What a command is: what it commands, by whom, and to which state.

Knows: that a function has command messages, that all ones leave a field as it is, that a command can be sent to one
node alone, and what a rig says of a device's times. Does not know what was answered.
"""

from collections.abc import Mapping
from typing import NamedTuple

from rvsim.rig.functions import FUNCTIONS, by_command
from rvsim.rig.model import DevicePlan, Rig
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.transitions import Topic
from rvsim.wire.fields import Reading, Special, State
from rvsim.wire.frame import Frame
from rvsim.wire.ident import GLOBAL, is_addressed

_NO_ACTION = "no action"
"""The name of a code that commands nothing."""


class Thing(NamedTuple):
    """What can be commanded: a function and its instance; ``node`` is the address that a command was sent to alone.

    ``instance`` is None for a function that a vehicle has once, so that its messages carry none.
    """

    function: str
    instance: int | None
    node: int | None = None

    def __str__(self) -> str:
        function = FUNCTIONS[self.function]
        return function.title if self.instance is None else function.spoken(self.instance)


class Command(NamedTuple):
    """One command; ``given`` are the fields that it does not leave as they are. ``now`` is bus time."""

    now: int
    source: int
    thing: Thing
    given: Mapping[str, Reading]
    topic: Topic
    frame: Frame


def read_command(part: TopicRecord) -> Command | None:
    """Read the last frame of a command topic; None where it commands nothing, or a group, whose members are not known.

    A field without special codes is left out: with it a command says when and to whom, as delay and group do.
    """
    spec, frame = part.layout.spec, part.frame
    function = by_command(spec.name) if spec is not None else None
    if spec is None or function is None or (part.layout.instance is not None and part.topic.instance is None):
        return None
    given = {
        reading.field.name: reading
        for reading in spec.decode(frame.data)
        if reading.field is not part.layout.instance
        and reading.state is State.VALUE
        and reading.field.special is not Special.NONE
        and reading.label != _NO_ACTION
    }
    if not given:
        return None
    to = frame.identifier >> 8 & 0xFF if is_addressed(part.topic.dgn) else GLOBAL
    thing = Thing(function.name, part.topic.instance, None if to == GLOBAL else to)
    return Command(part.rhythm.times[-1], part.topic.source, thing, given, part.topic, frame)


class PlannedDevices:
    """Which planned device has a function and instance."""

    def __init__(self, rig: Rig | None) -> None:
        self._owners: dict[tuple[str, int | None], DevicePlan] = {}
        for plan in rig.devices if rig else ():
            for function, instances in plan.functions.items():
                self._owners.setdefault((function, None), plan)
                for instance in instances:
                    self._owners.setdefault((function, instance), plan)

    def of(self, thing: Thing) -> DevicePlan | None:
        """Return the planned device, None where the rig has none, or there is no rig."""
        return self._owners.get((thing.function, thing.instance))
