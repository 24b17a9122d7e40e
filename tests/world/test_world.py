"""The world as devices use it: heat balances by hand, no heat lost, a state independent of how it is advanced."""

from collections.abc import Callable
from math import exp
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from rvsim.rig.climate import (
    CabinPlan,
    CoolantPlan,
    GlassPlan,
    HotWaterPlan,
    PeoplePlan,
    WeatherPlan,
    ZonePlan,
)
from rvsim.rig.load import load_rig
from rvsim.rig.vehicle import BatteryPlan, VehiclePlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.world import World

HOUR = 3600 * SECOND_US
AIR_W_PER_LITRE_S_K = 1.08 * 0.29307107 / (0.47194745 * 5 / 9)  # the ASHRAE factor in metric units

READINGS = [
    *("outdoor_c", "cabin_c", "coolant_c", "water_c", "fuel_litres", "fuel_litres_per_h"),
    *("battery_volts", "battery_amps", "battery_percent", "battery_c"),
]


def readings(world: World) -> dict[str, float]:
    """Everything a device could read."""
    tanks: dict[str, float] = {name: world.tank_litres(name) for name in ("fresh", "grey", "black")}
    tanks |= {f"{name}_c": world.tank_c(name) for name in ("fresh", "grey", "black")}
    for zone in world.zone_names:
        for measure in (
            world.air_celsius,
            world.lining_celsius,
            world.humidity_percent,
            world.dew_point_c,
            world.condensed_litres,
        ):
            tanks[f"{zone} {measure.__name__}"] = measure(zone)
    return {name: getattr(world, name) for name in READINGS} | world.heat_account()._asdict() | tanks


def world_with(
    cabin: dict[str, float] | None = None,
    coolant: dict[str, float] | None = None,
    hot_water: dict[str, float] | None = None,
    weather: dict[str, float] | None = None,
) -> World:
    """A world whose plan has these figures and the defaults for the rest, but nobody in it, in a polar night."""
    plan = VehiclePlan(
        people=PeoplePlan(count=0),
        cabin=CabinPlan.model_validate(cabin or {}),
        coolant=CoolantPlan.model_validate(coolant or {}),
        hot_water=HotWaterPlan.model_validate(hot_water or {}),
    )
    return World(plan, WeatherPlan.model_validate({"latitude_deg": 89.0} | (weather or {})))


# Heat


def test_the_start_is_the_plans() -> None:
    """Before time passes every temperature and the charge are those of the plan."""
    plan = VehiclePlan(
        cabin=CabinPlan(start_c=11.0),
        coolant=CoolantPlan(start_c=12.0),
        hot_water=HotWaterPlan(start_c=13.0),
        batteries=(BatteryPlan(start_c=14.0, start_percent=75.0),),
    )
    world = World(plan, WeatherPlan(outdoor_c=-3.0))
    assert (world.outdoor_c, world.cabin_c, world.coolant_c, world.water_c, world.battery_c) == (-3, 11, 12, 13, 14)
    assert (world.battery_percent, world.battery_amps) == (75.0, 0.0)
    assert world.battery_volts == pytest.approx(12.55)  # AGM table at 75 %
    assert world.fuel_litres_per_h == 0.0


