"""A frame as the pair carries it: against an independent bit stuffer, and who wins."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.faces.text.spell_wire import pieces_of, wire_json, wire_text
from rvsim.wire.frame import Frame
from rvsim.wire.timing import exact_bits

IDENTIFIERS = st.integers(0, (1 << 29) - 1)


def stuffed(bits):
    """A string of bits with a bit put in after five equal ones, written without the project's tables."""
    found = ""
    for bit in bits:
        found += bit
        if len(found) >= 5 and len(set(found[-5:])) == 1:
            found += "1" if bit == "0" else "0"
            # a stuff bit begins a new run, as it is counted itself: the loop sees it in found
    return found


def crc15(bits):
    """CAN Specification 2.0, section 3.1.1, bit by bit: x15+x14+x10+x8+x7+x4+x3+1."""
    register = 0
    for bit in bits:
        following = int(bit) ^ (register >> 14)
        register = (register << 1) & 0x7FFF
        if following:
            register ^= 0x4599
    return f"{register:015b}"


@given(IDENTIFIERS, st.binary(max_size=8))
def test_every_bit_equals_an_independent_stuffer(identifier, data):
    """The whole frame as one string, put together by hand from the parts of the specification."""
    whole = f"{identifier:029b}"
    start = "0" + whole[:11] + "11" + whole[11:] + "000" + f"{len(data):04b}" + "".join(f"{one:08b}" for one in data)
    expected = stuffed(start + crc15(start)) + "1" + "0" + "1" + "1" * 7 + "1" * 3
    told = json.loads(wire_json(Frame(0, identifier, data)))
    assert "".join(part["stuffed"] for part in told["parts"]).replace("[", "").replace("]", "") == expected
    assert told["bits"] == len(expected) == exact_bits(identifier, data)
    assert told["microseconds"] == 4 * len(expected)
    titles = [piece.title for piece in pieces_of(Frame(0, identifier, data))]
    assert [title for title in titles if title.startswith("data")] == [f"data byte {n}" for n in range(len(data))]


@given(IDENTIFIERS, IDENTIFIERS)
def test_the_lower_number_wins(one, other):
    """By comparing numbers, and at the first bit of their text that differs (CAN Specification 2.0, section 3.1)."""
    contest = json.loads(wire_json(Frame(0, one, b""), other))["against"]
    pairs = list(zip(f"{one:029b}", f"{other:029b}", strict=True))
    first = next((place for place, pair in enumerate(pairs, 1) if pair[0] != pair[1]), None)
    assert contest == {"identifier": f"{other:08X}", "wins": one < other, "bit": first}


def test_who_wins_is_told_in_words():
    """Priority 6 both; the frame with the lower DGN goes on. The same identifier twice is an error."""
    frame = Frame(0, 0x19FFE2A1, bytes.fromhex("0102FFFF2C25FFFF"))
    said = " ".join("\n".join(wire_text(frame, 0x18EAFFF9)).split())
    assert "the first 4 bits of the identifiers are equal. At bit 5 of the identifier 18EAFFF9 sends 0" in said
    assert "That bit is in its data page: 0 against 1." in said
    source = " ".join(" ".join(wire_text(frame, 0x19FFE2A3)).split())
    assert "That bit is in its source address: A1 against A3." in source
    assert "142 bits, 11 of them stuff bits, the 3 between frames included: 568 µs at 250 kbit/s" in said
    assert "is the same identifier: both go on into the data" in " ".join(wire_text(frame, frame.identifier))
    assert "--against ID" in " ".join(wire_text(frame))
    assert max(map(len, wire_text(frame, 0x19FFE2A0))) <= 80


@pytest.mark.parametrize("identifier", [0x00000000, 0x1FFFFFFF, 0x18000000, 0x19FFE45E, 0x0007C1F0])
@pytest.mark.parametrize("count", [0, 1, 2, 8])
def test_every_line_fits_a_terminal(identifier, count):
    """The identifier with the most stuff bits too; a frame with no data, and with one byte."""
    lines = list(wire_text(Frame(0, identifier, bytes(count)), identifier ^ 1))
    assert max(map(len, lines)) <= 80
    said = " ".join(" ".join(lines).split())
    assert f"{count} byte{'s' if count != 1 else ''} has" in said
    assert len([line for line in lines if "data byte" in line]) == count
    assert ("carrying no data" in lines[0]) == (count == 0)
