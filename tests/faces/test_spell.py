"""One frame taken apart, in words and as JSON."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.faces.spell import as_json, as_text, parse_frame
from rvsim.wire.frame import Frame


def text(catalogue, identifier, data):
    """The frame in words."""
    return "\n".join(as_text(parse_frame(identifier, data), catalogue))


def fields(catalogue, identifier, data):
    """The fields of the JSON form by their names."""
    return {f["field"]: f for f in json.loads(as_json(parse_frame(identifier, data), catalogue))["fields"]}


@pytest.mark.parametrize(
    ("identifier", "data"),
    [
        ("19FFE45E", "0100C864FFFFFFFF"),
        ("0x19ffe45e", "01 00 c8 64 ff ff ff ff"),
        ("19FFE45Eh", "01:00:C8:64:FF:FF:FF:FF"),
        (" 19FFE45E ", "0x01 0x00 0xC8 0x64 0xFF 0xFF 0xFF 0xFF"),
    ],
)
def test_hex_is_read_as_people_write_it(identifier, data):
    """Prefix, suffix, case and separators do not matter."""
    assert parse_frame(identifier, data) == Frame(0, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))


@pytest.mark.parametrize(
    ("identifier", "data", "problem"),
    [
        ("19FFE4G1", "00", "identifier '19FFE4G1' is not hex: write it like 19FFE45E"),
        ("", "00", "identifier '' is not hex"),
        ("-1", "00", "identifier '-1' is not hex"),
        ("20000000", "00", "identifier 20000000 does not fit in 29 bits: the highest is 1FFFFFFF"),
        ("19FFE45E", "0", "data '0' has 1 hex digits: two make a byte"),
        ("19FFE45E", "zz", "data 'zz' is not hex: write it like"),
        ("19FFE45E", "00" * 9, "has 9 bytes: a frame holds 8 at most"),
    ],
)
def test_what_is_no_frame_is_one_clear_line(identifier, data, problem):
    """Each mistake says what is wrong and how to write it."""
    with pytest.raises(InputError) as caught:
        parse_frame(identifier, data)
    (line,) = caught.value.problems
    assert problem in line


def test_both_mistakes_are_told_at_once():
    """A bad identifier does not hide bad data."""
    with pytest.raises(InputError) as caught:
        parse_frame("x", "y")
    assert len(caught.value.problems) == 2


def test_the_published_battery_frame_in_words(catalogue):
    """A battery maker's worked frame: instance 1, priority 120, 276 x 0.05 = 13.8 V, 2000000000 -> 0 A."""
    spelled = text(catalogue, "19FFFD45", "0178140100943577")
    assert "DGN 1FFFD hex: DC_SOURCE_STATUS_1" in spelled
    assert "14 01, low byte first: 0114 hex: 276 × 0.05 = 13.80 V" in spelled
    assert "77359400 hex: 2000000000 × 0.001 - 2000000.000 = 0.000 A" in spelled
    assert "78: 120 = battery monitor / BMS" in spelled
    assert "Number and layout: published (" in spelled


def test_the_identifier_is_told_bit_by_bit(catalogue):
    """18EF2100 (a keypad maker's manual): priority 6, PGN EF00, to 21 hex, from 0."""
    spelled = text(catalogue, "18EF2100", "00")
    assert "110 0 0 11101111 00100001 00000000" in spelled
    assert "priority 6" in spelled
    assert "PDU format EF hex, below F0: the next byte is a destination" in spelled
    assert "to address 21 hex" in spelled
    assert "DGN 0EF00 hex: PROPRIETARY_MESSAGE" in spelled
    assert "This message is known by its name only, so the bytes cannot be read." in spelled
    assert "Number: published" in spelled


def test_a_number_that_nobody_has_named(catalogue):
    """1F0AA is in no table."""
    spelled = text(catalogue, "19F0AA02", "00")
    assert "DGN 1F0AA hex: not known" in spelled
    assert "No message with this number is defined" in spelled


def test_what_rests_on_memory_is_said(catalogue):
    """A layout from memory says so, and a field that is less sure than its message says so beside it."""
    spelled = text(catalogue, "19FFE45E", "0100C864FFFFFFFF")
    assert "Number and layout: from memory." in spelled
    (dead_band,) = (line for line in spelled.splitlines() if line.strip().startswith("byte 4"))
    assert dead_band.endswith("FF: no data  [from memory, not sure]")
    assert "byte 7 belongs to no field: FF" in spelled


