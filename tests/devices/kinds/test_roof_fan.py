"""The roof fan under hand-written commands. Layouts are from memory: these bytes follow the table."""

import pytest

from rvsim.errors import InputError

STATUS, COMMAND, HEARTBEAT = 0x1FEA7, 0x19FEA644, 0x1FECA
ON, AUTO_20 = "01 D5 C8 FC FF FF FF FF", "01 D1 C8 FC FF FF A0 24"
OFF = "01 FC FF FF FF FF FF FF"


@pytest.fixture
def fan(alone):
    """A roof fan with instance 1, outdoors at -6 degC."""
    return alone("roof_fan", roof_fan=1).until(3)


@pytest.fixture
def fans(alone):
    """Put a roof fan with other figures on a bench."""

    def put(vehicle=None, **settings):
        return alone("roof_fan", roof_fan=1, vehicle=vehicle or {}, settings=settings).until(3)

    return put


def opening(one):
    """What is open in the cabin, m2."""
    return one.world.opening_m2()


def test_it_starts_off(fan):
    """Off: system status 0, speed 0; its own sensor says the cabin's 15 degC; no set point; the dome is no data."""
    assert fan.last(STATUS).startswith("01 14 00 FC ")
    assert int(fan.last(STATUS).split()[5], 16) == pytest.approx(0x24, abs=1)
    assert fan.last(STATUS).endswith(" FF FF")
    assert fan.last(HEARTBEAT).startswith("01 FF")  # on, not active
    assert opening(fan) == 0


def test_it_runs_as_commanded_and_cools_the_cabin(fan):
    """On, forced, manual, 100 %: the status follows at once and cold air comes in."""
    fan.put(COMMAND, ON)
    assert fan.last(STATUS).startswith("01 15 C8 FC")
    fan.until(90)
    assert fan.world.cabin_c < 14.0
    assert fan.last(HEARTBEAT).startswith("05 FF")


def test_dome_and_motor_by_time(fan):
    """The dome takes 20 s and its motor 1 A; half open the fan starts and takes 5 s to its full speed."""
    fan.put(COMMAND, ON)
    amps = {second: fan.until(second).world.battery_amps for second in (8, 14, 18, 30)}
    moving = 0.05 + 1.0
    assert amps[8] == pytest.approx(moving)
    assert moving < amps[14] < moving + 3.0
    assert amps[18] == pytest.approx(moving + 3.0, abs=0.02)
    assert amps[30] == pytest.approx(0.05 + 3.0, abs=0.02)
    fan.put(COMMAND, OFF)
    assert fan.until(40).world.battery_amps == pytest.approx(moving)
    assert fan.until(60).world.battery_amps == pytest.approx(0.05)
    assert opening(fan) == 0


def test_its_power_goes_with_the_third_power_of_its_speed(fan):
    """At 80 % it takes 0.512 of its full power (fan laws; fan selection article)."""
    fan.put(COMMAND, ON).until(40)
    full = fan.world.battery_amps - 0.05
    fan.put(COMMAND, "01 D5 A0 FC FF FF FF FF").until(50)
    assert (fan.world.battery_amps - 0.05) / full == pytest.approx(0.512, abs=0.001)
    fan.put(COMMAND, "01 D5 64 FC FF FF FF FF").until(60)
    assert fan.world.battery_amps - 0.05 == pytest.approx(0.375, abs=0.01)  # 3.0 A at 50 % (checks_energy.csv)


def test_its_flow_goes_with_its_speed_until_the_inlet_holds_it(fans):
    """425 L/s through 0.05 m2 would lose 116 Pa: more than the 60 that it makes; through 0.20 m2 7 Pa."""
    for inlet, flow in ((0.05, 305.0), (0.20, 425.0)):
        one = fans({"cabin": {"inlet_m2": inlet}}, full_flow_litres_per_s=425.0, dome_m2=0.2).put(COMMAND, ON)
        assert one.until(60).world.vent_litres_per_s() == pytest.approx(flow, rel=0.01)
    one = fans({"cabin": {"inlet_m2": 0.2}}, full_flow_litres_per_s=425.0).put(COMMAND, "01 D5 64 FC FF FF FF FF")
    assert one.until(60).world.vent_litres_per_s() == pytest.approx(212.5)


def test_an_open_dome_lets_air_through_without_the_fan(fan):
    """On at speed 0: the dome is open by its size; while the fan turns it is the fan that moves the air."""
    fan.put(COMMAND, "01 D5 00 FC FF FF FF FF").until(30)
    assert opening(fan) == pytest.approx(0.127)
    before = fan.world.cabin_c
    assert fan.until(200).world.cabin_c < before - 0.3
    fan.put(COMMAND, ON).until(220)
    assert opening(fan) == 0
    assert fan.world.vent_litres_per_s() == pytest.approx(150.0)


def test_without_a_dome_it_has_nothing_to_open(fans):
    """dome_m2 = 0: the motor starts at once, and nothing stays open."""
    one = fans(dome_m2=0.0).put(COMMAND, ON)
    assert one.until(10).world.battery_amps == pytest.approx(3.05)
    assert opening(one.put(COMMAND, "01 D5 00 FC FF FF FF FF").until(20)) == 0


