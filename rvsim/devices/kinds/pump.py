"""A circulation pump: moves the heater's coolant through the exchangers of the zones.

Messages: sends CIRCULATION_PUMP_STATUS and obeys CIRCULATION_PUMP_COMMAND. Its fault is reported in heartbeat and DM1.

Knows: on and off, that it turns only with enough voltage, and what its electronics does when it is blocked: it stops
the motor after some seconds of its stall current, tries again after a pause, and gives up after some tries until it is
commanded off. Does not know why it is commanded, nor how warm the coolant is.

Both messages are from memory and unsure as a whole. An unsure field of another message is sent as no data; these two
would then carry no value at all, so they are sent with values, on virtual buses only. The bench opens no other buses.
Code that sends onto a real bus must hold back messages whose origin is ``unsure``.
"""

from collections.abc import Callable
from typing import Annotated

from pydantic import Field

from rvsim.devices.device import Amps, Device, DeviceContext, Settings, commanded
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US

OFF, ON = 0, 1
"""The only codes that it obeys: no source says what a pump does in "test"."""
BLOCKED, LOW_SUPPLY = ReportedFault(2180, 7), ReportedFault(2181, 4)
"""The SPNs are invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""
Seconds = Annotated[int, Field(ge=1, le=3600)]


class PumpSettings(Settings):
    """What the pump draws. Defaults describe an invented 12 V pump; common practice, no source."""

    amps: Amps = 1.5
    """Current of the motor while it runs. Common practice, no source."""
    electronics_amps: Amps = 0.02
    """Current of the electronics, always. Common practice, no source."""
    stall_amps: Amps = 4.0
    """Current of the motor while it is blocked. Common practice, no source: two to three times that of a turning
    one."""
    stall_s: Seconds = 5
    """The electronics stops a blocked motor after this time. Common practice, no source."""
    retry_s: Seconds = 30
    """Pause until it tries again. Common practice, no source."""
    tries: Annotated[int, Field(ge=1, le=100)] = 5
    """After this many tries it stays off until it is commanded off and on. Common practice, no source."""
    cut_off_volts: Annotated[float, Field(ge=4, le=32)] = 9.0
    """Below this, at its own terminals, it does not run. Common practice, no source."""


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
        self._is_blocked = False
        self._tries = 0
        self._stalled_s = self._pause_s = 0
        self._is_turning = False
        self._faults: frozenset[ReportedFault] = frozenset()
        self._acted: tuple[int, bool, bool, int, int] | None = None
        """Command, supply, whether it is blocked, pause and tries, as the vehicle and the bus last got them."""
        self._amps = -1.0
        self.world.set_pump(self.name, running=False)

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {"CIRCULATION_PUMP_COMMAND": self._obey}

    def on_start(self) -> None:
        """Watch motor and supply each second; send at the gap whether it runs."""
        self.every(SECOND_US, self._update)
        self.broadcast("CIRCULATION_PUMP_STATUS", self._build_status)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether the pump is on and nothing stops it."""
        return self._output_status == ON and not self._faults

    def block(self, *, is_blocked: bool) -> None:
        """Block the pump's wheel, or set it free."""
        self._is_blocked = is_blocked

    def reset(self, *, faults: bool, reboot: bool) -> None:
        """Clear its reported faults; those that last are reported again."""
        super().reset(faults=faults, reboot=reboot)
        if faults:
            self._faults, self._acted = frozenset(), None

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        wanted = given.get("output_status_command")
        if given.get("instance") != self._instance or wanted not in (OFF, ON) or wanted == self._output_status:
            return
        self._output_status = wanted
        self._tries = self._stalled_s = self._pause_s = 0
        self._set_pump()
        self.send_now("CIRCULATION_PUMP_STATUS")

    def _update(self) -> None:
        """Count the seconds of a blocked motor and of its pauses, then set the pump for the next second."""
        plan = self.settings
        if self._pause_s:
            self._pause_s -= 1
        elif self._is_turning and self._is_blocked:
            self._stalled_s += 1
            if self._stalled_s >= plan.stall_s:
                self._stalled_s, self._pause_s = 0, plan.retry_s
                self._tries += 1
        elif self._is_turning:
            self._tries = self._stalled_s = 0
        self._set_pump()

    def _set_pump(self) -> None:
        """Set the pump by its command, its supply and what blocks it, where one of them has changed."""
        plan = self.settings
        has_supply = self.world.volts_at(self.name) >= plan.cut_off_volts
        state = (self._output_status, has_supply, self._is_blocked, self._pause_s, self._tries)
        if state == self._acted:
            return
        self._acted = state
        on = self._output_status == ON
        self._is_turning = on and has_supply and not self._pause_s and self._tries < plan.tries
        self.world.set_pump(self.name, running=self._is_turning and not self._is_blocked)
        motor = (plan.stall_amps if self._is_blocked else plan.amps) if self._is_turning else 0.0
        amps = plan.electronics_amps + motor
        if amps != self._amps:
            self._amps = amps
            self.world.set_load(self.name, amps)
        faults = {BLOCKED} if self._tries else set()
        self._set_faults(frozenset(faults | ({LOW_SUPPLY} if on and not has_supply else set())))

    def _set_faults(self, faults: frozenset[ReportedFault]) -> None:
        if faults == self._faults:
            return
        before, self._faults = self._faults, faults
        for fault in (BLOCKED, LOW_SUPPLY):  # in this order, so that one seed gives one run
            if fault in faults - before:
                self.report_fault("circulation_pump", fault, red=False)
            elif fault in before - faults:
                self.withdraw_fault("circulation_pump", fault)

    def _build_status(self) -> bytes:
        return self._status.pack(instance=self._instance, output_status_command=self._output_status)
