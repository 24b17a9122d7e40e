"""Which device reports a battery: that of the highest device priority, shown on a charger with frames by hand."""

import pytest

CHARGER_2, DC_1, DC_2 = 0x1FEA3, 0x1FFFD, 0x1FFFC
MONITOR = "01 78 FC 00 00 94 35 77"  # DC source 1, priority 120


@pytest.fixture
def charger(alone):
    """A charger, priority 80, that has been speaking for DC source 1."""
    return alone("charger", charger=1, dc_source=1).until(10)


def spoken(device, dgn: int, since: float, until: float) -> list[float]:
    """When a message was sent, between two times."""
    return [time for time, _ in device.of(dgn) if since < time < until]


@pytest.mark.parametrize("identifier", [0x19FFFD45, 0x19FFFC45, 0x19FFFB45], ids=["status 1", "status 2", "status 3"])
def test_it_is_silent_while_a_higher_priority_sends(charger, identifier):
    """Any of the three messages with a higher priority stops its own at once; its charger messages go on."""
    assert len(spoken(charger, DC_1, 5, 10)) == len(spoken(charger, DC_2, 5, 10)) == 10
    for second in range(10, 40, 2):
        charger.until(second).put(identifier, MONITOR)
    charger.until(41)
    assert spoken(charger, DC_1, 10.01, 41) == spoken(charger, DC_2, 10.01, 41) == []
    assert len(spoken(charger, CHARGER_2, 10, 40)) == 60


def test_it_sends_again_when_the_other_was_silent_for_five_seconds(charger):
    """Not before, and within a gap after; it is in step with its own gaps as before."""
    charger.put(0x19FFFD45, MONITOR).until(20)
    for dgn in (DC_1, DC_2):
        assert spoken(charger, dgn, 10.01, 14.99) == []
        times = spoken(charger, dgn, 15, 20)
        assert times[0] < 15.52
        assert len(times) in (9, 10)
        steps = (times[0] - spoken(charger, dgn, 9, 10)[-1]) / 0.5
        assert steps == pytest.approx(round(steps), abs=0.01)


@pytest.mark.parametrize(
    "data",
    [
        "01 50 FC 00 00 94 35 77",
        "01 28 FC 00 00 94 35 77",
        "02 78 FC 00 00 94 35 77",
        "",
        "01 FF FC 00 00 94 35 77",
        "01 FE FC 00 00 94 35 77",
        "01",
    ],
    ids=["the same", "a lower one", "another battery", "empty", "no data", "out of range", "short"],
)
def test_other_frames_do_not_silence_it(charger, data):
    """Only a higher priority for the same battery counts, and "no data" (FF) is not the highest of all."""
    charger.put(0x19FFFD45, data).until(15)
    assert len(spoken(charger, DC_1, 10, 15)) == 10


def test_one_step_more_is_higher(charger):
    """Priority 81 (51 hex) goes before 80."""
    charger.put(0x19FFFD45, "01 51 FC 00 00 94 35 77").until(14)
    assert spoken(charger, DC_1, 10.01, 14) == []


def test_the_time_remaining_is_no_data_at_a_small_current(alone):
    """Below 0.1 A the time remaining is no data; a small current gives the longest time of the field."""
    settings, vehicle = {"battery_ah": 100.0}, {"battery": {"capacity_ah": 2000.0}}
    charger = alone("charger", shore_power=False, settings=settings, charger=1, dc_source=1, vehicle=vehicle)
    charger.world.set_load("clock", 0.09)
    assert charger.until(5).last(DC_2).split()[5:7] == ["FF", "FF"]
    charger.world.set_load("clock", 0.1)
    # 80 of 100 Ah (its setting) at 0.1 A are 48000 minutes (BB80 hex), at 0.11 A 43636 minutes (AA74 hex)
    assert charger.until(6).last(DC_2).split()[5:7] == ["80", "BB"]
    charger.world.set_load("clock", 0.11)
    assert charger.until(7).last(DC_2).split()[5:7] == ["74", "AA"]


def test_the_longest_time_is_that_of_the_field(alone):
    """800 of 1000 Ah at 0.2 A are 240,000 minutes: the field ends at 65530 (FFFA hex; rv-c.com/node/500)."""
    charger = alone("charger", shore_power=False, settings={"battery_ah": 1000.0}, charger=1, dc_source=1)
    charger.world.set_load("clock", 0.2)
    assert charger.until(5).last(DC_2).split()[5:7] == ["FA", "FF"]
