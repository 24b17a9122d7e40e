"""The temperature sensor, read by hand from its bytes: uint16 in 1/32 K from -273 degC."""

from itertools import pairwise

import pytest

AMBIENT = 0x1FF9C


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
