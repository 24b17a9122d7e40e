"""Faults at the gate between a device and the wires."""

from pathlib import Path

import pytest
from pydantic import ValidationError

from rvsim.errors import InputError
from rvsim.rig.model import Rig
from rvsim.shakedown.faults import acts, gates
from rvsim.shakedown.scenario import LoadedScenario, Scenario
from rvsim.wire.diagnostics import Trouble

S = 1_000_000
AMBIENT = 0x19FF9C92


def loaded(*faults):
    """A scenario with one device and these faults."""
    rig = Rig.model_validate(
        {
            "schema": 1,
            "name": "r",
            "title": "R",
            "device": [{"name": "sensor", "kind": "ambient", "address": 0x92, "functions": {"ambient_sensor": 2}}],
        }
    )
    plan = {"schema": 1, "title": "T", "rig": "r", "lasts": "60s", "fault": [{"device": "sensor", **f} for f in faults]}
    return LoadedScenario("t", Path("t.toml"), Scenario.model_validate(plan), rig)


def gate(catalogue, **fault):
    """The gate of one fault."""
    (only,) = gates(loaded(fault), catalogue)["sensor"]
    return only


def test_silence_lets_nothing_through_while_it_lasts(catalogue):
    """From its start to just before its end a silent device sends nothing; before and after it does."""
    silent = gate(catalogue, fault="silent", **{"from": "20s", "until": "60s"})
    passed = [silent(t, AMBIENT, b"data") for t in (20 * S - 1, 20 * S, 60 * S - 1, 60 * S)]
    assert passed == [b"data", None, None, b"data"]


def test_without_an_end_it_lasts(catalogue):
    """A fault without ``until`` never ends."""
    assert gate(catalogue, fault="silent", **{"from": "20s"})(10**12, AMBIENT, b"data") is None


def test_a_wrong_value_changes_one_field(catalogue):
    """900 degC is (900 + 273) x 32 = 37536 = 92A0 hex; the rest of the frame stays as it was."""
    wrong = gate(
        catalogue,
        fault="wrong_value",
        message="THERMOSTAT_AMBIENT_STATUS",
        field="ambient_temperature",
        value=900.0,
        **{"from": "1s", "until": "2s"},
    )
    assert wrong(S, AMBIENT, bytes.fromhex("02602134FFFFFFAA")) == bytes.fromhex("02A09234FFFFFFAA")
    assert wrong(2 * S, AMBIENT, bytes.fromhex("026021FFFFFFFFFF")) == bytes.fromhex("026021FFFFFFFFFF")


def test_no_data_is_all_ones(catalogue):
    """A field that says "no data" is FFFF, and other messages of the device are left alone."""
    nothing = gate(
        catalogue, fault="no_data", message="THERMOSTAT_AMBIENT_STATUS", field="ambient_temperature", **{"from": "1s"}
    )
    assert nothing(S, AMBIENT, bytes.fromhex("026021FFFFFFFFFF")) == bytes.fromhex("02FFFFFFFFFFFFFF")
    assert nothing(S, 0x19FECA92, bytes.fromhex("0564FFFFFFFFFFFF")) == bytes.fromhex("0564FFFFFFFFFFFF")


def test_a_stuck_field_keeps_to_what_it_said_first(catalogue):
    """While it lasts the field repeats its first value of each instance; everything else in the frame moves on."""
    stuck = gate(
        catalogue,
        fault="stuck",
        message="THERMOSTAT_AMBIENT_STATUS",
        field="ambient_temperature",
        **{"from": "1s", "until": "5s"},
    )
    assert stuck(0, AMBIENT, bytes.fromhex("02002112FFFFFFFF")) == bytes.fromhex("02002112FFFFFFFF")
    assert stuck(S, AMBIENT, bytes.fromhex("02602134FFFFFFFF")) == bytes.fromhex("02602134FFFFFFFF")
    assert stuck(2 * S, AMBIENT, bytes.fromhex("02702156FFFFFFFF")) == bytes.fromhex("02602156FFFFFFFF")
    assert stuck(3 * S, AMBIENT, bytes.fromhex("03702156FFFFFFFF")) == bytes.fromhex("03702156FFFFFFFF")
    assert stuck(4 * S, AMBIENT, bytes.fromhex("0270")) == bytes.fromhex("0270")
    assert stuck(5 * S, AMBIENT, bytes.fromhex("02702156FFFFFFFF")) == bytes.fromhex("02702156FFFFFFFF")


