"""The temperature sensor, read by hand from its bytes: uint16 in 1/32 K from -273 degC."""

from itertools import pairwise

import pytest

from rvsim.errors import InputError
from rvsim.world.world import World

AMBIENT, HEARTBEAT = 0x1FF9C, 0x1FECA


def celsius(data: str) -> float:
    """Read bytes 1 and 2 of THERMOSTAT_AMBIENT_STATUS."""
    raw = bytes.fromhex(data)
    return (raw[1] + 256 * raw[2]) / 32 - 273


@pytest.mark.parametrize(("place", "expected"), [("outdoors", -6.0), ("cabin", 15.0)])
def test_it_sends_the_temperature_of_its_place(alone, place, expected):
    """Outdoors it sends the weather's temperature and in the cabin the cabin's, with its instance in byte 0."""
    sensor = alone("ambient", settings={"place": place}, ambient_sensor=2).until(8)
    data = sensor.last(AMBIENT)
    assert data.startswith("02 ")
    assert celsius(data) == pytest.approx(expected, abs=0.2)
    assert data.endswith("FF FF FF FF FF")


def test_it_lags_behind_the_air(alone):
    """After a step of the air it has come 63 % nearer once its time of 20 s is over."""
    sensor = alone(
        "ambient", settings={"place": "cabin"}, vehicle={"cabin": {"heat_capacity_j_per_k": 10_000.0}}, ambient_sensor=1
    )
    sensor.until(1)
    felt, around = [], []
    sensor.world.set_heat("test", 30_000.0)
    for second in range(2, 60):
        sensor.until(second)
        around.append(sensor.world.cabin_c)
    felt = [celsius(data) for _, data in sensor.of(AMBIENT)]
    assert max(felt) < max(around) - 5
    assert felt == sorted(felt)


def test_a_jump_is_sent_at_once(alone):
    """A change of half a kelvin is sent at once, not at the next gap; the next status is due a whole gap later."""
    sensor = alone("ambient", settings={"place": "cabin"}, ambient_sensor=1).until(8)
    sensor.world.set_heat("test", 400_000.0)
    sensor.until(30)
    sensor.world.set_heat("test", 0.0)
    said = [(time, celsius(data)) for time, data in sensor.until(60).of(AMBIENT) if time > 9]
    early = [(then - now, after - before) for (now, before), (then, after) in pairwise(said) if then - now < 4.9]
    assert len(early) >= 3
    assert all(change > 0.4 for _, change in early)
    assert all(pause <= 5.001 for pause in (then - now for (now, _), (then, _) in pairwise(said)))


def jumps_of(sensor, since):
    """Return the times and temperatures that were sent at once since a second, not at the gap."""
    said = [(time, celsius(data)) for time, data in sensor.of(AMBIENT)]
    return [now for before, now in pairwise(said) if now[0] - before[0] < 4.9 and now[0] > since]


def test_a_change_of_the_weather_reaches_a_sensor_that_was_long_at_rest(alone):
    """16 K warmer outside: felt from the next second on, as a sensor feels it whose weather moves by itself."""
    moves = {"swing_amplitude_k": 1e-9}
    rested, awake = (
        alone("ambient", settings={"place": "outdoors"}, ambient_sensor=2, weather=weather) for weather in ({}, moves)
    )
    for sensor in (rested, awake):
        sensor.bench.plan(100_300_000, lambda world=sensor.world: world.set_weather(outdoor_c=10.0))
        sensor.until(200)
    assert jumps_of(rested, 100)[0][0] < 105
    assert celsius(rested.last(AMBIENT)) == pytest.approx(10.0, abs=0.1)
    assert rested.sent == awake.sent


def test_a_sensor_outdoors_follows_a_weather_that_moves_by_itself(alone):
    """A day of 10 K to both sides, begun where nothing moves: two hours later it is as cold as the air."""
    weather = {"swing_amplitude_k": 10.0, "start_hour": 15.0, "warmest_hour": 15.0}
    sensor = alone("ambient", settings={"place": "outdoors"}, ambient_sensor=2, weather=weather).until(7200)
    assert sensor.world.outdoor_c < 3.0
    assert celsius(sensor.last(AMBIENT)) == pytest.approx(sensor.world.outdoor_c, abs=0.2)