def test_steady_state() -> None:
    """Constant burner, fan and vent end at dT = P / (UA + leaks + vent), coolant and water where their flows balance.

    By hand: 1500 W over 40 W/K of walls, 3 L/s of leaks (10.8 m3 once an hour) and 20 L/s of vent.
    """
    world = world_with(
        cabin={
            "volume_m3": 10.8,
            "air_changes_per_hour": 1.0,
            "heat_loss_w_per_k": 40.0,
            "heat_capacity_j_per_k": 1e5,
        },
        coolant={
            "burner_w": 3000.0,
            "cabin_exchanger_w_per_k": 100.0,
            "water_exchanger_w_per_k": 150.0,
            "hose_loss_w_per_k": 2.0,
            "pump_litres_per_s": 0.1,
            "glycol_percent": 40.0,
        },
        hot_water={"loss_w_per_k": 5.0},
        weather={"outdoor_c": -10.0},
    )
    world.set_burner("heater", 1500.0)
    world.set_cabin_fan("heater", 1.0)
    world.set_water_circulation("heater", running=True)
    world.set_vent("roof fan", 20.0)
    world.advance(15 * HOUR)
    above_outdoor = 1500 / (40 + 23 * AIR_W_PER_LITRE_S_K)
    assert world.cabin_c - -10 == pytest.approx(above_outdoor, rel=1e-5)
    flow = 0.1 * 1025.3 * 3.77
    to_cabin = 2 + flow * (1 - exp(-100 / flow))
    to_water = flow * (1 - exp(-150 / flow))
    by_the_tank = 1 / (1 / to_water + 1 / 5)  # exchanger and tank wall in a row
    assert world.coolant_c - world.cabin_c == pytest.approx(1500 / (to_cabin + by_the_tank), rel=1e-5)
    share_of_tank_wall = by_the_tank / 5
    assert world.water_c - world.cabin_c == pytest.approx(
        (world.coolant_c - world.cabin_c) * share_of_tank_wall, rel=1e-5
    )
    assert world.fuel_litres_per_h == pytest.approx(1.5 * 3.6 / (35.81 * 0.85), rel=1e-4)


def test_gains_alone() -> None:
    """Without a burner 160 W of heat over 40 W/K of walls keep a closed cabin 4 K above the outside."""
    world = world_with(
        cabin={"air_changes_per_hour": 0.0, "heat_loss_w_per_k": 40.0, "heat_capacity_j_per_k": 5e4},
        weather={"outdoor_c": 2.0},
        coolant={"hose_loss_w_per_k": 0.0},
        hot_water={"loss_w_per_k": 0.0},
    )
    world.set_heat("stove", 160.0)
    world.advance(5 * HOUR)
    assert world.cabin_c == pytest.approx(6.0, abs=0.001)
    world.set_heat("stove", 0.0)
    world.advance(10 * HOUR)
    assert world.cabin_c == pytest.approx(2.0, abs=0.001)


def test_cooling_down() -> None:
    """A cabin by itself cools as its lining does, exp(-t/T) with T = C / G to the outside: 360 kJ/K over 47.5 W/K.

    40 W/K are two in a row: 254 W/K from air to lining, and 47.5 from there to the outside. The air follows the lining.
    """
    world = world_with(
        cabin={
            "heat_capacity_j_per_k": 360_000.0,
            "air_capacity_percent": 10.0,
            "heat_loss_w_per_k": 40.0,
            "air_changes_per_hour": 0.0,
            "start_c": 20.0,
        },
        coolant={"hose_loss_w_per_k": 0.0},
        hot_water={"loss_w_per_k": 0.0},
        weather={"outdoor_c": -10.0},
    )
    time_constant = 360_000 * (1 / 40 - 0.13 / (6.7 * 11 ** (2 / 3)))
    for second in (900, 4500, 9000, 27_000):
        world.advance(second * SECOND_US)
        assert world.lining_celsius() == pytest.approx(-10 + 30 * exp(-second / time_constant), abs=0.15)
        assert world.lining_celsius() < world.cabin_c < world.lining_celsius() + 0.6
    assert (world.coolant_c, world.water_c) == pytest.approx((15.0, 15.0))


def test_one_second_of_a_burner() -> None:
    """5000 W for one second warm 10 litres of 40 % glycol by 5000 / (10 x 3865.4) K when nothing takes heat away."""
    world = world_with(coolant={"hose_loss_w_per_k": 0.0, "start_c": 15.0})
    world.set_burner("heater", 5000.0)
    world.advance(1 * SECOND_US)
    assert world.coolant_c - 15 == pytest.approx(5000 / (10 * 1.0253 * 3770), rel=1e-9)