def test_out_of_range_is_the_code_below_all_ones(catalogue):
    """A field that says "out of range" is FFFE (uint16)."""
    broken = gate(
        catalogue,
        fault="out_of_range",
        message="THERMOSTAT_AMBIENT_STATUS",
        field="ambient_temperature",
        **{"from": "1s"},
    )
    assert broken(S, AMBIENT, bytes.fromhex("026021FFFFFFFFFF")) == bytes.fromhex("02FEFFFFFFFFFFFF")


def test_every_impossible_fault_is_named_at_once(catalogue):
    """Unknown messages and fields, values that cannot be said and fields without the code: a line for each."""
    ambient = {"message": "THERMOSTAT_AMBIENT_STATUS", "field": "ambient_temperature"}
    faults = [
        {"fault": "no_data", "message": "THERMOSTAT_AMBIENT_STATU", "field": "x", "from": "1s"},
        {"fault": "no_data", "message": "THERMOSTAT_AMBIENT_STATUS", "field": "temperature", "from": "1s"},
        {"fault": "wrong_value", **ambient, "value": 1e6, "from": "1s"},
        {"fault": "no_data", "message": "DM_RV", "field": "spn", "from": "1s"},
        {"fault": "out_of_range", "message": "DM_RV", "field": "fmi", "from": "1s"},
        {"fault": "no_data", "message": "FURNACE_STATUS", "field": "heat_output_level", "from": "1s"},
    ]
    with pytest.raises(InputError) as caught:
        gates(loaded(*faults), catalogue)
    first, second, third, fourth, fifth, sixth = caught.value.problems
    assert first.startswith("t.toml, fault 1 (no_data): no message is called THERMOSTAT_AMBIENT_STATU (did you mean")
    assert "fault 2 (no_data): THERMOSTAT_AMBIENT_STATUS has no field temperature" in second
    assert "it has: instance, ambient_temperature" in second
    assert "is outside -273.00000 to 1774.81250" in third
    assert "DM_RV spn has no code for no data: choose another field" in fourth
    assert "DM_RV fmi has no code for out of range: choose another field" in fifth
    assert "sensor is no furnace and never sends FURNACE_STATUS; it sends THERMOSTAT_AMBIENT_STATUS" in sixth


# Faults that a device reports itself.


class Told:
    """A device that notes what it is made to do."""

    def __init__(self):
        self.told = []

    def report(self, function, trouble, red):
        """Note it."""
        self.told.append(("report", function, trouble, red))

    def withdraw(self, function, trouble):
        """Note it."""
        self.told.append(("withdraw", function, trouble))


def test_a_reported_fault_is_the_devices_own_doing(catalogue):
    """It begins to report at the start and takes it back at the end; no gate stands in its way."""
    plan = {"fault": "reported", "function": "ambient_sensor", "spn": 1234, "fmi": 5, "lamp": "red", "times": 3}
    one = loaded({**plan, "from": "20s", "until": "60s"})
    assert gates(one, catalogue) == {}
    planned, device = acts(one), Told()
    for act in planned:
        act.do(device)
    assert [(act.time, act.device) for act in planned] == [(20 * S, "sensor"), (60 * S, "sensor")]
    assert device.told == [
        ("report", "ambient_sensor", Trouble(1234, 5, 3), True),
        ("withdraw", "ambient_sensor", Trouble(1234, 5, 3)),
    ]


def test_without_an_end_a_fault_is_reported_on_and_the_lamp_is_yellow(catalogue):
    """Left out, ``until``, ``lamp`` and ``times`` are: to the end, yellow, not known."""
    (act,) = acts(loaded({"fault": "reported", "function": "ambient_sensor", "spn": 0, "fmi": 0, "from": "0s"}))
    device = Told()
    act.do(device)
    assert device.told == [("report", "ambient_sensor", Trouble(0, 0, None), False)]


def test_a_function_that_the_device_does_not_report_of_is_refused():
    """One line, with what it does report of."""
    with pytest.raises(InputError) as refused:
        acts(loaded({"fault": "reported", "function": "ambient_sensr", "spn": 1, "fmi": 1, "from": "0s"}))
    assert refused.value.problems == (
        't.toml, fault 1 (reported): sensor does not report of ambient_sensr (did you mean "ambient_sensor"?); '
        "it does of ambient_sensor",
    )


@pytest.mark.parametrize(
    ("key", "value"), [("spn", 0x7FFFF), ("spn", -1), ("fmi", 32), ("times", 127), ("lamp", "blue")]
)
def test_what_no_frame_can_say_is_refused(key, value):
    """19 bits of SPN but for "none", 5 of FMI, 7 of count but for "not known", two lamps."""
    plan = {"fault": "reported", "function": "ambient_sensor", "spn": 1, "fmi": 1, "from": "0s", key: value}
    with pytest.raises(ValidationError):
        loaded(plan)