def test_short_and_long_frames_are_spelled_as_far_as_they_go(catalogue):
    """A short frame names what is missing; the identifier of a request may carry three bytes."""
    spelled = text(catalogue, "19FFE45E", "0100C8")
    assert "missing: the frame is too short" in spelled
    assert "The frame has 3 bytes and the message 8" in spelled


def test_a_dgn_within_the_data_is_named(catalogue):
    """A request from F9 to all for EE00 (low byte first: 00 EE 00) asks for the address claim."""
    assert "The desired dgn 0EE00 hex is ADDRESS_CLAIM." in text(catalogue, "18EAFFF9", "00EE00")
    assert "The desired dgn 0FEEE hex is not known." in text(catalogue, "18EAFFF9", "EEFE00")


def test_a_number_of_eleven_bits_is_wondered_at(catalogue):
    """7FF fits in 11 bits, which this network does not use."""
    assert "may be an 11-bit identifier" in text(catalogue, "7FF", "00")
    assert "11-bit" not in text(catalogue, "800", "00")


def test_the_json_form(catalogue):
    """The keys of the contract, on a recorded address claim from a vessel (gpsd 3.22 test data)."""
    spelled = json.loads(as_json(parse_frame("18EEFF11", "40E2C1DD00C8A0C0"), catalogue))
    fields = {field["field"]: field["raw"] for field in spelled.pop("fields")}
    assert spelled == {
        "schema": 1,
        "identifier": "18EEFF11",
        "priority": 6,
        "dgn": "0EE00",
        "message": "ADDRESS_CLAIM",
        "source": 17,
        "destination": 255,
    }
    assert fields["serial_number"] == 123456
    assert fields["manufacturer_code"] == 1774
    assert (fields["compatibility_field_1"], fields["compatibility_field_2"]) == (200, 80)
    assert (fields["compatibility_field_4"], fields["arbitrary_address_capable"]) == (4, 1)


def test_states_in_json(catalogue):
    """No data, missing and unchanged have no value, and say which they are."""
    status = fields(catalogue, "19FFE45E", "0100C864FF")
    assert (status["heat_output_level"]["value"], status["heat_output_level"]["unit"]) == (50.0, "%")
    assert (status["dead_band"]["state"], status["dead_band"]["value"]) == ("no data", None)
    assert (status["zone_over_current"]["state"], status["zone_over_current"]["raw"]) == ("missing", None)
    assert fields(catalogue, "19FFE344", "01FFFFFFFFFFFFFF")["heat_output_level"]["state"] == "unchanged"


def test_the_state_goes_before_the_name_of_a_code(catalogue):
    """All ones in a two-bit command field mean unchanged, though the table calls the code no data; 2 is an error."""
    mode = fields(catalogue, "19FFE344", "01FFFFFFFFFFFFFF")["operating_mode"]
    assert (mode["raw"], mode["state"], mode["label"]) == (3, "unchanged", None)
    lamp = fields(catalogue, "19FECA5E", "A564FFFFFFFFFFFF")
    assert (lamp["red_lamp_status"]["state"], lamp["red_lamp_status"]["label"]) == ("error", None)
    spelled = text(catalogue, "19FECA5E", "A564FFFFFFFFFFFF")
    assert "10: error" in spelled
    assert "error, error" not in spelled


@given(st.integers(0, (1 << 29) - 1), st.binary(max_size=8))
def test_any_frame_can_be_spelled(catalogue, identifier, data):
    """Whatever the identifier and however many bytes, both forms come out and agree on the message."""
    frame = Frame(0, identifier, data)
    spelled, shown = json.loads(as_json(frame, catalogue)), "\n".join(as_text(frame, catalogue))
    assert f"DGN {spelled['dgn']} hex: {spelled['message'] or 'not known'}" in shown


def test_functions_and_failure_modes_are_named(catalogue):
    """A heartbeat of a furnace (DSA 94) with FMI 5, and a DM1 with FMI 1."""
    spelled = text(catalogue, "19FECA5E", "455E009A4583FFFF")
    assert "  The dsa 94 is that of a furnace (from memory, unsure)." in spelled
    assert "  FMI 5: current low, or open circuit (SAE J1939-73)." in spelled
    assert "  FMI 1: below normal, most severe (SAE J1939-73)." in text(catalogue, "18FECA5E", "04FF64000105FFFF")
    assert "is that of" not in text(catalogue, "19FECA5E", "05FFFFFFFFFFFFFF")
