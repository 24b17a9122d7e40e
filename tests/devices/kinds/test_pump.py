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