@pytest.mark.parametrize("zones", [1, 3])
def test_against_an_independent_solver(zones: int) -> None:
    """An hour of heating agrees within 0.05 K with scipy's solver, which integrates the heat balances by themselves."""
    plan = VehiclePlan(
        people=PeoplePlan(count=0),
        zones=tuple(
            ZonePlan(name=f"zone {number}", exchange={"cabin": 60.0}, exchanger_w_per_k=40.0)
            for number in range(1, zones)
        ),
    )
    world = World(plan, WeatherPlan(outdoor_c=-5.0, latitude_deg=89.0))
    world.set_burner("heater", 3000.0)
    flow = 0.15 * 1025.3 * 3.77
    exchangers = [flow * (1 - exp(-110 / flow)), *(zones - 1) * [flow * (1 - exp(-40 / flow))]]
    for zone in world.zone_names:
        world.set_cabin_fan("heater", 1.0, zone)
    world.set_water_circulation("heater", running=True)
    to_water = flow * (1 - exp(-120 / flow))
    inside = 6.7 * 11 ** (2 / 3) / 0.13
    outside = 1 / (1 / 35 - 1 / inside)
    leaks = 11_000 / 3600 * AIR_W_PER_LITRE_S_K
    between = 60_000 / 3600 * AIR_W_PER_LITRE_S_K

    def slopes(_: float, state: list[float]) -> list[float]:
        coolant, water, *bodies = state
        changes = []
        to_coolant = 3000 - to_water * (coolant - water)
        for zone in range(zones):
            air, lining = bodies[2 * zone : 2 * zone + 2]
            warmed = exchangers[zone] * (coolant - air) + inside * (lining - air) - leaks * (air + 5)
            to_coolant -= exchangers[zone] * (coolant - air)
            if zone == 0:
                warmed += 3 * (coolant - air) + 1.0 * (water - air)
                to_coolant -= 3 * (coolant - air)
                warmed += sum(between * (bodies[2 * other] - air) for other in range(1, zones))
            else:
                warmed += between * (bodies[0] - air)
            changes += [warmed / 120_000, (inside * (air - lining) - outside * (lining + 5)) / 280_000]
        tank = (to_water * (coolant - water) - 1.0 * (water - bodies[0])) / (10 * 992.2 * 4.18)
        return [to_coolant / (10 * 1025.3 * 3.77), tank, *changes]

    solved = solve_ivp(slopes, (0, 3600), [15.0] * (2 + 2 * zones), t_eval=[300, 1800, 3600], rtol=1e-8, atol=1e-8)
    for place, second in enumerate((300, 1800, 3600)):
        world.advance(second * SECOND_US)
        coolant, water, *bodies = solved.y[:, place]
        assert (world.coolant_c, world.water_c) == pytest.approx((coolant, water), abs=0.05)
        for number, zone in enumerate(world.zone_names):
            assert (world.air_celsius(zone), world.lining_celsius(zone)) == pytest.approx(
                tuple(bodies[2 * number : 2 * number + 2]), abs=0.05
            )


def test_inputs_hold_until_changed() -> None:
    """Fan, circulation and vent act while set and no longer: with all ended, coolant only loses by its hoses."""
    changed = world_with(coolant={"start_c": 80.0})
    untouched = world_with(coolant={"start_c": 80.0})
    for switch in (True, False):
        changed.set_burner("heater", 5000.0 * switch)
        changed.set_cabin_fan("heater", float(switch))
        changed.set_water_circulation("heater", running=switch)
        changed.set_vent("roof fan", 50.0 * switch)
        changed.set_heat("stove", 800.0 * switch)
        changed.set_load("fan", 3.0 * switch)
        changed.set_charge("shore", 14.4, 10.0 * switch)
    for world in (changed, untouched):
        world.advance(1800 * SECOND_US)
    assert readings(changed) == readings(untouched)


