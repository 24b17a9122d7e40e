"""A battery charger on shore power that also reports the house battery while no device of a higher priority does.

Knows: bulk, absorption and float, and the charger messages. Does not know what draws from the battery. As a charger it
reports the DC source with device priority 80, below a battery monitor.
"""

from collections.abc import Callable
from typing import Annotated

from pydantic import Field

from rvsim.devices.device import DeviceContext, Volts, commanded
from rvsim.devices.kinds.dc_source import DcSettings, DcSource, SensedBattery
from rvsim.wire.frame import SECOND_US

OFF, BULK, ABSORPTION, FLOAT = 0, 2, 3, 6
"""Operating states of CHARGER_STATUS; numbers from memory, 0 has a neutral name in the definitions."""
TAIL_CURRENT_FRACTION = 0.04
"""Absorption ends when the current in amperes is below this fraction of the capacity in ampere-hours. Common practice,
no source."""
MAX_ABSORPTION_US = 4 * 3600 * SECOND_US
"""Absorption ends after this time at the latest. Common practice, no source."""
FULL_CURRENT_FRACTION = 0.98
"""At or above this fraction of its full current the charger counts as being at its current limit. Our choice."""
DISABLE, ENABLE = 0, 1


class ChargerSettings(DcSettings):
    """Size and set points. AGM: cyclic 14.7 and float 13.7 V at 20-30 degC are an industrial battery maker's table;
    14.4 is common practice, no source. Sizes are invented."""

    full_amps: Annotated[float, Field(gt=0, le=1000)] = 30.0
    """Highest charging current. Invented."""
    absorption_volts: Volts = 14.4
    """Voltage in absorption. Common practice, no source."""
    float_volts: Volts = 13.6
    """Voltage in float. Common practice, no source."""
    case_above_cabin_k: Annotated[float, Field(ge=0, le=60)] = 10.0
    """How much warmer than the cabin its case is at full current. Invented."""


class Charger(DcSource):
    """Sends CHARGER_STATUS, CHARGER_STATUS_2, DC_SOURCE_STATUS_1 and _2; obeys CHARGER_COMMAND."""

    kind = "charger"
    Settings = ChargerSettings
    settings: ChargerSettings
    priority = 80  # a charger's (a gateway maker's RV-C appendix)

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("charger")
        self._command = self.catalogue.by_name("CHARGER_COMMAND")
        self._status_1, self._status_2 = self.specs("CHARGER_STATUS", "CHARGER_STATUS_2")
        self._enabled = 1
        self._stage = OFF
        self._absorbing_since = 0

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command, and the messages of others that report its battery."""
        return {**super().receives(), "CHARGER_COMMAND": self._obey}

    def on_start(self) -> None:
        """Control the charge each second; send the state of charger and battery at their gaps."""
        self.every(SECOND_US, self._update)
        self.broadcast("CHARGER_STATUS", self._charger_status())
        self.broadcast("CHARGER_STATUS_2", self._charger_status_2())
        super().on_start()

    def active(self, function: str) -> bool:
        """Return whether the charger charges; the battery is always active."""
        return function != "charger" or self._stage != OFF

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        if given.get("instance") == self._instance and given.get("status") in (DISABLE, ENABLE):
            self._enabled = given["status"]
            self._update()

    # Control of the charge.

    @property
    def _amps(self) -> float:
        return self.world.charge_amps(self.name)

    def _update(self) -> None:
        before = self._stage
        self._stage = self._next_stage()
        if self._stage == ABSORPTION and before != ABSORPTION:
            self._absorbing_since = self.now
        volts = self.settings.float_volts if self._stage == FLOAT else self.settings.absorption_volts
        self.world.set_charge(self.name, volts, self.settings.full_amps if self._stage != OFF else 0.0)
        if self._stage != before:
            self.send_now("CHARGER_STATUS")

    def _next_stage(self) -> int:
        if not (self._enabled and self.site.shore_power):
            return OFF
        if self._stage in (OFF, BULK):
            at_limit = self._stage == BULK and self._amps < FULL_CURRENT_FRACTION * self.settings.full_amps
            return ABSORPTION if at_limit else BULK
        if self._stage == ABSORPTION:
            timed_out = self.now - self._absorbing_since >= MAX_ABSORPTION_US
            return FLOAT if timed_out or self._amps < TAIL_CURRENT_FRACTION * self.battery_ah else ABSORPTION
        return BULK if self._amps >= FULL_CURRENT_FRACTION * self.settings.full_amps else FLOAT

    # Status.

    def _charger_status(self) -> Callable[[], bytes]:
        volts, amps = (self._status_1.by_name[name].sensor_raw for name in ("charge_voltage", "charge_current"))
        pack = self._status_1.packer(
            "charge_voltage", "charge_current", "charge_current_percent_of_maximum", "operating_state",
            charger_instance=self._instance,
            default_state_on_power_up=1,
            auto_recharge_enable=1,
            force_charge=0,
        )  # fmt: skip

        def build() -> bytes:
            charging = self._amps
            return pack(
                charge_voltage=volts(self.world.volts_at(self.name)),
                charge_current=amps(charging),
                charge_current_percent_of_maximum=round(200 * min(1.0, charging / self.settings.full_amps)),
                operating_state=self._stage,
            )

        return build

    def _charger_status_2(self) -> Callable[[], bytes]:
        names = ("charging_voltage", "charging_current", "charger_temperature")
        volts, amps, celsius = (self._status_2.by_name[name].sensor_raw for name in names)
        pack = self._status_2.packer(
            *names,
            charger_instance=self._instance,
            dc_source_instance=self.source,
            charger_priority=self.priority,
        )

        def build() -> bytes:
            charging, world, plan = self._amps, self.world, self.settings
            return pack(
                charging_voltage=volts(world.volts_at(self.name)),
                charging_current=amps(charging),
                charger_temperature=celsius(world.cabin_c + plan.case_above_cabin_k * charging / plan.full_amps),
            )

        return build

    def sense(self) -> SensedBattery:
        """Return the battery's true state: its measurement has no error."""
        battery = self.battery
        return SensedBattery(self.measured_volts, battery.amps, battery.percent, battery.celsius)
