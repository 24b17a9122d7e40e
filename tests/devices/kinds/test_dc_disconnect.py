"""A battery switch under commands written by hand. Its layouts are unsure: these bytes follow the table."""

import pytest

from rvsim.errors import InputError

STATUS, COMMAND, DM1 = 0x1FED0, 0x19FECF44, 0x0FECA
OPEN, CLOSE = "01 FC FF FF FF FF FF FF", "01 FD FF FF FF FF FF FF"


@pytest.fixture
def switch(alone):
    """A switch of the house battery, with a lamp of 10 A behind it."""

    def put(settings=None, **vehicle):
        run = alone("dc_disconnect", settings=settings, vehicle=vehicle, dc_disconnect=1)
        run.world.set_load("lamp", 10.0)
        return run.until(3)

    return put


def test_it_opens_and_closes_by_command(switch):
    """Open, the bus-bar has no voltage and the battery no current; the status follows at once, with the command."""
    run = switch()
    assert run.last(STATUS) == "01 FD FF FF FF FF FF FF"
    run.put(COMMAND, OPEN)
    assert run.last(STATUS) == "01 F0 FF FF FF FF FF FF"
    assert (run.world.battery_volts, run.world.battery_amps) == (0.0, 0.0)
    run.until(6).put(COMMAND, "02" + CLOSE[2:])
    assert run.world.battery_volts == 0.0
    run.put(COMMAND, CLOSE)
    assert run.world.battery_amps == pytest.approx(10.005)


def test_it_refuses_to_break_more_than_it_may(switch):
    """10 A where it may break 5: it stays closed and reports a fault; the next allowed command ends that."""
    run = switch({"max_break_amps": 5.0}).put(COMMAND, OPEN)
    assert run.last(STATUS) == "01 F1 FF FF FF FF FF FF"
    assert int(run.last(DM1).split()[4], 16) & 0x1F == 6
    assert run.world.battery_amps > 10
    run.world.set_load("lamp", 1.0)
    run.until(6).put(COMMAND, OPEN)
    assert run.last(STATUS) == "01 F0 FF FF FF FF FF FF"
    assert run.last(DM1).startswith("00")


def test_two_moves_have_a_second_between_them(switch):
    """A command that comes too early is not obeyed."""
    run = switch({"least_s": 2.0}).put(COMMAND, OPEN).put(COMMAND, CLOSE)
    assert run.world.battery_volts == 0.0
    run.until(6).put(COMMAND, CLOSE)
    assert run.world.battery_volts > 12


@pytest.mark.parametrize(("latching", "volts"), [(True, True), (False, False)])
def test_a_latching_one_keeps_its_place_without_power(switch, latching, volts):
    """Another one opens when its supply is gone, and holds itself closed with 0.5 A before."""
    run = switch({"latching": latching})
    assert run.world.battery_amps == pytest.approx(10.005 + (0.0 if latching else 0.5))
    run.bench.switch_off("dc disconnect")
    assert (run.world.battery_volts > 0) is volts
    run.bench.switch_on("dc disconnect")
    run.until(6)
    assert run.world.battery_volts > 0


def test_an_open_latching_one_stays_open_without_power(switch):
    """And when its power is back: it keeps what it was told."""
    run = switch().put(COMMAND, OPEN)
    run.bench.switch_off("dc disconnect")
    assert run.world.battery_volts == 0
    run.bench.switch_on("dc disconnect")
    run.until(8)
    assert run.world.battery_volts == 0
    assert run.last(STATUS).startswith("01 FC")


def test_it_switches_the_battery_that_it_names(switch):
    """The starter battery here; a name that the rig does not have is refused."""
    batteries = [{"name": "house"}, {"name": "starter", "capacity_ah": 80.0}]
    run = switch({"battery": "starter", "closed": False}, battery=batteries)
    assert run.world.battery("starter").volts == 0
    assert run.world.battery("house").volts > 12
    with pytest.raises(InputError, match=r'battery: the rig has no battery "stater".*did you mean "starter"'):
        switch({"battery": "stater"}, battery=batteries)
