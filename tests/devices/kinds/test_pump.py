"""The circulation pump under commands written by hand. The layout is unsure: these bytes follow the table."""

from itertools import pairwise

import pytest

STATUS, COMMAND, HEARTBEAT = 0x1FE97, 0x19FE9644, 0x1FECA
HOT = {"coolant": {"start_c": 80.0, "hose_loss_w_per_k": 0.0}, "people": {"count": 0}}


@pytest.fixture
def pump(alone):
    """A circulation pump with instance 1, hot coolant and the cabin fan at full, as a heater would leave it."""
    pump = alone("circulation_pump", vehicle=HOT, circulation_pump=1).until(3)
    pump.world.set_cabin_fan("test", 1.0)
    return pump


def test_it_starts_off(pump):
    """Off is 0 in the low half of byte 1, all other bits are ones; its heartbeat has not active, no DSA."""
    assert pump.last(STATUS) == "01 F0 FF FF FF FF FF FF"
    assert pump.last(HEARTBEAT).startswith("01 FF")
    assert pump.world.battery_amps == pytest.approx(0.02)


def test_coolant_reaches_the_cabin_only_while_it_runs(pump):
    """On is sent at once, warms the cabin and draws current; off ends both."""
    before = pump.until(60).world.cabin_c
    assert before < 15.0
    pump.put(COMMAND, "01 F1 FF FF FF FF FF FF")
    assert pump.last(STATUS) == "01 F1 FF FF FF FF FF FF"
    assert pump.world.battery_amps == pytest.approx(1.52)
    warm = pump.until(180).world.cabin_c
    assert warm > before + 1
    assert pump.last(HEARTBEAT).startswith("05 FF")
    pump.put(COMMAND, "01 F0 FF FF FF FF FF FF")
    assert pump.last(STATUS) == "01 F0 FF FF FF FF FF FF"
    assert pump.world.battery_amps == pytest.approx(0.02)
    assert pump.until(300).world.cabin_c < warm


def test_before_it_has_an_address_nothing_flows(alone):
    """A pump that is planned holds the coolant back from the start."""
    with_pump, without = alone("circulation_pump", vehicle=HOT, circulation_pump=1), alone("tank", vehicle=HOT, tank=0)
    for each in (with_pump, without):
        each.world.set_cabin_fan("test", 1.0)
        each.world.advance(100 * 1_000_000)
    assert with_pump.world.cabin_c < without.world.cabin_c - 1


@pytest.mark.parametrize(
    "data",
    ["02 F1 FF FF FF FF FF FF", "01 F5 FF FF FF FF FF FF", "01 FF FF FF FF FF FF FF", "01 F2 FF FF FF FF FF FF", "01"],
    ids=["another pump", "test", "unchanged", "no code", "short"],
)
def test_it_obeys_on_and_off_for_itself_only(pump, data):
    """Another instance, "test", "unchanged", a code without a meaning and a short frame leave it as it is."""
    said = len(pump.of(STATUS))
    pump.put(COMMAND, data)
    assert len(pump.of(STATUS)) == said
    pump.put(COMMAND, "01 F1 FF FF FF FF FF FF").put(COMMAND, data)
    assert pump.last(STATUS) == "01 F1 FF FF FF FF FF FF"


def test_it_sends_at_its_gap_and_on_change(pump):
    """Each 5 s, and at once when it starts; the same command again is no change."""
    for seconds in (12, 14):
        pump.until(seconds).put(COMMAND, "01 F1 FF FF FF FF FF FF")
    times = [time for time, _ in pump.until(40).of(STATUS)]
    gaps = [round(b - a, 3) for a, b in pairwise(times)]
    assert [gap for gap in gaps if gap != 5.0] == [gap for gap in gaps if gap < 5.0]
    assert len([gap for gap in gaps if gap < 5.0]) == 1
    assert 12 < next(time for time, data in pump.of(STATUS) if data.startswith("01 F1")) < 12.1


def test_a_removed_pump_stops(pump):
    """A pump that is taken out of the bench moves no coolant and draws no current."""
    pump.put(COMMAND, "01 F1 FF FF FF FF FF FF")
    device = pump.bench.devices[0]
    device.on_stop()
    assert pump.world.battery_amps == 0
    before = pump.world.cabin_c
    pump.world.advance(200 * 1_000_000)
    assert pump.world.cabin_c < before + 0.1


