"""The physical figures of a vehicle in a rig, put together: zones, coolant, hot water, people, tanks, batteries, loads.

Knows: which parts there are, and that a rig may leave out any of them. Does not know the figures of heat and weather
(`climate` has them), of tanks (`tanks`) and of electricity (`electric`), how they change with time (`world` does), nor
which devices act on them.

The line under each figure gives the origin of its default. The limits only exclude typing mistakes and are common
practice, no source.
"""

from collections.abc import Mapping
from typing import Annotated

from pydantic import ConfigDict, Field

from rvsim.rig.climate import (
    CabinPlan,
    CoolantPlan,
    FuelPlan,
    HotWaterPlan,
    PeoplePlan,
    WeatherPlan,
    ZonePlan,
)
from rvsim.rig.electric import Batteries, BatteryPlan, BranchPlan, ShorePlan, house_battery
from rvsim.rig.inputs import InputPlan
from rvsim.rig.motions import MotionPlan
from rvsim.rig.switching import (
    ModulePlan,
    OutputPlan,
    RelayPlan,
)
from rvsim.rig.table import Table
from rvsim.rig.tanks import ExtraTankPlan, TankPlan

__all__ = ["BatteryPlan", "CabinPlan", "CoolantPlan", "HotWaterPlan", "TankPlan", "VehiclePlan", "WeatherPlan"]


class VehiclePlan(Table):
    """Everything about the vehicle that its devices share; a rig may leave out any part."""

    model_config = ConfigDict(populate_by_name=True)

    cabin: CabinPlan = CabinPlan()
    zones: Annotated[tuple[ZonePlan, ...], Field(strict=False)] = ()
    people: PeoplePlan = PeoplePlan()
    coolant: CoolantPlan = CoolantPlan()
    hot_water: HotWaterPlan = HotWaterPlan()
    fuel: FuelPlan = FuelPlan()
    batteries: Batteries = Field(default=(BatteryPlan(),), alias="battery")
    branches: Annotated[tuple[BranchPlan, ...], Field(strict=False)] = Field(default=(), alias="branch")
    shore: ShorePlan = ShorePlan()
    branch_by_device: Mapping[str, str] = Field(default_factory=dict)
    """The branch of each device that has one, by their names."""
    battery_by_device: Mapping[str, str] = Field(default_factory=dict)
    """The battery of each device without a branch that the rig gives another one than the house battery, by its DC
    source."""
    fresh_tank: TankPlan = TankPlan()
    grey_tank: TankPlan = TankPlan()
    black_tank: TankPlan = TankPlan()
    tanks: Annotated[tuple[ExtraTankPlan, ...], Field(strict=False)] = ()
    modules: Annotated[tuple[ModulePlan, ...], Field(strict=False)] = ()
    relays: Annotated[tuple[RelayPlan, ...], Field(strict=False)] = ()
    outputs: Annotated[tuple[OutputPlan, ...], Field(strict=False)] = ()
    inputs: Annotated[tuple[InputPlan, ...], Field(strict=False)] = ()
    motions: Annotated[tuple[MotionPlan, ...], Field(strict=False)] = ()

    @property
    def battery(self) -> BatteryPlan:
        """The house battery: the one of this name, or the first."""
        return house_battery(self.batteries)
