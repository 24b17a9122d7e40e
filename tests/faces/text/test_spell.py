"""One frame taken apart, in words and as JSON."""

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.faces.text.spell import as_json, as_text, parse_frame
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
        ("19FFE45E", "0", "data '0' has 1 hex digit: two make a byte"),
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
    assert "DGN 1 FF FD = 1FFFD hex: DC_SOURCE_STATUS_1" in spelled
    assert "14 01, low byte first: 0114 hex = 276; 276 × 0.05 = 13.8 V" in spelled
    assert "77359400 hex = 2000000000; 2000000000 × 0.001 - 2000000 = 0 A" in said(spelled, "dc current")
    assert "78 hex = 120: battery monitor / BMS" in spelled
    assert "Number and layout: published (" in spelled


def test_the_identifier_is_told_bit_by_bit(catalogue):
    """18EF2100 (a keypad maker's manual): priority 6, PGN EF00, to 21 hex, from 0."""
    spelled = text(catalogue, "18EF2100", "00")
    assert "110 0 0 11101111 00100001 00000000" in spelled
    assert "priority 6" in spelled
    assert "message group byte (PDU format): EF hex" in spelled
    assert "EF is below F0: the byte behind it is a destination, and 00 stands for it in the" in spelled
    assert "to address 21 hex" in spelled
    assert "DGN 0 EF 00 = 0EF00 hex: PROPRIETARY_MESSAGE" in spelled
    assert "This message is known by its name only, so the bytes cannot be read." in spelled
    assert "Number: published" in spelled


def test_a_number_that_nobody_has_named(catalogue):
    """1F0AA is in no table."""
    spelled = text(catalogue, "19F0AA02", "00")
    assert "DGN 1 F0 AA = 1F0AA hex: not known" in spelled
    assert "No message with this number is defined" in spelled


def test_what_rests_on_memory_is_said(catalogue):
    """A layout from memory says so, and a field that is less sure than the others says so beside it."""
    spelled = text(catalogue, "19FFE45E", "0100C864FFFFFFFF")
    assert "Number: from memory. Fields without a note in brackets: from memory." in spelled
    assert said(spelled, "dead band").endswith("FF: no data [from memory, not sure]")


def test_short_and_long_frames_are_spelled_as_far_as_they_go(catalogue):
    """A short frame names what is missing; the identifier of a request may carry three bytes."""
    spelled = text(catalogue, "19FFE45E", "0100C8")
    assert "missing: the frame is too short" in spelled
    assert "The frame has 3 bytes and the message 8: the missing fields count as no data." in spelled
    request = text(catalogue, "18EAFFF9", "00EE00")
    assert "The frame has 3 bytes and the message 8." in request  # SAE J1939-21 has no more


def test_a_dgn_within_the_data_is_named(catalogue):
    """A request from F9 to all for EE00 (low byte first: 00 EE 00) asks for the address claim."""
    assert "The desired DGN 0EE00 hex is ADDRESS_CLAIM." in text(catalogue, "18EAFFF9", "00EE00")
    assert "The desired DGN 0FEEE hex is not known." in text(catalogue, "18EAFFF9", "EEFE00")


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
        "origin": "published",
        "meaning": None,
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
    (line,) = (line for line in text(catalogue, "19FECA5E", "A564FFFFFFFFFFFF").splitlines() if "red lamp" in line)
    assert line.endswith("  10: error")


@given(st.data(), st.binary(max_size=8))
def test_any_frame_can_be_spelled(catalogue, data, held):
    """Whatever the identifier and however many bytes, both forms come out and agree on the message.

    Half of the frames are of known messages, since hardly any random identifier is.
    """
    dgns = st.sampled_from([catalogue.by_name(name).dgn for name in catalogue.names])
    known = st.builds(lambda dgn, low, ends: ends[0] << 26 | dgn << 8 | (low if dgn & 0xFF00 < 0xF000 else 0) | ends[1],
                      dgns, st.integers(0, 0xFF).map(lambda low: low << 8),
                      st.tuples(st.integers(0, 7), st.integers(0, 0xFF)))  # fmt: skip
    frame = Frame(0, data.draw(st.integers(0, (1 << 29) - 1) | known), held)
    spelled, shown = json.loads(as_json(frame, catalogue)), "\n".join(as_text(frame, catalogue))
    assert f" = {spelled['dgn']} hex: {spelled['message'] or 'not known'}" in shown


