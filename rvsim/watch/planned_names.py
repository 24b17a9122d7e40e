"""The names that a rig gives to what can be touched: devices, outputs, switches and keys, by message and instance.

Knows: which status and command messages belong to a named part. Does not know what moved.
"""

from collections.abc import Iterator
from typing import NamedTuple

from rvsim.rig.contact_plans import contact_plans
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import Rig

_OUTPUT_MESSAGES = ("DC_DIMMER_", "DC_LOAD_")
_INPUT_MESSAGES = ("DIGITAL_INPUT_",)


class NamedPart(NamedTuple):
    """A part of a rig by its name; ``messages`` are beginnings of message names."""

    name: str
    what: str
    messages: tuple[str, ...]
    instance: int

    def has(self, message: str, instance: int | None) -> bool:
        """Tell whether a message with this instance is about it."""
        return instance == self.instance and message.startswith(self.messages)


def named_parts(rig: Rig) -> Iterator[NamedPart]:
    """Yield every output, switch and key that has an instance, then every function of every device."""
    for output in rig.outputs:
        if output.instance is not None:
            yield NamedPart(output.name, f"output {output.instance}", _OUTPUT_MESSAGES, output.instance)
    for switch in contact_plans(rig).values():
        if switch.instance is not None:
            yield NamedPart(switch.name, f"digital input {switch.instance}", _INPUT_MESSAGES, switch.instance)
    for plan in rig.devices:
        for name, instances in plan.functions.items():
            function = FUNCTIONS[name]
            messages = (*function.statuses, *function.commands)
            for instance in instances:
                if messages:
                    yield NamedPart(plan.name, function.label(instance), messages, instance)
