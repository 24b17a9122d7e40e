"""The tape: bytes gathered into pieces that mean something, in one running line, and opened."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.faces.screen.lines import text_of
from rvsim.faces.screen.tape import arithmetic_lines, pieces, spelled_line
from rvsim.wire.fields import FieldSpec, Special
from rvsim.wire.spec import MessageSpec

DATA = st.binary(max_size=8)
ITEM = re.compile(r"\[?((?:[0-9A-F]{2} )+)\S")
"""An item of the line: bytes in capitals, then words; titles and states are in small letters."""


@pytest.fixture
def tape(catalogue):
    """The running line of a message by its name."""

    def spell(message: str | None, data: str, chosen: int | None = None) -> str:
        spec = catalogue.by_name(message) if message else None
        return text_of(spelled_line(spec, bytes.fromhex(data), chosen))

    return spell


@pytest.fixture
def arithmetic(catalogue):
    """The lines of an opened piece of a message by its name."""
    return lambda message, data, chosen: arithmetic_lines(catalogue.by_name(message), bytes.fromhex(data), chosen)


def bytes_in(line: str) -> bytes:
    """The bytes that a running line shows."""
    return b"".join(bytes.fromhex(ITEM.match(item)[1]) for item in line.split(" · ")) if line else b""


# Every byte once.


@given(st.data())
def test_every_byte_stands_in_one_piece(catalogue, data):
    """Any message, any bytes, any length: the pieces are the frame, in order, and hold each reading of theirs once."""
    spec = data.draw(st.sampled_from(list(catalogue)))
    frame = data.draw(DATA)
    gathered = pieces(spec, frame)
    assert b"".join(piece.data for piece in gathered) == frame
    edges = [(piece.first, piece.last) for piece in gathered]
    assert [first for first, _ in edges] == [0, *(last + 1 for _, last in edges[:-1])][: len(edges)]
    for piece in gathered:
        assert piece.data == frame[piece.first : piece.last + 1]
        assert piece.bytes_text == " ".join(f"{byte:02X}" for byte in piece.data)
    held = [reading for piece in gathered for reading in piece.readings]
    assert held == [reading for reading in spec.decode(frame) if reading.field.first_byte < len(frame)]


@given(st.data())
def test_every_byte_stands_once_in_the_line(catalogue, data):
    """Any message, any bytes, any length, with or without an open piece: the line shows the frame's bytes in order."""
    spec = data.draw(st.none() | st.sampled_from(list(catalogue)))
    frame = data.draw(DATA)
    chosen = data.draw(st.none() | st.integers(0, 8))
    spans = spelled_line(spec, frame, chosen)
    line = text_of(spans)
    assert bytes_in(line) == frame
    count = len(pieces(spec, frame))
    assert [style for _, style in spans].count("chosen") == (chosen is not None and chosen < count)
    if chosen is not None and chosen < count:
        (bracketed,) = re.findall(r"\[(.*?)\](?: · |$)", line)
        assert bytes_in(bracketed) == pieces(spec, frame)[chosen].data


@given(st.data())
def test_any_piece_can_be_opened(catalogue, data):
    """Any message, any bytes, any piece: each of its readings has a line that begins with its name."""
    spec, frame = data.draw(st.sampled_from(list(catalogue))), data.draw(st.binary(min_size=1, max_size=8))
    chosen = data.draw(st.integers(0, 7))
    gathered = pieces(spec, frame)
    piece = gathered[min(chosen, len(gathered) - 1)]
    lines = arithmetic_lines(spec, frame, chosen)
    for reading, line in zip(piece.readings, lines[-len(piece.readings) :], strict=False):
        assert line.startswith(f"{reading.field.title}  ")


def test_bytes_that_share_a_field_belong_together(catalogue):
    """In the heartbeat the SPN's nineteen bits stand in bytes 2 to 4 and the FMI in byte 4: one piece of three."""
    edges = [(piece.first, piece.last) for piece in pieces(catalogue.by_name("DM_RV"), bytes(8))]
    assert edges == [(0, 0), (1, 1), (2, 4), (5, 5), (6, 6), (7, 7)]
    source = [(piece.first, piece.last) for piece in pieces(catalogue.by_name("DC_SOURCE_STATUS_1"), bytes(8))]
    assert source == [(0, 0), (1, 1), (2, 3), (4, 7)]


def test_chained_fields_are_one_piece():
    """Fields that overlap one another byte by byte hang together from the first byte to the last."""
    chain = MessageSpec("CHAIN", 0x1FF00, 6, 8, (FieldSpec("a", 4, 8), FieldSpec("b", 12, 8), FieldSpec("c", 20, 12)))
    assert [(piece.first, piece.last) for piece in pieces(chain, bytes(6))] == [(0, 3), (4, 4), (5, 5)]


# The running line.