def test_weather_and_battery_take_part() -> None:
    """The outdoor temperature is that of the hour, and the battery follows the cabin it stands in."""
    world = World(
        VehiclePlan(
            cabin=CabinPlan(start_c=20.0),
            coolant=CoolantPlan(hose_loss_w_per_k=0.0),
            hot_water=HotWaterPlan(loss_w_per_k=0.0),
            batteries=(BatteryPlan(start_c=20.0, lag_hours=1.0),),
        ),
        WeatherPlan(outdoor_c=0.0, swing_amplitude_k=8.0, warmest_hour=15.0, start_hour=3.0),
    )
    assert world.outdoor_c == pytest.approx(-8.0)
    world.advance(12 * HOUR)
    assert world.outdoor_c == pytest.approx(8.0)
    assert world.battery_c == pytest.approx(world.cabin_c, abs=1.5)
    assert world.battery_c != world.cabin_c


def test_the_weather_of_each_second_is_the_one_that_cools() -> None:
    """A cabin with hardly any mass stands where walls and the day's swing put it at that very second."""
    world = world_with(
        cabin={"heat_capacity_j_per_k": 10_000.0, "heat_loss_w_per_k": 1000.0, "air_changes_per_hour": 0.0},
        coolant={"hose_loss_w_per_k": 0.0},
        hot_water={"loss_w_per_k": 0.0},
        weather={"outdoor_c": 0.0, "swing_amplitude_k": 20.0, "warmest_hour": 12.0, "start_hour": 0.0},
    )
    # Both follow the steepest slope of the day, 20 x 2 pi / 86400 K/s, at a distance in which their losses feed it:
    # 3 kJ/K of air and 7 of lining. 1000 W/K are more than the walls of this size let through: the rest is direct.
    world.advance(6 * HOUR)
    slope = 20 * 2 * 3.14159265 / 86_400
    inside_m2 = 6.7 * 11 ** (2 / 3)
    between, through = inside_m2 / 0.13, 0.999 * inside_m2 / 0.17
    outside = 1 / (1 / through - 1 / between)
    direct = 1000 - through
    lining = -slope * (7000 + 3000 * between / (between + direct)) / (outside + between * direct / (between + direct))
    assert world.lining_celsius() == pytest.approx(lining, rel=0.1)
    assert world.cabin_c == pytest.approx((between * lining - 3000 * slope) / (between + direct), rel=0.1)


@st.composite
def plans(draw: st.DrawFn) -> VehiclePlan:
    """Any vehicle within the bounds that matter for heat."""
    glass = GlassPlan(area_m2=draw(st.floats(0.1, 2)), tilt_deg=draw(st.floats(0, 180)), u_w_per_m2_k=0.5)
    names = draw(st.sampled_from([(), ("garage",), ("garage", "loft")]))
    return VehiclePlan(
        people=PeoplePlan(count=draw(st.integers(0, 3))),
        zones=tuple(
            ZonePlan(
                name=name,
                volume_m3=draw(st.floats(1, 20)),
                exchange={"cabin": draw(st.floats(0, 500))},
                exchanger_w_per_k=draw(st.floats(0, 200)),
                start_c=draw(st.floats(-60, 60)),
            )
            for name in names
        ),
        cabin=CabinPlan(
            glass=(glass,),
            inlet_m2=draw(st.none() | st.floats(0, 1)),
            heat_loss_w_per_k=draw(st.floats(1, 1000)),
            heat_capacity_j_per_k=draw(st.floats(10_000, 2e7)),
            start_c=draw(st.floats(-60, 60)),
        ),
        coolant=CoolantPlan(
            litres=draw(st.floats(1, 100)),
            pump_litres_per_s=draw(st.floats(0.01, 1)),
            cabin_exchanger_w_per_k=draw(st.floats(0, 1000)),
            water_exchanger_w_per_k=draw(st.floats(0, 1000)),
            hose_loss_w_per_k=draw(st.floats(0, 50)),
            start_c=draw(st.floats(-60, 110)),
        ),
        hot_water=HotWaterPlan(litres=draw(st.floats(1, 200)), loss_w_per_k=draw(st.floats(0, 50))),
        batteries=(BatteryPlan(capacity_ah=draw(st.floats(1, 10)), start_percent=draw(st.floats(0, 100))),),
    )


