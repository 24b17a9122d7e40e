"""Commands that a key sends itself: to a dimmer or a load, by instance or by group.

Knows: the message and the codes of each action. Does not know when a key is pressed.

DC_DIMMER_COMMAND_2 (rv-c.com/node/106): its layout and the code "set level" are published; "toggle", "ramp toggle" and
"stop" are from memory. DC_LOAD_COMMAND is from memory. The ramp time is not sure and sent as no data.
"""

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from rvsim.devices.device import Settings
from rvsim.devices.switching.commands import FULL_RAW, NO_DATA, Code, group_bits
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.spec import MessageSpec

COMMANDS: Mapping[str, tuple[str, str]] = {
    "dimmer": ("DC_DIMMER_COMMAND_2", "desired_level"),
    "load": ("DC_LOAD_COMMAND", "desired_operating_level"),
}
"""The command message of an output and its field with the level, by what the output is on the network."""
COMMANDED_FUNCTION: Mapping[str, str] = {"dimmer": "dc_dimmer", "load": "dc_load"}
"""The function of an output, by what it is on the network."""
MAX_GROUP = 7


class KeyCommand(Settings):
    """What a key commands: an output by its instance, or a group of outputs."""

    message: Literal["dimmer", "load"] = "dimmer"
    """Whether the output is a dimmer or a load on the network."""
    instance: Annotated[int, Field(ge=1, le=250)] | None = None
    """The instance of the output."""
    group: Annotated[int, Field(ge=1, le=MAX_GROUP)] | None = None
    """The group of outputs, instead of an instance."""
    action: Literal["toggle", "on", "off", "follow"] = "toggle"
    """What a press does; "follow" is on while the key is on, and off while it is off."""
    dim_while_held: bool = False
    """Whether a long press dims until the key is released; a short press then acts when it ends."""


class CommandFrames:
    """The frames of one key's command."""

    def __init__(self, catalogue: Catalogue, command: KeyCommand) -> None:
        name, self._level = COMMANDS[command.message]
        self.spec: MessageSpec = catalogue.by_name(name)
        self._target = {
            "instance": NO_DATA if command.instance is None else command.instance,
            "group": NO_DATA if command.group is None else group_bits((command.group,)),
        }

    def level(self, *, on: bool) -> bytes:
        """Return the command to 100 % or to 0 % at once."""
        return self._pack(Code.SET_LEVEL, FULL_RAW if on else 0)

    def toggle(self) -> bytes:
        """Return the command to the other state, at the level of before where that is on."""
        return self._pack(Code.TOGGLE, NO_DATA)

    def dim(self) -> bytes:
        """Return the command to change the level, up or down in turn, until a stop; how fast, the output knows."""
        return self._pack(Code.RAMP_TOGGLE, FULL_RAW, NO_DATA)

    def stop(self) -> bytes:
        """Return the command to stay at the present level."""
        return self._pack(Code.STOP, NO_DATA, NO_DATA)

    def _pack(self, command: Code, level: int, delay: int = 0) -> bytes:
        return self.spec.pack(**self._target, **{self._level: level}, command=int(command), delay_duration=delay)
