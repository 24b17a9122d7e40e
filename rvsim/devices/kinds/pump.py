"""A circulation pump: sends the heater's coolant through the cabin's exchanger, or does not.

Knows: on and off, and the circulation pump messages. Does not know why it is told to run, nor how warm the coolant
is.

Both messages rest on memory and are not sure as a whole. Where one field of a message is not sure it is sent as no
data; these would then say nothing at all, so they are sent with their values, and belong on virtual buses only. The
bench opens no others. Whoever sends onto a real bus must hold back messages whose origin is ``unsure``.
"""

from collections.abc import Callable

from rvsim.devices.device import Amps, Device, Role, Settings, commanded

OFF, ON = 0, 1
"""The only codes it obeys: what a pump does in "test" was not seen."""


class PumpSettings(Settings):
    """What the pump draws. Defaults describe an invented 12 V pump; common practice, no source."""

    amps: Amps = 1.5
    electronics_amps: Amps = 0.02


class CirculationPump(Device):
    """Sends CIRCULATION_PUMP_STATUS and obeys CIRCULATION_PUMP_COMMAND."""

    kind = "circulation_pump"
    Settings = PumpSettings

    def __init__(self, role: Role) -> None:
        super().__init__(role)
        self._instance = self.instance("circulation_pump")
        self._status, self._command = self.specs("CIRCULATION_PUMP_STATUS", "CIRCULATION_PUMP_COMMAND")
        self._output = OFF
        self.world.set_pump(self.name, False)

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Listen to its command."""
        return {"CIRCULATION_PUMP_COMMAND": self._obey}

    def on_start(self) -> None:
        """Say at the gap whether it runs."""
        self._run()
        self.broadcast("CIRCULATION_PUMP_STATUS", self._build)

    def on_stop(self) -> None:
        """The pump stops."""
        super().on_stop()
        self.world.set_pump(self.name, False)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """The pump is at its job while it runs."""
        return self._output == ON

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        wanted = given.get("output_status_command")
        if given.get("instance") != self._instance or wanted not in (OFF, ON) or wanted == self._output:
            return
        self._output = wanted
        self._run()
        self.send_now("CIRCULATION_PUMP_STATUS")

    def _run(self) -> None:
        running = self._output == ON
        self.world.set_pump(self.name, running)
        self.world.set_load(self.name, self.settings.electronics_amps + (self.settings.amps if running else 0.0))

    def _build(self) -> bytes:
        return self._status.pack(instance=self._instance, output_status_command=self._output)