SETTERS: dict[str, Callable[[World, float], None]] = {
    "burner": lambda world, part: world.set_burner("heater", 5000 * part),
    "fan": lambda world, part: world.set_cabin_fan("heater", part),
    "circulation": lambda world, part: world.set_water_circulation("heater", running=part > 0.5),
    "pump": lambda world, part: world.set_pump("pump", running=part > 0.5),
    "vent": lambda world, part: world.set_vent("roof fan", 100 * part),
    "other vent": lambda world, part: world.set_vent("window", 20 * part),
    "gain": lambda world, part: world.set_heat("stove", 2000 * part - 1000),
    "second burner": lambda world, part: world.set_burner("second heater", 2000 * part),
    "second fan": lambda world, part: world.set_cabin_fan("second heater", part),
    "fan of a zone": lambda world, part: world.set_cabin_fan("third heater", part, world.zone_names[-1]),
    "heat of a zone": lambda world, part: world.set_heat("oven", 500 * part, world.zone_names[-1]),
    "element": lambda world, part: world.set_water_heat("element", 1500 * part),
    "dome": lambda world, part: world.set_opening("dome", part / 2),
    "kettle": lambda world, part: world.set_moisture("kettle", 1000 * part),
    "shower": lambda world, part: world.set_draw("shower", 8 * part, 60.0),
    "people": lambda world, part: world.set_people(round(4 * part)),
    "wind": lambda world, part: world.set_weather(wind_m_per_s=10 * part),
    "load": lambda world, part: world.set_load("lamp", 50 * part),
    "other load": lambda world, part: world.set_load("pump", 10 * part),
    "charge": lambda world, part: world.set_charge("shore", 12 + 3 * part, 20.0),
}
inputs = st.tuples(st.sampled_from(sorted(SETTERS)), st.floats(0, 1))


@given(plan=plans(), outdoor_c=st.floats(-60, 60), moves=st.lists(st.tuples(inputs, st.integers(0, 400)), max_size=8))
def test_no_heat_is_lost_in_the_books(
    plan: VehiclePlan, outdoor_c: float, moves: list[tuple[tuple[str, float], int]]
) -> None:
    """What burner and gains gave is what was stored and what left to the outside, for any vehicle and any inputs."""
    world = World(plan, WeatherPlan(outdoor_c=outdoor_c))
    start = world.heat_account()
    second, burner_j = 0, 0.0
    for (name, part), seconds in moves:
        SETTERS[name](world, part)
        litres_per_h = world.fuel_litres_per_h
        second += seconds
        world.advance(second * SECOND_US)
        burner_j += litres_per_h * 35.81e6 * 0.85 / 3600 * seconds
    end = world.heat_account()
    size = sum(abs(part) for part in (*start, *end)) + 1
    assert start[:7] == (0, 0, 0, 0, 0, 0, 0)
    assert sum(end[:5]) - end.outdoors_j - end.drawn_j == pytest.approx(end.stored_j - start.stored_j, abs=1e-9 * size)
    assert end.burner_j == pytest.approx(burner_j, abs=1e-9 * size)