def test_a_sensor_that_was_long_at_rest_feels_where_it_is_moved_to(alone):
    """From the cold outside into the cabin, and back."""
    sensor = alone("ambient", settings={"place": "outdoors"}, ambient_sensor=2, acts=[
        (100_300_000, "ambient", lambda moved: moved.move_to("cabin")),
        (200_300_000, "ambient", lambda moved: moved.move_to(None)),
    ]).until(200)  # fmt: skip
    assert celsius(sensor.last(AMBIENT)) == pytest.approx(sensor.world.cabin_c, abs=0.2)
    assert jumps_of(sensor.until(300), 200)[0][0] < 205
    assert celsius(sensor.last(AMBIENT)) == pytest.approx(-6.0, abs=0.2)


# The rest of what befalls a sensor.


def settled(alone, seconds=300, vehicle=None, **settings):
    """Return what a sensor says after a while, with all water and air at rest."""
    sensor = alone("ambient", settings=settings, vehicle=vehicle, ambient_sensor=1).until(seconds)
    return celsius(sensor.last(AMBIENT))


def test_it_hangs_in_any_zone(alone):
    """A garage of its own temperature."""
    garage = {"zone": [{"name": "garage", "volume_m3": 3.0, "heat_loss_w_per_k": 1.0, "start_c": 4.0}]}
    assert settled(alone, 20, garage, place="garage") == pytest.approx(4.0, abs=0.3)


def test_a_place_that_is_none_is_refused(alone):
    """With the near one, and all there are."""
    with pytest.raises(InputError) as refusal:
        alone("ambient", settings={"place": "cabn"}, ambient_sensor=1)
    assert str(refusal.value) == (
        'device "ambient": "cabn" is no place for a sensor (did you mean "cabin"?); the places are cabin, outdoors, '
        "heater_outlet, fridge, tank_bay"
    )
    with pytest.raises(InputError, match='"attic" is not a zone'):
        alone("ambient", settings={"place": "fridge", "zone": "attic"}, ambient_sensor=1)


def test_sun_warms_its_case(alone, monkeypatch):
    """500 W/m2 on a case that takes up half of it: 12.5 K too warm (sol-air, at 20 W/(m2 K)); in the shade none."""
    monkeypatch.setattr(
        World, "sun_w_per_m2", lambda _world, tilt, azimuth: 500.0 if (tilt, azimuth) == (90, 180) else 0
    )
    sun = {"place": "outdoors", "sun_azimuth_deg": 180.0}
    assert settled(alone, sun_absorptance=0.5, **sun) == pytest.approx(-6.0 + 12.5, abs=0.1)
    assert settled(alone, **sun) == pytest.approx(-6.0, abs=0.1)


def test_a_heaters_outlet_is_warmer_than_the_zone(alone):
    """While its fan blows: 0.7 of the way from the air to the coolant; otherwise it reads the air."""
    hot = {"coolant": {"start_c": 80.0, "hose_loss_w_per_k": 0.0, "litres": 100.0}}
    sensor = alone("ambient", settings={"place": "heater_outlet"}, vehicle=hot, ambient_sensor=1).until(30)
    assert celsius(sensor.last(AMBIENT)) == pytest.approx(15.0, abs=0.5)
    sensor.world.set_cabin_fan("test", 1.0)
    world = sensor.until(150).world
    assert celsius(sensor.last(AMBIENT)) == pytest.approx(
        world.cabin_c + 0.7 * (world.coolant_c - world.cabin_c), abs=2
    )
    world.set_outlet("test", 95.0)
    assert celsius(sensor.until(300).last(AMBIENT)) == pytest.approx(95.0, abs=0.5)
    world.set_cabin_fan("test", 0.0)
    world.remove("test")
    assert celsius(sensor.until(450).last(AMBIENT)) == pytest.approx(world.cabin_c, abs=0.5)


def test_the_tank_bay_is_between_air_and_water(alone):
    """Outdoors at -6 C beside 15 C of water: half of each."""
    tank = {"fresh_tank": {"zone": "outdoors", "litres": 2000.0, "loss_w_per_k": 0.1}}
    sensor = alone("ambient", settings={"place": "tank_bay"}, vehicle=tank, ambient_sensor=1).until(120)
    water_c = sensor.world.tank_c("fresh")
    assert celsius(sensor.last(AMBIENT)) == pytest.approx((water_c - 6.0) / 2, abs=0.2)


def test_in_a_fridge(alone):
    """The coldest fridge; without one it is in the air of its zone."""
    sensor = alone("ambient", settings={"place": "fridge"}, ambient_sensor=1).until(10)
    assert celsius(sensor.last(AMBIENT)) == pytest.approx(15.0, abs=0.3)
    sensor.world.set_inside("test", 5.0)
    sensor.world.set_inside("other", 8.0)
    assert celsius(sensor.until(200).last(AMBIENT)) == pytest.approx(5.0, abs=0.2)


