"""The water tanks: no water is lost, none comes from nowhere, and the day's use is the one that is written down."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.rig.vehicle import TankPlan, VehiclePlan, WeatherPlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.world import World

HOUR = 3600 * SECOND_US
NAMES = ("fresh", "grey", "black")


def world_with(
    fresh: tuple[float, float] = (1000.0, 100.0),
    grey: tuple[float, float] = (1000.0, 0.0),
    black: tuple[float, float] = (1000.0, 0.0),
    start_hour: float = 0.0,
) -> World:
    """A world whose tanks have these litres and percents at the start; as they stand, a day's use fits in."""
    plans = [TankPlan(litres=litres, start_percent=percent) for litres, percent in (fresh, grey, black)]
    plan = VehiclePlan(fresh_tank=plans[0], grey_tank=plans[1], black_tank=plans[2])
    return World(plan, WeatherPlan(start_hour=start_hour))


def litres(world: World) -> list[float]:
    """What the tanks hold."""
    return [world.tank_litres(name) for name in NAMES]


def test_the_start_is_the_plans() -> None:
    """Litres, size and percent are those of the plan, each tank its own."""
    world = world_with((80.0, 75.0), (50.0, 20.0), (18.0, 0.0))
    assert litres(world) == [60.0, 10.0, 0.0]
    assert [world.tank_percent(name) for name in NAMES] == [75.0, 20.0, 0.0]
    assert [world.tank_size_litres(name) for name in NAMES] == [80.0, 50.0, 18.0]


# By hand from the pattern, in litres: hours x 3.6 litres for each 1000 microlitres a second.
@pytest.mark.parametrize(
    ("since", "until", "grey", "black"),
    [
        (0.0, 7.0, 0.0, 0.0),
        (7.0, 8.5, 10.8, 2.7),
        (8.5, 12.0, 2.52, 1.26),
        (12.0, 13.0, 3.6, 0.36),
        (13.0, 18.0, 3.6, 1.8),
        (18.0, 19.5, 10.8, 1.62),
        (19.5, 22.0, 4.5, 1.8),
        (22.0, 23.99, 0.0, 0.0),
    ],
)
def test_the_use_of_each_part_of_the_day(since: float, until: float, grey: float, black: float) -> None:
    """From its hour to the next the pattern's litres leave the fresh tank and come into the other two."""
    world = world_with(start_hour=since)
    world.advance(round((until - since) * HOUR))
    assert litres(world) == pytest.approx([1000 - grey - black, grey, black], abs=1e-9)


def test_the_second_day_is_like_the_first() -> None:
    """Two days use twice the 35.82 and 9.54 litres of one, from any hour."""
    for start_hour in (0.0, 18.5):
        world = world_with(start_hour=start_hour)
        world.advance(24 * HOUR)
        assert litres(world) == pytest.approx([1000 - 45.36, 35.82, 9.54], abs=1e-9)
        world.advance(48 * HOUR)
        assert litres(world) == pytest.approx([1000 - 90.72, 71.64, 19.08], abs=1e-9)


def test_a_change_of_use_comes_with_its_second() -> None:
    """The last second before seven uses nothing, the one that starts at seven does."""
    world = world_with(start_hour=6.5)
    world.advance(1800 * SECOND_US)
    assert litres(world) == [1000.0, 0.0, 0.0]
    world.advance(1801 * SECOND_US)
    assert litres(world) == [1000.0 - 0.0025, 0.002, 0.0005]


def test_an_empty_fresh_tank_ends_the_use() -> None:
    """Two litres are used to the last drop, and nothing after."""
    world = world_with(fresh=(20.0, 10.0), start_hour=7.0)
    world.advance(24 * HOUR)
    assert (world.tank_litres("fresh"), world.tank_percent("fresh")) == (0.0, 0.0)
    assert sum(litres(world)) == pytest.approx(2.0, abs=1e-9)


