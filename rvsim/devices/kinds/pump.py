"""A circulation pump: moves the heater's coolant through the cabin's exchanger.

Knows: on and off, and the circulation pump messages. Does not know why it is commanded, nor how warm the coolant is.

Both messages are from memory and unsure as a whole. An unsure field of another message is sent as no data; these two
would then carry no value at all, so they are sent with values, on virtual buses only. The bench opens no other buses.
Code that sends onto a real bus must hold back messages whose origin is ``unsure``.
"""

from collections.abc import Callable

from rvsim.devices.device import Amps, Device, DeviceContext, Settings, commanded

OFF, ON = 0, 1
"""The only codes that it obeys: no source says what a pump does in "test"."""


class PumpSettings(Settings):
    """What the pump draws. Defaults describe an invented 12 V pump; common practice, no source."""

    amps: Amps = 1.5
    """Current of the motor while it runs. Common practice, no source."""
    electronics_amps: Amps = 0.02
    """Current of the electronics, always. Common practice, no source."""


class CirculationPump(Device):
    """Sends CIRCULATION_PUMP_STATUS and obeys CIRCULATION_PUMP_COMMAND."""

    kind = "circulation_pump"
    Settings = PumpSettings
    settings: PumpSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("circulation_pump")
        self._status, self._command = self.specs("CIRCULATION_PUMP_STATUS", "CIRCULATION_PUMP_COMMAND")
        self._output_status = OFF
        self.world.set_pump(self.name, running=False)

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {"CIRCULATION_PUMP_COMMAND": self._obey}

    def on_start(self) -> None:
        """Send at the gap whether it runs."""
        self._set_pump()
        self.broadcast("CIRCULATION_PUMP_STATUS", self._build_status)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether the pump runs."""
        return self._output_status == ON

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        wanted = given.get("output_status_command")
        if given.get("instance") != self._instance or wanted not in (OFF, ON) or wanted == self._output_status:
            return
        self._output_status = wanted
        self._set_pump()
        self.send_now("CIRCULATION_PUMP_STATUS")

    def _set_pump(self) -> None:
        running = self._output_status == ON
        self.world.set_pump(self.name, running=running)
        self.world.set_load(self.name, self.settings.electronics_amps + (self.settings.amps if running else 0.0))

    def _build_status(self) -> bytes:
        return self._status.pack(instance=self._instance, output_status_command=self._output_status)
