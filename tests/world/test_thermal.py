"""Zones, owners, moisture, sun and fuel through the world, as devices and scenarios use it."""

from collections.abc import Callable
from math import inf
from typing import Any

import pytest

from rvsim.rig.climate import WeatherPlan
from rvsim.rig.vehicle import VehiclePlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.world import World

HOUR = 3600 * SECOND_US
ZONES: list[dict[str, Any]] = [
    {"name": "garage", "volume_m3": 3.0, "heat_loss_w_per_k": 15.0, "exchange": {"cabin": 20.0}},
    {"name": "loft", "volume_m3": 4.0, "heat_loss_w_per_k": 10.0, "exchanger_w_per_k": 60.0},
]


def world_with(weather: dict[str, Any] | None = None, **plan: Any) -> World:
    """A world with these figures, nobody in it, in a polar night at -5 C."""
    return World(
        VehiclePlan.model_validate({"people": {"count": 0}} | plan),
        WeatherPlan.model_validate({"latitude_deg": 89.0} | (weather or {})),
    )


# Zones


def test_heat_stays_in_its_zone() -> None:
    """A zone without a neighbour warms alone; one that exchanges air warms its neighbour a little."""
    warm, cold = world_with(zones=ZONES), world_with(zones=ZONES)
    warm.set_heat("oven", 1000.0, "garage")
    for world in (warm, cold):
        world.advance(2 * HOUR)
    assert warm.air_celsius("garage") > cold.air_celsius("garage") + 15
    assert warm.lining_celsius("garage") > cold.lining_celsius("garage") + 10
    assert 0.3 < warm.air_celsius("cabin") - cold.air_celsius("cabin") < 5
    assert warm.air_celsius("loft") == pytest.approx(cold.air_celsius("loft"))
    assert warm.cabin_c == warm.air_celsius("cabin") == warm.air_celsius()


def test_steady_exchange_by_hand() -> None:
    """0.335 W/K for each m3/h: with 300 m3/h the cabin's 1000 W also hold up the garage.

    Garage: 15 W/K and its leaks; cabin: 35 W/K and its leaks; by the two balances.
    """
    light = {"air_changes_per_hour": 0.0, "heat_capacity_j_per_k": 5e4}
    zones = [ZONES[0] | {"exchange": {"cabin": 300.0}} | light]
    world = world_with(
        zones=zones,
        cabin=light,
        coolant={"hose_loss_w_per_k": 0.0},
        hot_water={"loss_w_per_k": 0.0},
        weather={"outdoor_c": 0.0},
    )
    world.set_heat("stove", 1000.0)
    world.advance(6 * HOUR)
    between = 300 / 3.6 * 1.2072
    behind = between * 15 / (between + 15)
    assert world.cabin_c == pytest.approx(1000 / (35 + behind), rel=1e-3)
    assert world.air_celsius("garage") == pytest.approx(world.cabin_c * between / (between + 15), rel=1e-3)


def test_two_zones_beside_the_cabin_exchange_air() -> None:
    """Heat of the loft reaches the garage by the air between them, and not the cabin."""
    zones = [ZONES[0] | {"exchange": {"loft": 200.0}}, ZONES[1]]
    warm, cold = world_with(zones=zones), world_with(zones=zones)
    warm.set_heat("oven", 1000.0, "loft")
    for world in (warm, cold):
        world.advance(HOUR)
    assert warm.air_celsius("garage") > cold.air_celsius("garage") + 3
    assert warm.cabin_c == pytest.approx(cold.cabin_c)


def test_a_fan_serves_its_zone() -> None:
    """The heater's fan in the loft warms the loft with coolant, and takes that from the coolant."""
    world, idle = world_with(zones=ZONES, coolant={"start_c": 80.0}), world_with(zones=ZONES, coolant={"start_c": 80.0})
    world.set_cabin_fan("heater", 1.0, "loft")
    for each in (world, idle):
        each.advance(120 * SECOND_US)
    assert world.air_celsius("loft") > idle.air_celsius("loft") + 3
    assert world.coolant_c < idle.coolant_c - 5
    assert world.cabin_c == pytest.approx(idle.cabin_c, abs=0.2)


def test_two_heaters_do_what_two_heaters_do() -> None:
    """Heat and fuel of both count; one that stops leaves the other's."""
    alone, both = world_with(), world_with()
    for world in (alone, both):
        world.set_burner("front", 2000.0)
        world.set_cabin_fan("front", 0.5)
    both.set_burner("rear", 3000.0)
    both.set_cabin_fan("rear", 0.5)
    assert both.fuel_litres_per_h == pytest.approx(2.5 * alone.fuel_litres_per_h)
    for world in (alone, both):
        world.advance(600 * SECOND_US)
    assert both.heat_account().burner_j == pytest.approx(2.5 * alone.heat_account().burner_j)
    assert both.cabin_c > alone.cabin_c + 5
    both.remove("rear")
    assert both.fuel_litres_per_h == alone.fuel_litres_per_h


