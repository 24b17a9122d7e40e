"""The air furnace under commands written by hand, for diesel and for gas. Layouts are from memory."""

from itertools import pairwise

import pytest

from rvsim.devices.combustion.burner import BurnerState
from rvsim.devices.kinds.air_furnace import AirFurnace
from rvsim.errors import InputError

STATUS, COMMAND, HEARTBEAT = 0x1FFE4, 0x19FFE344, 0x1FECA
FULL, HALF, OFF = "01 FC C8 C8 FF FF FF FF", "01 FC C8 64 FF FF FF FF", "01 FC 00 00 FF FF FF FF"
KG_PER_LB = 0.45359237


@pytest.fixture
def furnace(alone):
    """Put a furnace on a bench, commanded at 3 s: ``furnace(fuel="gas")``."""

    def put(command=FULL, vehicle=None, **settings):
        one = alone("air_furnace", furnace=1, settings=settings, vehicle=vehicle or {}).until(3)
        return one.put(COMMAND, command) if command else one

    return put


def device_of(one) -> AirFurnace:
    """The furnace."""
    return one.bench.devices[0]


def states(one, until):
    """Its states with the seconds in which each began."""
    begun = []
    for second in range(4, until):
        state = device_of(one.until(second)).burner.state
        if not begun or begun[-1][1] is not state:
            begun.append((second, state))
    return begun


def test_it_starts_off(furnace):
    """No heat, no fan, hardly any current; its heartbeat has the DSA of a furnace."""
    one = furnace(command=None)
    assert one.last(STATUS) == "01 00 00 00 FF FF FF FF"
    assert one.last(HEARTBEAT).startswith("01 5E")
    assert one.world.battery_amps == pytest.approx(0.1)


def test_diesel_by_power_and_fuel(furnace):
    """1.8 kW with 0.21 l/h and 2.1 A at full; 850 W at the lowest (an air heater maker's installation sheet)."""
    one = furnace().until(30)
    assert one.world.battery_amps == pytest.approx(20.1)
    one.until(600)
    assert one.world.battery_amps == pytest.approx(2.2, abs=0.01)
    assert one.world.fuel_litres_per_h == pytest.approx(0.21, rel=0.1)
    low = furnace("01 FC C8 28 FF FF FF FF").until(600)
    assert low.world.battery_amps == pytest.approx(1.35, abs=0.01)
    assert low.world.fuel_litres_per_h == pytest.approx(0.10, rel=0.1)


def test_its_fuel_carries_its_heat(furnace):
    """86 % of 35.81 MJ/l comes into the air, some of it after the flame: what lags is not lost."""
    one = furnace().until(900).put(COMMAND, OFF).until(1800)
    burnt_mj = (48 - one.world.fuel_litres) * 35.81
    given_mj = one.world.heat_account().gains_j / 1e6
    dosed_mj = 11 * 850 / 0.86 / 1e6  # some ten seconds of fuel before the flame
    assert given_mj == pytest.approx((burnt_mj - dosed_mj) * 0.86, rel=0.01)


def test_heat_lags_behind_the_flame(furnace):
    """A minute's lag: a minute after the flame some 63 % of the lowest output have come."""
    one = furnace()
    lit = next(second for second, state in states(one, 80) if state is BurnerState.BURNING)
    before = one.until(lit + 59).world.heat_account().gains_j
    watts = one.until(lit + 60).world.heat_account().gains_j - before
    assert 0.55 * 850 < watts < 0.95 * 1800


def test_gas_by_time(furnace):
    """Purge 15 s, spark, flame sensed in 6 to 10 s; full blower and full heat at once (a public page's sequence)."""
    one = furnace(fuel="gas")
    begun = states(one, 60)
    assert [state for _, state in begun] == [BurnerState.PURGE, BurnerState.IGNITION, BurnerState.BURNING]
    times = [second for second, _ in begun]
    assert times[1] - times[0] == pytest.approx(15, abs=1)
    assert 5 <= times[2] - times[1] <= 10
    assert one.world.battery_amps == pytest.approx(8.1)
    assert one.last(STATUS) == "01 00 C8 C8 FF FF FF FF"


