"""The roof fan under hand-written commands. Layouts are from memory: these bytes follow the table."""

import pytest

STATUS, COMMAND, HEARTBEAT = 0x1FEA7, 0x19FEA644, 0x1FECA


@pytest.fixture
def fan(alone):
    """A roof fan with instance 1, outdoors at -6 degC."""
    return alone("roof_fan", roof_fan=1).until(3)


def test_it_starts_off(fan):
    """Off: system status 0, speed 0; its own sensor says the cabin's 15 degC (2400 hex); no set point."""
    assert fan.last(STATUS) == "01 14 00 FC 00 24 FF FF"
    assert fan.last(HEARTBEAT).startswith("01 FF")  # on, not active


def test_it_runs_as_commanded_and_cools_the_cabin(fan):
    """On, forced, manual, 100 %: the status follows at once and cold air comes in."""
    fan.put(COMMAND, "01 D5 C8 FC FF FF FF FF")
    assert fan.last(STATUS).startswith("01 15 C8 FC")
    fan.until(60)
    assert fan.world.cabin_c < 14.5
    assert fan.last(HEARTBEAT).startswith("05 FF")


def test_its_power_goes_with_the_third_power_of_its_speed(fan):
    """At 80 % it takes 0.512 of its full power (fan laws; fan selection article)."""
    fan.put(COMMAND, "01 D5 C8 FC FF FF FF FF").until(5)
    full = fan.world.battery_amps - 0.05
    fan.put(COMMAND, "01 D5 A0 FC FF FF FF FF").until(8)
    assert (fan.world.battery_amps - 0.05) / full == pytest.approx(0.512, abs=0.001)


def test_in_automatic_it_waits_for_its_set_point(fan):
    """Fan mode 0 with a set point of 20 degC (24A0 hex) stays still in a cabin at 15 degC; at 10 degC it runs."""
    fan.put(COMMAND, "01 D1 C8 FC FF FF A0 24").until(20)
    still = fan.world.cabin_c
    assert still == pytest.approx(15.0, abs=0.2)
    fan.put(COMMAND, "01 FF FF FF FF FF 60 23").until(80)
    assert fan.world.cabin_c < still - 0.5


def test_it_ignores_another_instance_and_unchanged_fields(fan):
    """A command for fan 2 does nothing, and all ones leave speed and mode as they were."""
    fan.put(COMMAND, "02 D5 C8 FC FF FF FF FF")
    assert fan.last(STATUS).startswith("01 14 00")
    fan.put(COMMAND, "01 D5 C8 FC FF FF FF FF").put(COMMAND, "01 FD FF FF FF FF FF FF")
    assert fan.last(STATUS).startswith("01 15 C8")
    fan.put(COMMAND, "01 FC FF FF FF FF FF FF")
    assert fan.last(STATUS).startswith("01 14 C8")