# What stands beside a number.


def row(spelled, title):
    """The line of a field, and those under it up to the next field."""
    lines = spelled.splitlines()
    (at,) = (n for n, line in enumerate(lines) if f"  {title}  " in f"{line}  " and line.startswith("  byte"))
    under = next(n for n, line in enumerate(lines[at + 1 :], at + 1) if not line.startswith("     "))
    return lines[at:under]


def said(spelled, title):
    """What is said of a field, in one line."""
    return " ".join(" ".join(row(spelled, title)).split())


def test_a_comment_stands_under_its_field_where_there_is_a_number(catalogue):
    """The battery's current says what raw 0 A is; a field that says no data has nothing to explain."""
    current = row(text(catalogue, "19FFFD45", "0178140100943577"), "dc current")
    assert "Raw 77359400h is 0 A." in " ".join(line.strip() for line in current[1:])
    assert len(row(text(catalogue, "19FFFD45", "01781401FFFFFFFF"), "dc current")) == 1


def test_a_comment_of_several_fields_is_told_once(catalogue):
    """Both currents of a message have the same offset, which one line tells."""
    spec = next(spec for spec in catalogue if sum(field.comment == "Raw 7D00h is 0 A." for field in spec.fields) > 1)
    spelled = text(catalogue, f"{spec.identifier(0x4A):08X}", "01" * 8)
    assert spelled.count("Raw 7D00h is 0 A.") == 1


def test_every_line_fits_a_terminal(catalogue):
    """No line of an explanation is wider than eighty columns, for any message, with values and with special codes."""
    for spec in catalogue:
        destination = 0x21 if spec.dgn & 0xFF00 < 0xF000 else None
        for held in ("01", "FE", "A5"):
            for line in text(catalogue, f"{spec.identifier(0x4A, destination):08X}", held * 8).splitlines():
                assert len(line) <= 80, (spec.name, line)


@pytest.mark.parametrize(
    ("identifier", "data", "line"),
    [
        ("19FEA7A1", "0115C8C5FFFFFFFF", "byte 3 bits 6-7  unused, filled with ones"),
        ("19FEA7A1", "0115C845FFFFFFFF", "byte 3 bits 6-7  unused, but not filled with ones: 01"),
        ("19FFE45E", "0100C864FFFFFFFF", "byte 7           unused, filled with ones"),
        ("19FFE45E", "0100C864FFFFFFFE", "byte 7           unused, but not filled with ones: FE"),
        ("19FF9CA1", "01C024FFFFFFFF7F", "bytes 3-7  unused, but not filled with ones: FF FF FF FF 7F"),
        ("19FF9CA1", "01C024FFFFFFFF", "bytes 3-6  unused, filled with ones"),
    ],
)
def test_bits_without_a_field_are_told_too(catalogue, identifier, data, line):
    """Two bits of a roof fan's status, a byte of a furnace's, five of an ambient temperature; by hand."""
    assert f"  {line}\n" in text(catalogue, identifier, data)


def test_rows_stand_in_the_order_of_the_bytes(catalogue):
    """A heartbeat has free bits within its bytes 5 and 7: they stand where they are, not at the end."""
    lines = text(catalogue, "19FECA5E", "055EFFFFFFFFFFFF").splitlines()
    places = [line.split("  ")[1] for line in lines if line.startswith("  byte")]
    assert places[-5:] == ["byte 5 bits 0-6", "byte 5 bit 7", "byte 6", "byte 7 bits 0-3", "byte 7 bits 4-7"]


def test_low_byte_first_is_said_where_there_is_a_number(catalogue):
    """Two bytes of ones say no data in either order; out of range and 21 °C (24C0 hex) are read low byte first."""
    no_data, out_of_range, value = (
        said(text(catalogue, "19FF9CA1", f"01{data}FFFFFFFFFF"), "ambient temperature")
        for data in ("FFFF", "FEFF", "C024")
    )
    assert no_data.endswith(" FF FF: no data")
    assert "FE FF, low byte first FFFE: the sender says that its measurement is out of range" in out_of_range
    assert "C0 24, low byte first: 24C0 hex = 9408; 9408 × 0.03125 - 273 = 21 °C; range -273 to 1774.8125 °C" in value