@pytest.mark.parametrize("name", ["ottersby", "quillhaven"])
def test_a_day_of_a_shipped_rig(name: str) -> None:
    """Over 24 hours of heating, cooking, showers and sun, energy in is what was stored and what left, to 1e-6.

    So is electricity within 0.1 %, of all batteries together, with charging in the morning and lamps in the evening.
    """
    world = World(load_rig(name).vehicle, WeatherPlan(outdoor_c=-3.0, swing_amplitude_k=5.0, cloud_percent=20.0))
    start, charged = world.heat_account(), world.electric_account()
    for hour in range(24):
        world.set_burner("heater", 2500.0 * (hour % 3 > 0))
        world.set_cabin_fan("heater", 0.8 * (hour % 4 > 0))
        world.set_water_circulation("heater", running=hour % 5 == 0)
        world.set_opening("dome", 0.02 * (hour % 6 == 0))
        world.set_heat("stove", 900.0 * (hour == 18))
        world.set_draw("shower", 6.0 * (hour in (7, 20)) / 10, 60.0)
        world.set_water_heat("element", 300.0 * (hour > 20))
        for battery in world.battery_names:
            world.set_charge("charger", 14.4, 15.0 * (8 <= hour < 14), battery)
            world.set_load("lamps", 4.0 * (hour > 17) + 0.5, battery)
        world.advance((hour + 1) * HOUR)
    end = world.heat_account()
    in_j, lost_j, out_j, stored_j = (new - old for new, old in zip(world.electric_account(), charged, strict=True))
    assert in_j > 1e6
    assert in_j - lost_j - out_j == pytest.approx(stored_j, abs=1e-3 * in_j)
    came = sum(end[:5])
    assert came > 1e8
    assert came - end.outdoors_j - end.drawn_j == pytest.approx(end.stored_j - start.stored_j, abs=1e-6 * came)
    assert min(end.people_j, end.sun_j, end.water_j, end.drawn_j) > 1e5


def test_the_books_by_hand() -> None:
    """100 s of 5000 W and 200 W of people are 500 kJ and 20 kJ; a cabin as warm as the outside lost nothing yet."""
    world = world_with(
        cabin={"start_c": 10.0, "heat_capacity_j_per_k": 400_000.0},
        coolant={"start_c": 10.0},
        hot_water={"start_c": 10.0},
        weather={"outdoor_c": 10.0},
    )
    stored_per_k = 400_000 + 10 * 1025.3 * 3.77 + 10 * 992.2 * 4.18
    assert world.heat_account() == pytest.approx((0, 0, 0, 0, 0, 0, 0, 10 * stored_per_k))
    world.set_burner("heater", 5000.0)
    world.set_heat("people", 200.0)
    world.advance(100 * SECOND_US)
    account = world.heat_account()
    assert (account.burner_j, account.gains_j) == (500_000, 20_000)
    assert 0 < account.outdoors_j < 1000


@given(plan=plans(), outdoor_c=st.floats(-60, 60), on=st.lists(inputs, max_size=5))
def test_no_temperature_runs_away(plan: VehiclePlan, outdoor_c: float, on: list[tuple[str, float]]) -> None:
    """Without burner and gains every temperature stays between the coldest and the warmest there was at the start."""
    world = World(
        plan.model_copy(update={"people": PeoplePlan(count=0)}), WeatherPlan(outdoor_c=outdoor_c, start_hour=0.0)
    )
    for name, part in on:
        if name not in ("burner", "second burner", "gain", "heat of a zone", "element", "people"):
            SETTERS[name](world, part)
    starts = (outdoor_c, 0.0, *map(world.air_celsius, world.zone_names), world.coolant_c, world.water_c)
    if world.tank_c("fresh") > 0:  # what is drawn is made up with it
        starts += (world.tank_c("fresh"),)
    for second in (1, 2, 3, 60, 600):
        world.advance(second * SECOND_US)
        for celsius in (
            *map(world.air_celsius, world.zone_names),
            world.lining_celsius(),
            world.coolant_c,
            world.water_c,
        ):
            assert min(starts) - 1e-6 <= celsius <= max(starts) + 1e-6


# Time