def test_a_full_drain_ends_its_own_use_only() -> None:
    """With the grey tank full nobody washes, but the black one goes on filling."""
    world = world_with(grey=(10.0, 90.0), start_hour=0.0)
    world.advance(24 * HOUR)
    assert world.tank_percent("grey") == 100.0
    assert litres(world) == pytest.approx([1000 - 1.0 - 9.54, 10.0, 9.54], abs=1e-9)


tank = st.tuples(st.floats(1, 20), st.floats(0, 100))
moments = st.lists(st.integers(0, 7200), max_size=5)


@settings(deadline=None)
@given(fresh=tank, grey=tank, black=tank, start_hour=st.floats(0, 23.99), moments=moments)
def test_water_is_conserved(
    fresh: tuple[float, float],
    grey: tuple[float, float],
    black: tuple[float, float],
    start_hour: float,
    moments: list[int],
) -> None:
    """Whatever the tanks and the hours, the water is always the same to the microlitre, and each tank within it."""
    world = world_with(fresh, grey, black, start_hour)
    whole = sum(round(1e6 * held) for held in litres(world))
    before = litres(world)
    for moment in sorted(moments):
        world.advance(moment * SECOND_US)
        held = litres(world)
        assert sum(round(1e6 * one) for one in held) == whole
        assert all(0 <= world.tank_percent(name) <= 100 for name in NAMES)
        assert (held[0] <= before[0], held[1] >= before[1], held[2] >= before[2]) == (True, True, True)
        before = held


# What is drawn, filled in and drained


def still(fresh: tuple[float, float] = (100.0, 50.0), grey: tuple[float, float] = (100.0, 0.0)) -> World:
    """A world in which nobody else uses water."""
    world = world_with(fresh, grey)
    world.set_people(0)
    return world


def test_a_shower() -> None:
    """6 litres a minute for 2 minutes: 12 litres leave the fresh tank, nine tenths of it come into the grey one."""
    world = still()
    world.set_draw("shower", 6.0, hot_percent=50.0)
    world.advance(120 * SECOND_US)
    assert litres(world) == pytest.approx([38.0, 10.8, 0.0])
    world.set_draw("shower", 0.0)
    world.advance(600 * SECOND_US)
    assert litres(world) == pytest.approx([38.0, 10.8, 0.0])


def test_a_shower_cools_the_hot_water() -> None:
    """By hand: 3 of 6 litres a minute through 10 litres of 60 C; cold water of 15 C replaces it, well mixed.

    After two minutes 6 litres went through: 15 + 45 x exp(-6 / 10).
    """
    plan = VehiclePlan.model_validate(
        {
            "hot_water": {"start_c": 60.0, "loss_w_per_k": 0.0},
            "fresh_tank": {"zone": "outdoors"},
            "people": {"count": 0},
        }
    )
    world = World(plan, WeatherPlan(outdoor_c=15.0))
    world.set_draw("shower", 6.0, hot_percent=50.0)
    world.advance(120 * SECOND_US)
    assert world.water_c == pytest.approx(15 + 45 * 2.718281828**-0.6, abs=0.1)
    world.remove("shower")
    at_rest = world.water_c
    world.advance(240 * SECOND_US)
    assert world.water_c == pytest.approx(at_rest)


def test_an_empty_tank_gives_nothing_and_a_full_one_takes_nothing() -> None:
    """No water comes from nowhere: draws end with the fresh tank, or where the grey tank has no room."""
    world = still(fresh=(100.0, 1.0))
    world.set_draw("tap", 10.0, hot_percent=100.0)
    world.advance(60 * SECOND_US)
    assert litres(world) == pytest.approx([0.0, 0.9, 0.0], abs=1e-5)
    hot = world.water_c
    world.advance(600 * SECOND_US)
    assert world.water_c == pytest.approx(hot, abs=0.1)  # nothing flows through it any more
    world = still(grey=(10.0, 95.0))
    world.set_draw("tap", 10.0)
    world.advance(600 * SECOND_US)
    assert litres(world)[1] == pytest.approx(10.0, abs=1e-5)
    assert litres(world)[0] > 49


