"""What a person gives to `spell`, and what is told of something that is none of it."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.faces.text.spell_given import GivenValue, read_given
from rvsim.wire.frame import Frame

IDENTIFIER, DATA = 0x19FFE2A1, bytes.fromhex("0102FFFF2C25FFFF")


@pytest.mark.parametrize(
    "words",
    [
        ("19FFE2A1", "0102FFFF2C25FFFF"),
        ("0x19ffe2a1", "01", "02", "FF", "FF", "2C", "25", "FF", "FF"),
        ("19FFE2A1x", "01:02:FF:FF:2C:25:FF:FF"),
        ("19FFE2A1#0102FFFF2C25FFFF",),
        ("  19FFE2A1 # 01 02 FF FF 2C 25 FF FF",),
        ("19FFE2A1 [8] 01 02 FF FF 2C 25 FF FF",),
        ("(1700000000.123456)", "can0", "19FFE2A1#0102FFFF2C25FFFF"),
        ("(1700000000.123456) can0 19FFE2A1#0102FFFF2C25FFFF R",),
        (" can0  19FFE2A1   [8]  01 02 FF FF 2C 25 FF FF",),
        ("   0.012300 1  19FFE2A1x       Rx   d 8 01 02 FF FF 2C 25 FF FF",),
        ('{"t": 1.25, "type": "frame", "identifier": "19FFE2A1", "bytes": "0102FFFF2C25FFFF"}',),
        ("99FFE2A1", "0102FFFF2C25FFFF"),
        (str(0x99FFE2A1), "0102FFFF2C25FFFF"),
        ("19 FF E2 A1", "0102FFFF2C25FFFF"),
    ],
)
def test_a_frame_is_read_as_it_was_pasted(catalogue, words):
    """Typed in hex, or a line of a log in one of its forms; bit 31 and a DBC's decimal number are understood."""
    found = read_given(words, catalogue).frame
    assert found is not None
    assert (found.identifier, found.data) == (IDENTIFIER, DATA)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("THERMOSTAT_STATUS_1",), "THERMOSTAT_STATUS_1"),
        (("thermostat", "status", "1"), "THERMOSTAT_STATUS_1"),
        (("1FFE2",), "THERMOSTAT_STATUS_1"),
        (("0x1ffe2",), "THERMOSTAT_STATUS_1"),
        (("EA21",), "REQUEST_FOR_DGN"),
        (("FECA",), "DM1"),
    ],
)
def test_a_message_is_named_or_numbered(catalogue, words, message):
    """In any case, with blanks for underscores; a destination in the DGN does not matter (SAE J1939-21)."""
    assert read_given(words, catalogue).message == message


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("1FFE2", "0102"), "1FFE2 is the DGN of THERMOSTAT_STATUS_1, not an identifier"),
        (("0102FFFF2C25FFFF", "19FFE2A1"), "swapped: 0102FFFF2C25FFFF has 8 bytes and 19FFE2A1 fits in 29 bits"),
        (("19FFE2A1", "012"), "has 3 hex digits: two make a byte"),
        (("19FFE2A1", "01020304050607FF09"), "has 9 bytes: a frame holds 8 at most"),
        (("12345",), "no message has the DGN 12345:"),
        (("FFE2",), "no message has the DGN FFE2 (did you mean 1FFE2, THERMOSTAT_STATUS_1?)"),
        (("THERMOSTAT_STATUS_1", "instance", "1"), "write a value with = behind its field, like instance=1"),
        (("termostat_status_1",), 'did you mean "THERMOSTAT_STATUS_1"'),
        (("tank",), "rvsim spell --find tank"),
        (("xyz", "00"), "identifier 'xyz' is not hex"),
        (("30000000", "00"), "does not fit in 29 bits"),
        (("tank", "instance=1"), "no message is called tank"),
    ],
)
def test_what_was_meant_is_told(catalogue, words, says):
    """One line: what it looks like, and what to write."""
    with pytest.raises(InputError) as caught:
        read_given(words, catalogue)
    (line,) = caught.value.problems
    assert says in line


@pytest.mark.parametrize(
    ("text", "says"),
    [("99FFE2A1", "has bit 31 set"), (str(0x99FFE2A1), "is the decimal number of a DBC file: 99FFE2A1 hex")],
)
def test_what_was_understood_is_told(catalogue, text, says):
    """A note says how the number was read; the identifier alone says that the data are missing."""
    found = read_given([text], catalogue)
    assert found.frame == Frame(0, IDENTIFIER, b"")
    assert not found.has_data
    assert says in found.notes[0]
    assert "its data bytes are missing" in found.notes[-1]


def test_values_may_have_blanks(catalogue):
    """A shell cuts `dc_voltage=13.8 V` in two; the parts belong together."""
    found = read_given(["DC_SOURCE_STATUS_1", "instance=1", "dc_voltage=13.8", "V"], catalogue)
    assert found.message == "DC_SOURCE_STATUS_1"
    assert found.values == (GivenValue("instance", "1"), GivenValue("dc_voltage", "13.8 V"))


@pytest.mark.parametrize("words", [("dc_current", "=", "-5"), ("dc_current=", "-5"), ("dc_current", "=-5")])
def test_blanks_may_stand_beside_the_equals_sign(catalogue, words):
    """A shell makes words of them."""
    assert read_given(["DC_SOURCE_STATUS_1", *words], catalogue).values == (GivenValue("dc_current", "-5"),)


@pytest.mark.parametrize(("identifier", "noted"), [("19FFE2A", True), ("9F0F0A1", True), ("DFECA45", False)])
def test_a_zero_that_was_put_in_front_is_told(catalogue, identifier, noted):
    """Not where the frame is then one of a known message with a priority: some programs leave a zero out."""
    (said,) = [read_given([identifier, *data], catalogue).notes[:1] for data in (("01",),)]
    assert (said == (f"{identifier} has 7 hex digits and an identifier 8: 0 was put in front. {LOOK}",)) is noted


LOOK = "Look whether a digit is missing."


@given(st.lists(st.text(max_size=24), min_size=1, max_size=4))
def test_any_words_are_read_or_refused(catalogue, words):
    """Nothing else happens, whatever is typed."""
    with suppress(InputError):
        found = read_given(words, catalogue)
        assert found.frame is not None or found.message


@given(st.integers(0, (1 << 29) - 1).filter(lambda number: number >= 1 << 20), st.binary(min_size=1, max_size=8))
def test_every_form_of_a_frame_is_the_same_frame(catalogue, identifier, data):
    """The short form, the two forms of a log, and hex with blanks."""
    digits = data.hex()
    forms = [
        [f"{identifier:08X}", digits],
        [f"{identifier:08x}#{digits}"],
        [f"(0.5) can0 {identifier:08X}#{digits}"],
        [f"can0 {identifier:08X} [{len(data)}] {data.hex(' ')}"],
    ]
    for words in forms:
        found = read_given(words, catalogue).frame
        assert found is not None
        assert (found.identifier, found.data) == (identifier, data), words
