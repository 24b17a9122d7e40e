"""The air conditioner under commands written by hand. Places are from memory: these bytes follow the table."""

import pytest

from rvsim.devices.kinds.air_conditioner import AirConditioner
from rvsim.errors import InputError
from rvsim.wire.frame import SECOND_US

STATUS, COMMAND, HEARTBEAT = 0x1FFE1, 0x19FFE044, 0x1FECA
COOL, STOP = "01 01 FF FF C8 C8 FF FF", "01 01 FF FF 00 00 FF FF"
SUMMER = {"cabin": {"start_c": 32.0, "start_humidity_percent": 60.0}}


@pytest.fixture
def unit(alone):
    """Put a unit in a warm cabin: ``unit(outdoor_c=35.0, **settings)``; it has shore power."""

    def put(outdoor_c=35.0, shore_power=True, vehicle=None, **settings):
        one = alone(
            "air_conditioner",
            air_conditioner=1,
            settings=settings,
            vehicle=SUMMER | (vehicle or {}),
            outdoor_c=outdoor_c,
            shore_power=shore_power,
        )
        return one.until(3)

    return put


def device_of(one) -> AirConditioner:
    """The unit."""
    return one.bench.devices[0]


def watts(one):
    """What it gets from the mains."""
    return one.world.mains_watts("air conditioner")


def start_of(one, until=1000.0):
    """Run until the compressor starts, and return the second."""
    while not device_of(one).compressor_runs and one.bench.now / SECOND_US < until:
        one.until(one.bench.now / SECOND_US + 0.1)
    return round(one.bench.now / SECOND_US)


def test_it_starts_off(unit):
    """Automatic, which is off for a unit without a thermostat; full maxima, dead bands of 1 and 2 K."""
    one = unit()
    assert one.last(STATUS) == "01 00 C8 C8 00 00 0A 14"
    assert one.last(HEARTBEAT).startswith("01 67")  # DSA 103
    assert watts(one) == 0
    assert one.world.battery_amps == pytest.approx(0.1)


def test_in_automatic_it_does_nothing(unit):
    """It has no thermostat (rv-c.com/node/569)."""
    one = unit().put(COMMAND, "01 00 FF FF C8 C8 FF FF").until(400)
    assert not device_of(one).compressor_runs
    assert one.last(STATUS).split()[4:6] == ["00", "00"]


def test_the_compressor_waits_after_the_mains_came(unit):
    """180 s, as most of 2 to 5 min; the fan runs at once and before it."""
    one = unit().put(COMMAND, COOL)
    assert one.last(STATUS) == "01 01 C8 C8 C8 00 0A 14"
    assert watts(one) == pytest.approx(336.0)
    assert start_of(one) == pytest.approx(181, abs=2)
    assert one.until(190).last(STATUS) == "01 01 C8 C8 C8 C8 0A 14"


def test_it_waits_after_each_stop(unit):
    """However soon it is asked again; the fan runs on for a minute."""
    one = unit().put(COMMAND, COOL).until(300)
    one.put(COMMAND, STOP).until(330)
    assert one.last(STATUS) == "01 01 C8 C8 64 00 0A 14"  # overrun at half speed
    one.until(362)
    assert one.last(STATUS) == "01 01 C8 C8 00 00 0A 14"
    one.put(COMMAND, COOL)
    assert start_of(one) == pytest.approx(480, abs=2)
    assert device_of(one).starts == 2


def test_a_blink_of_the_mains_makes_it_wait(unit):
    """Off for a second: it stops at once and waits anew."""
    one = unit().put(COMMAND, COOL).until(300)
    one.world.set_shore(connected=False)
    one.until(302)
    assert one.last(STATUS).split()[4:6] == ["00", "00"]
    one.world.set_shore(connected=True)
    one.until(304)
    assert not device_of(one).compressor_runs
    assert start_of(one) == pytest.approx(482, abs=3)