def test_a_removed_owner_leaves_nothing_behind() -> None:
    """Everything that one owner set in every zone ends with one call; others' contributions stay."""
    used, untouched = world_with(zones=ZONES), world_with(zones=ZONES)
    used.set_burner("it", 3000.0)
    used.set_water_circulation("it", running=True)
    used.set_water_heat("it", 500.0)
    used.set_fuel("it", 0.3)
    used.set_draw("it", 5.0, 50.0)
    used.set_fill("it", 2.0, "grey")
    for zone in used.zone_names:
        used.set_cabin_fan("it", 0.7, zone)
        used.set_vent("it", 50.0, zone)
        used.set_opening("it", 0.1, zone)
        used.set_heat("it", -300.0, zone)
        used.set_moisture("it", 100.0, zone)
    for world in (used, untouched):
        world.set_burner("other", 1000.0)
        world.set_vent("other", 3.0, "loft")
    used.remove("it")
    for world in (used, untouched):
        world.advance(HOUR)
    for read in READS:
        assert read(used) == read(untouched)


READS: list[Callable[[World], Any]] = [
    lambda world: [world.air_celsius(zone) for zone in world.zone_names],
    lambda world: [world.humidity_percent(zone) for zone in world.zone_names],
    lambda world: (world.coolant_c, world.water_c, world.fuel_litres),
    lambda world: world.heat_account(),
    lambda world: [world.tank_litres(name) for name in ("fresh", "grey", "black")],
]


@pytest.mark.parametrize(
    "call",
    [
        lambda world: world.air_celsius("atic"),
        lambda world: world.set_heat("it", 1.0, "atic"),
        lambda world: world.set_vent("it", 1.0, "atic"),
        lambda world: world.set_opening("it", 1.0, "atic"),
        lambda world: world.set_moisture("it", 1.0, "atic"),
        lambda world: world.set_cabin_fan("it", 1.0, "atic"),
        lambda world: world.set_people(1, "atic"),
        lambda world: world.lining_celsius("atic"),
        lambda world: world.dew_point_c("atic"),
    ],
)
def test_unknown_zones_are_refused(call: Callable[[World], Any]) -> None:
    """With the names that there are."""
    with pytest.raises(ValueError, match='there is no zone "atic"; the zones are cabin, garage, loft'):
        call(world_with(zones=ZONES))


# Air


def test_a_dome_left_open_costs_heat() -> None:
    """A cabin with its dome open by 0.1 m2 cools faster, the more so the colder it is outside and the more it blows."""

    def fallen(opening: float, **weather: float) -> float:
        world = world_with(cabin={"start_c": 20.0}, weather=weather)
        world.set_opening("dome", opening)
        world.advance(HOUR)
        return 20 - world.cabin_c

    shut, still = fallen(0.0, outdoor_c=-10.0), fallen(0.1, outdoor_c=-10.0)
    assert still > shut + 1.5
    assert fallen(0.1, outdoor_c=-10.0, wind_m_per_s=8.0) > still + 1
    assert still - shut > 2 * (fallen(0.1, outdoor_c=10.0) - fallen(0.0, outdoor_c=10.0))


def test_a_fan_against_a_closed_van() -> None:
    """A roof fan of 400 L/s gets 244 through an inlet of 0.04 m2, and all of it with a window open."""
    world = world_with(cabin={"inlet_m2": 0.04})
    world.set_vent("roof fan", 400.0)
    assert world.vent_litres_per_s() == pytest.approx(244.0)
    assert world.air_changes_per_hour() == pytest.approx(1 + 244 * 3.6 / 11)
    world.set_opening("window", 0.1)
    assert world.vent_litres_per_s() == 400.0


def test_moisture_moves_between_zones() -> None:
    """Breath in the garage reaches the cabin with the air; nothing reaches a zone by itself."""
    world = world_with(zones=ZONES)
    world.set_people(2, "garage")
    world.advance(3 * HOUR)
    start = world_with(zones=ZONES)
    start.advance(3 * HOUR)
    assert world.dew_point_c("garage") > start.dew_point_c("garage") + 5
    assert world.dew_point_c("cabin") > start.dew_point_c("cabin") + 1
    assert world.dew_point_c("loft") == pytest.approx(start.dew_point_c("loft"))


