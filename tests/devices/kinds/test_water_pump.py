"""The water pump: two bits each for enabled, running and hookup in byte 0; pressures and current are no data."""

from itertools import pairwise

import pytest

from rvsim.errors import InputError

STATUS, HEARTBEAT, COMMAND = 0x1FFB3, 0x1FECA, 0x19FFB244
STILL = {"people": {"count": 0}, "fresh_tank": {"litres": 100.0}, "grey_tank": {"litres": 200.0, "start_percent": 0.0}}
IDLE, RUNNING, OFF = "C1 FF FF FF FF FF FF FF", "C5 FF FF FF FF FF FF FF", "C0 FF FF FF FF FF FF FF"


@pytest.fixture
def pump(alone):
    """A pump at rest under pressure, with a fresh tank that nobody uses."""
    return alone("water_pump", vehicle=STILL, water_pump=1).until(10)


def later(pump, seconds):
    """Run on."""
    return pump.until(pump.bench.kernel.now / 1e6 + seconds)


def device(pump):
    """Return the device itself."""
    return pump.bench.devices[0]


def test_it_builds_its_pressure_and_stands_by(pump):
    """At the start it fills its pipes; from 3.1 bar on it stands by, DSA 128, and draws hardly anything."""
    assert pump.last(STATUS) == IDLE
    assert device(pump).pressure_bar == pytest.approx(3.1)
    assert pump.last(HEARTBEAT).startswith("01 80")
    assert pump.world.battery_amps == pytest.approx(0.02)


def test_it_runs_while_water_is_drawn(pump):
    """A tap of 6 l/min: told at once, the pressure below 3.1 bar, the current from 3 to 8 A; then it fills up again."""
    pump.world.set_draw("tap", 6.0)
    litres = pump.world.tank_litres("fresh")
    later(pump, 60)
    assert litres - pump.world.tank_litres("fresh") == pytest.approx(6.0, abs=0.1)
    shown = [data for _, data in pump.of(STATUS)]
    assert RUNNING in shown
    amps = []
    for _ in range(10):
        later(pump, 1)
        amps.append(pump.world.battery_amps)
    assert max(amps) > 3.0
    assert all(one < 0.1 or 3 <= one <= 8.1 for one in amps)
    pump.world.set_draw("tap", 0.0)
    assert later(pump, 10).last(STATUS) == IDLE
    assert device(pump).pressure_bar == pytest.approx(3.1)


def test_the_switch_has_two_pressures(alone):
    """With a vessel of 5 l: off at 3.1 bar, on at 2.0 bar, as a slow tap shows."""
    pump = alone("water_pump", settings={"buffer_litres": 5.0}, vehicle=STILL, water_pump=1).until(60)
    pump.world.set_draw("tap", 2.0)
    states = []
    for _ in range(300):
        later(pump, 1)
        states.append((pump.last(STATUS) == RUNNING, device(pump).pressure_bar))
    on = [bar for (before, _), (after, bar) in pairwise(states) if after and not before]
    off = [bar for (before, _), (after, bar) in pairwise(states) if before and not after]
    assert on
    assert off
    assert all(1.95 < bar < 2.0 for bar in on)
    assert all(bar == pytest.approx(3.1) for bar in off)


def test_it_gives_eleven_litres_a_minute(pump):
    """More than that cannot be drawn; 12 V are its rating."""
    pump.world.set_draw("tap", 30.0)
    later(pump, 10)
    before = pump.world.tank_litres("fresh")
    later(pump, 60)
    volts = pump.world.volts_at("water pump")
    assert before - pump.world.tank_litres("fresh") == pytest.approx(11 * volts / 12, rel=0.02)
    assert pump.last(STATUS) == RUNNING


def test_disabled_there_is_no_water(pump):
    """The pipes run empty, and then the taps give nothing until it is enabled again."""
    pump.put(COMMAND, "FC FF FF FF FF FF FF FF")
    assert pump.last(STATUS) == OFF
    pump.world.set_draw("tap", 6.0)
    later(pump, 10)
    empty = pump.world.tank_litres("fresh")
    assert later(pump, 60).world.tank_litres("fresh") == empty
    assert device(pump).pressure_bar == 0
    pump.put(COMMAND, "FD FF FF FF FF FF FF FF")
    assert pump.last(STATUS) == RUNNING
    assert later(pump, 60).world.tank_litres("fresh") < empty - 4


@pytest.mark.parametrize("data", ["FF FF FF FF FF FF FF FF", "FE FF FF FF FF FF FF FF", "FD 2C 01 2C 01 FF FF FF", ""])
def test_what_changes_nothing(pump, data):
    """Unchanged, a code without a meaning, what it is already with pressures at unsure places, an empty frame."""
    sent = len(pump.of(STATUS))
    pump.put(COMMAND, data)
    assert len(pump.of(STATUS)) == sent
    assert device(pump).pressure_bar == pytest.approx(3.1)


