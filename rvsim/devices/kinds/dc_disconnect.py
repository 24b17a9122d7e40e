"""A switch between a battery and what it feeds.

Messages: sends DC_DISCONNECT_STATUS and obeys DC_DISCONNECT_COMMAND. Beside the instance both are unsure. An unsure
field of another message is sent as no data; these two would then carry no value at all, so they are sent with values,
on virtual buses only.

Knows: whether it is closed, the highest current that it may break, the time between two moves, and what its coil takes.
Does not know what it feeds. A latching type keeps its place without power, another opens when its supply is gone.
"""

from collections.abc import Callable
from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.device import Amps, Device, DeviceContext, Settings, commanded
from rvsim.devices.named_battery import named_battery
from rvsim.rig.table import OneLineText
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US

DISCONNECT, CONNECT, NO_COMMAND = 0, 1, 3
"""Codes of command and status; unsure."""
REFUSED_FAULT = ReportedFault(2310, 6)
"""Current above normal. The SPN is invented: it means what the maker of the function says (rv-c.com/node/82)."""


class DcDisconnectSettings(Settings):
    """The switch."""

    battery: OneLineText | None = None
    """The battery that it disconnects; if omitted, that of its branch, or the house battery."""
    latching: bool = True
    """Whether it keeps its place without power. Common practice, no source: a battery switch does."""
    max_break_amps: Annotated[float, Field(gt=0, le=10_000)] | None = None
    """The highest current that it may break; above it a command to disconnect is refused. If omitted, it breaks any."""
    coil_amps: Amps = 0.5
    """Current of the coil of a type that does not latch, while it is closed. Common practice, no source."""
    electronics_amps: Amps = 0.005
    """Current of the electronics, always. Common practice, no source."""
    least_s: Annotated[float, Field(ge=0, le=600)] = 1.0
    """Least time between two moves. Common practice, no source."""
    closed: bool = True
    """Whether it is closed at its first start."""


class DcDisconnect(Device):
    """Sends DC_DISCONNECT_STATUS and obeys DC_DISCONNECT_COMMAND."""

    kind = "dc_disconnect"
    caution: ClassVar[str] = "A switch that opens under load can arc, and takes away the power of what is behind it."
    Settings = DcDisconnectSettings
    settings: DcDisconnectSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("dc_disconnect")
        name = self.settings.battery
        self._battery = self.world.battery_of(self.name) if name is None else named_battery(self, "battery", name)
        self._status, self._command = self.specs("DC_DISCONNECT_STATUS", "DC_DISCONNECT_COMMAND")
        self.is_closed = bool(self.memory.setdefault("closed", float(self.settings.closed)))
        if not self.settings.latching:
            self.is_closed = self.settings.closed
        self._contact = f"{self.name} contact"
        """The owner of what stays in its place when the device gives everything else back."""
        self._last_command = NO_COMMAND
        self._moved_at = -round(self.settings.least_s * SECOND_US)
        self._is_refusing = False
        self._move()

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {"DC_DISCONNECT_COMMAND": self._obey}

    def on_start(self) -> None:
        """Send at the gap whether it is closed."""
        self.broadcast("DC_DISCONNECT_STATUS", self._build_status)

    def on_stop(self) -> None:
        """Lose the power: a latching type keeps its place, another opens."""
        super().on_stop()
        if not self.settings.latching:
            self.world.set_disconnect(self._contact, open=True, battery=self._battery.name)

    def is_powered(self) -> bool:
        """Return whether the battery feeds it: it is wired to the battery's side of the switch, by its branch."""
        battery = self._battery
        volts = battery.volts if self.is_closed or battery.discharge_is_open else battery.own_volts
        is_fed = volts >= self.min_supply_volts and not battery.is_cut_off(self.name)
        return is_fed and (battery.has_protection or not battery.has_collapsed)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether it is closed."""
        return self.is_closed

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        wanted = given.get("command")
        if given.get("instance") != self._instance or wanted not in (DISCONNECT, CONNECT):
            return
        self._last_command = wanted
        waited = self.now - self._moved_at >= self.settings.least_s * SECOND_US
        if (wanted == CONNECT) != self.is_closed and waited and self._may_move(wanted):
            self.is_closed = wanted == CONNECT
            self._moved_at = self.now
            self.memory["closed"] = float(self.is_closed)
            self._move()
        self.send_now("DC_DISCONNECT_STATUS")

    def _may_move(self, wanted: int) -> bool:
        """Return whether it may break the present current; report where it may not, until the next command."""
        most = self.settings.max_break_amps
        refuses = wanted == DISCONNECT and most is not None and abs(self._battery.amps) > most
        if refuses and not self._is_refusing:
            self.report_fault("dc_disconnect", REFUSED_FAULT, red=False)
        elif self._is_refusing and not refuses:
            self.withdraw_fault("dc_disconnect", REFUSED_FAULT)
        self._is_refusing = refuses
        return not refuses

    def _move(self) -> None:
        settings = self.settings
        self.world.set_disconnect(self._contact, open=not self.is_closed, battery=self._battery.name)
        coil = settings.coil_amps if self.is_closed and not settings.latching else 0.0
        self.world.set_load(self.name, settings.electronics_amps + coil)

    def _build_status(self) -> bytes:
        return self._status.pack(
            instance=self._instance, circuit_status=int(self.is_closed), last_command=self._last_command
        )
