"""What a switch does that a module lets switch one of its own outputs, without the network.

Knows: a maintained switch sets the output, a momentary one toggles it, and a long press dims it, up and down in turn.
Does not know how an output obeys, nor what the network is told.
"""

from collections.abc import Callable

from rvsim.devices.switching.commands import Code
from rvsim.devices.switching.inputs import DigitalInput, InputHost
from rvsim.devices.switching.presses import Presses


class LocalSwitch:
    """One switch and its output.

    Args:
        host: the module.
        switch: the switch.
        is_dimmer: whether the output can be dimmed; then a short press acts when it ends.
        is_on: tells whether the output is on.
        command: commands the output.
    """

    def __init__(
        self,
        host: InputHost,
        switch: DigitalInput,
        *,
        is_dimmer: bool,
        is_on: Callable[[], bool],
        command: Callable[[Code], None],
    ) -> None:
        self._is_maintained, self._is_dimmer = switch.is_maintained, is_dimmer
        self._is_on, self._command = is_on, command
        self._rises = True
        self._presses = Presses(host, lambda: command(Code.TOGGLE), self._dim, lambda: command(Code.STOP))

    def start(self, *, on: bool) -> None:
        """Set the output by a maintained switch that is on when the module gets its power."""
        if self._is_maintained and on:
            self._command(Code.ON_AFTER)

    def switched(self, *, on: bool) -> None:
        """Follow the switch, which has gone on or off."""
        if self._is_maintained:
            self._command(Code.ON_AFTER if on else Code.OFF_AFTER)
        elif self._is_dimmer:
            self._presses.switched(on=on)
        elif on:
            self._command(Code.TOGGLE)

    def _dim(self) -> None:
        """Change the level until the release: up from off, otherwise the other way than last time."""
        self._rises = not self._is_on() or not self._rises
        self._command(Code.RAMP_UP if self._rises else Code.RAMP_DOWN)
