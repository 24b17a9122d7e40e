"""A frame in whatever a person pastes: lines of other programs, sentences of a mail, columns of a table."""

import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.faces.text.spell_given import read_given

IDENTIFIER, DATA = 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF")
FORMS = (
    "can0 19FFE45E#0100C864FFFFFFFF",
    "> can0  19FFE45E   [8]  01 00 C8 64 FF FF FF FF",
    "(000.000123)  can0  19FFE45E   [8]  01 00 C8 64 FF FF FF FF   '...d....'",
    "     1)      1059.9  Rx     19FFE45E  8  01 00 C8 64 FF FF FF FF",
    "      1      1059.900 DT 19FFE45E Rx 8  01 00 C8 64 FF FF FF FF",
    "      1      1059.900 DT     1 19FFE45E Rx -  8    01 00 C8 64 FF FF FF FF",
    "1436509052.249713,0x19FFE45E,1,0,0,8,AQDIZP////8=",
    "0.5,19FFE45E,8,01,00,C8,64,FF,FF,FF,FF",
    "0.5;19FFE45E;8;01 00 C8 64 FF FF FF FF",
    "T19FFE45E80100C864FFFFFFFF",
    "0x19FFE45E: 0x01, 0x00, 0xC8, 0x64, 0xFF, 0xFF, 0xFF, 0xFF",
    "19FFE45E x 01 00 C8 64 FF FF FF FF",
    "12:34:56.789 19FFE45E 01 00 C8 64 FF FF FF FF",
    "2024-01-02 12:34:56 19FFE45E 8 01 00 C8 64 FF FF FF FF",
    "19FFE45E 8 01 00 C8 64 FF FF FF FF",
    "19FFE45E 8 0100C864FFFFFFFF",
    "19FFE45E 8 01 00 C8 64 FF FF FF FF 2E 2E",
    "19FFE45E 1 0 C8 64 FF FF FF FF",
    "19FFE45E (8) 01 00 C8 64 FF FF FF FF",
    "19FFE45E 0100C864 FFFFFFFF",
    "19FFE45E 01 00 C8 64 FF FF FF FF ...d....",
    "19FFE45E 01 00 C8 64 FF FF FF FF abcd",
    "19FFE45E|01 00 C8 64 FF FF FF FF",
    "19FFE45E\t01 00 C8 64 FF FF FF FF",
    "19FFE45E-0100C864FFFFFFFF",
    '{"t":0.5,"id":"19FFE45E","data":"0100C864FFFFFFFF"}',
    "ID: 19FFE45E Data: 01 00 C8 64 FF FF FF FF",
    "ID=19FFE45E DLC=8 DATA=01 00 C8 64 FF FF FF FF",
    "DLC=8, ID=19FFE45E, 01 00 C8 64 FF FF FF FF 12 34",
    "can_id 19FFE45E len 8 data 0100C864FFFFFFFF",
    "Timestamp: 1436509052.249713    ID: 19ffe45e    X Rx    DL:  8    01 00 c8 64 ff ff ff ff     Channel: can0",
    "The frame was 0x19FFE45E (01 00 C8 64 FF FF FF FF), can you tell?",
    "`19FFE45E#0100C864FFFFFFFF`",
    "20240102 19FFE45E 01 00 C8 64 FF FF FF FF",
    "log.txt:17: 99FFE45E 01 00 C8 64 FF FF FF FF",
)


@pytest.mark.parametrize("text", FORMS)
def test_a_pasted_line_is_understood(catalogue, text):
    """Whatever stands around it, the identifier and its eight bytes are found; as one word or cut at the blanks."""
    for words in ([text], text.split()):
        found = read_given(words, catalogue).frame
        assert found is not None
        assert (found.identifier, found.data) == (IDENTIFIER, DATA)


