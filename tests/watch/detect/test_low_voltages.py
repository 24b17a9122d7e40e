"""Tests for supply voltages near the cut-off of a device."""

import pytest

from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import ListeningResumed

SOURCE = "DC_SOURCE_STATUS_1"
KINDS = ("low-voltage",)
HEATER = {"name": "heater", "address": 0x5E, "functions": {"furnace": 1}, "amps": {"furnace": [0.1, 6.0]}}
MONITOR = {"name": "monitor", "address": 0x46, "functions": {"dc_source": 1}}
BRANCH = {"name": "galley", "wire": {"milliohm": 20.0}}


@pytest.fixture
def judge_volts(bus, judge):
    """Judge a battery's voltages, each from some second on, sent twice a second; with devices and tables of a rig."""

    def go(*states, end=60, devices=(), instance=1, message=SOURCE, **tables):
        made = bus()
        ends = [*(since for since, _ in states[1:]), end]
        frames = [
            made.frame(step / 2, message, 0x46, instance=instance, dc_voltage=round(volts * 20))
            for (since, volts), until in zip(states, ends, strict=True)
            for step in range(round(2 * since), round(2 * until))
        ]
        return judge(frames, end, *devices, kinds=KINDS, **tables)

    return go


def test_a_heater_behind_a_wire_is_named(judge_volts):
    """10.8 V, less 6 A times 20 mOhm: 10.68 V at the heater, within 1 V of its cut-off; for 10 s, not less."""
    heater = {**HEATER, "branch": "galley"}
    (found,) = judge_volts((0, 12.6), (20, 10.8), (40, 12.6), devices=(heater, MONITOR), branch=[BRANCH])
    assert (found.subject, found.flag.since / 1e6, found.until) == ("heater", 30.0, 40.0)
    assert found.text == (
        "DC_SOURCE_STATUS_1, instance 1: dc voltage 10.8 V, which leaves 10.7 V for the device: its branch galley "
        "loses 0.12 V at the planned 6 A, near its cut-off of 10 V"
    )
    assert str(found.flag.severity) == "warning"
    assert judge_volts((0, 12.6), (20, 10.8), (29.5, 12.6), devices=(heater, MONITOR), branch=[BRANCH]) == []


@pytest.mark.parametrize(("volts", "is_low"), [(11.1, True), (11.15, False)])
def test_the_drop_of_a_wire_counts(judge_volts, volts, is_low):
    """11.12 V is the limit: 10 V, 1 V of margin and 0.12 V of drop; a branch above it counts with all its currents."""
    heater = {**HEATER, "branch": "galley"}
    assert bool(judge_volts((0, volts), devices=(heater, MONITOR), branch=[BRANCH])) is is_low
    trunk = [{"name": "trunk", "wire": {"milliohm": 20.0}}, {"name": "galley", "parent": "trunk"}]
    assert bool(judge_volts((0, volts), devices=(heater, MONITOR), branch=trunk)) is is_low


@pytest.mark.parametrize(("volts", "is_low"), [(11.5, True), (11.55, False)])
def test_outputs_and_lasting_peaks_count_for_the_drop(judge_volts, volts, is_low):
    """11.52 V is the limit: 20 A of glowing and half of 12 A of an output through 20 mOhm; no short start."""
    heater = {**HEATER, "branch": "galley", "peak_amps": 20.0, "peak": "45s"}
    fan = {"name": "fan", "address": 0x47, "functions": {"roof_fan": 1}, "branch": "galley", "peak_amps": 90.0}
    fan |= {"peak": "29s", "amps": {"roof_fan": [0.0, 0.0]}}
    output = {"name": "mat", "module": "m", "terminal": 1, "amps": 12.0, "share_percent": 50.0}
    parts = {"branch": [BRANCH], "module": [{"name": "m", "branch": "galley"}], "output": [output]}
    assert bool(judge_volts((0, volts), devices=(heater, fan, MONITOR), **parts)) is is_low


def test_below_the_cut_off_is_a_fault(judge_volts):
    """A warning becomes a fault when less than the cut-off is left, and a warning again 0.2 V above it."""
    fault, warning = (
        judge_volts((0, 10.5), (20, 9.95), (30, last), devices=(HEATER, MONITOR), end=50)[0].flag
        for last in (10.15, 10.25)
    )
    assert (str(fault.severity), str(warning.severity)) == ("fault", "warning")
    assert "below its cut-off of 10 V" in fault.text
    assert "10.2 V" in fault.text


def test_a_voltage_has_to_rise_above_the_limit_to_be_good_again(judge_volts):
    """The limit is 11 V: 11.15 V is not good yet, 11.2 V is."""
    (found,) = judge_volts((0, 10.9), (20, 11.15), (30, 11.2), (40, 11.15), devices=(HEATER, MONITOR))
    assert found.until == 30.0


