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


def full_of(percent, **figures):
    """Return a vehicle with a fresh tank of 100 litres that nobody uses."""
    return {"fresh_tank": {"litres": 100.0, "start_percent": percent, **figures}, "people": {"count": 0}}


def test_a_tank_of_the_rig_by_its_name(alone):
    """A further tank of its content, and one of liquid gas with its instance of its own."""
    more = [
        {"name": "spare", "content": "fresh", "litres": 20.0, "start_percent": 50.0},
        {"name": "bottle", "content": "lpg", "litres": 27.0, "start_percent": 80.0},
    ]
    assert alone("tank", settings={"tank": "spare"}, vehicle={"tank": more}, tank=16).until(3).last(TANK) == (
        "10 32 64 0A 00 14 00 FF"
    )
    gas = alone("tank", settings={"tank": "bottle"}, vehicle={"tank": more}, tank=3).until(3)
    assert gas.last(TANK) == "03 50 64 16 00 1B 00 FF"
    with pytest.raises(InputError, match=r"instance 0 is not an LPG tank: write tank = 3 \(or 19 for a second one\)"):
        alone("tank", settings={"tank": "bottle"}, vehicle={"tank": more}, tank=0)


def test_gas_does_not_freeze(alone):
    """A bottle outdoors at -6 C all night has no ice that would hold its sender."""
    bottle = [{"name": "bottle", "content": "lpg", "litres": 5.0, "zone": "outdoors", "loss_w_per_k": 200.0}]
    sensor = alone("tank", settings={"tank": "bottle"}, vehicle={"tank": bottle}, tank=3).until(60)
    assert sensor.world.tank_ice_percent("bottle") == 0


def test_a_tank_that_is_none_is_refused(alone):
    """With the near one, and all there are; fuel has no instance in the message, so it is no tank for it."""
    with pytest.raises(InputError) as refusal:
        alone("tank", settings={"tank": "fresch"}, tank=0)
    assert str(refusal.value) == (
        'device "tank": "fresch" is not a tank of the rig (did you mean "fresh"?); its tanks are fresh, grey, black'
    )
    with pytest.raises(InputError, match='"fuel" is not a tank of the rig'):
        alone("tank", settings={"tank": "fuel"}, tank=4)


@pytest.mark.parametrize(
    ("steps", "percent", "expected"),
    [
        (4, 75.0, "00 03 04 4B 00 64 00 FF"),  # gauge in 25 % steps: 3 of 4
        (4, 74.0, "00 02 04 32 00 64 00 FF"),  # the third probe is dry: 2 of 4, 50 litres
        (8, 74.0, "00 05 08 3E 00 64 00 FF"),  # 12.5 %: 5 of 8, 62.5 litres
        (4, 100.0, "00 04 04 64 00 64 00 FF"),
        (4, 3.0, "00 00 04 00 00 64 00 FF"),
    ],
)
def test_probes_have_steps(alone, steps, percent, expected):
    """A probe is in the water or not, so that a tank reads what its highest wet probe says, in litres too."""
    settings = {"sender": "probes", "steps": steps}
    assert alone("tank", settings=settings, vehicle=full_of(percent), tank=0).until(3).last(TANK) == expected


def test_a_float_with_steps_is_rounded(alone):
    """74 % are 3 of 4 for a sender that rounds; its litres are not in steps."""
    sensor = alone("tank", settings={"steps": 4}, vehicle=full_of(74.0), tank=0).until(3)
    assert sensor.last(TANK) == "00 03 04 4A 00 64 00 FF"


def levels(sensor):
    """Return the levels that were sent."""
    return [int(data.split()[1], 16) for _, data in sensor.of(TANK)]


def test_water_sloshes_while_the_engine_runs(alone):
    """Damped: some percent around the true level; it is at rest when the engine is off, and without damping swings."""
    spread = {}
    for damping_s in (0.0, 30.0):
        sensor = alone("tank", settings={"damping_s": damping_s}, vehicle=full_of(60.0), tank=0).until(60)
        assert set(levels(sensor)) == {60}
        sensor.bench.site.engine_rpm = 1500.0
        driven = levels(sensor.until(1200))[13:]
        assert sum(driven) / len(driven) == pytest.approx(60, abs=1.5)
        spread[damping_s] = max(driven) - min(driven)
        sensor.bench.site.engine_rpm = 0.0
        assert levels(sensor.until(1300))[-1] == 60
    assert 0 < spread[30.0] < 6 < 15 < spread[0.0]


def test_a_full_tank_does_not_read_more_than_full(alone):
    """However much it sloshes."""
    sensor = alone("tank", settings={"damping_s": 0.0, "slosh_percent": 50.0}, vehicle=full_of(100.0), tank=0)
    sensor.bench.site.engine_rpm = 1500.0
    sent = levels(sensor.until(300))
    assert max(sent) == 100
    assert min(sent) < 80


def test_a_sender_the_wrong_way_round(alone):
    """Full reads empty; reversed again it is right."""
    sensor = alone("tank", settings={"is_reversed": True}, vehicle=full_of(80.0), tank=0).until(3)
    assert sensor.last(TANK) == "00 14 64 14 00 64 00 FF"
    sensor.bench.devices[0].turn_over()
    assert sensor.until(10).last(TANK) == "00 50 64 50 00 64 00 FF"


@pytest.mark.parametrize(("sender", "frozen"), [("float", 60), ("probes", 0)])
def test_ice_holds_a_sender(alone, sender, frozen):
    """A float stays where it froze, whatever comes into the tank then; probes in ice read empty."""
    cold = full_of(60.0, zone="outdoors", loss_w_per_k=200.0)
    sensor = alone("tank", settings={"sender": sender}, vehicle=cold, outdoor_c=-40.0, tank=0)
    assert sensor.until(60).world.tank_ice_percent("fresh") > 10
    sensor.world.set_fill("test", 10.0)
    sensor.until(180)
    assert sensor.world.tank_percent("fresh") > 79
    sensor.bench.site.engine_rpm = 1500.0
    assert set(levels(sensor.until(600))) == {frozen}


def test_its_current_counts(alone):
    """As the rig gives it; what it drew is given back."""
    sensor = alone("tank", settings={"electronics_amps": 0.03}, tank=0).until(3)
    assert sensor.world.battery_amps == pytest.approx(0.03)
    sensor.bench.devices[0].on_stop()
    assert sensor.world.battery_amps == 0