def test_running_dry(alone):
    """An empty tank: after a minute without water it stops, yellow; disabled and enabled it tries again."""
    empty = {**STILL, "fresh_tank": {"litres": 100.0, "start_percent": 0.0}}
    pump = alone("water_pump", vehicle=empty, water_pump=1).until(30)
    assert pump.last(STATUS) == RUNNING
    assert pump.world.battery_amps == pytest.approx(2.02)
    pump.until(75)
    assert pump.last(STATUS) == IDLE
    assert pump.last(HEARTBEAT).split()[0] == "11"
    device(pump).reset(faults=True, reboot=False)
    assert later(pump, 6).last(HEARTBEAT).split()[0] == "11"
    pump.world.set_fill("hose", 60.0)
    assert later(pump, 60).last(STATUS) == IDLE
    pump.put(COMMAND, "FC FF FF FF FF FF FF FF")
    pump.put(COMMAND, "FD FF FF FF FF FF FF FF")
    assert pump.last(STATUS) == RUNNING
    assert later(pump, 10).last(STATUS) == IDLE
    assert pump.last(HEARTBEAT).split()[0] == "01"


def test_a_frozen_tank_is_an_empty_one(alone):
    """Ice all through gives no water."""
    ice = {**STILL, "fresh_tank": {"litres": 10.0, "zone": "outdoors", "loss_w_per_k": 200.0}}
    pump = alone("water_pump", vehicle=ice, outdoor_c=-40.0, water_pump=1).until(100)
    assert pump.world.tank_ice_percent("fresh") == 100
    assert pump.last(HEARTBEAT).split()[0] == "11"


def test_a_low_supply(alone):
    """Below its limit, at its own terminals, it does not run, yellow."""
    pump = alone("water_pump", settings={"cut_off_volts": 11.5}, vehicle=STILL, water_pump=1).until(10)
    assert pump.last(HEARTBEAT).split()[0] == "01"
    pump.world.set_load("test", 400.0)
    pump.world.set_draw("tap", 6.0)
    later(pump, 10)
    assert pump.world.volts_at("water pump") < 11.5
    assert pump.last(STATUS) == IDLE
    assert pump.last(HEARTBEAT).split()[0] == "11"


def test_the_use_of_the_day_comes_through_it(alone):
    """Two people in the evening: 7.5 litres an hour of small draws, which it pumps in short runs."""
    vehicle = {"fresh_tank": {"litres": 100.0}, "grey_tank": {"litres": 200.0}}
    pump = alone("water_pump", vehicle=vehicle, water_pump=1).until(1800)
    assert 50 - pump.world.tank_litres("fresh") == pytest.approx(2.3e-3 * 1800, rel=0.03)
    starts = [time for time, data in pump.of(STATUS) if data == RUNNING]
    assert 20 < len(starts) < 120


def test_a_tank_that_is_none_is_refused(alone):
    """As is a switch that would never open."""
    with pytest.raises(InputError) as refusal:
        alone("water_pump", settings={"tank": "grey"}, water_pump=1)
    assert str(refusal.value) == 'device "water pump": "grey" is no fresh tank of the rig; those are fresh'
    with pytest.raises(ValueError, match=r"off_bar, 2, is not above on_bar, 2: the pump would never stop"):
        alone("water_pump", settings={"off_bar": 2.0}, water_pump=1)


def test_it_gives_everything_back(pump):
    """Taken off the bench it draws no current, and the taps are dry."""
    pump.world.set_draw("tap", 6.0)
    later(pump, 5)
    device(pump).on_stop()
    assert pump.world.battery_amps == 0
    before = pump.world.tank_litres("fresh")
    pump.world.advance(pump.bench.kernel.now + 60_000_000)
    assert pump.world.tank_litres("fresh") == before


def test_its_current_rises_with_the_pressure(alone):
    """From 3 A without pressure to 8 A where the switch opens."""
    pump = alone("water_pump", settings={"buffer_litres": 5.0}, vehicle=STILL, water_pump=1)
    amps = [pump.until(second).world.battery_amps for second in range(3, 60)]
    running = [current for current in amps if current > 1]
    assert running == sorted(running)
    assert running[0] < 4
    assert running[-1] == pytest.approx(8.0, abs=0.3)


def test_two_taps_share_what_it_gives(pump):
    """Eight litres a minute from each of two taps are eleven together."""
    pump.world.set_draw("sink", 8.0)
    pump.world.set_draw("shower", 8.0)
    later(pump, 10)
    before = pump.world.tank_litres("fresh")
    later(pump, 60)
    flow = 11 * pump.world.volts_at("water pump") / 12
    assert before - pump.world.tank_litres("fresh") == pytest.approx(flow, rel=0.02)
