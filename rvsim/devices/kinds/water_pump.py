"""A fresh-water pump with a pressure switch: it runs while water is drawn, and holds the pressure in the pipes.

Messages: sends WATER_PUMP_STATUS and obeys WATER_PUMP_COMMAND (layouts from memory). Pressures and current stand at
unsure places: they are sent as no data, and a commanded pressure is not obeyed. Neither message has an instance: a
vehicle has one such pump on the bus.

Knows: the water in the pipes and their buffer, the switch, how flow and current depend on pressure and voltage, and
that a pump without water builds no pressure. Does not know who draws water. While the pump gives no pressure the taps
give no water (`World.set_water_pump`).

Running dry, it stops after a time and stays off until it is disabled and enabled again, or without power.
"""

from collections.abc import Callable
from math import inf
from typing import Annotated

from pydantic import Field, model_validator

from rvsim.devices.device import Amps, Device, DeviceContext, Settings, commanded
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import shown
from rvsim.rig.table import OneLineText
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US
from rvsim.world.tank import MAX_LITRES_PER_MIN

DISABLED, ENABLED = 0, 1
DRY, LOW_SUPPLY = ReportedFault(2170, 1), ReportedFault(2171, 4)
"""The SPNs are invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""
RATED_VOLTS = 12.0
"""The pump has its flow and current at this voltage, and turns in proportion to it."""
Bar = Annotated[float, Field(gt=0, le=10)]


class WaterPumpSettings(Settings):
    """The pump, its switch, and the pipes behind it."""

    tank: OneLineText = "fresh"
    """The fresh tank that it draws from."""
    starts_enabled: bool = True
    """Whether it is enabled when its power comes. Common practice, no source: its switch stays on."""
    on_bar: Bar = 2.0
    """The switch closes at this pressure. Common practice, no source: 0.7 to 1.0 bar below the other."""
    off_bar: Bar = 3.1
    """The switch opens at this pressure. A caravan parts seller and a public page: 2.4 to 3.8 bar."""
    litres_per_min: Annotated[float, Field(gt=0, le=200)] = 11.0
    """Flow. A caravan parts seller: 11 for an ordinary pump, 15 to 19 for a larger one."""
    buffer_litres: Annotated[float, Field(gt=0, le=20)] = 0.1
    """Water that pipes and hoses take up between no pressure and ``off_bar``; more with a pressure vessel. Common
    practice, no source."""
    dry_s: Annotated[float, Field(ge=1, le=3600)] = 60.0
    """It stops when it has run for this long without water. Common practice, no source."""
    low_amps: Amps = 3.0
    """Current while it runs without pressure. From memory: pumps draw 3 to 8 A."""
    high_amps: Amps = 8.0
    """Current at the pressure at which the switch opens. From memory, as before."""
    dry_amps: Amps = 2.0
    """Current while it runs dry. Common practice, no source: less than with water."""
    cut_off_volts: Annotated[float, Field(ge=4, le=32)] = 9.0
    """Below this, at its own terminals, it does not run. Common practice, no source."""
    electronics_amps: Amps = 0.02
    """Current of the electronics, always. Common practice, no source."""

    @model_validator(mode="after")
    def _off_above_on(self) -> "WaterPumpSettings":
        if self.off_bar <= self.on_bar:
            raise ValueError(
                f"off_bar, {self.off_bar:g}, is not above on_bar, {self.on_bar:g}: the pump would never stop"
            )
        return self


class WaterPump(Device):
    """Sends WATER_PUMP_STATUS and obeys WATER_PUMP_COMMAND."""

    kind = "water_pump"
    Settings = WaterPumpSettings
    settings: WaterPumpSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.instance("water_pump")
        self._status, self._command = self.specs("WATER_PUMP_STATUS", "WATER_PUMP_COMMAND")
        tank, tanks = self.settings.tank, self.world.tank_names("fresh")
        if tank not in tanks:
            raise InputError(
                f'device "{self.name}": {shown(tank)} is no fresh tank of the rig{did_you_mean(tank, tanks)}; those '
                f"are {', '.join(tanks)}"
            )
        self._is_enabled = self.settings.starts_enabled
        self._is_running = False
        self._is_dry = False
        self._dry_s = 0
        self._held_litres = 0.0
        """Water in the buffer; it makes the pressure."""
        self._given_litres_per_min = -1.0
        self._faults: frozenset[ReportedFault] = frozenset()
        self._last: tuple[int, int] | None = None
        self._give(0.0)

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {"WATER_PUMP_COMMAND": self._obey}

    def on_start(self) -> None:
        """Follow the pressure each second; send the state at its gap."""
        self.every(SECOND_US, self._update)
        self.broadcast("WATER_PUMP_STATUS", self._build_status)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether the pump runs."""
        return self._is_running

    @property
    def pressure_bar(self) -> float:
        """The pressure in the pipes."""
        return self.settings.off_bar * self._held_litres / self.settings.buffer_litres

    def _obey(self, data: bytes) -> None:
        wanted = commanded(self._command, data).get("command")
        if wanted not in (DISABLED, ENABLED) or bool(wanted) == self._is_enabled:
            return
        self._is_enabled = bool(wanted)
        self._is_dry, self._dry_s = False, 0
        self._switch()

    # Water and pressure.

    def _update(self) -> None:
        """Move the water of the last second, then close or open the switch for the next one."""
        world, plan = self.world, self.settings
        pumped = self._pumped_litres() if self._is_running else 0.0
        self._held_litres += pumped - world.drawn_litres(plan.tank)
        self._held_litres = min(plan.buffer_litres, max(0.0, self._held_litres))
        self._dry_s = self._dry_s + 1 if self._is_running and not pumped else 0
        if self._dry_s >= plan.dry_s:
            self._is_dry = True
        self._switch()

    def _pumped_litres(self) -> float:
        """Return what the pump moves in a second."""
        world, plan = self.world, self.settings
        if not self._has_water():
            return 0.0
        return plan.litres_per_min / 60 * min(1.2, world.volts_at(self.name) / RATED_VOLTS)

    def _has_water(self) -> bool:
        """Whether there is water that is no ice in the tank."""
        world, tank = self.world, self.settings.tank
        return world.tank_litres(tank) > 0 and world.tank_ice_percent(tank) < 100

    def _switch(self) -> None:
        """Run or stop by enabling, voltage and pressure; tell taps and supply of it."""
        world, plan = self.world, self.settings
        has_supply = world.volts_at(self.name) >= plan.cut_off_volts
        bar = self.pressure_bar
        calls = bar < (plan.off_bar - 1e-9 if self._is_running else plan.on_bar)
        self._is_running = self._is_enabled and has_supply and not self._is_dry and calls
        flow = 60 * self._pumped_litres() if self._is_running else 0.0
        self._give(inf if self._held_litres > 0 else flow)
        world.set_load(self.name, self._amps(bar))
        self._set_faults(frozenset(self._present_faults(has_supply=has_supply)))
        state = int(self._is_enabled), int(self._is_running)
        last, self._last = self._last, state
        if last not in (None, state):
            self.send_now("WATER_PUMP_STATUS")

    def _give(self, litres_per_min: float) -> None:
        """Let the taps give this: what they like while there is pressure, what the pump moves without."""
        given = min(litres_per_min, MAX_LITRES_PER_MIN)
        if given != self._given_litres_per_min:
            self._given_litres_per_min = given
            self.world.set_water_pump(self.name, given, self.settings.tank)

    def _amps(self, bar: float) -> float:
        plan = self.settings
        if not self._is_running:
            return plan.electronics_amps
        if not self._has_water():
            return plan.electronics_amps + plan.dry_amps
        return plan.electronics_amps + plan.low_amps + (plan.high_amps - plan.low_amps) * min(1.0, bar / plan.off_bar)

    # Faults and status.

    def _present_faults(self, *, has_supply: bool) -> list[ReportedFault]:
        return [fault for fault, is_there in ((DRY, self._is_dry), (LOW_SUPPLY, not has_supply)) if is_there]

    def _set_faults(self, faults: frozenset[ReportedFault]) -> None:
        if faults == self._faults:
            return
        before, self._faults = self._faults, faults
        for fault in (DRY, LOW_SUPPLY):  # in this order, so that one seed gives one run
            if fault in faults - before:
                self.report_fault("water_pump", fault, red=False)
            elif fault in before - faults:
                self.withdraw_fault("water_pump", fault)

    def reset(self, *, faults: bool, reboot: bool) -> None:
        """Clear its reported faults; those that last are reported again."""
        super().reset(faults=faults, reboot=reboot)
        if faults:
            self._faults = frozenset()

    def _build_status(self) -> bytes:
        """Return the data; pressures and current stand at unsure places and are sent as no data."""
        return self._status.pack(
            operating_status=int(self._is_enabled), pump_status=int(self._is_running), water_hookup_detected=0
        )
