"""Every figure of a vehicle in a rig shows: a change of it moves a reading, in the direction that physics says.

A row: the key by its path, another value, the reading that moves, and 1 where it becomes larger, -1 where smaller. All
rows have one vehicle in common, which runs for some minutes with everything in use.
"""

from collections.abc import Mapping, Sequence
from copy import deepcopy
from functools import cache
from typing import Any

import pytest
from pydantic import BaseModel

from rvsim.rig.climate import (
    CabinPlan,
    CoolantPlan,
    FuelPlan,
    GlassPlan,
    HotWaterPlan,
    LayerPlan,
    PeoplePlan,
    WallPlan,
    WeatherPlan,
    ZonePlan,
)
from rvsim.rig.electric import BatteryPlan, BranchPlan, ProtectionPlan, ShorePlan, WirePlan
from rvsim.rig.key_lists import descriptions
from rvsim.rig.tanks import ExtraTankPlan, TankPlan
from rvsim.rig.vehicle import VehiclePlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.battery import Battery
from rvsim.world.bus_bar import BusBar
from rvsim.world.world import World

MINUTES = 5
BASE: Mapping[str, Any] = {
    "cabin": {
        "walls": [{"area_m2": 20.0}, {"area_m2": 10.0, "layers": [{"material": "xps", "thickness_mm": 20.0}]}],
        "glass": [{"area_m2": 2.0, "azimuth_deg": 180.0}], "ribs_m": 10.0, "inlet_m2": 0.1,
        "start_c": 0.0,
    },
    "zones": [{"name": "garage", "volume_m3": 6.0, "exchange": {"cabin": 20.0}, "exchanger_w_per_k": 30.0}],
    "batteries": [
        {"name": "house", "zone": "garage"},
        {"name": "starter", "start_percent": 60.0},
        {"name": "idle", "zone": "outdoors"},
    ],
    "branches": [
        {"name": "loads", "wire": {"area_mm2": 2.5, "length_m": 4.0}},
        {"name": "lamps", "wire": {"awg": 12, "length_m": 4.0}},
        {"name": "charging", "battery": "starter", "wire": {"milliohm": 10.0}},
    ],
    "branch_by_device": {"winch": "loads", "lamp": "lamps", "charger": "charging"},
    "shore": {"amps": 16.0, "volts": 230.0},
    "tanks": [{"name": "bay", "content": "fresh"}, {"name": "gas", "content": "lpg", "zone": "outdoors"}],
}  # fmt: skip
ROWS: Sequence[tuple[str, Any, str, int]] = [
    ("cabin.volume_m3", 40.0, "cabin", -1),
    ("cabin.walls.0.area_m2", 40.0, "cabin", -1),
    ("cabin.walls.0.u_w_per_m2_k", 2.4, "cabin", -1),
    ("cabin.walls.0.layers", [{"material": "steel", "thickness_mm": 1.0}], "cabin", -1),
    ("cabin.walls.1.layers.0.material", "steel", "cabin", -1),
    ("cabin.walls.1.layers.0.thickness_mm", 40.0, "cabin", 1),
    ("cabin.walls.1.layers.0.conductivity_w_per_m_k", 0.1, "cabin", -1),
    ("cabin.walls", [{"area_m2": 60.0}], "cabin", -1),
    ("cabin.ribs_m", 60.0, "cabin", -1),
    ("cabin.rib_w_per_m_k", 1.0, "cabin", -1),
    ("cabin.glass", [{"area_m2": 4.0, "azimuth_deg": 180.0}], "sun", 1),
    ("cabin.glass.0.area_m2", 4.0, "sun", 1),
    ("cabin.glass.0.u_w_per_m2_k", 1.8, "cabin", 1),
    ("cabin.glass.0.g", 0.35, "sun", -1),
    ("cabin.glass.0.tilt_deg", 0.0, "sun", -1),
    ("cabin.glass.0.azimuth_deg", 0.0, "sun", -1),
    ("zones.0.heat_loss_w_per_k", 80.0, "garage", -1),
    ("cabin.inside_m2", 10.0, "cabin", 1),
    ("cabin.heat_capacity_j_per_k", 800_000.0, "cabin", -1),
    ("cabin.air_capacity_percent", 60.0, "cabin", -1),
    ("cabin.absorptance", 0.9, "lining", 1),
    ("cabin.air_changes_per_hour", 5.0, "cabin", -1),
    ("cabin.air_changes_by_wind", 1.0, "cabin", -1),
    ("cabin.opening_height_m", 2.0, "cabin", -1),
    ("cabin.inlet_m2", 0.001, "cabin", 1),
    ("cabin.start_c", 18.0, "cabin", 1),
    ("cabin.start_humidity_percent", 80.0, "humidity", 1),
    ("zones.0.exchange", {"cabin": 300.0}, "garage", -1),
    ("zones.0.exchanger_w_per_k", 60.0, "garage", 1),
    ("zones.0.exchanger_air_litres_per_s", 5.0, "garage", -1),
    ("coolant.litres", 20.0, "coolant", -1),
    ("coolant.glycol", "ethylene", "coolant freezes", -1),
    ("coolant.glycol_percent", 20.0, "coolant freezes", 1),
    ("coolant.burner_w", 2500.0, "cabin", -1),
    ("coolant.burner_efficiency_percent", 60.0, "fuel", -1),
    ("coolant.pump_litres_per_s", 0.03, "cabin", -1),
    ("coolant.cabin_exchanger_w_per_k", 40.0, "cabin", -1),
    ("coolant.cabin_exchanger_air_litres_per_s", 20.0, "cabin", -1),
    ("coolant.water_exchanger_w_per_k", 30.0, "hot water", -1),
    ("coolant.hose_loss_w_per_k", 40.0, "coolant", -1),
    ("coolant.start_c", 60.0, "cabin", 1),
    ("hot_water.litres", 40.0, "hot water", -1),
    ("hot_water.loss_w_per_k", 30.0, "hot water", -1),
    ("hot_water.start_c", 60.0, "hot water", 1),
    ("fuel.litres", 100.0, "fuel", 1),
    ("fuel.start_percent", 20.0, "fuel", -1),
    ("fuel.grade", "B", "fuel gels", 1),
    ("people.count", 5, "people", 1),
    ("people.zone", "garage", "garage", 1),
    ("people.activity", "work", "people", 1),
    ("batteries.0.chemistry", "lfp", "house volts", 1),
    ("batteries.0.capacity_ah", 200.0, "house charge", 1),
    ("batteries.0.start_percent", 90.0, "house charge", 1),
    ("batteries.0.internal_milliohm", 20.0, "house volts", -1),
    ("batteries.0.start_c", -10.0, "house volts", -1),
    ("batteries.2.lag_hours", 0.2, "idle temperature", -1),
    ("batteries.0.zone", "outdoors", "house temperature", -1),
    ("batteries.1.charge_efficiency_percent", 60.0, "starter charge", -1),
    ("batteries.0.peukert_exponent", 1.4, "house charge", -1),
    ("batteries.2.self_discharge_percent_per_month", 50.0, "idle charge", -1),
    ("batteries.0.protection", {"fitted": True, "over_amps": 10.0, "hold_s": 3600.0}, "house volts", -1),
    ("branches.0.battery", "starter", "house charge", 1),
    ("branches.0.wire", {"milliohm": 200.0}, "winch volts", -1),
    ("branches.0.wire.area_mm2", 6.0, "winch volts", 1),
    ("branches.0.wire.length_m", 12.0, "winch volts", -1),
    ("branches.1.wire.awg", 18, "lamp volts", -1),
    ("branches.2.wire.milliohm", 60.0, "charger volts", 1),
    ("branches.1.parent", "loads", "lamp volts", -1),
    ("shore.amps", 6.0, "mains", -1),
    ("shore.volts", 120.0, "mains", -1),
    ("fresh_tank.litres", 120.0, "fresh", 1),
    ("fresh_tank.start_percent", 90.0, "fresh", 1),
    ("fresh_tank.zone", "outdoors", "fresh temperature", -1),
    ("fresh_tank.loss_w_per_k", 100.0, "fresh temperature", 1),
    ("tanks.1.gas", "butane", "gas", -1),
    ("tanks.0.content", "grey", "bay draws", -1),
]
PROTECTION: Sequence[tuple[str, Any, str, int]] = [
    ("protection.fitted", False, "charge is stopped", -1),
    ("protection.over_volts", 15.5, "charge is stopped", -1),
    ("protection.over_s", 10.0, "charge is stopped", -1),
    ("protection.over_release_volts", 13.0, "charge is stopped", 1),
    ("protection.under_volts", 5.0, "discharge is stopped", -1),
    ("protection.under_s", 15.0, "discharge is stopped", -1),
    ("protection.under_release_volts", 13.9, "discharge is stopped", 1),
    ("protection.over_amps", 900.0, "discharge is stopped", -1),
    ("protection.over_amps_s", 15.0, "discharge is stopped", -1),
    ("protection.hold_s", 60.0, "discharge is stopped", 1),
]
MODELS: Mapping[str, tuple[type[BaseModel], type[BaseModel] | None]] = {
    "cabin": (CabinPlan, None), "zones": (ZonePlan, CabinPlan), "walls": (WallPlan, None), "layers": (LayerPlan, None),
    "glass": (GlassPlan, None), "coolant": (CoolantPlan, None), "hot_water": (HotWaterPlan, None),
    "fuel": (FuelPlan, None), "people": (PeoplePlan, None), "batteries": (BatteryPlan, None),
    "protection": (ProtectionPlan, None), "branches": (BranchPlan, None), "wire": (WirePlan, None),
    "shore": (ShorePlan, None), "fresh_tank": (TankPlan, None), "tanks": (ExtraTankPlan, TankPlan),
}  # fmt: skip
"""The tables of a vehicle, and the model whose keys one repeats."""
NO_FIGURES = {
    "zones.name", "batteries.name", "branches.name", "tanks.name",  # names
    "branches.fuse_amps", "branches.breaker",  # a rating and its form: tests/world/test_fuse.py
    "batteries.dc_source",  # under which number it is reported
    "cabin.heat_loss_w_per_k",  # that of the garage is changed
}  # fmt: skip