def later(pump, seconds):
    """Run on."""
    return pump.until(pump.bench.kernel.now / 1e6 + seconds)


def test_a_blocked_pump(pump):
    """Its stall current for 5 s, then a pause of 30 s, five times; then it stays off, yellow, until it is set anew."""
    pump.put(COMMAND, "01 F1 FF FF FF FF FF FF")
    later(pump, 10)
    pump.bench.devices[0].block(is_blocked=True)
    amps = [round(later(pump, 1).world.battery_amps, 2) for _ in range(240)]
    assert set(amps) <= {0.02, 1.52, 4.02}
    starts = [second for second in range(1, 240) if amps[second] == 4.02 != amps[second - 1]]
    assert [after - before for before, after in pairwise(starts)] == [35] * 3
    assert amps.count(4.02) == 4 * 5 + 4  # in the first second it was not blocked yet
    assert amps[-30:] == [0.02] * 30
    assert pump.last(HEARTBEAT).startswith("11 FF")
    assert pump.last(STATUS).startswith("01 F1")
    pump.bench.devices[0].block(is_blocked=False)
    assert later(pump, 60).world.battery_amps == pytest.approx(0.02)
    pump.put(COMMAND, "01 F0 FF FF FF FF FF FF")
    pump.put(COMMAND, "01 F1 FF FF FF FF FF FF")
    assert pump.world.battery_amps == pytest.approx(1.52)
    assert later(pump, 6).last(HEARTBEAT).startswith("05 FF")


def test_a_blocked_pump_moves_no_coolant(pump):
    """The cabin stays as it is; set free in time it goes on by itself, and nothing is reported any more."""
    pump.put(COMMAND, "01 F1 FF FF FF FF FF FF")
    pump.bench.devices[0].block(is_blocked=True)
    at_first = pump.world.cabin_c
    before = later(pump, 12).world.cabin_c
    assert before < at_first + 0.05
    assert pump.last(HEARTBEAT).startswith("11 FF")
    pump.bench.devices[0].block(is_blocked=False)
    later(pump, 120)
    assert pump.world.cabin_c > before + 1
    assert pump.last(HEARTBEAT).startswith("05 FF")


def test_below_its_voltage_it_does_not_turn(alone):
    """At its own terminals; it is reported, and it goes on by itself."""
    pump = alone("circulation_pump", settings={"cut_off_volts": 11.5}, vehicle=HOT, circulation_pump=1).until(3)
    pump.put(COMMAND, "01 F1 FF FF FF FF FF FF")
    pump.world.set_load("test", 400.0)
    assert later(pump, 6).last(HEARTBEAT).startswith("11 FF")
    pump.world.set_load("test", 0.0)
    later(pump, 6)
    assert pump.world.battery_amps == pytest.approx(1.52)
    assert pump.last(HEARTBEAT).startswith("05 FF")


def test_it_sends_coolant_to_every_zone(alone):
    """A second zone with an exchanger becomes warm only while the pump runs."""
    bunk = {"zone": [{"name": "bunk", "volume_m3": 4.0, "heat_loss_w_per_k": 5.0, "exchanger_w_per_k": 50.0}]}
    pump = alone("circulation_pump", vehicle={**HOT, **bunk}, circulation_pump=1).until(3)
    pump.world.set_cabin_fan("test", 1.0, "bunk")
    before = pump.until(60).world.air_celsius("bunk")
    assert before < 15.1
    pump.put(COMMAND, "01 F1 FF FF FF FF FF FF")
    assert pump.until(180).world.air_celsius("bunk") > before + 1


def test_a_fault_that_lasts_is_reported_again_after_it_was_cleared(pump):
    """A command to clear the faults raises no voltage: the yellow lamp is on again within a second."""
    pump.world.add_ground_offset("circulation pump", -4.0)
    pump.put(COMMAND, "01 F1 FF FF FF FF FF FF").until(20)
    assert pump.last(HEARTBEAT).startswith("11")
    pump.bench.call_device("circulation pump", lambda one: one.reset(faults=True, reboot=False))
    assert not pump.until(20.01).last(HEARTBEAT).startswith("11")
    assert pump.until(22).last(HEARTBEAT).startswith("11")
