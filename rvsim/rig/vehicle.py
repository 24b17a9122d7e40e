"""The physical figures of a vehicle in a rig: cabin, coolant, hot water, tanks, with those of `electric`; the weather.

Knows: the names, units, limits and defaults of these figures. Does not know how they change with time (`world` does),
nor which devices act on them.

The defaults together describe an invented small insulated van with a coolant heater. The line under each figure gives
the origin of its default. The limits only exclude typing mistakes and are common practice, no source.
"""

from collections.abc import Mapping
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from rvsim.rig.electric import Batteries, BatteryPlan, BranchPlan, ShorePlan, house_battery

__all__ = [
    "BatteryPlan",
    "CabinPlan",
    "Celsius",
    "CoolantPlan",
    "HotWaterPlan",
    "Hour",
    "TankPlan",
    "VehiclePlan",
    "WeatherPlan",
]

Celsius = Annotated[float, Field(ge=-60, le=60)]
"""A temperature of air, or of something in the air."""
Hour = Annotated[float, Field(ge=0, lt=24)]
"""Hour of the day, local, with decimals: 18.5 is 18:30."""


class _Plan(BaseModel):
    """Frozen; unknown keys and texts for numbers are refused. Every figure has both limits, so none is infinite."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class CabinPlan(_Plan):
    """The living space: one body of air and furniture at one temperature."""

    volume_m3: float = Field(default=11.0, ge=1, le=100)
    """Volume of the air. Invented van: about 3.4 m long, 1.8 m wide, 1.8 m high inside."""
    heat_loss_w_per_k: float = Field(default=35.0, ge=1, le=1000)
    """Heat lost through walls, glass and floor, without air exchange. Invented van: 33 m2 at a mean of 1.06 W/(m2
    K), between the 0.65 of an insulated wall and the 5.9 of bare metal (EN ISO 6946)."""
    heat_capacity_j_per_k: float = Field(default=400_000.0, ge=10_000, le=20_000_000)
    """Heat capacity of air, lining and contents, the battery included. Invented van: about 270 kg at 1.5 kJ/(kg
    K)."""
    air_changes_per_hour: float = Field(default=1.0, ge=0, le=60)
    """Air exchange by leaks and fixed vents, fan off. Common practice, no source."""
    start_c: Celsius = 15.0
    """Temperature at the start. Invented: parked for an hour in autumn."""


class CoolantPlan(_Plan):
    """The heater's coolant circuit: burner, pump, the exchangers to cabin air and to the hot water."""

    litres: float = Field(default=10.0, ge=1, le=100)
    """Volume of the coolant. Invented van: heater, hoses and exchangers together."""
    glycol_percent: float = Field(default=40.0, ge=0, le=40)
    """Propylene glycol in the water. Common practice, no source; 40 is also where the table of properties ends."""
    burner_w: float = Field(default=5000.0, ge=0, le=20_000)
    """Heat into the coolant at full output. Invented van; coolant heaters for vehicles of this size give 4-5 kW."""
    burner_efficiency_percent: float = Field(default=85.0, ge=30, le=100)
    """Heat into the coolant, as a share of the heat in the fuel (lower heating value). Common practice, no
    source."""
    pump_litres_per_s: float = Field(default=0.15, ge=0.01, le=1)
    """Flow of the coolant while the pump runs. Invented van: 540 litres an hour against the resistance of its
    hoses."""
    cabin_exchanger_w_per_k: float = Field(default=110.0, ge=0, le=1000)
    """Heat from coolant to cabin air at full fan, before the limit that the flow sets. Invented van: carries the
    burner's full output at about 50 K above the cabin."""
    water_exchanger_w_per_k: float = Field(default=120.0, ge=0, le=1000)
    """Heat from coolant to hot water, before the limit that the flow sets. Invented van."""
    hose_loss_w_per_k: float = Field(default=3.0, ge=0, le=50)
    """Heat from hoses and idle exchangers to the cabin, fan off. Common practice, no source."""
    start_c: float = Field(default=15.0, ge=-60, le=110)
    """Temperature at the start. Invented: as cold as the cabin."""


class HotWaterPlan(_Plan):
    """The hot-water tank; it stands in the cabin and loses its heat to it."""

    litres: float = Field(default=10.0, ge=1, le=200)
    """Volume of the tank. Invented van."""
    loss_w_per_k: float = Field(default=1.0, ge=0, le=50)
    """Heat lost to the cabin through the tank's insulation. Common practice, no source."""
    start_c: float = Field(default=15.0, ge=0, le=95)
    """Temperature at the start. Invented: as cold as the cabin."""


class TankPlan(_Plan):
    """A water tank: fresh, grey or black."""

    litres: float = Field(default=60.0, ge=1, le=2000)
    """Volume of the tank. Invented van."""
    start_percent: float = Field(default=50.0, ge=0, le=100)
    """Level at the start. Invented."""


class VehiclePlan(_Plan):
    """Everything about the vehicle that its devices share; a rig may leave out any part."""

    model_config = ConfigDict(populate_by_name=True)

    cabin: CabinPlan = CabinPlan()
    coolant: CoolantPlan = CoolantPlan()
    hot_water: HotWaterPlan = HotWaterPlan()
    batteries: Batteries = Field(default=(BatteryPlan(),), alias="battery")
    branches: Annotated[tuple[BranchPlan, ...], Field(strict=False)] = Field(default=(), alias="branch")
    shore: ShorePlan = ShorePlan()
    branch_by_device: Mapping[str, str] = Field(default_factory=dict)
    """The branch of each device that has one, by their names."""
    fresh_tank: TankPlan = TankPlan()
    grey_tank: TankPlan = TankPlan()
    black_tank: TankPlan = TankPlan()

    @property
    def battery(self) -> BatteryPlan:
        """The house battery: the one of this name, or the first."""
        return house_battery(self.batteries)


class WeatherPlan(_Plan):
    """The air outside: one temperature, or a day's swing around it. Belongs to a scenario, not to a vehicle."""

    outdoor_c: Celsius = -5.0
    """Mean temperature of the day. Invented winter."""
    swing_amplitude_k: float = Field(default=0.0, ge=0, le=30)
    """How far the warmest and the coldest hour are from the mean; 0: the same temperature all day. Invented."""
    warmest_hour: Hour = 15.0
    """The warmest hour of the day. Common practice, no source: air is warmest in the middle of the afternoon."""
    start_hour: Hour = 18.0
    """Hour of the day at which the run starts, 18.5 is 18:30. Invented: evening."""