def test_a_frame_in_one_line(tape):
    """Each byte is followed by its meaning; neighbours that say nothing are gathered."""
    assert tape("FURNACE_STATUS", "01 00 C8 64 FF FF FF FF") == (
        "01 instance 1 * · 00 operating mode automatic, heat source combustion * · C8 circulation fan speed 100 % * · "
        "64 heat output level 50 % * · FF FF FF no data ** · FF unused *"
    )


def test_a_code_that_names_its_field_is_told_once(tape):
    """7E hex is group 1 (rvia.org/forum, window shade), and 7C hex are groups 1 and 2."""
    assert "7E group 1" in tape("DC_DIMMER_STATUS_1", "017E00FFFFFFFFFF")
    assert "7C groups 1, 2" in tape("DC_DIMMER_STATUS_1", "017C00FFFFFFFFFF")


def test_the_chosen_piece_stands_in_brackets(tape, catalogue):
    """It is taken out of the neighbours it would be gathered with, and is the only one in the style for that."""
    spec, data = catalogue.by_name("FURNACE_STATUS"), "01 FF C8 64 FF FF FF FF"
    assert tape("FURNACE_STATUS", data, 3).endswith(
        "· C8 circulation fan speed 100 % * · [64 heat output level 50 % *] · FF FF FF no data ** · FF unused *"
    )
    assert tape("FURNACE_STATUS", data, 5).endswith("· FF no data ** · [FF no data **] · FF no data ** · FF unused *")
    assert tape("FURNACE_STATUS", data, 0).startswith("[01 instance 1 *] · FF no data * · C8 circulation fan")
    assert [style for _, style in spelled_line(spec, bytes.fromhex(data), 1)][:5] == [
        "plain", "dim", "chosen", "dim", "plain",
    ]  # fmt: skip
    assert "[" not in tape("FURNACE_STATUS", data, 8)


def test_what_says_nothing_is_gathered_only_with_its_like(tape):
    """No data, unchanged and unused are three things; values are never gathered, even where they read alike."""
    assert tape("THERMOSTAT_COMMAND_1", "01 FF FF C0 24 FF FF") == (
        "01 instance 1 * · FF FF unchanged * · C0 24 set point temperature heat 21.00 °C * · FF FF unchanged *"
    )
    assert tape("THERMOSTAT_AMBIENT_STATUS", "01 FF FF FF FF") == ("01 instance 1 * · FF FF no data * · FF FF unused *")
    same = MessageSpec(
        "SAME", 0x1FF00, 6, 8, (FieldSpec("fresh_water_level", 0, 8), FieldSpec("grey_water_level", 8, 8))
    )
    assert text_of(spelled_line(same, b"\x05\x05")) == "05 fresh water level 5 · 05 grey water level 5"


def test_a_byte_with_one_value_among_no_data_tells_the_value(tape):
    """Byte 1 of the roof fan's status holds four fields: only those that say something are told."""
    assert tape("ROOF_FAN_STATUS_1", "01 FD") == "01 instance 1 * · FD system status on *"


def test_a_field_that_is_cut_off_is_said_to_be_missing(tape, arithmetic):
    """Its first byte belongs to a field, though the rest of it did not come."""
    assert tape("TANK_STATUS", "00 05 14 28") == (
        "00 instance fresh water * · 05 relative level 5 * · 14 resolution 20 * · 28 absolute level missing *"
    )
    (line,) = arithmetic("TANK_STATUS", "00 05 14 28", 3)
    assert line.startswith("absolute level  missing: the frame is too short.")


def test_names_are_said_whole(tape):
    """A name cut short could say something else: "AC power failure" is no "power failure"."""
    assert "A0 state of charge 80 %" in tape("DC_SOURCE_STATUS_2", "01 78 FF FF A0 FF FF FF")
    assert "C8 circulation fan speed 100 %" in tape("FURNACE_STATUS", "01 00 C8")
    assert "dc power failure DC power present" in tape("WATERHEATER_STATUS", "01 01 A0 29 00 24 05 0C")


def test_a_message_without_a_definition(tape):
    """Its bytes are one piece without a meaning; without bytes there is nothing to show."""
    assert tape(None, "01 02 FF") == "01 02 FF without a definition here"
    assert tape(None, "01 02 FF", 0) == "[01 02 FF without a definition here]"
    assert tape(None, "") == tape("FURNACE_STATUS", "") == ""
    assert [(piece.first, piece.last, piece.readings) for piece in pieces(None, b"\x01\x02")] == [(0, 1, ())]
    assert pieces(None, b"") == []


# What several bytes mean together.


