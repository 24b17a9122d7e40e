"""Tests for momentary switches that stay on."""

import pytest

KEY = "DIGITAL_INPUT_STATUS"
MOMENTARY, KEEPS, NOT_SAID = 1, 0, 3


@pytest.fixture
def held(bus, judge):
    """The flags of a key with these positions from these seconds on, of a device with a heartbeat."""

    def go(*positions, configuration=MOMENTARY, end=400.0, heard=400.0):
        made = bus()
        frames = made.frames(heard, made.every(5, "DM_RV", 0x9C, 0.3, dsa=132, spn=0x7FFFF, fmi=31))
        frames += made.frames(end, made.every(5, "DM_RV", 0x44, 0.2, dsa=68, spn=0x7FFFF, fmi=31))
        frames += made.frames(end, made.every(5, "DM_RV", 0x45, 0.1, dsa=69, spn=0x7FFFF, fmi=31))
        frames += [
            made.frame(at, KEY, 0x9C, instance=31, switch_position=position, configuration=configuration)
            for at, position in positions
        ]
        return [(one.told, one.until, one.text) for one in judge(frames, end, kinds=("stuck-value",))]

    return go


def test_a_momentary_switch_that_stays_on_is_told_after_three_minutes(held):
    """Pressed at 10 s; released at 300 s, which ends it."""
    ((told, until, text),) = held((1, 0), (10, 1), (300, 0))
    assert (190.0 <= told <= 190.3, until) == (True, 300.0)
    assert "has been on for more than 180.0 s since 10.000 s, and the switch is a momentary one" in text


@pytest.mark.parametrize("configuration", [KEEPS, NOT_SAID])
def test_a_switch_that_keeps_its_position_may_stay_on(held, configuration):
    """An ignition, a door; and one whose status does not say what it is."""
    assert held((1, 0), (10, 1), configuration=configuration) == []


def test_a_long_press_is_no_stuck_key(held):
    """An awning moves while its key is held; pressed again and again it is released between."""
    assert held((1, 0), (10, 1), (189.9, 0)) == []
    assert held((1, 0), *((10 + n, n % 2) for n in range(1, 380))) == []


def test_a_device_that_is_no_longer_heard_holds_no_key(held):
    """Its silence is told, not its keys."""
    assert held((1, 0), (10, 1), heard=100.0) == []