def test_gas_burns_its_rating_and_no_diesel(furnace):
    """30,000 Btu/h; ten hours at 35 % are 4.86 lb (a camping calculator's worked example)."""
    one = furnace(HALF, fuel="gas").until(300)
    assert 0.35 * 10 * device_of(one).gas_kg_per_h / KG_PER_LB == pytest.approx(4.86, rel=0.01)
    assert one.world.fuel_litres == 48
    assert one.last(STATUS) == "01 00 C8 64 FF FF FF FF"
    account = one.world.heat_account().gains_j
    assert one.until(360).world.heat_account().gains_j - account == pytest.approx(60 * 6860, rel=0.02)


def test_gas_tries_three_times_then_waits_for_an_hour(furnace):
    """Then it tries again by itself, and never locks out for good (the same page)."""
    one = furnace(fuel="gas")
    one.bench.call_device("air furnace", lambda device: device.fail_ignition(None))
    begun = states(one, 600)
    assert [state for _, state in begun].count(BurnerState.IGNITION) == 3
    assert device_of(one).burner.error is not None
    one.until(3800)
    assert not device_of(one).burner.is_working
    one.bench.call_device("air furnace", lambda device: device.fail_ignition(0))
    one.until(4100)
    assert device_of(one).burner.is_lit


def test_gas_needs_three_quarters_of_its_air(furnace):
    """The air-flow switch: at 10.5 V the blower still closes it, at 12.5 V with a third blocked it does not."""
    one = furnace(fuel="gas")
    one.bench.call_device("air furnace", lambda device: device.block_air(0.15))
    assert device_of(one.until(60)).burner.is_lit  # 12.6 V: 0.93 of the flow, less 15 %, is 0.79
    one.bench.call_device("air furnace", lambda device: device.block_air(0.3))
    one.until(70)
    assert device_of(one).burner.state is BurnerState.AFTER_RUN
    one.until(400)
    assert device_of(one).burner.error is not None
    spn = [data for _, data in one.of(HEARTBEAT)][-1]
    assert spn.split()[2:5] == ["01", "0A", "C7"]  # SPN 2134, FMI 7: it reports no air


def test_blocked_air_opens_the_limiter_of_diesel(furnace):
    """150 C at its outlet: no fuel, run-down, and again when it is cool (a maker's workshop manual)."""
    one = furnace().until(400)
    one.bench.call_device("air furnace", lambda device: device.block_air(0.9))
    one.until(500)
    assert device_of(one).burner.state is BurnerState.AFTER_RUN
    assert device_of(one).burner.is_too_hot
    one.bench.call_device("air furnace", lambda device: device.block_air(0.0))
    one.until(1000)
    assert device_of(one).burner.is_lit


def test_it_warms_its_own_zone(furnace):
    """Not the cabin."""
    one = furnace(vehicle={"zone": [{"name": "garage"}]}, zone="garage").until(900)
    assert one.world.air_celsius("garage") > 19
    assert one.world.cabin_c < 16


def test_a_zone_that_is_not_there_is_refused(furnace):
    """A line says so."""
    with pytest.raises(InputError, match='"attic" is not a zone'):
        furnace(zone="attic")


def test_it_reports_no_heat_before_there_is_any(furnace):
    """Zero while it starts, as commanded while it burns, zero when it is told so; a fan alone is reported at once."""
    one = furnace().until(50)
    assert one.last(STATUS) == "01 00 00 00 FF FF FF FF"
    assert one.last(HEARTBEAT).startswith("05 5E")
    assert one.until(120).last(STATUS) == "01 00 C8 C8 FF FF FF FF"
    assert one.put(COMMAND, OFF).last(STATUS) == "01 00 00 00 FF FF FF FF"
    one.until(500).put(COMMAND, "01 FC 64 00 FF FF FF FF")
    assert one.last(STATUS) == "01 00 64 00 FF FF FF FF"
    assert one.world.battery_amps == pytest.approx(0.1 + 1.3 / 8)