def test_state_moves_at_whole_seconds() -> None:
    """Between whole seconds nothing moves; at the second it does."""
    world = world_with()
    at_start = readings(world)
    world.advance(SECOND_US - 1)
    assert readings(world) == at_start
    world.advance(SECOND_US)
    at_one = readings(world)
    assert at_one["cabin_c"] < at_start["cabin_c"]
    world.advance(2 * SECOND_US - 1)
    assert readings(world) == at_one


def test_time_does_not_go_back() -> None:
    """The same moment again is fine; an earlier one is refused, even within one second."""
    world = world_with()
    world.advance(1_500_000)
    world.advance(1_500_000)
    with pytest.raises(ValueError, match="already at 1500000 us and cannot go back to 1499999 us"):
        world.advance(1_499_999)


moments = st.integers(0, 120 * SECOND_US)


@given(
    plan=plans(),
    changes=st.lists(st.tuples(moments, inputs), max_size=10),
    looks=st.lists(moments, max_size=30),
)
def test_who_asks_how_often_does_not_matter(
    plan: VehiclePlan, changes: list[tuple[int, tuple[str, float]]], looks: list[int]
) -> None:
    """The same inputs at the same times end in the same state to the last bit, however often the world was advanced."""
    weather = WeatherPlan(outdoor_c=-4.0, swing_amplitude_k=6.0)
    ends: list[dict[str, float]] = []
    for extra in ([], looks):
        world = World(plan, weather)
        agenda: list[tuple[int, int, tuple[str, float] | None]] = [
            (time, place, change) for place, (time, change) in enumerate(changes)
        ]
        agenda += [(time, -1, None) for time in extra]
        for time, _, change in sorted(agenda, key=lambda entry: entry[:2]):
            world.advance(time)
            if change is None:
                readings(world)
            else:
                SETTERS[change[0]](world, change[1])
        world.advance(120 * SECOND_US)
        ends.append(readings(world))
    assert ends[0] == ends[1]


@given(st.permutations(sorted(SETTERS)), st.permutations(sorted(SETTERS)))
def test_the_order_of_inputs_does_not_matter(first: list[str], second: list[str]) -> None:
    """Devices that set their inputs in the same moment may do so in any order."""
    ends = []
    for order in (first, second):
        world = world_with()
        for name in order:
            SETTERS[name](world, 0.1 + 0.05 * len(name))
        world.advance(300 * SECOND_US)
        ends.append(readings(world))
    assert ends[0] == ends[1]


# Battery and refusals, through the world


def test_battery_answers_at_once() -> None:
    """A load or a charger shows in voltage and current in the moment it is set; charge follows with time."""
    world = world_with()
    rest = world.battery_volts
    world.set_load("heater", 8.0)
    assert world.battery_amps == 8.0
    assert world.battery_volts < rest
    world.set_charge("shore", 14.4, 20.0)
    assert (world.battery_amps, world.charge_amps("shore"), world.charge_amps("solar")) == (-12.0, 20.0, 0.0)
    assert world.battery_volts > rest
    assert world.battery_percent == 80.0
    world.advance(360 * SECOND_US)
    # 12 A into 100 Ah for 0.1 h, AGM stores 88 %; self-discharge takes 0.0002 of it
    assert world.battery_percent == pytest.approx(80 + 12 * 0.1 * 0.88, abs=0.0003)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda world: world.set_burner("heater", -1.0),
        lambda world: world.set_cabin_fan("heater", -0.1),
        lambda world: world.set_vent("roof fan", -1.0),
        lambda world: world.set_heat("people", float("nan")),
        lambda world: world.set_load("lamp", -1.0),
        lambda world: world.set_charge("shore", 14.4, -1.0),
    ],
)
def test_impossible_inputs_are_refused(wrong: Callable[[World], Any]) -> None:
    """An input outside its range is an error of the device that set it, and changes nothing."""
    world, untouched = world_with(), world_with()
    with pytest.raises(ValueError, match="give"):
        wrong(world)
    for each in (world, untouched):
        each.advance(60 * SECOND_US)
    assert readings(world) == readings(untouched)