def test_unplugged_and_shorted(alone):
    """Open: no data. Shorted: out of range. Each is reported with the yellow lamp, and not active; then it is back."""
    sensor = alone("ambient", ambient_sensor=1).until(8)
    assert sensor.last(HEARTBEAT).startswith("05 FF")
    for act, code, fault in (("unplug", "FF FF", 5), ("short", "FE FF", 4)):
        sensor.bench.call_device("ambient", lambda one, act=act: getattr(one, act)())
        assert sensor.until(sensor.bench.kernel.now / 1e6 + 6).last(AMBIENT) == f"01 {code} FF FF FF FF FF"
        heartbeat = sensor.last(HEARTBEAT)
        assert heartbeat.startswith("11 FF")
        assert int(heartbeat.split()[4], 16) & 0x1F == fault
    sensor.bench.call_device("ambient", lambda one: one.plug_in())
    assert celsius(sensor.until(sensor.bench.kernel.now / 1e6 + 6).last(AMBIENT)) == pytest.approx(15.0, abs=0.5)
    assert sensor.last(HEARTBEAT).startswith("05 FF")


def test_moved_and_back(alone):
    """A sensor that hangs elsewhere lags to its new place, and back."""
    sensor = alone("ambient", ambient_sensor=1).until(8)
    sensor.bench.call_device("ambient", lambda one: one.move_to("outdoors"))
    assert celsius(sensor.until(200).last(AMBIENT)) == pytest.approx(-6.0, abs=0.2)
    with pytest.raises(InputError, match='"attic" is no place'):
        sensor.bench.devices[0].move_to("attic")
    sensor.bench.call_device("ambient", lambda one: one.move_to(None))
    assert celsius(sensor.until(400).last(AMBIENT)) > 10


def test_the_curve_of_another_part(alone):
    """A 10 k 3950 that is read by one beta, at -20 C: 1.7 K too warm; with its own curve it is right."""
    cold = {"cabin": {"start_c": -20.0}, "people": {"count": 0}}
    right = settled(alone, 3, cold, ntc="10k_3950")
    wrong = settled(alone, 3, cold, ntc="10k_3950", read_as="beta_3950")
    assert wrong - right == pytest.approx(1.7, abs=0.15)


def test_the_current_of_its_measurement_warms_it(alone):
    """A disk of 10 k at 25 C in a divider of 5 V: 0.18 K."""
    warm = {"cabin": {"start_c": 25.0}, "people": {"count": 0}}
    cool, heated = settled(alone, 3, warm), settled(alone, 3, warm, divider_volts=5.0)
    assert heated - cool == pytest.approx(0.18, abs=0.05)


def test_a_closed_housing_lags_for_minutes(alone):
    """Ten minutes of housing: a minute after a step of the air little of it has come."""
    light = {"cabin": {"heat_capacity_j_per_k": 10_000.0}, "people": {"count": 0}}
    sensor = alone("ambient", settings={"housing_s": 600.0}, vehicle=light, ambient_sensor=1).until(1)
    sensor.world.set_heat("test", 3000.0)
    sensor.until(60)
    come = celsius(sensor.last(AMBIENT)) - 15.0
    assert 0 < come < 0.1 * (sensor.world.cabin_c - 15.0)


def test_its_current_counts(alone):
    """As the rig gives it; what it drew is given back."""
    sensor = alone("ambient", settings={"electronics_amps": 0.02}, ambient_sensor=1).until(3)
    assert sensor.world.battery_amps == pytest.approx(0.02)
    sensor.bench.devices[0].on_stop()
    assert sensor.world.battery_amps == 0


def test_without_coolant_a_fan_blows_no_warm_air(alone):
    """The pump of the coolant stands still: the outlet is as warm as the air."""
    hot = {"coolant": {"start_c": 80.0, "hose_loss_w_per_k": 0.0}}
    world = alone("ambient", vehicle=hot, ambient_sensor=1).until(3).world
    world.set_cabin_fan("test", 1.0)
    assert world.outlet_c() > 50
    world.set_pump("pump", running=False)
    assert world.outlet_c() == world.cabin_c


def test_an_unplugged_sensor_keeps_to_its_gap(alone):
    """However the air changes: it has nothing to say."""
    sensor = alone("ambient", ambient_sensor=1).until(8)
    sensor.bench.call_device("ambient", lambda one: one.unplug())
    sensor.until(14).world.set_heat("test", 400_000.0)
    times = [time for time, _ in sensor.until(60).of(AMBIENT) if time > 9]
    assert {round(after - before, 3) for before, after in pairwise(times)} == {5.0}