def test_its_current_at_start_and_running(unit):
    """Locked rotor 68 A for 0.3 s, then 12.8 A at 120 V with the fan (a rooftop unit maker's installation sheet)."""
    one = unit(vehicle={"shore": {"amps": 100.0}}).put(COMMAND, COOL)
    start_of(one)
    assert watts(one) == pytest.approx(68 * 120 + 336, rel=0.01)
    one.until(one.bench.now / SECOND_US + 0.15)
    assert watts(one) > 8000
    one.until(one.bench.now / SECOND_US + 0.2)
    assert watts(one) / 120 == pytest.approx(12.8, abs=0.1)


def test_capacity_and_power_by_outdoor_temperature(unit):
    """At 45 C 7 % less cooling and 12 % more power of the compressor; by 2.1 to 2.6 at 35 C."""
    cooling, power = {}, {}
    for outdoor_c in (35.0, 45.0):
        one = unit(outdoor_c=outdoor_c, latent_percent=0.0).put(COMMAND, COOL).until(1200)
        before = one.world.heat_account().gains_j
        cooling[outdoor_c] = before - one.until(1210).world.heat_account().gains_j
        power[outdoor_c] = watts(one)
    assert cooling[35.0] / 10 == pytest.approx(3956, rel=0.001)
    assert cooling[45.0] / cooling[35.0] == pytest.approx(0.93, abs=0.001)
    assert power[45.0] - power[35.0] == pytest.approx(0.12 * 1200)
    assert 2.1 < cooling[35.0] / 10 / power[35.0] < 2.6


def test_cooling_comes_with_a_lag(unit):
    """63 % after 90 s, and it lasts beyond the stop."""
    one = unit(latent_percent=0.0).put(COMMAND, COOL)
    begun = start_of(one)
    before = one.until(begun + 89).world.heat_account().gains_j
    assert before - one.until(begun + 90).world.heat_account().gains_j == pytest.approx(0.63 * 3956, rel=0.02)
    one.until(1000).put(COMMAND, STOP).until(1010)
    before = one.world.heat_account().gains_j
    assert before - one.until(1011).world.heat_account().gains_j > 3000


def test_it_takes_water_out_of_moist_air(unit):
    """25 % of 13,500 Btu/h are 1.45 l/h (computed); dry air gives none, and then all of it cools."""
    moist = {"people": {"count": 8}, "cabin": SUMMER["cabin"] | {"start_humidity_percent": 90.0}}
    one = unit(vehicle=moist).put(COMMAND, COOL).until(600)
    before = device_of(one).condensate_litres
    cooled_j = one.world.heat_account().gains_j
    rate = (device_of(one.until(620)).condensate_litres - before) * 180
    assert rate == pytest.approx(1.45, abs=0.02)
    assert (cooled_j - one.world.heat_account().gains_j) / 20 == pytest.approx(0.75 * 3956, rel=0.01)
    rig = {"people": {"count": 0}}
    dew = [unit(vehicle=rig, latent_percent=part).put(COMMAND, COOL).until(900).world.dew_point_c() for part in (0, 25)]
    assert dew[1] < dew[0] - 1
    dry = unit(vehicle={"cabin": SUMMER["cabin"] | {"start_humidity_percent": 5.0}, "people": {"count": 0}})
    dry.world.set_weather(humidity_percent=5.0)
    dry.put(COMMAND, COOL).until(600)
    assert device_of(dry).condensate_litres == 0


def test_it_cools_and_dries_the_cabin(unit):
    """A cabin at 32 C in 35 C outside: cooler and with a lower dew point within half an hour."""
    one = unit().put(COMMAND, COOL)
    celsius, dew = one.world.cabin_c, one.world.dew_point_c()
    one.until(2400)
    assert one.world.cabin_c < celsius - 6
    assert one.world.dew_point_c() < dew - 2