def test_filling_and_draining() -> None:
    """A hose fills up to the brim, a valve drains to the last drop; owners add up."""
    world = still(fresh=(100.0, 50.0), grey=(100.0, 40.0))
    world.set_fill("hose", 10.0)
    world.set_fill("second hose", 5.0)
    world.set_drain("valve", 20.0, "grey")
    world.advance(60 * SECOND_US)
    assert litres(world) == pytest.approx([65.0, 20.0, 0.0])
    world.remove("second hose")
    world.advance(600 * SECOND_US)
    assert litres(world) == pytest.approx([100.0, 0.0, 0.0])


def test_tanks_by_name() -> None:
    """A second fresh tank gives its own water; unknown tanks, and draws of waste, are refused."""
    spare = {"name": "spare", "content": "fresh", "litres": 20.0, "start_percent": 100.0}
    world = World(VehiclePlan.model_validate({"tanks": [spare], "people": {"count": 0}}), WeatherPlan())
    world.set_draw("tap", 5.0, tank="spare")
    world.advance(60 * SECOND_US)
    assert (world.tank_litres("spare"), world.tank_litres("fresh")) == (pytest.approx(15.0, abs=1e-3), 30.0)
    with pytest.raises(ValueError, match='no tank "spair"; the tanks are fresh, grey, black, spare'):
        world.tank_percent("spair")
    with pytest.raises(ValueError, match="tap draws water from the tank grey, which holds grey water"):
        world.set_draw("tap", 1.0, tank="grey")


@pytest.mark.parametrize("flow", [-1.0, 1000.1, float("nan")])
def test_impossible_flows_are_refused(flow: float) -> None:
    """By name, with the range."""
    world = still()
    for does, call in (
        ("draws", lambda: world.set_draw("tap", flow)),
        ("fills in", lambda: world.set_fill("tap", flow)),
        ("drains", lambda: world.set_drain("tap", flow, "grey")),
    ):
        with pytest.raises(ValueError, match=f"tap {does} .* litres a minute: give 0 to 1000"):
            call()
    with pytest.raises(ValueError, match="draws water of which 101 % is hot: give 0 to 100"):
        world.set_draw("tap", 1.0, hot_percent=101)


def test_use_follows_the_people() -> None:
    """One person uses half of what two use, four twice as much, nobody nothing."""
    used = []
    for people in (0, 1, 2, 4):
        world = world_with(start_hour=7.0)
        world.set_people(people)
        world.advance(HOUR)
        used.append(1000 - world.tank_litres("fresh"))
    assert used == pytest.approx([0.0, 4.5, 9.0, 18.0])


# Frost


def test_a_tank_outside_freezes_and_thaws() -> None:
    """20 litres under the floor at -10 C: 0 C after some 5.4 h from 10 C, ice after 62 more; then nothing flows."""
    plan = VehiclePlan.model_validate(
        {
            "fresh_tank": {"litres": 20.0, "start_percent": 100.0, "zone": "outdoors", "loss_w_per_k": 30.0},
            "people": {"count": 0},
        }
    )
    world = World(plan, WeatherPlan(outdoor_c=10.0))
    assert world.tank_freezes_in_h("fresh") == float("inf")
    world.set_weather(outdoor_c=-10.0)
    assert world.tank_freezes_in_h("fresh") == pytest.approx(0.54 + 6.2, abs=0.1)
    world.advance(HOUR // 4)
    assert world.tank_c("fresh") > 0
    world.advance(HOUR * 2)
    assert world.tank_c("fresh") == 0.0
    assert world.tank_ice_percent("fresh") == pytest.approx(100 * (2 - 0.54) / 6.2, abs=2)
    assert world.tank_freezes_in_h("fresh") == pytest.approx(0.54 + 6.2 - 2, abs=0.1)
    world.advance(HOUR * 8)
    assert (world.tank_ice_percent("fresh"), world.tank_freezes_in_h("fresh")) == (100.0, 0.0)
    world.set_draw("tap", 5.0)
    world.advance(HOUR * 9)
    assert world.tank_litres("fresh") == 20.0
    world.set_weather(outdoor_c=20.0)
    world.advance(HOUR * 14)
    assert world.tank_litres("fresh") < 20.0
