"""Frames built out of values: against published frames, against cantools, and what is refused."""

import json
import re

import cantools
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.faces.text.spell_build import build, built_json, built_text, change
from rvsim.faces.text.spell_given import GivenValue, read_given
from rvsim.shipped import dbc_folder
from rvsim.wire.fields import State

POWER = cantools.database.load_file(dbc_folder() / "power.dbc", strict=False)


def built(catalogue, name, values, **more):
    """A frame built of values by field."""
    return build(catalogue.by_name(name), [GivenValue(*pair) for pair in values.items()], **more)


def test_a_published_frame_is_built(catalogue):
    """A battery maker's worked frame: instance 1, priority 120, 13.8 V and 0 A are 01 78 14 01 00 94 35 77."""
    given_values = {"instance": "1", "device priority": "120", "dc_voltage": "13.8 V", "dc_current": "0"}
    made = built(catalogue, "DC_SOURCE_STATUS_1", given_values, source=0x45)
    assert (made.frame.identifier, made.frame.data.hex().upper()) == (0x19FFFD45, "0178140100943577")
    said = " ".join("\n".join(built_text(made, catalogue)).split())
    assert "13.8 / 0.05 = 276 = 0114 hex; low byte first: 14 01" in said
    assert "(0 + 2000000) / 0.001 = 2000000000 = 77359400 hex; low byte first: 00 94 35 77" in said
    assert "together 110 0 1 11111111 11111101 01000101 = 19FFFD45 hex" in said
    told = json.loads(built_json(made))
    assert (told["identifier"], told["bytes"]) == ("19FFFD45", "0178140100943577")
    assert told["fields"]["dc_voltage"]["raw"] == 276


def test_a_request_has_a_destination(catalogue):
    """SAE J1939-21: 18EA21F9 asks 21 hex for the address claim, EE00 low byte first."""
    made = built(catalogue, "REQUEST_FOR_DGN", {"desired_dgn": "0xEE00"}, source=0xF9, destination=0x21)
    assert (made.frame.identifier, made.frame.data[:3].hex()) == (0x18EA21F9, "00ee00")
    everyone = built(catalogue, "REQUEST_FOR_DGN", {"desired_dgn": "0xEE00"}, source=0xF9, priority=3)
    assert everyone.frame.identifier == 0x0CEAFFF9


def test_codes_and_states_are_written_by_name(catalogue):
    """Heat is code 2; a field that is not named is left unchanged, and so is one that says so."""
    values = {"instance": "1", "operating_mode": "heat", "fan_mode": "Unchanged"}
    made = built(catalogue, "THERMOSTAT_COMMAND_1", values)
    assert made.frame.data.hex().upper() == "01F2FFFFFFFFFFFF"
    status = built(catalogue, "THERMOSTAT_AMBIENT_STATUS", {"instance": "1", "ambient_temperature": "out of range"})
    assert status.frame.data[1:3].hex().upper() == "FEFF"


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"dc_voltag": "1"}, 'did you mean "dc_voltage"'),
        (
            {"dc_voltage": "13.81"},
            "two steps of 0.05: write the nearest, 13.8 V (0114 hex) or 13.85 V (0115",
        ),
        ({"dc_voltage": "99999"}, "outside its range: write 0 to 3276.5 V"),
        ({"dc_voltage": "13.8 A"}, "is in V, not in A"),
        ({"dc_voltage": "much"}, "not a number: write one in V"),
        ({"dc_voltage": ""}, "has no value"),
        ({"dc_voltage": "0x12345"}, "does not fit in 16 bits"),
        ({"device_priority": "bms"}, "neither a number nor one of its codes"),
        ({"instance": "1.5"}, "lies between two steps"),
    ],
)
def test_what_cannot_be_sent(catalogue, values, says):
    """One line for each mistake, with what is allowed."""
    with pytest.raises(InputError) as caught:
        built(catalogue, "DC_SOURCE_STATUS_1", values)
    (line,) = caught.value.problems
    assert says in line


@pytest.mark.parametrize(
    ("message", "field", "value", "says"),
    [
        ("TANK_STATUS", "relative_level", "50 %", "relative_level has no unit: leave % out and write the number alone"),
        ("REQUEST_FOR_DGN", "desired_dgn", "0FEEB", "a raw integer in hex with 0x in front, 0x0FEEB"),
        ("REQUEST_FOR_DGN", "desired_dgn", "FEEB", "a raw integer in hex with 0x in front, 0xFEEB"),
    ],
)
def test_a_field_without_a_unit_says_how_it_is_written(catalogue, message, field, value, says):
    """The level is a number of parts (rv-c.com), and a DGN is read in hex everywhere else."""
    with pytest.raises(InputError, match=re.escape(says)):
        built(catalogue, message, {field: value})


def test_mistakes_are_told_together(catalogue):
    """A field given twice, one that is not there, and a destination for a broadcast."""
    given_values = [GivenValue("instance", "1"), GivenValue("instance", "2"), GivenValue("x", "1")]
    with pytest.raises(InputError) as caught:
        build(catalogue.by_name("DC_SOURCE_STATUS_1"), given_values, destination=0x21)
    for part, line in zip(("twice", "no field x", "broadcast"), caught.value.problems, strict=True):
        assert part in line
    with pytest.raises(InputError, match="known by name only"):
        built(catalogue, "WASTEDUMP_STATUS", {})