def test_a_weak_socket_stops_it(unit):
    """9 A at 120 V: the voltage sags below 103.5 V, and after 5 s it reports that and stops its compressor."""
    one = unit(vehicle={"shore": {"amps": 9.0}}).put(COMMAND, COOL)
    start_of(one)
    one.until(one.bench.now / SECOND_US + 3)
    assert one.world.mains_volts == pytest.approx(120 * (9 * 120 / 1536) ** 0.5, rel=0.001)
    assert device_of(one).compressor_runs
    one.until(one.bench.now / SECOND_US + 4)
    assert not device_of(one).compressor_runs
    reported = [data for _, data in one.of(HEARTBEAT) if data.split()[2:5] == ["01", "0B", "84"]]
    assert reported  # SPN 2140, FMI 4
    assert reported[0].startswith("15 67")  # yellow lamp


def test_a_high_voltage_keeps_it_off(unit):
    """130 V is above 126.5 (a rooftop unit maker's service manual)."""
    one = unit(vehicle={"shore": {"volts": 130.0}}).put(COMMAND, COOL).until(400)
    assert device_of(one).starts == 0


def test_without_shore_power_it_is_off(unit):
    """The battery alone moves nothing."""
    one = unit(shore_power=False).put(COMMAND, COOL).until(400)
    assert one.last(STATUS).split()[4:6] == ["00", "00"]
    assert one.last(HEARTBEAT).startswith("05 67")  # wanted, all the same


def test_maxima_limit_what_is_commanded(unit):
    """A maximum fan speed of 50 % and an output of 0 % as the maximum."""
    one = unit().put(COMMAND, "01 01 64 00 C8 C8 FF FF").until(400)
    assert one.last(STATUS) == "01 01 64 00 64 00 0A 14"
    assert watts(one) == pytest.approx(336 / 8)


def test_the_fan_turns_with_the_compressor(unit):
    """Cooling with fan speed 0: half speed, since a coil without air freezes."""
    one = unit().put(COMMAND, "01 01 FF FF 00 C8 FF FF").until(300)
    assert one.last(STATUS) == "01 01 C8 C8 64 C8 0A 14"


def test_other_instances_and_unchanged_fields(unit):
    """A command for unit 2 does nothing; all ones leave everything as it was."""
    one = unit().put(COMMAND, "02" + COOL[2:]).until(20)
    assert one.last(STATUS) == "01 00 C8 C8 00 00 0A 14"
    one.put(COMMAND, COOL).put(COMMAND, "01 FF FF FF FF FF FF FF").until(300)
    assert one.last(STATUS) == "01 01 C8 C8 C8 C8 0A 14"


def test_one_that_is_taken_off_draws_and_cools_nothing(unit):
    """Nothing of it is left in the vehicle."""
    one = unit().put(COMMAND, COOL).until(400)
    one.bench.switch_off("air conditioner")
    assert watts(one) == 0
    before = one.world.heat_account().gains_j
    assert one.until(410).world.heat_account().gains_j == before


def test_a_zone_that_is_not_there_is_refused(unit):
    """With those that are."""
    with pytest.raises(InputError, match='"attic" is not a zone'):
        unit(zone="attic")


def test_the_fan_leads_the_compressor(unit):
    """Long after the last stop it starts the fan at once and the compressor 5 s later."""
    one = unit().until(300).put(COMMAND, COOL)
    assert one.last(STATUS) == "01 01 C8 C8 C8 00 0A 14"
    assert not device_of(one.until(304)).compressor_runs
    assert device_of(one.until(307)).compressor_runs


def test_after_the_compressor_it_cools_a_little_longer_and_then_no_more(unit):
    """What lags behind comes to its end: some minutes later no heat is taken out of the air."""
    one = unit().put(COMMAND, COOL)
    one.until(start_of(one) + 120).put(COMMAND, STOP)
    taken = [one.world.heat_account().gains_j]
    taken += [one.until(one.bench.now / SECOND_US + wait).world.heat_account().gains_j for wait in (10, 900, 60)]
    assert taken[1] < taken[0] - 100
    assert taken[3] == taken[2]