def test_the_fault_of_a_heartbeat(tape):
    """No fault in so many words (rv-c.com/node/522), else one number with its words; the function of the DSA."""
    assert "58 dsa 88, thermostat * · FF FF FF no fault * ·" in tape("DM_RV", "05 58 FF FF FF FF FF FF")
    assert "00 9A 45 fault SPN 1234, FMI 5 (current low, or open circuit) * ·" in tape(
        "DM_RV", "45 C8 00 9A 45 FF FF FF"
    )
    assert " 5E dsa 94, furnace ** ·" in tape("DM_RV", "05 5E FF FF FF FF FF FF")
    assert "C8 dsa 200 * ·" in tape("DM_RV", "45 C8 00 9A 45 FF FF FF")


def test_the_fault_of_a_dm1_is_one_piece(tape, catalogue):
    """Its SPN stands in bytes 2, 3 and the top of 4: 520209 = 7F011h (an engine maker's display manual; computed)."""
    assert " · 11 F0 E2 fault SPN 520209, FMI 2 (erratic) · " in tape("DM1", "04 FF 11 F0 E2 05 FF FF")
    assert " · 11 F0 FF fault SPN 520209, FMI 31 (condition exists) * · " in tape("DM1", "04 FF 11 F0 FF 05 FF FF")
    assert " · 00 00 00 no fault · " in tape("DM1", "00 FF 00 00 00 00 FF FF")
    assert [(piece.first, piece.last) for piece in pieces(catalogue.by_name("DM1"), bytes(8))][1:3] == [(1, 1), (2, 4)]


def test_the_frames_of_long_messages(tape, arithmetic):
    """A connection frame is told by its control byte, a packet by the text in it."""
    assert tape("INITIAL_PACKET", "20 14 00 03 FF B0 FE 00") == (
        "20 control byte broadcast announce (BAM) · 14 00 message length 20 bytes · 03 number of packets 3 · "
        "FF unused · B0 FE 00 dgn of the long message 0FEB0 hex"
    )
    assert "11 control byte clear to send · 02 packets that may come 2 * · 05 next packet 5 * ·" in tape(
        "INITIAL_PACKET", "11 02 05 FF FF B0 FE 00"
    )
    assert (
        tape("DATA_PACKET", "01 49 6E 76 65 6E 74 65") == "01 packet number 1 · 49 6E 76 65 6E 74 65 text 'Invente' *"
    )
    assert arithmetic("DATA_PACKET", "01 49 6E 76 65 6E 74 65", 1) == [
        "49 6E 76 65 6E 74 65: text 'Invente' of a long message."
    ]
    assert tape("DATA_PACKET", "01") == "01 packet number 1"


def test_texts_in_one_frame(tape, arithmetic):
    """A battery maker's product (RV-C appendix), and a software's number."""
    assert tape("PRODUCT_IDENTIFICATION", "4C 49 33 2A 38 2A 2A 20") == "4C 49 33 2A 38 2A 2A 20 product LI3, 8 *"
    assert tape("SOFTWARE_IDENTIFICATION", "01 31 2E 30 2A FF FF FF") == "01 31 2E 30 2A FF FF FF software 1.0 *"
    assert arithmetic("PRODUCT_IDENTIFICATION", "4C 49 33 2A 38 2A 2A 20", 0) == [
        "4C 49 33 2A 38 2A 2A 20: product LI3, 8."
    ]


# Opened.


def test_a_byte_becomes_its_arithmetic(arithmetic):
    """64 hex is 100 half percents: 50 %, of 0 to 125 that the field can say, and where the layout comes from."""
    assert arithmetic("FURNACE_STATUS", "01 00 C8 64 FF FF FF FF", 3) == [
        "heat output level  64 hex = 100; 100 × 0.5 = 50 %.   Whole range 0 to 125 %.   Origin: from memory."
    ]


def test_the_published_battery_current(arithmetic):
    """A battery maker's worked frame: 2000000000 is 0 A; the whole range is 4294967290 steps of a milliampere."""
    (line,) = arithmetic("DC_SOURCE_STATUS_1", "01 78 14 01 00 94 35 77", 3)
    assert "77359400 hex = 2000000000; 2000000000 × 0.001 - 2000000 = 0 A." in line
    assert "Whole range -2000000 to 2294967.29 A.   Origin: published.   Raw 77359400h is 0 A." in line


def test_a_range_without_a_unit_ends_in_no_blank(arithmetic):
    """A count of steps has no unit; what it counts is said behind it."""
    (line,) = arithmetic("TANK_STATUS", "00 05 14", 2)
    assert line == (
        "resolution  14 hex = 20.   Whole range 0 to 250.   Origin: from memory.   Number of steps of a full tank."
    )


def test_a_code_with_a_name_has_no_range(arithmetic):
    """Codes are no numbers: a range of them would say nothing, whether or not the present one has a name."""
    for code in ("03", "09"):
        (line,) = arithmetic("CHARGER_STATUS", f"01 10 01 68 7E FF {code}", 4)
        assert line.startswith(f"operating state  {code} hex = {int(code)}")
        assert "range" not in line.partition("Origin: ")[0]


