"""The tank sensor, read by hand from its bytes: instance, steps, steps of a full tank, then litres in two words."""

from itertools import pairwise

import pytest

from rvsim.errors import InputError

TANK, HEARTBEAT = 0x1FFB7, 0x1FECA
VEHICLE = {
    "fresh_tank": {"litres": 300.0, "start_percent": 75.0},
    "grey_tank": {"litres": 50.0, "start_percent": 20.0},
    "black_tank": {"litres": 18.0, "start_percent": 0.0},
}


@pytest.mark.parametrize(
    ("instance", "tank", "expected"),
    [
        (0, "fresh", "00 4B 64 E1 00 2C 01 FF"),  # 75 of 100 steps: 225 of 300 litres
        (16, "fresh", "10 4B 64 E1 00 2C 01 FF"),
        (2, "grey", "02 14 64 0A 00 32 00 FF"),  # 20 of 100: 10 of 50
        (18, "grey", "12 14 64 0A 00 32 00 FF"),
        (1, "black", "01 00 64 00 00 12 00 FF"),  # 0 of 100: 0 of 18
        (17, "black", "11 00 64 00 00 12 00 FF"),
    ],
)
def test_it_sends_the_level_of_its_tank(alone, instance, tank, expected):
    """Level in steps of the resolution (3 of 4 is 75 %), litres and size low byte first; the rest is ones."""
    sensor = alone("tank", settings={"tank": tank}, vehicle=VEHICLE, tank=instance).until(3)
    assert sensor.last(TANK) == expected
    assert sensor.last(HEARTBEAT).startswith("05 48")  # on, active, DSA 72


def test_its_level_follows_the_water(alone):
    """From six to ten in the evening 18.72 litres are used, and of 30 litres in a tank of 40 are left 11.28."""
    water = {"fresh_tank": {"litres": 40.0, "start_percent": 75.0}}
    sensor = alone("tank", vehicle=water, tank=0).until(4 * 3600 + 10)
    assert sensor.last(TANK) == "00 1C 64 0B 00 28 00 FF"  # 28 steps of 100, 11 of 40 litres
    levels = [int(data.split()[1], 16) for _, data in sensor.of(TANK)]
    assert levels == sorted(levels, reverse=True)


def test_it_sends_at_its_gap(alone):
    """Each 5 s, whatever the level does."""
    times = [time for time, _ in alone("tank", tank=0).until(60).of(TANK)]
    assert {round(b - a, 3) for a, b in pairwise(times)} == {5.0}


@pytest.mark.parametrize(("instance", "tank"), [(1, "fresh"), (0, "grey"), (3, "black")])
def test_a_tank_under_the_wrong_instance_is_refused(alone, instance, tank):
    """The instance gives the content of a tank, so that a fresh tank with instance 1 would read as black water."""
    with pytest.raises(InputError, match=rf"instance {instance} is not a {tank} water tank: write tank = "):
        alone("tank", settings={"tank": tank}, tank=instance)


def test_the_refusal_names_what_to_write(alone):
    """It names the device and both instances of its kind of tank."""
    with pytest.raises(InputError) as refusal:
        alone("tank", settings={"tank": "grey"}, tank=0)
    assert str(refusal.value) == (
        'device "tank": in TANK_STATUS, instance 0 is not a grey water tank: '
        'write tank = 2 (or 18 for a second one), or set another tank than "grey"'
    )
