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