@pytest.mark.parametrize(
    ("message", "data", "chosen", "split"),
    [
        ("ROOF_FAN_STATUS_1", "01 15 C8 01", 1, "15 hex = 00|01|01|01"),
        ("ROOF_FAN_STATUS_1", "01 15 C8 05", 3, "05 hex = 00|0001|01"),
        ("FURNACE_STATUS", "01 09", 1, "09 hex = 000010|01"),
        ("THERMOSTAT_STATUS_1", "01 42", 1, "42 hex = 01|00|0010"),
        ("DC_SOURCE_STATUS_1", "01 78 14 01", 2, None),
        ("CIRCULATION_PUMP_STATUS", "01 F1", 1, None),
    ],
)
def test_a_packed_byte_is_split_where_its_fields_meet(arithmetic, message, data, chosen, split):
    """Bits are written most significant first; a byte with one field, or a field of several bytes, is not split.

    By hand for the roof fan's byte 1, 15 hex: light 00, speed mode 01, fan mode 01, system status 01; in its byte 3
    two bits belong to no field.
    """
    lines = arithmetic(message, data, chosen)
    assert (lines[0] if "|" in lines[0] else None) == split


def test_a_packed_byte_tells_each_of_its_fields(arithmetic):
    """After the bits comes one line for each field, the least significant first."""
    lines = arithmetic("ROOF_FAN_STATUS_1", "01 15 C8 01", 1)
    assert [line.partition("  ")[0] for line in lines[1:]] == ["system status", "fan mode", "speed mode", "light"]
    assert lines[1].startswith("system status  01 binary = 1: on.   Origin: ")


def test_big_endian_bits_are_split_where_they_stand():
    """Two big-endian fields in one byte: five bits, then three."""
    spec = MessageSpec(
        "BITS", 0x1FF00, 6, 8, (FieldSpec("five", 0, 5, big_endian=True), FieldSpec("three", 5, 3, big_endian=True))
    )
    assert arithmetic_lines(spec, b"\xa9", 0)[0] == "A9 hex = 10101|001"
    assert [line[:12] for line in arithmetic_lines(spec, b"\xa9", 0)[1:]] == ["five  10101 ", "three  001 b"]


def test_a_field_that_is_cut_off_in_a_packed_byte_does_not_mislead_the_split():
    """Four bits, then twelve of which only four came."""
    spec = MessageSpec("CUT", 0x1FF00, 6, 8, (FieldSpec("four", 0, 4), FieldSpec("twelve", 4, 12)))
    assert arithmetic_lines(spec, b"\xa9", 0)[0] == "A9 hex = 1010|1001"


def test_bits_that_belong_to_no_field(arithmetic):
    """The furnace's byte 7 has no field."""
    assert arithmetic("FURNACE_STATUS", "01 00 C8 64 FF FF FF FE", 7) == ["FE: unused, but not filled with ones: FE."]
    assert arithmetic("FURNACE_STATUS", "01 00 C8 64 FF FF FF FF", 7) == ["FF: unused, filled with ones."]


def test_opening_beyond_the_last_piece_opens_the_last(arithmetic):
    """And a frame without bytes has nothing to open."""
    data = "01 00 C8"
    assert arithmetic("FURNACE_STATUS", data, 9) == arithmetic("FURNACE_STATUS", data, 2)
    assert arithmetic("FURNACE_STATUS", data, 2)[0].startswith("circulation fan speed  C8")
    assert arithmetic("FURNACE_STATUS", "", 0) == ["The frame carries no data."]


def test_a_field_of_the_users_own_file_says_so():
    """Where the layout comes from goes with every reading."""
    spec = MessageSpec("OWN", 0x1FF00, 6, 8, (FieldSpec("level", 0, 8, unit="L", special=Special.MEASURED),))
    assert arithmetic_lines(spec, b"\x05", 0) == [
        "level  05 hex = 5 L.   Whole range 0 to 250 L.   Origin: from your own definitions."
    ]


def test_a_comment_of_two_fields_in_one_byte_is_told_once():
    """What explains both stands behind the first; a field without data has nothing to explain."""
    low, high = (FieldSpec(name, first, 4, comment="Counts up.") for name, first in (("low", 0), ("high", 4)))
    spec = MessageSpec("TWO", 0x1FF00, 6, 8, (low, high))
    lines = arithmetic_lines(spec, b"\x21", 0)[1:]
    assert [line.endswith("   Counts up.") for line in lines] == [True, False]
    silent = FieldSpec("low", 0, 8, special=Special.MEASURED, comment="Counts up.")
    assert "Counts up" not in arithmetic_lines(MessageSpec("ONE", 0x1FF00, 6, 8, (silent,)), b"\xff", 0)[0]