@pytest.mark.parametrize(
    ("text", "note"),
    [
        ("19 FF E4 5E 01 00 C8 64 FF FF FF FF", "first four bytes were taken for the identifier 19FFE45E"),
        ("19:FF:E4:5E 01:00:C8:64:FF:FF:FF:FF", "first four bytes were taken for the identifier 19FFE45E"),
        ("99 FF E4 5E 01 00 C8 64 FF FF FF FF", "first four bytes were taken for the identifier 19FFE45E"),
        ("19FFE45E0100C864FFFFFFFF", "first four bytes were taken for the identifier 19FFE45E"),
        ("11001111111111110010001011110 0100C864FFFFFFFF", "29 binary digits are an identifier: 19FFE45E hex"),
        ("110 0 1 11111111 11100100 01011110 01 00 C8 64 FF FF FF FF", "29 binary digits"),
        ("436200542 0100C864FFFFFFFF", "436200542 has nine digits and is decimal: 19FFE45E hex"),
        ("19FFE45E 1 0 200 100 255 255 255 255", "taken for decimal numbers: 01 00 C8 64 FF FF FF FF hex"),
        ("id=0x19FFE45E, data=[1, 0, 200, 100, 255, 255, 255, 255]", "taken for decimal numbers"),
        ("6 1FFE4 5E 01 00 C8 64 FF FF FF FF", "priority 6, DGN 1FFE4, source address 5E: 19FFE45E"),
        ("DGN=1FFE4 SA=5E DLC=8 DATA=01 00 C8 64 FF FF FF FF", "priority 6, DGN 1FFE4, source address 5E"),
        ("1FFE4 5E 01 00 C8 64 FF FF FF FF", "1FFE4 is a DGN and 5E was taken for the source address"),
        ("log: 99FFE45E 0100C864FFFFFFFF", "99FFE45E has bit 31 set; the identifier itself is 19FFE45E"),
        ("19FFE45E#0100C864FFFFFFFF\n19FFE45E#00\n\nthat is all", "2 frames in 3 lines: only the first one"),
        ("can0 19FFE45E#0100C864FFFFFFFF\ncan0 123#00", None),
        ("19FFE45E 01 00 C8 64 FF FF FF FF 1BFED941 00 01", "Another frame stands behind it"),
    ],
)
def test_what_was_understood_is_said(catalogue, text, note):
    """The frame is found, and a sentence says what was taken for what; none where nothing had to be guessed."""
    found = read_given([text], catalogue)
    assert found.frame is not None
    assert (found.frame.identifier, found.frame.data) == (IDENTIFIER, DATA)
    assert found.has_data
    assert len(found.notes) == (note is not None)
    assert (note or "") in " ".join(found.notes)


@pytest.mark.parametrize(
    ("text", "message", "note"),
    [
        ("65226", "DM1", "65226 is decimal: 0FECA hex."),
        ("131042", "THERMOSTAT_STATUS_1", "131042 is decimal: 1FFE2 hex."),
        ("PGN 65226", "DM1", "65226 is decimal"),
        ("PGN: 0xFECA", "DM1", ""),
        ("DGN 1FFE2", "THERMOSTAT_STATUS_1", ""),
        ("00FECA", "DM1", ""),
        ("dgn=1FFE2", "THERMOSTAT_STATUS_1", ""),
        ("DGN 1FFE2 hex (131042)", "THERMOSTAT_STATUS_1", ""),
    ],
)
def test_a_number_of_a_message_is_hex_or_decimal(catalogue, text, message, note):
    """RV-C writes DGNs in hex, J1939 PGNs in decimal; the decimal reading is said."""
    found = read_given(text.split(), catalogue)
    assert found.message == message
    assert note in " ".join(found.notes)
    assert bool(found.notes) == bool(note)


def test_a_name_stands_for_its_identifier(catalogue):
    """As questions of `practice` show frames; what is assumed of the identifier is said."""
    found = read_given(["DC_SOURCE_STATUS_1", "01 78 14 01 00 94 35 77"], catalogue)
    assert found.frame is not None
    assert (found.frame.identifier, found.frame.data.hex()) == (0x19FFFD80, "0178140100943577")
    assert "priority 6 and source address 80 are assumed, so 19FFFD80" in found.notes[0]


def test_seven_digits_have_no_priority(catalogue):
    """A DGN and a source address read as a number have priority 0; the usual identifier is named."""
    for words in (["1FFE2A1"], ["1FFE2A1", "0102FFFF2C25FFFF"]):
        found = read_given(words, catalogue)
        assert found.frame is not None
        assert found.frame.identifier == 0x01FFE2A1
        assert "With priority 6 it is 19FFE2A1" in found.notes[0]
    assert not any("With priority" in note for note in read_given(["1234567", "00"], catalogue).notes)