def changed(path: str, value: Any) -> VehiclePlan:
    """The vehicle with one key changed."""
    plan = deepcopy(dict(BASE))
    *above, last = path.split(".")
    place: Any = plan
    for step in above:
        place = place[int(step)] if step.isdigit() else place.setdefault(step, {})
    if last == "layers":
        place.pop("u_w_per_m2_k", None)
    place[last] = value
    return VehiclePlan.model_validate(plan)


def run(plan: VehiclePlan) -> Mapping[str, float]:
    """Run some minutes of a cold and sunny noon with everything in use, and read everything."""
    weather = WeatherPlan(
        outdoor_c=-10.0, wind_m_per_s=3.0, start_hour=12.0, day_of_year=80, cloud_percent=0.0, humidity_percent=50.0
    )
    world = World(plan, weather)
    world.set_burner("heater", world.rated_burner_w)
    world.set_cabin_fan("heater", 1.0)
    world.set_cabin_fan("rear", 0.5, "garage")
    world.set_water_circulation("heater", running=True)
    world.set_opening("window", 0.01)
    world.set_vent("fan", 100.0)
    world.set_load("winch", 30.0)
    world.set_load("lamp", 5.0)
    world.set_charge("charger", 14.4, 15.0)
    world.set_shore(connected=True)
    world.set_mains_load("oven", 5000.0)
    draws = world.tank_content("bay") == "fresh"
    world.advance(MINUTES * 60 * SECOND_US)
    heat, house, starter = world.heat_account(), world.battery("house"), world.battery("starter")
    return {
        "cabin": world.cabin_c, "lining": world.lining_celsius(), "garage": world.air_celsius("garage"),
        "sun": heat.sun_j,
        "people": heat.people_j, "humidity": world.dew_point_c(), "coolant": world.coolant_c,
        "coolant freezes": world.coolant_freezes_below_c, "hot water": world.water_c, "fuel": world.fuel_litres,
        "fuel gels": world.fuel_gels_below_c, "house volts": house.volts, "house charge": house.percent,
        "house temperature": house.celsius, "starter charge": starter.percent,
        "idle charge": world.battery("idle").percent,
        "idle temperature": world.battery("idle").celsius,
        "winch volts": world.volts_at("winch"),
        "lamp volts": world.volts_at("lamp"), "charger volts": world.volts_at("charger"),
        "mains": world.mains_watts("oven"), "fresh": world.tank_litres("fresh"),
        "fresh temperature": world.tank_c("fresh"),
        "gas": float(World(plan, WeatherPlan(outdoor_c=-10.0)).has_gas("gas")), "bay draws": float(draws),
    }  # fmt: skip