def test_the_grades_of_a_field_are_told_apart(catalogue):
    """That a heartbeat has a DSA and that 7FFFFh is no fault are published, where they stand is from memory."""
    spelled = text(catalogue, "19FECA58", "0558FFFFFFFFFFFF")
    assert "Fields without a note in brackets: from memory." in " ".join(spelled.split())
    assert "58 hex = 88 [name published; place from memory]" in said(spelled, "dsa")
    assert "no fault [name and code published; place from memory]" in said(spelled, "spn")
    assert "[" not in said(spelled, "red lamp status")
    spn = fields(catalogue, "19FECA58", "0558FFFFFFFFFFFF")["spn"]
    assert spn["grades"] == {"name": "published", "layout": "memory", "codes": "published"}
    assert spn["origin"] == "memory"
    priority = fields(catalogue, "19FFFD45", "0178140100943577")["device_priority"]
    assert priority["comment"].startswith("One gateway maker writes 119")


def test_what_only_part_of_the_fields_have_is_not_said_of_all(catalogue):
    """A charger's status has a published number and layout, and codes from memory: the end claims no more."""
    spelled = " ".join(text(catalogue, "19FFC74A", "01100168 7EFF03FF").split())
    assert "Number and layout: published" not in spelled
    assert "Fields without a note in brackets: published." in spelled
    assert "03 hex = 3: absorption [from memory]" in spelled


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ("0100C8FF", "C8 hex = 200; 200 × 0.5 = 100 %"),
        ("0100FDFF", "FD: reserved by the standard, not a reading"),
        ("0100FEFF", "FE: the sender says that its measurement is out of range"),
        ("0100FFFF", "FF: no data"),
    ],
)
def test_the_words_for_a_byte(catalogue, data, says):
    """A value is told with its arithmetic, a special code with what it says (uint8, standard's data types)."""
    assert f" {says}" in said(text(catalogue, "19FFE45E", data), "circulation fan speed")


def test_the_words_for_an_identifier(catalogue):
    """A broadcast's second byte is part of its number."""
    spelled = text(catalogue, "19FFFD45", "")
    assert "FF is F0 or above: a broadcast, and the byte behind it belongs to the DGN." in spelled
    assert "11111101  low byte of the DGN (PDU specific): FD hex" in spelled


def test_a_code_that_has_no_name_says_so(catalogue):
    """Mode 7 of a thermostat is in no table; mode 2 is heat (from memory)."""
    assert "0111 binary = 7: a code without a name here" in text(catalogue, "19FFE2A1", "0107FFFFFFFFFFFF")
    assert "0010 binary = 2: heat" in text(catalogue, "19FFE2A1", "0102FFFFFFFFFFFF")


def test_a_number_of_which_one_value_has_a_name_is_no_code(catalogue):
    """The SPN and the count of a fault (all ones are no fault); an instance, of which some have names."""
    fault = text(catalogue, "19FECA5E", "1165100AA30AFFFF")
    assert re.search(r"08055 hex = 32853\b(?!:)", fault)
    assert re.search(r"0001010 binary = 10\b(?!:)", fault)
    assert "04 hex = 4\n" in text(catalogue, "19FFFD45", "04FFFFFFFFFFFFFF")
    assert "a code without a name" not in fault


@pytest.mark.parametrize(
    ("identifier", "says"),
    [
        ("18EEFFFE", "source address: FE hex (254); null address: its sender has none"),
        ("18EEFFFF", "source address: FF hex (255); no node has it, it stands for all"),
        ("18EEFF80", "source address: 80 hex (128); it does not say what a device is"),
    ],
)
def test_a_source_address_that_no_node_has_says_so(catalogue, identifier, says):
    """The null address and the global one (SAE J1939-81)."""
    assert says in text(catalogue, identifier, "0102030405060780")