def test_an_identifier_in_binary_stands_alone(catalogue):
    """No data were given: only the identifier is explained."""
    found = read_given(["11001111111111110010001011110"], catalogue)
    assert found.frame is not None
    assert found.frame.identifier == IDENTIFIER
    assert not found.has_data


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("can0  123   [8]  01 02 03 04 05 06 07 08", "a frame with an 11-bit identifier"),
        ("t12380102030405060708", "a frame with an 11-bit identifier"),
        ("R19FFE45E8", "a remote frame: it asks for data and has none"),
        ("19FFE45E#R8", "a remote frame"),
        ("can0  19FFE45E   [8]  remote request", "a remote frame"),
        ("     1)      1059.9  Rx     19FFE45E  8  RTR", "a remote frame"),
        ("1 1059.900 RR 19FFE45E Rx 8", "a remote frame"),
        ("can0 19FFE45E##10100C864FFFFFFFF", "CAN FD"),
        ("can0  20000080   [8]  00 00 00 00 00 00 60 00   ERRORFRAME", "an error that an adapter reported"),
        ("0.5 1 ErrorFrame", "an error that an adapter reported"),
        ("0.5 1 J1939TP FEEBp 6 45 FF Rx d 12 01 02 03", "a message of more than 8 bytes"),
        ("19FEEB45 4C4933 2A 38 2A 2A 20 41 42 43", "has 11 bytes: a frame holds 8 at most; a longer message is sent"),
        ("19FFE45E [9] 01 00 C8 64 FF FF FF FF FF", "has 9 bytes: a frame holds 8 at most"),
        ("19FFE45E [8] 01 00 C8", "the length of 19FFE45E is 8 and 3 bytes of data stand behind it"),
        ("can0 19FFE45E len 2", "the length of 19FFE45E is 2 and 0 bytes"),
        ("01 00 C8 64 FF FF FF FF", "these are 8 bytes without an identifier"),
        ("0100C864FFFFFFFF", "these are 8 bytes without an identifier"),
        ("0100C864FFFFFFFF 19FFE45E", "write `rvsim spell 19FFE45E 0100C864FFFFFFFF`"),
        ("19FFE45G 0100C864FFFFFFFF", "identifier '19FFE45G' is not hex"),
        ("FFFFFFFF 0100C864FFFFFFFF", "FFFFFFFF does not fit in 29 bits"),
        ("PGN 12345", "no message has the PGN 12345, in hex or in decimal"),
        ("thermostat status", "the beginning of THERMOSTAT_STATUS_1, THERMOSTAT_STATUS_2"),
        ("", "'' is neither a message nor a frame"),
        ("@home: 12345678!", "is neither a message nor a frame"),
        ("y" * 400 + " 12345678", "yyy..."),
    ],
)
def test_what_it_is_stands_in_one_line(catalogue, text, says):
    """What cannot be explained is recognized all the same."""
    with pytest.raises(InputError) as caught:
        read_given([text], catalogue)
    (line,) = caught.value.problems
    assert says in line
    assert len(line) < 300


@pytest.mark.parametrize(
    ("text", "data"),
    [
        ("19FFE45E 2 00 01 41 42 43 44 45", "0001"),
        ("19FFE45E 7 10 11 12 13 14 15 16", "10111213141516"),
        ("19FFE45E 1 10 11 12 13 14 15 16", "0110111213141516"),
        ("19FFE45E 0", ""),
        ("id 19FFE45E dlc 0", ""),
        ("19FFE45E 012", None),
    ],
)
def test_a_digit_in_front_of_bytes(catalogue, text, data):
    """It is the length where as many bytes stand behind it, else a byte without its zero where there are eight."""
    if data is None:
        with pytest.raises(InputError, match="two make a byte"):
            read_given([text], catalogue)
        return
    found = read_given([text], catalogue).frame
    assert found is not None
    assert found.data.hex() == data


def test_notes_stand_within_the_width(rvsim):
    """They are sentences like the others, in front of the explanation of a frame and of a message."""
    code, out, _ = rvsim("spell", "2583683166", "00")
    assert code == 0
    assert out.startswith("2583683166 is the decimal number")
    assert max(map(len, out.splitlines())) <= 80
    assert rvsim("spell", "65226")[1].startswith("65226 is decimal: 0FECA hex.\n\nDM1")
    assert rvsim("spell", "65226", "--json")[2].strip() == "rvsim: 65226 is decimal: 0FECA hex."


@given(st.integers(1 << 20, (1 << 29) - 1), st.binary(min_size=1, max_size=8))
@example(0x10203040, b"\x08")
@example(0x18FEF100, bytes(8))
@example(0x01234567, bytes(range(1, 9)))
def test_a_length_in_front_makes_any_line_certain(catalogue, identifier, data):
    """Then no byte is taken for the length, and none behind them for a byte."""
    spaced = data.hex(" ").upper()
    for text in (
        f"0.25 1 {identifier:08X} Rx {len(data)} {spaced} 'A.'",
        f"id {identifier:08x} dlc {len(data)} data {data.hex()}",
        f"{identifier:08X};{len(data)};{re.sub(' ', ';', spaced)}",
    ):
        found = read_given([text], catalogue).frame
        assert found is not None, text
        assert (found.identifier, found.data) == (identifier, data), text


def test_short_data_are_not_taken_for_an_identifier(catalogue):
    """Four bytes behind eight digits that are an identifier: nothing is swapped."""
    found = read_given(["01020304", "19FFE2A1"], catalogue).frame
    assert found is not None
    assert (found.identifier, found.data.hex()) == (0x01020304, "19ffe2a1")
