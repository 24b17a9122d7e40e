"""An alternator on the engine, with its regulator.

Messages: sends CHARGER_STATUS and CHARGER_STATUS_2; obeys CHARGER_COMMAND, and what the battery's monitor asks for in
DC_SOURCE_STATUS_4 and _6. A regulator maker uses the charger instance 30h + number for an alternator; a plain number is
in use, too. No device priority of an alternator is established: it is sent as no data.

Knows: its current by the engine's speed, that it gives less when hot, that it stops at once when the battery asks, and
three types: a regulator with stages, a plain one with a constant voltage that falls with its current, and a smart one
of a vehicle that saves fuel. Does not know the engine, other than its speed.
"""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from rvsim.devices.charging.charging_device import CAUTION, ChargingDevice
from rvsim.devices.charging.stages import CONSTANT, OFF, StageSettings
from rvsim.devices.device import Amps, DeviceContext, Instance, Volts
from rvsim.devices.settings_order import check_order
from rvsim.world.alternator import DROOP_VOLTS_PER_AMP, PULLEY_RATIO, engine_watts, max_amps, next_hot

DROOP_SHARE_PER_S = 0.1
"""The voltage follows its current by this share each second, so that it does not swing. Our choice."""
DROOP_STEP_VOLTS = 0.005
"""A smaller change of its voltage is not made. Our choice."""
COLD = 1e-3
"""Below this share of its highest temperature it counts as cold. Our choice."""
SMART_HIGH_BELOW_PERCENT, SMART_LOW_ABOVE_PERCENT = 75.0, 85.0
"""A smart one charges below the first charge of its battery, and saves fuel above the second. From memory."""


class AlternatorSettings(StageSettings):
    """Size and regulation."""

    full_amps: Annotated[float, Field(gt=0, le=1000)] = 120.0
    """Rated current, cold and fast. Invented."""
    float_volts: Volts = 13.8
    """Voltage in float, of a regulator with stages. Common practice, no source."""
    ramp_s: Annotated[float, Field(ge=0, le=600)] = 10.0
    """Time from nothing to its full current. Common practice, no source: a regulator spares the belt."""
    type: Literal["regulator", "plain", "smart"] = "regulator"
    """"regulator": bulk, absorption and float; "plain": a constant voltage, absorption_volts; "smart": low_volts while
    its battery is full, high_volts while it is not."""
    low_volts: Volts = 12.3
    """Voltage of a smart one that saves fuel. From memory."""
    high_volts: Volts = 14.8
    """Voltage of a smart one that charges. From memory."""
    pulley_ratio: Annotated[float, Field(ge=1, le=5)] = PULLEY_RATIO
    """Turns for one of the engine. Worked example of a public page."""
    droop_volts_per_amp: Annotated[float, Field(ge=0, le=0.1)] = DROOP_VOLTS_PER_AMP
    """How much the voltage falls with the current, of a plain or a smart one. From memory."""
    hot_above_air_k: Annotated[float, Field(ge=0, le=200)] = 75.0
    """How much hotter than the air outside it becomes at full load. Common practice, no source."""
    field_amps: Amps = 3.0
    """Current of its field while the engine runs. Common practice, no source."""
    standby_amps: Amps = 0.005
    """Current of the regulator, always. Common practice, no source."""
    dc_source: Instance | None = None
    """DC source instance of the battery that it charges; if omitted, that which the rig gives the battery."""

    @property
    def has_float(self) -> bool:
        """Whether its regulator has stages."""
        return self.type == "regulator"

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        check_order(
            self,
            ("low_volts", "high_volts"),
        )
        return self


class Alternator(ChargingDevice):
    """Sends CHARGER_STATUS and CHARGER_STATUS_2; obeys CHARGER_COMMAND and the battery's monitor."""

    kind = "alternator"
    caution: ClassVar[str] = CAUTION
    Settings = AlternatorSettings
    settings: AlternatorSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        battery = self.world.battery_of(self.name)
        self.charge_into(battery, self.source_instance(self.settings.dc_source, battery), battery.capacity_ah)
        self.hot = 0.0
        """How hot it is: 0 as the air, 1 at its highest temperature."""
        self._is_charging_high = True
        self._droop = 0.0

    @property
    def engine_w(self) -> float:
        """The power that it takes from the engine."""
        return engine_watts(self.amps, self.volts)

    def can_charge(self) -> bool:
        """Return whether the engine turns it fast enough."""
        settings = self.settings
        return max_amps(settings.full_amps, self.site.engine_rpm, self.hot, settings.pulley_ratio) > 0

    def starts_alone(self) -> bool:
        """Return whether the engine turns it: what magnetism is left in it is enough (common practice, no source)."""
        return self.can_charge()

    def most(self) -> tuple[float, float | None]:
        """Return its highest current at this speed and temperature."""
        settings = self.settings
        return max_amps(settings.full_amps, self.site.engine_rpm, self.hot, settings.pulley_ratio), None

    def update(self) -> None:
        """Set the voltage of a type without stages, and charge."""
        if self.settings.type != "regulator":
            self._set_constant_volts()
        super().update()

    def after_update(self) -> None:
        """Become warmer or cooler, and take the current of the field."""
        settings = self.settings
        share = self.amps / settings.full_amps if self.stages.stage != OFF else 0.0
        if share or self.hot > COLD:
            self.hot = next_hot(self.hot, min(1.0, share))
        field = settings.field_amps if self.stages.stage != OFF else 0.0
        self.world.set_load(self.name, settings.standby_amps + field)

    def _set_constant_volts(self) -> None:
        settings, stages = self.settings, self.stages
        volts = settings.absorption_volts
        if settings.type == "smart":
            percent = self.charged.percent
            if percent < SMART_HIGH_BELOW_PERCENT:
                self._is_charging_high = True
            elif percent > SMART_LOW_ABOVE_PERCENT:
                self._is_charging_high = False
            volts = settings.high_volts if self._is_charging_high else settings.low_volts
        self._droop += DROOP_SHARE_PER_S * (settings.droop_volts_per_amp * self.amps - self._droop)
        volts -= self._droop
        if abs(volts - stages.absorption_volts) > DROOP_STEP_VOLTS:
            stages.absorption_volts = stages.float_volts = volts
        else:
            stages.float_volts = stages.absorption_volts

    def shown_state(self) -> int:
        """Return its stage; a type without stages has a constant voltage."""
        stage = self.stages.stage
        return stage if stage == OFF or self.settings.type == "regulator" else CONSTANT

    def case_c(self) -> float:
        """Return its temperature."""
        return self.world.outdoor_c + self.settings.hot_above_air_k * self.hot
