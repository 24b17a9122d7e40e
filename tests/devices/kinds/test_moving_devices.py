"""Shade, powered door and awning under commands written by hand; layouts as the tables have them."""

import pytest

SHADE_STATUS, SHADE_COMMAND = 0x1FEDE, 0x19FEDF44
LOCK_STATUS, LOCK_COMMAND = 0x1FEE5, 0x19FEE444
AWNING_STATUS, AWNING_COMMAND = 0x1FEF3, 0x19FEF244
HEARTBEAT = 0x1FECA
IDLE = 0.02


@pytest.fixture
def shade(alone):
    """A shade of instance 5, in group 2, that needs 10 s; in."""
    return alone("window_shade", settings={"travel_s": 10, "groups": [2]}, window_shade=5).until(2)


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
    shade.put(SHADE_COMMAND, "05 FF FF 81 FF FF FF FF").until(30)
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


def test_a_shade_without_power_stands(shade):
    """Where it was, and a new start commands nothing."""
    shade.put(SHADE_COMMAND, "05 FF FF 81 FF FF FF FF").until(4)
    shade.bench.switch_off("window shade")
    shade.until(8)
    shade.bench.switch_on("window shade")
    shade.until(12)
    assert percent(shade) == pytest.approx(20, abs=0.2)


def test_a_powered_door_opens_closes_and_is_locked_while_it_is_closed(alone):
    """By the published byte; the bits that are unsure are not obeyed."""
    door = alone("lock", vehicle={"motion": [{"name": "entry", "what": "lock", "device": "lock", "amps": 4,
                                              "travel": "3s"}]}, lock=1).until(2)  # fmt: skip
    assert door.last(LOCK_STATUS) == "01 FD FF FF FF FF FF FF"
    door.put(LOCK_COMMAND, "01 00 FF FF FF FF FF FF")
    door.put(LOCK_COMMAND, "02 FF 01 FF FF FF FF FF")
    assert percent(door, "entry") == 0
    door.put(LOCK_COMMAND, "01 FF 01 FF FF FF FF FF")
    assert door.last(LOCK_STATUS) == "01 FC FF FF FF FF FF FF"
    assert door.world.battery_amps == pytest.approx(4 + IDLE)
    door.until(6)
    assert percent(door, "entry") == 100
    door.put(LOCK_COMMAND, "01 FF 02 FF FF FF FF FF").until(8)
    assert door.last(LOCK_STATUS) == "01 FC FF FF FF FF FF FF"
    door.until(10)
    assert door.last(LOCK_STATUS) == "01 FD FF FF FF FF FF FF"


AWNING = {
    "module": [{"name": "cab"}],
    "output": [
        {"name": "awning out", "module": "cab", "terminal": 1, "load": "motor", "amps": 8},
        {"name": "awning in", "module": "cab", "terminal": 2, "load": "motor", "amps": 8},
    ],
    "input": [{"name": "ignition", "module": "cab", "terminal": 1, "switch": "maintained"}],
    "motion": [
        {
            "name": "patio",
            "what": "awning",
            "device": "awning",
            "extend": "awning out",
            "retract": "awning in",
            "must_hold": {"ignition": "off"},
        }
    ],
}


def test_an_awning_has_lights_and_its_extension_lock_opens_the_circuit(alone):
    """Motion and position are no data; the way back stays free."""
    one = alone("awning", vehicle=AWNING, awning=1).until(2)
    assert one.last(AWNING_STATUS) == "01 FF FF FF 3F F0 FF FF"
    one.put(AWNING_COMMAND, "01 DF FF FF FF FF FF FF")
    assert one.last(AWNING_STATUS) == "01 FF FF FF 3F F1 FF FF"
    one.put(AWNING_COMMAND, "02 0F FF FF FF FF FF FF")
    assert one.world.battery_amps == pytest.approx(1.53)
    one.world.outputs.set_duty("awning out", 1.0, 12.0, one.bench.now)
    one.until(7)
    out = percent(one, "patio")
    assert out == pytest.approx(25, abs=0.3)
    one.world.contacts.set("ignition", on=True)
    one.until(8.1)
    assert one.last(AWNING_STATUS)[12:14] == "7F"
    one.until(12)
    assert out < percent(one, "patio") < out + 6
    one.world.outputs.set_duty("awning out", 0.0, 12.0, one.bench.now)
    one.world.outputs.set_duty("awning in", 1.0, 12.0, one.bench.now)
    one.until(20)
    assert percent(one, "patio") == 0


def test_an_awning_without_an_interlock_says_nothing_of_a_lock(alone):
    """The rig has none: no data."""
    one = alone("awning", awning=1).until(2)
    assert one.last(AWNING_STATUS) == "01 FF FF FF FF F0 FF FF"
