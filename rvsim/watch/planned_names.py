"""The names that a rig gives to what can be touched: devices, outputs, switches and keys, by message and instance.

Knows: which status and command messages belong to a named part. Does not know what moved, nor what the messages say.
"""

from collections.abc import Iterator
from typing import NamedTuple

from rvsim.rig.contact_plans import contact_plans
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import Rig

_MESSAGES_BY_FORM = {"dimmer": ("DC_DIMMER_",), "load": ("DC_LOAD_",)}
_INPUT_MESSAGES = ("DIGITAL_INPUT_",)


class NamedPart(NamedTuple):
    """A part of a rig by its name; ``messages`` are beginnings of message names.

    ``is_terminal``: it is an output, a switch or a key, and no device.
    """

    name: str
    what: str
    messages: tuple[str, ...]
    instance: int
    is_terminal: bool = False

    def has(self, message: str, instance: int | None) -> bool:
        """Tell whether a message with this instance is about it."""
        return instance == self.instance and message.startswith(self.messages)


def terminal_parts(rig: Rig) -> Iterator[NamedPart]:
    """Yield every output, switch and key that has an instance; each switch of a ladder has a name of its own."""
    for output in rig.outputs:
        if output.instance is not None:
            yield NamedPart(
                output.name,
                f"output {output.instance}",
                _MESSAGES_BY_FORM[output.form],
                output.instance,
                is_terminal=True,
            )
    for contact in contact_plans(rig).values():
        if contact.instance is not None:
            yield NamedPart(
                contact.name, f"digital input {contact.instance}", _INPUT_MESSAGES, contact.instance, is_terminal=True
            )


def named_parts(rig: Rig) -> Iterator[NamedPart]:
    """Yield every output, switch and key that has an instance, then every function of every device."""
    yield from terminal_parts(rig)
    for plan in rig.devices:
        for name, instances in plan.functions.items():
            function = FUNCTIONS[name]
            messages = (*function.statuses, *function.commands)
            for instance in instances:
                if messages:
                    yield NamedPart(plan.name, function.label(instance), messages, instance)


class TerminalNames:
    """The names of outputs, switches and keys of a rig; none without one."""

    def __init__(self, rig: Rig | None) -> None:
        parts = () if rig is None else terminal_parts(rig)
        self._names = {(part.messages, part.instance): part.name for part in parts}
        self._beginnings = {messages for messages, _ in self._names}

    def of(self, message: str, instance: int | None) -> str | None:
        """Return the name of what a message with this instance is about, None where the rig has none."""
        for beginning in self._beginnings:
            if instance is not None and message.startswith(beginning):
                return self._names.get((beginning, instance))
        return None