def stopped(protection: Mapping[str, Any]) -> Mapping[str, float]:
    """For how many seconds a battery's electronics stop it, overcharged, then overloaded twice."""
    plan = {"chemistry": "lfp", "start_percent": 99.5, "start_c": 25.0, "internal_milliohm": 30.0}
    battery = BusBar(Battery(BatteryPlan.model_validate({**plan, "protection": dict(protection)})))
    seconds = {"charge is stopped": 0.0, "discharge is stopped": 0.0}
    for volts, load, lasts in ((15.2, 0.0, 20), (0.0, 20.0, 60), (0.0, 200.0, 12), (0.0, 10.0, 60), (0.0, 400.0, 12)):
        battery.set_charge("source", volts, 50.0 if volts else 0.0)
        battery.set_load("load", load)
        for _ in range(lasts):
            battery.step(25.0)
            seconds["charge is stopped"] += battery.charge_is_open
            seconds["discharge is stopped"] += battery.discharge_is_open
    return seconds


@cache
def unchanged() -> Mapping[str, float]:
    """The readings of the vehicle as it is."""
    return run(VehiclePlan.model_validate(dict(BASE)))


@pytest.mark.parametrize(("path", "value", "reading", "sign"), ROWS, ids=[row[0] for row in ROWS])
def test_a_key_shows(path: str, value: Any, reading: str, sign: int) -> None:
    """By more than rounding, the way it should."""
    moved = run(changed(path, value))[reading] - unchanged()[reading]
    assert moved * sign > 1e-6 * max(1.0, abs(unchanged()[reading]))


@pytest.mark.parametrize(("path", "value", "reading", "sign"), PROTECTION, ids=[row[0] for row in PROTECTION])
def test_a_key_of_a_protection_shows(path: str, value: Any, reading: str, sign: int) -> None:
    """By seconds in which the battery is stopped."""
    assert (stopped({path.partition(".")[2]: value})[reading] - stopped({})[reading]) * sign >= 1


def test_no_key_is_forgotten() -> None:
    """Each key of each table has its row here, or is no figure."""
    paths = [path for path, *_ in (*ROWS, *PROTECTION)]
    shown = {".".join([part for part in path.split(".") if not part.isdigit()][-2:]) for path in paths}
    keys = {
        f"{table}.{key}"
        for table, (model, repeated) in MODELS.items()
        for key in model.model_fields.keys() - (repeated.model_fields.keys() if repeated else set())
        if "ead by the plan only" not in descriptions(model).get(key, "")
    }
    assert keys - shown == NO_FIGURES