@given(st.integers(0, 0xFFFF), st.integers(0, 0xFFFFFFFF), st.integers(0, 250))
def test_built_frames_equal_cantools(catalogue, volts, current, instance):
    """Values by exact decimal text, built here and encoded by cantools, where they are values at all."""
    spec = catalogue.by_name("DC_SOURCE_STATUS_1")
    raws = {"instance": instance, "dc_voltage": volts, "dc_current": current}
    if any(spec.field(name).state(raw) is not State.VALUE for name, raw in raws.items()):
        return
    texts = {name: spec.field(name).text(raw) for name, raw in raws.items()}
    made = built(catalogue, "DC_SOURCE_STATUS_1", texts)
    signals = {**raws, "device_priority": 0xFF}
    expected = POWER.get_message_by_name("DC_SOURCE_STATUS_1").encode(signals, scaling=False, strict=False)
    assert made.frame.data == expected


def test_values_behind_a_frame_change_it(catalogue):
    """All other bits stay, those without a field as well; the identifier only where that is asked for."""
    given_frame = read_given(["19FFE2A1", "0102FFFF2C25FF7F", "set_point_temperature_heat=21"], catalogue)
    spec = catalogue.by_name("THERMOSTAT_STATUS_1")
    built = change(spec, given_frame.frame, given_frame.values)
    assert (built.frame.identifier, built.frame.data.hex()) == (0x19FFE2A1, "0102ffc02425ff7f")
    text = "\n".join(built_text(built, catalogue))
    assert "Changed: 19FFE2A1 01 02 FF FF 2C 25 FF 7F" in text
    assert "all other bits stay as they were" in text
    assert "all ones" not in text
    assert "source address A1 hex (as it was)" in text
    moved = change(spec, given_frame.frame, given_frame.values, source=0x44, priority=3)
    assert moved.frame.identifier == 0x0DFFE244


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["19FFE2A1", "x=1"], "19FFE2A1 is an identifier without data"),
        (["FURNASE", "STATUS", "x=1"], 'did you mean "FURNACE_STATUS"'),
        (["1FFE2", "0102", "x=1"], "is the DGN of THERMOSTAT_STATUS_1, not an identifier"),
    ],
)
def test_no_frame_before_the_values(catalogue, words, says):
    """What was probably meant is said."""
    with pytest.raises(InputError, match=re.escape(says)):
        read_given(words, catalogue)


def test_a_frame_that_is_too_short_for_a_value(catalogue):
    """The field is named, and what to do."""
    found = read_given(["19FFE2A1#01", "fan_mode=on"], catalogue)
    with pytest.raises(InputError, match="1 byte does not contain THERMOSTAT_STATUS_1 fan_mode: give the whole frame"):
        change(catalogue.by_name("THERMOSTAT_STATUS_1"), found.frame, found.values)


@pytest.mark.parametrize("text", ["13,8", "13.8V", "13,8 V", "0x114"])
def test_a_value_is_read_as_people_write_it(catalogue, text):
    """A decimal comma, a unit behind it, the raw integer in hex."""
    built = build(catalogue.by_name("DC_SOURCE_STATUS_1"), [GivenValue("dc_voltage", text)])
    assert built.raws == {"dc_voltage": 276}
    half = build(catalogue.by_name("DC_SOURCE_STATUS_1"), [GivenValue("dc_voltage", ".5")])
    assert half.raws == {"dc_voltage": 10}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("114h", "with 0x in front, 0x114"),
        ("114 HEX", "0x114$"),
        ("13800 mV", "is in V, not in mV"),
        ("nan", "is not a number"),
    ],
)
def test_a_value_that_was_meant_otherwise(catalogue, text, says):
    """It is told how to write it."""
    with pytest.raises(InputError, match=says):
        build(catalogue.by_name("DC_SOURCE_STATUS_1"), [GivenValue("dc_voltage", text)])


def test_another_frame_has_to_be_one(rvsim):
    """The option is named in what is told of it."""
    code, _, err = rvsim("spell", "19FFE45E", "01", "--wire", "--against", "zz")
    assert code == 2
    assert err.startswith("rvsim: --against: ")


def test_hours_are_no_hex(catalogue):
    """A unit that ends with h is a unit."""
    found = build(catalogue.by_name("DC_SOURCE_STATUS_3"), [GivenValue("capacity_remaining", "80Ah")])
    assert found.raws == {"capacity_remaining": 80}


def test_the_identifier_is_put_together_in_steps(catalogue):
    """Priority, page, both bytes of the DGN, the source, and all bits together (SAE J1939-21)."""
    frame = build(catalogue.by_name("DC_SOURCE_STATUS_1"), [GivenValue("instance", "1")], source=0x45)
    said = " ".join("\n".join(built_text(frame, catalogue)).split())
    assert "priority 6 = 110 binary, then a reserved bit 0" in said
    assert "DGN 1FFFD: data page 1, FF hex, FD hex" in said
    assert "source address 45 hex (given)" in said
    assert "together 110 0 1 11111111 11111101 01000101 = 19FFFD45 hex" in said
