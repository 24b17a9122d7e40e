"""The physical figures of a vehicle in a rig, put together: zones, coolant, hot water, people, battery, tanks.

Knows: which parts there are, and that a rig may leave out any of them. Does not know the figures of heat and weather
(`climate` has them) and of tanks (`tanks`), how they change with time (`world` does), nor which devices act on them.

The line under each figure gives the origin of its default. The limits only exclude typing mistakes and are common
practice, no source.
"""

from typing import Annotated, Literal

from pydantic import Field

from rvsim.rig.climate import (
    CabinPlan,
    Celsius,
    CoolantPlan,
    FuelPlan,
    HotWaterPlan,
    PeoplePlan,
    WeatherPlan,
    ZonePlan,
)
from rvsim.rig.table import Table
from rvsim.rig.tanks import ExtraTankPlan, TankPlan

__all__ = ["BatteryPlan", "CabinPlan", "CoolantPlan", "HotWaterPlan", "TankPlan", "VehiclePlan", "WeatherPlan"]


class BatteryPlan(Table):
    """The house battery: 12 V nominal, standing in the cabin."""

    chemistry: Literal["agm", "lfp"] = "agm"
    """Lead-acid with absorbed electrolyte ("agm") or lithium iron phosphate, four cells ("lfp"). Invented van."""
    capacity_ah: float = Field(default=100.0, ge=1, le=2000)
    """Capacity, rated over 20 hours. Invented van."""
    start_percent: float = Field(default=80.0, ge=0, le=100)
    """State of charge at the start. Invented."""
    internal_milliohm: float = Field(default=5.0, ge=0.1, le=1000)
    """Internal resistance, the ohmic part alone, terminals included. From memory: typical of 100 Ah at 12 V."""
    start_c: Celsius = 15.0
    """Temperature at the start. Invented: as cold as the cabin."""
    lag_hours: float = Field(default=4.0, ge=0.1, le=48)
    """Time in which it comes 63 % nearer to the cabin's temperature. Invented: 25 kg at 0.9 kJ/(kg K), 1.6 W/K."""


class VehiclePlan(Table):
    """Everything about the vehicle that its devices share; a rig may leave out any part."""

    cabin: CabinPlan = CabinPlan()
    zones: Annotated[tuple[ZonePlan, ...], Field(strict=False)] = ()
    people: PeoplePlan = PeoplePlan()
    coolant: CoolantPlan = CoolantPlan()
    hot_water: HotWaterPlan = HotWaterPlan()
    fuel: FuelPlan = FuelPlan()
    battery: BatteryPlan = BatteryPlan()
    fresh_tank: TankPlan = TankPlan()
    grey_tank: TankPlan = TankPlan()
    black_tank: TankPlan = TankPlan()
    tanks: Annotated[tuple[ExtraTankPlan, ...], Field(strict=False)] = ()
