"""Tests for currents whose sign voltage or state of charge excludes."""

import pytest

SOURCE, CHARGE = "DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2"
MONITOR = {"name": "monitor", "address": 0x46, "functions": {"dc_source": 1}}


@pytest.fixture
def judge_battery(bus, judge):
    """Judge (seconds, volts, amperes out, raw state of charge), each from some second on; sent each 2 s."""

    def go(*states, end=200, devices=(), instance=1, first=0, gap=range(0)):
        made = bus()
        ends = [*(state[0] for state in states[1:]), end]
        frames = []
        for (since, volts, amps, charge), until in zip(states, ends, strict=True):
            for second in range(since, until, 2):
                current = round(amps * 1000) + 2_000_000_000
                raws = {"instance": instance, "dc_voltage": round(volts * 20), "dc_current": current}
                if second >= first and second not in gap:
                    frames.append(made.frame(second, SOURCE, 0x46, **raws))
                frames.append(made.frame(second + 0.5, CHARGE, 0x46, instance=instance, state_of_charge=charge))
        return [found for found in judge(frames, end, *devices, kinds=("bad-value",)) if "current" in found.text]

    return go


@pytest.mark.parametrize("devices", [(MONITOR,), ()], ids=["with a rig", "without"])
def test_a_battery_that_gives_current_at_a_charging_voltage_is_impossible(judge_battery, devices):
    """14.3 V and 8 A out, for 150 s; less may be a battery that was just charged."""
    states = (0, 12.8, 4, 100), (40, 14.3, 8, 100)
    (found,) = judge_battery(*states, (240, 12.8, 4, 100), end=280, devices=devices)
    assert (found.flag.since / 1e6, found.until) == (190.0, 240.0)
    assert judge_battery(*states, (185, 12.8, 4, 100), end=280, devices=devices) == []
    assert "dc current 8.000 A (out of the battery), while dc voltage is 14.3 V, as during charging" in found.text


@pytest.mark.parametrize(("volts", "amps", "instance"), [(14.3, -8, 1), (14.3, 1.9, 1), (13.8, 8, 1), (25.6, 8, 1),
                                                         (14.3, 8, 7)])  # fmt: skip
def test_a_current_that_can_be_is_not_reported(judge_battery, volts, amps, instance):
    """Charging, the offset of a shunt, a full battery, another system, a DC source that is no battery."""
    assert judge_battery((0, volts, amps, 100), instance=instance, end=400) == []


def test_a_charge_that_rises_while_current_flows_out_is_impossible(judge_battery):
    """Four steps of half a percent; it ends when the charge falls."""
    states = [(20 * step, 12.8, 8, 100 + step) for step in range(6)]
    (found,) = judge_battery(*states, (120, 12.8, 8, 104))
    assert (found.flag.since / 1e6, found.until) == (80.5, 120.5)
    assert "8.000 A (out of the battery), while state of charge went from 50 % to 53 %" in found.text
    assert judge_battery(*states[:4]) == []


def test_a_charge_that_falls_while_current_flows_in_is_impossible(judge_battery):
    """A reversed shunt at night: the charge is counted by another device."""
    (found,) = judge_battery(*((20 * step, 12.4, -8, 100 - step) for step in range(6)))
    assert "(into the battery)" in found.text


def test_what_a_battery_may_do_counts_for_nothing(judge_battery):
    """Charging, discharging, a current in turn, a jump to full, and a current too small to tell."""
    for sign in (-1, 1):
        assert judge_battery(*((20 * step, 12.8, 8 * sign, 100 - sign * step) for step in range(8))) == []
        assert judge_battery(*((20 * step, 12.8, 1.9 * sign, 100 + sign * step) for step in range(8))) == []
    assert judge_battery(*((20 * step, 12.8, -8 if step % 3 == 2 else 8, 100 + step) for step in range(9))) == []
    assert judge_battery(*((20 * step, 12.8, 8, 100 + 3 * step) for step in range(8))) == []


def test_the_charge_before_the_first_current_is_known(judge_battery):
    """The current comes at 10 s, the first step at 20 s; four steps later, at 80 s, it is impossible."""
    (found,) = judge_battery(*((20 * step, 12.8, 8, 100 + step) for step in range(6)), first=10)
    assert found.flag.since / 1e6 == 80.5


def test_steps_while_the_current_is_late_do_not_count(judge_battery):
    """No current from 30 s to 70 s: the steps at 40 and 60 s begin the count anew, which reaches three."""
    states = [(20 * step, 12.8, 8, 100 + step) for step in range(7)]
    assert judge_battery(*states, gap=range(30, 70), end=140) == []