def test_people_come_and_go() -> None:
    """They warm the zone that they are in, from the second on in which they come."""
    world = world_with(zones=ZONES)
    world.set_people(3, "loft")
    world.advance(100 * SECOND_US)
    world.set_people(0, "loft")
    world.advance(200 * SECOND_US)
    assert world.heat_account().people_j == 3 * 90.0 * 100
    with pytest.raises(ValueError, match="-1 people are in the loft: give 0 or more"):
        world.set_people(-1, "loft")


def test_glass_sweats_on_a_cold_night() -> None:
    """Two sleepers, a single pane, -10 C: the pane is colder than the dew point, and wet by the morning."""
    plan = {"people": {"count": 2}, "cabin": {"glass": [{"area_m2": 1.0}], "air_changes_per_hour": 0.5}}
    world = world_with(**plan, weather={"outdoor_c": -10.0})
    world.set_heat("heater", 900.0)
    world.advance(8 * HOUR)
    assert world.coldest_surface_c() < world.air_celsius() - 10
    assert world.coldest_surface_c() < world.dew_point_c() < world.air_celsius()
    assert 0.1 < world.condensed_litres() < 0.8
    assert 20 < world.humidity_percent() < 80


# Sun and weather


def test_the_sun_warms_a_van() -> None:
    """A summer day through 2 m2 of glass: warmer inside than outside, and all of it in the account."""
    cabin = {"glass": [{"area_m2": 2.0, "azimuth_deg": 180.0}], "start_c": 20.0}
    weather = {"outdoor_c": 20.0, "latitude_deg": 45.0, "day_of_year": 200, "start_hour": 6.0, "cloud_percent": 0.0}
    sunny, dull = (
        world_with(cabin=cabin, weather=weather),
        world_with(cabin=cabin, weather=weather | {"cloud_percent": 100.0}),
    )
    for world in (sunny, dull):
        world.advance(8 * HOUR)
    assert sunny.cabin_c > dull.cabin_c + 4 > 25
    assert sunny.heat_account().sun_j > 2.5 * dull.heat_account().sun_j
    assert sunny.sun_w_per_m2() > 700
    assert sunny.sun_w_per_m2(30.0, 180.0) > sunny.sun_w_per_m2(30.0, 0.0)


def test_weather_of_a_step() -> None:
    """Colder, windier, dull: from now on."""
    world = world_with(weather={"outdoor_c": 10.0, "latitude_deg": 45.0, "start_hour": 12.0, "cloud_percent": 0.0})
    bright, calm = world.sun_w_per_m2(), world.air_changes_per_hour()
    world.set_weather(outdoor_c=-10.0, wind_m_per_s=10.0, cloud_percent=100.0)
    assert world.outdoor_c == -10.0
    assert world.sun_w_per_m2() < bright / 2
    assert world.air_changes_per_hour() == pytest.approx(calm + 1.0)
    with pytest.raises(ValueError, match="start_hour does not change during a run"):
        world.set_weather(start_hour=1.0)


# Fuel


def test_fuel_runs_out() -> None:
    """A litre at 5000 W and 85 % lasts 1.69 h; other burners take from the same tank; it never falls below nothing."""
    world = world_with(fuel={"litres": 1.0, "start_percent": 100.0})
    world.set_burner("heater", 5000.0)
    world.advance(HOUR)
    assert world.fuel_litres == pytest.approx(1 - 5 * 3.6 / (35.81 * 0.85))
    world.set_fuel("generator", 0.2)
    assert world.fuel_litres_per_h == pytest.approx(0.2 + 5 * 3.6 / (35.81 * 0.85))
    world.advance(3 * HOUR)
    assert (world.fuel_litres, world.fuel_percent) == (0.0, 0.0)
    with pytest.raises(ValueError, match="generator burns -1 litres an hour: give 0 or more"):
        world.set_fuel("generator", -1)


def test_figures_of_frost() -> None:
    """Below which the fuel gels and the coolant freezes, by what the rig has."""
    world = world_with(fuel={"grade": "D"}, coolant={"glycol_percent": 30.0})
    assert (world.fuel_gels_below_c, world.coolant_freezes_below_c) == (-10.0, -12.8)


@pytest.mark.parametrize("bad", [-1.0, float("nan"), inf])
def test_impossible_heats_are_refused(bad: float) -> None:
    """By name."""
    world = world_with()
    for call in (world.set_burner, world.set_water_heat, world.set_fuel):
        with pytest.raises(ValueError, match="give 0 or more"):
            call("it", bad)
    assert world.heat_account().burner_j == 0.0