def test_other_instances_and_unchanged_fields(furnace):
    """A command for another furnace does nothing, and all ones change nothing."""
    one = furnace(command=None).put(COMMAND, "02" + FULL[2:]).until(80)
    assert not device_of(one).burner.is_working
    one.put(COMMAND, FULL).put(COMMAND, "01 FF FF FF FF FF FF FF").until(200)
    assert one.last(STATUS) == "01 00 C8 C8 FF FF FF FF"


def test_a_device_that_is_taken_off_gives_no_heat(furnace):
    """Nor does it use fuel or current."""
    one = furnace().until(300)
    one.bench.switch_off("air furnace")
    assert one.world.fuel_litres_per_h == 0
    assert one.world.battery_amps == 0
    before = one.world.heat_account().gains_j
    assert one.until(310).world.heat_account().gains_j == before


def test_it_sends_at_its_gap_and_on_change(furnace):
    """Each 5 s, and at once when it changes."""
    one = furnace().until(40)
    times = [time for time, _ in one.of(STATUS)]
    assert {round(b - a, 2) for a, b in pairwise(times)} == {5.0}


def test_a_low_supply_slows_the_blower_until_its_switch_opens(furnace):
    """At 9.8 V a gas furnace's blower moves 73 % of its air: the flame goes out long before the 20 s are over."""
    one = furnace(fuel="gas").until(60)
    one.world.set_load("a big one", 10.0)
    while one.world.volts_at("air furnace") > 9.8:
        one.world.set_load("a big one", one.world.battery_amps + 5.0)
    assert device_of(one.until(63)).burner.state is BurnerState.AFTER_RUN


def test_gas_of_a_bottle_of_the_rig(furnace):
    """8.8 kW of gas are 0.63 kg or 1.24 l an hour; a bottle of butane outdoors at -6 C gives none, and it says so."""
    bottle = {"name": "bottle", "content": "lpg", "litres": 20.0, "start_percent": 100.0, "zone": "outdoors"}
    one = furnace(vehicle={"tank": [bottle]}, fuel="gas", gas_tank="bottle").until(60)
    before = one.world.tank_litres("bottle")
    kg_per_h = device_of(one).gas_kg_per_h
    assert before - one.until(420).world.tank_litres("bottle") == pytest.approx(kg_per_h / 0.508 / 10, rel=0.01)
    assert kg_per_h == pytest.approx(6860 / 0.78 * 3.6 / 1000 / 50.22, rel=0.01)
    cold = furnace(vehicle={"tank": [{**bottle, "gas": "butane"}]}, fuel="gas", gas_tank="bottle").until(400)
    assert device_of(cold).burner.error is not None
    assert device_of(cold).burner.starts == 1


def test_a_bottle_that_does_not_fit_is_refused(furnace):
    """A tank that the rig does not have, and one for diesel."""
    with pytest.raises(InputError, match='"botle" is no LPG tank of the rig; add one to the rig'):
        furnace(fuel="gas", gas_tank="botle")
    with pytest.raises(InputError, match='gas_tank counts with fuel = "gas" only; this one burns diesel'):
        furnace(gas_tank="bottle")


def test_commands_in_a_row_bring_no_heat_sooner(furnace):
    """The heat that lags behind comes with the seconds, not with the commands."""
    once, often = furnace().until(90), furnace().until(90)
    for _ in range(10):
        often.put(COMMAND, FULL, wait=0.001)
    assert often.until(92).world.heat_account().gains_j == once.until(92).world.heat_account().gains_j > 0