def test_without_a_rig_only_12_v_systems_are_judged(judge_volts):
    """10.8 V is near the usual cut-off; 11 V, a 24 V system, and what is no battery are not."""
    (found,) = judge_volts((0, 12.0), (20, 10.8))
    assert (found.subject, found.flag.since / 1e6) == ("address 46 hex", 30.0)
    assert "near the usual cut-off of 12 V heaters and inverters, 10.5 V" in found.text
    assert [judge_volts((0, volts)) for volts in (11.0, 21.0, 3.3, 0.0)] == [[]] * 4


def test_a_cut_off_of_the_rig_goes_before_that_of_the_kind(judge_volts):
    """A pump has none of its own; with one of 11.4 V it is judged."""
    pump = {"name": "pump", "address": 0x95, "functions": {"circulation_pump": 1}}
    assert judge_volts((0, 12.2), devices=(pump, MONITOR)) == []
    (found,) = judge_volts((0, 12.2), devices=({**pump, "cut_off_volts": 11.4}, MONITOR))
    assert found.subject == "pump"


def test_only_the_battery_that_feeds_the_device_counts(judge_volts):
    """A heater on the starter battery, DC source 2, is not fed by the house battery."""
    batteries = [{"name": "house"}, {"name": "starter"}]
    branches = [{"name": "cab", "battery": "starter"}]
    heater = {**HEATER, "branch": "cab"}
    given = {"devices": (heater, MONITOR), "branch": branches, "battery": batteries}
    assert judge_volts((0, 10.5), **given) == []
    (found,) = judge_volts((0, 10.5), instance=2, **given)
    assert found.subject == "heater"


def test_an_inverter_measures_its_own_supply(judge_volts):
    """Its voltage is that at its terminals: no drop; its cut-off is 10.5 V."""
    inverter = {"name": "inverter", "address": 0x46, "functions": {"inverter": 1}}
    (found,) = judge_volts((0, 11.4), message="INVERTER_DC_STATUS", devices=(inverter,))
    assert found.subject == "inverter"
    assert judge_volts((0, 11.5), message="INVERTER_DC_STATUS", devices=(inverter,)) == []
    assert judge_volts((0, 11.4), message="INVERTER_DC_STATUS", devices=(inverter,), instance=2) == []


def test_two_senders_of_one_battery_raise_one_flag(bus, judge):
    """Monitor and charger both report 10.5 V for the battery of the heater."""
    made = bus()
    frames = [
        made.frame(step / 2 + source / 1000, SOURCE, source, instance=1, dc_voltage=210)
        for step in range(80)
        for source in (0x46, 0x4A)
    ]
    found = judge(frames, 40, HEATER, MONITOR, kinds=KINDS)
    assert [one.subject for one in found] == ["heater"]


def test_a_voltage_that_is_late_is_not_judged(bus, judge):
    """It is low from 20 s on, and not sent from 25 s to 37 s while its sender is heard: reported ten seconds later."""
    made = bus()
    frames = [
        made.frame(step / 2, SOURCE, 0x46, instance=1, dc_voltage=252 if step < 40 else 210)
        for step in range(120)
        if not 50 <= step < 74
    ]
    frames += [made.frame(step / 2 + 0.1, "DC_SOURCE_STATUS_2", 0x46, instance=1) for step in range(120)]
    (found,) = judge(frames, 60, HEATER, MONITOR, kinds=KINDS)
    assert found.flag.since / 1e6 == 40.0


@pytest.mark.parametrize(("volts", "is_low"), [(11.15, True), (11.2, False)])
def test_all_that_a_branch_feeds_counts_for_its_drop(judge_volts, volts, is_low):
    """A heater of 6 A and a pump of 4 A lose 0.2 V on the 20 mOhm that both share."""
    trunk = [{"name": "trunk", "wire": {"milliohm": 20.0}}, {"name": "galley", "parent": "trunk"},
             {"name": "bath", "parent": "trunk"}]  # fmt: skip
    pump = {"name": "pump", "address": 0x95, "functions": {"circulation_pump": 1}, "branch": "bath",
            "amps": {"circulation_pump": [0, 4.0]}}  # fmt: skip
    devices = ({**HEATER, "branch": "galley"}, pump, MONITOR)
    assert bool(judge_volts((0, volts), devices=devices, branch=trunk)) is is_low


def test_what_was_before_a_gap_of_the_listening_does_not_count(bus):
    """Low for 5 s, then nobody listens for 25 s: ten seconds count from the end of that."""
    made = bus()
    made.run(5, made.every(0.5, SOURCE, 0x46, instance=1, dc_voltage=210))
    made.watch.observe_event(ListeningResumed(30 * SECOND_US, 5 * SECOND_US))
    made.run(45, made.every(0.5, SOURCE, 0x46, instance=1, dc_voltage=210), begin=30)
    (flag,) = [flag for flag in made.watch.all_flags if flag.kind in KINDS]
    assert flag.since == 40 * SECOND_US