def test_rain_closes_it_for_a_while(fan):
    """The dome closes and the fan stops, whatever is commanded; ten minutes after the last rain it opens again."""
    fan.put(COMMAND, ON).until(40)
    fan.bench.site.rain = True
    fan.until(70)
    assert fan.world.vent_litres_per_s() == 0
    assert fan.world.battery_amps == pytest.approx(0.05)
    assert fan.last(STATUS).startswith("01 15 C8 FC")
    fan.bench.site.rain = False
    assert fan.until(650).world.vent_litres_per_s() == 0
    assert fan.until(700).world.vent_litres_per_s() == pytest.approx(150.0)


def test_rain_is_nothing_to_one_without_a_sensor(fans):
    """It goes on."""
    one = fans(has_rain_sensor=False).put(COMMAND, ON).until(40)
    one.bench.site.rain = True
    assert one.until(70).world.vent_litres_per_s() == pytest.approx(150.0)


def test_it_stops_before_it_blows_the_other_way(fan):
    """In after out: the motor comes down, stands, and turns the other way."""
    fan.put(COMMAND, "01 D5 64 FC FF FF FF FF").until(40).put(COMMAND, "01 D5 64 FD FF FF FF FF")
    flows = [fan.until(41 + second).world.vent_litres_per_s() for second in range(14)]
    assert 0.0 in flows  # half speed in steps of a fifth: it would pass 0 between two of them
    assert flows[-1] == pytest.approx(75.0)
    assert fan.last(STATUS).startswith("01 15 64 FD")


def test_in_automatic_it_keeps_a_dead_band(fans):
    """Set point 14 degC in a cabin at 15 that cools: it runs down to 14, and starts again above 15 only."""
    one = fans({"cabin": {"air_capacity_percent": 90.0}}).put(COMMAND, "01 D1 C8 FC FF FF D0 23")  # 13.5 degC
    one.until(40)
    assert one.world.vent_litres_per_s() == pytest.approx(150.0)
    while one.world.vent_litres_per_s() > 0:
        one.until(one.bench.now / 1e6 + 1)
    assert 13.2 < one.world.cabin_c < 13.5
    one.world.set_heat("test", 2000.0)
    while one.world.cabin_c < 14.4:
        one.until(one.bench.now / 1e6 + 1)
        assert one.world.vent_litres_per_s() == 0
    one.until(one.bench.now / 1e6 + 60)
    assert one.world.vent_litres_per_s() > 0


def test_in_automatic_it_waits_for_its_set_point(fan):
    """Fan mode 0 with a set point of 20 degC (24A0 hex) stays still and shut at 15 degC; at 10 degC it runs."""
    fan.put(COMMAND, AUTO_20).until(20)
    assert opening(fan) == fan.world.vent_litres_per_s() == 0
    assert fan.world.cabin_c > 14.5
    assert fan.last(HEARTBEAT).startswith("01 FF")
    fan.put(COMMAND, "01 FF FF FF FF FF 60 23").until(80)
    assert fan.world.vent_litres_per_s() == pytest.approx(150.0)


def test_it_sets_its_speed_by_itself(fan):
    """Speed mode 0: full speed 4 K above its set point, less nearer to it, and the status says how fast."""
    fan.put(COMMAND, "01 C5 C8 FC FF FF 20 23").until(30)  # 8 degC
    assert fan.last(STATUS).split()[2] == "C8"
    fan.put(COMMAND, "01 FF FF FF FF FF A0 23").until(35)  # 12 degC, cabin some 15
    assert 0x28 <= int(fan.last(STATUS).split()[2], 16) < 0xC8


def test_its_light_takes_current(fan):
    """0.4 A, on or off by itself."""
    fan.put(COMMAND, "01 7F FF FF FF FF FF FF").until(5)
    assert fan.world.battery_amps == pytest.approx(0.45)
    assert fan.last(STATUS).startswith("01 54")


def test_it_ignores_another_instance_and_unchanged_fields(fan):
    """A command for fan 2 does nothing, and all ones leave speed and mode as they were."""
    fan.put(COMMAND, "02 D5 C8 FC FF FF FF FF")
    assert fan.last(STATUS).startswith("01 14 00")
    fan.put(COMMAND, ON).put(COMMAND, "01 FD FF FF FF FF FF FF")
    assert fan.last(STATUS).startswith("01 15 C8")
    fan.put(COMMAND, OFF)
    assert fan.last(STATUS).startswith("01 14 C8")


def test_the_domes_place_is_unsure_so_it_is_not_obeyed(fan):
    """Dome "open" in the bits where it may stand: nothing happens, and the status has no data there."""
    fan.put(COMMAND, "01 FF FF 13 FF FF FF FF").until(20)
    assert opening(fan) == 0
    assert int(fan.last(STATUS).split()[3], 16) >> 2 & 15 == 15


def test_a_zone_that_is_not_there_is_refused(fans):
    """With those that are."""
    with pytest.raises(InputError, match='"attic" is not a zone'):
        fans(zone="attic")


def test_its_own_dome_limits_its_flow(fans):
    """60 Pa through 0.127 m2 move 775 L/s at most (orifice equation)."""
    one = fans(full_flow_litres_per_s=1000.0).put(COMMAND, ON).until(60)
    assert one.world.vent_litres_per_s() == pytest.approx(1000 * 0.61 * 0.127 * (2 * 60 / 1.2) ** 0.5, rel=0.001)
