"""The window shade under commands written by hand; layouts as the tables have them."""

import pytest

SHADE_STATUS, SHADE_COMMAND = 0x1FEDE, 0x19FEDF44
HEARTBEAT = 0x1FECA
IDLE = 0.02


@pytest.fixture
def shade(alone):
    """A shade of instance 5, in group 2, that needs 10 s; in."""
    return alone("window_shade", settings={"travel_s": 10, "group": 2}, window_shade=5).until(2)


def percent(one, motion="window shade"):
    """How far it is out."""
    return one.world.motions.percent(motion, one.bench.now)


def test_a_shade_moves_out_and_back_between_its_ends(shade):
    """Forward, until the limit switch; its motor counts in the battery meanwhile, and each change is sent once."""
    assert shade.last(SHADE_STATUS) == "05 7D 00 00 FF FF FF FF"
    sent = len(shade.of(SHADE_STATUS))
    shade.put(SHADE_COMMAND, "05 FF FF 81 FF FF FF FF")
    assert shade.last(SHADE_STATUS) == "05 7D C8 14 FF 81 FF FF"
    assert len(shade.of(SHADE_STATUS)) == sent + 1
    assert shade.world.battery_amps == pytest.approx(2 + IDLE)
    shade.until(7.01)
    assert percent(shade) == pytest.approx(50, abs=0.2)
    shade.until(12.1)
    assert percent(shade) == 100
    assert shade.world.battery_amps == pytest.approx(IDLE)
    assert shade.last(SHADE_STATUS)[9:11] == "00"
    shade.put(SHADE_COMMAND, "FF 7D 64 41 FF FF FF FF")  # its group, reverse at half the duty
    assert shade.last(SHADE_STATUS)[6:11] == "64 44"
    shade.until(22.11)
    assert percent(shade) == pytest.approx(50, abs=0.2)


@pytest.mark.parametrize(
    "data",
    [
        "06 FF FF 81 FF FF FF FF",  # another instance
        "FF 7E FF 81 FF FF FF FF",  # another group
        "FF FF FF 81 FF FF FF FF",  # no group
        "05 FF FF 10 FF FF FF FF",  # tilt
        "05 FF FF FF FF FF FF FF",  # nothing
        "05 FF FF 41 FF FF FF FF",  # it is in already
        "05 FF 00 81 FF FF FF FF",  # no duty
    ],
)
def test_a_shade_stands_for_what_is_not_meant_for_it(shade, data):
    """Neither current nor motion."""
    shade.put(SHADE_COMMAND, data)
    shade.until(5)
    assert percent(shade) == 0
    assert shade.world.battery_amps == pytest.approx(IDLE)


def test_stop_toggle_and_lock(shade):
    """A toggle of a moving shade stops it; a locked one does not move."""
    shade.put(SHADE_COMMAND, "05 FF FF 81 FF FF FF FF").until(4)
    shade.put(SHADE_COMMAND, "05 FF FF 04 FF FF FF FF").until(5)
    assert percent(shade) == pytest.approx(20, abs=0.2)
    shade.put(SHADE_COMMAND, "05 FF FF 85 FF FF FF FF").until(6)
    shade.put(SHADE_COMMAND, "05 FF FF 45 FF FF FF FF").until(8)
    assert percent(shade) == pytest.approx(30, abs=0.3)
    shade.put(SHADE_COMMAND, "05 FF FF 21 FF FF FF FF")
    assert shade.last(SHADE_STATUS)[9:11] == "01"
    shade.put(SHADE_COMMAND, "05 FF FF 81 FF FF FF FF").until(9)
    assert percent(shade) == pytest.approx(30, abs=0.3)
    shade.put(SHADE_COMMAND, "05 FF FF 22 FF FF FF FF")
    shade.put(SHADE_COMMAND, "05 FF FF 81 FF FF FF FF").until(10)
    shade.put(SHADE_COMMAND, "05 FF FF 22 FF FF FF FF").until(30)  # to unlock is not to stop
    assert percent(shade) == 100


def test_a_blocked_shade_stops_and_says_so(shade):
    """After a second of its stall current, reported until it is commanded again."""
    shade.put(SHADE_COMMAND, "05 FF FF 81 FF FF FF FF").until(4)
    shade.world.motions.set_obstructed("window shade", is_obstructed=True, now=shade.bench.now)
    shade.until(4.5)
    assert shade.world.battery_amps == pytest.approx(12, rel=0.1)
    shade.until(5.1)
    assert shade.world.battery_amps == pytest.approx(IDLE)
    shade.until(10)
    assert shade.last(HEARTBEAT)[:2] == "11"  # on, with a yellow lamp
    shade.world.motions.set_obstructed("window shade", is_obstructed=False, now=shade.bench.now)
    shade.put(SHADE_COMMAND, "05 FF FF 81 FF FF FF FF").until(30)
    assert percent(shade) == 100
    assert shade.last(HEARTBEAT)[:2] == "01"


def test_a_command_that_changes_nothing_is_answered_once(shade):
    """At the end it is already, or stopped."""
    for data in ("05 FF FF 41 FF FF FF FF", "05 FF FF 04 FF FF FF FF"):
        sent = len(shade.of(SHADE_STATUS))
        shade.put(SHADE_COMMAND, data)
        assert len(shade.of(SHADE_STATUS)) == sent + 1


def test_a_shade_that_is_blocked_is_tried_for_a_second_each_time(shade):
    """Counted from the last command; below 9 V it is not tried at all."""
    shade.put(SHADE_COMMAND, "05 FF FF 81 FF FF FF FF").until(4)
    shade.world.motions.set_obstructed("window shade", is_obstructed=True, now=shade.bench.now)
    shade.until(4.6)
    shade.put(SHADE_COMMAND, "05 FF FF 41 FF FF FF FF").until(5.4)
    assert shade.world.battery_amps > 10
    shade.until(5.8)
    assert shade.world.battery_amps == pytest.approx(IDLE)
    shade.world.volts_at = lambda _owner: 8.9
    shade.put(SHADE_COMMAND, "05 FF FF 41 FF FF FF FF")
    assert shade.last(SHADE_STATUS)[6:11] == "00 00"


def test_a_shade_without_power_stands(shade):
    """Where it was, and a new start commands nothing."""
    shade.put(SHADE_COMMAND, "05 FF FF 81 FF FF FF FF").until(4)
    shade.bench.switch_off("window shade")
    shade.until(8)
    shade.bench.switch_on("window shade")
    shade.until(12)
    assert percent(shade) == pytest.approx(20, abs=0.2)
