"""Frame lengths against published rows, bits counted by hardware, and a second way to count them."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rvsim.wire.timing import (
    BIT_RATE,
    CRC_PRESET,
    Bit,
    FramePart,
    crc15,
    crc_field,
    exact_bits,
    frame_bits,
    frame_header,
    max_bits,
    min_bits,
    remote_bits,
    standard_bits,
)

IDENTIFIERS = st.integers(0, (1 << 29) - 1) | st.sampled_from([0, (1 << 29) - 1, 0x1F07C1F0])
BYTES = st.binary(max_size=8) | st.integers(0, 8).flatmap(
    lambda length: st.lists(st.sampled_from([0, 0xFF, 0x0F, 0xF0, 0x83]), min_size=length, max_size=length).map(bytes)
)
COUNTED = [
    ("01 A0 0F A6 60 3B D1 40", 141),
    ("02 1F DE 80 25 DF C0 2B", 140),
    ("03 E1 00 4B FF FF 3C 0F", 146),
]
"""Data of frames with the identifier 18EBFF00 and the bits that CAN hardware counted, the 3 between frames included
(test/data/logfile.asc of the python-can 4.6.1 sources)."""


def stuffed(bits):
    """Return a string of bits with its stuff bits, found one at a time by looking back over what was sent."""
    sent = ""
    for bit in bits:
        sent += bit
        if sent[-5:] in ("00000", "11111"):
            sent += "1" if bit == "0" else "0"
    return sent


def remainder(bits):
    """Return the 15 bits that a string of bits leaves when it is divided by x^15 + the polynomial 4599 hex."""
    number = int(bits, 2) << 15
    while number.bit_length() > 15:
        number ^= 0xC599 << number.bit_length() - 16
    return f"{number:015b}"


def before_data(identifier, length):
    """Return the 39 bits before the data as a string, without stuff bits."""
    text = f"{identifier:029b}"
    return f"0{text[:11]}11{text[11:]}000{length:04b}"


def on_the_wire(identifier, data):
    """Return a frame as a string of bits, by the picture of an extended frame in the specification (part B, 3.1.1)."""
    bits = before_data(identifier, len(data)) + "".join(f"{byte:08b}" for byte in data)
    return stuffed(bits + remainder(bits)) + "1" + "01" + "1111111" + "111"


@pytest.mark.parametrize(("length", "bits"), [(0, 67), (8, 131), (3, 91)])
def test_fewest_bits(length, bits):
    """54 + 8 s + 13 bits for a 29-bit identifier: 67 empty, 131 full (Davis and others 2007, eqs 1-3, unstuffed)."""
    assert min_bits(length) == bits


def test_a_full_frame_takes_524_microseconds():
    """131 bits of 4 us; 1908.4 such frames fill a second."""
    assert min_bits(8) * 1_000_000 // BIT_RATE == 524
    assert BIT_RATE / min_bits(8) == pytest.approx(1908.4, abs=0.1)


@pytest.mark.parametrize(("length", "bits"), [(0, 80), (1, 90), (3, 110), (8, 160)])
def test_most_bits(length, bits):
    """80 + 10 s bits for a 29-bit identifier in the worst case (Davis and others 2007, eq. 3)."""
    assert max_bits(length) == bits


@pytest.mark.parametrize(("data", "counted"), COUNTED)
def test_bits_that_hardware_counted(data, counted):
    """A frame is exactly as long as CAN hardware has found it."""
    assert exact_bits(0x18EBFF00, bytes.fromhex(data)) == counted
    assert len(frame_bits(0x18EBFF00, bytes.fromhex(data))) == counted


def test_check_value_of_the_crc():
    """The digits 1 to 9 leave 059E hex (check value of CRC-15/CAN in the catalogue of parametrised CRC algorithms)."""
    assert crc15(b"123456789") == 0x059E


def test_the_crc_can_be_taken_in_pieces():
    """A register goes on where another ended."""
    assert crc15(b"6789", crc15(b"12345")) == 0x059E


@given(IDENTIFIERS, BYTES)
@example(0, bytes(8))
@example((1 << 29) - 1, b"\xff" * 8)
@example(0, b"")
def test_every_bit_is_the_one_of_the_specification(identifier, data):
    """All bits, stuff bits among them, are those that another way of building the frame gives."""
    assert "".join(str(bit.value) for bit in frame_bits(identifier, data)) == on_the_wire(identifier, data)
    assert exact_bits(identifier, data) == len(on_the_wire(identifier, data))


@given(IDENTIFIERS, BYTES)
def test_no_frame_is_outside_the_bounds(identifier, data):
    """The published formulas hold for every frame."""
    assert min_bits(len(data)) <= exact_bits(identifier, data) <= max_bits(len(data))


@given(IDENTIFIERS, BYTES)
def test_a_receiver_gets_the_frame_back(identifier, data):
    """Without its stuff bits a frame has the identifier, the length and the bytes that were sent."""
    sent = [bit for bit in frame_bits(identifier, data) if not bit.is_stuff]
    number = {part: int("0" + "".join(str(bit.value) for bit in sent if bit.part is part), 2) for part in FramePart}
    assert number[FramePart.IDENTIFIER] == identifier
    assert number[FramePart.LENGTH] == len(data)
    assert number[FramePart.DATA].to_bytes(len(data)) == data
    assert len(sent) == min_bits(len(data))


@given(IDENTIFIERS, BYTES)
def test_six_equal_bits_never_come_before_the_end(identifier, data):
    """Six equal bits mean an error up to the delimiter of the CRC: stuffing keeps them away."""
    bits = "".join(str(bit.value) for bit in frame_bits(identifier, data))[:-12]
    assert "000000" not in bits
    assert "111111" not in bits


def test_bits_by_name():
    """Each bit is named; a stuff bit belongs to the bit that called for it, here the fifth 0 of an identifier."""
    bits = frame_bits(0x0000_0000, b"\x5a")
    assert bits[:6] == [
        Bit(FramePart.START, 0),
        *[Bit(FramePart.IDENTIFIER, 0)] * 4,
        Bit(FramePart.IDENTIFIER, 1, True),
    ]
    plain = [bit for bit in bits if not bit.is_stuff]
    parts = (
        [FramePart.START] + [FramePart.IDENTIFIER] * 11 + [FramePart.SRR, FramePart.IDE] + [FramePart.IDENTIFIER] * 18
    )
    parts += (
        [FramePart.RTR, FramePart.R1, FramePart.R0]
        + [FramePart.LENGTH] * 4
        + [FramePart.DATA] * 8
        + [FramePart.CRC] * 15
    )
    parts += (
        [FramePart.CRC_DELIMITER, FramePart.ACKNOWLEDGE, FramePart.ACKNOWLEDGE_DELIMITER]
        + [FramePart.END] * 7
        + [FramePart.BETWEEN] * 3
    )
    assert [bit.part for bit in plain] == parts
    assert [str(part) for part in FramePart] == [
        "start of frame", "identifier", "SRR", "IDE", "RTR", "r1", "r0", "DLC", "data", "CRC", "CRC delimiter",
        "acknowledge", "acknowledge delimiter", "end of frame", "between frames",
    ]  # fmt: skip


def standard_on_the_wire(identifier, data, asked=None):
    """Return a frame with an 11-bit identifier as a string of bits, by the picture in part A, section 3.1."""
    length, remote = (len(data), 0) if asked is None else (asked, 1)
    bits = f"0{identifier:011b}{remote}00{length:04b}" + "".join(f"{byte:08b}" for byte in data)
    return stuffed(bits + remainder(bits)) + "1" + "01" + "1111111" + "111"


@given(st.integers(0, (1 << 11) - 1), BYTES)
@example(0, bytes(8))
@example((1 << 11) - 1, b"\xff" * 8)
def test_bits_of_a_frame_with_an_11_bit_identifier(identifier, data):
    """They are those of the picture in the specification; 44 + 8 s without stuff bits and the 3 between frames."""
    bits = standard_bits(identifier, data)
    assert bits == len(standard_on_the_wire(identifier, data))
    assert 47 + 8 * len(data) <= bits <= 47 + 8 * len(data) + (34 + 8 * len(data) - 1) // 4


@given(st.integers(0, (1 << 11) - 1), IDENTIFIERS, st.integers(0, 8))
def test_bits_of_remote_frames(short, identifier, asked):
    """They hold no data, and the RTR bit is 1; with either kind of identifier."""
    assert standard_bits(short, b"", asked) == len(standard_on_the_wire(short, b"", asked))
    head = before_data(identifier, asked)
    head = head[:32] + "1" + head[33:]
    assert remote_bits(identifier, asked) == len(stuffed(head + remainder(head)) + "1" + "01" + "1111111" + "111")


def test_what_is_no_11_bit_or_remote_frame_is_refused():
    """Identifiers that do not fit, and nine bytes."""
    for call in (lambda: standard_bits(1 << 11, b""), lambda: standard_bits(-1, b"")):
        with pytest.raises(ValueError, match="does not fit in 11 bits"):
            call()
    for call in (lambda: standard_bits(0, bytes(9)), lambda: standard_bits(0, b"", 9), lambda: remote_bits(0, 9)):
        with pytest.raises(ValueError, match="9 bytes do not fit in one frame"):
            call()
    with pytest.raises(ValueError, match="does not fit in 29 bits"):
        remote_bits(1 << 29, 0)


def test_a_stuff_bit_can_follow_the_crc():
    """Five equal bits at the end of the CRC call for one more bit before the delimiter."""
    data = next(bytes([n]) for n in range(256) if remainder_of(0x19FFE2A1, bytes([n])).endswith("00000"))
    bits = frame_bits(0x19FFE2A1, data)
    place = next(number for number, bit in enumerate(bits) if bit.part is FramePart.CRC_DELIMITER)
    assert bits[place - 1] == Bit(FramePart.CRC, 1, True)
    assert exact_bits(0x19FFE2A1, data) == len(bits)


def remainder_of(identifier, data):
    """Return the last bits before the CRC delimiter that are no stuff bits."""
    return "".join(
        str(bit.value) for bit in frame_bits(identifier, data) if bit.part is FramePart.CRC and not bit.is_stuff
    )


@given(IDENTIFIERS, st.integers(0, 8))
def test_what_tables_run_over_is_whole_bytes(identifier, length):
    """A 1 before the 39 bits of the opening does nothing to the CRC; the bit behind the CRC ends every run."""
    assert f"{frame_header(identifier, length):040b}" == "1" + before_data(identifier, length)
    crc = crc15(frame_header(identifier, length).to_bytes(5), CRC_PRESET)
    assert f"{crc:015b}" == remainder(before_data(identifier, length))
    assert f"{crc_field(crc):016b}" == f"{crc:015b}" + ("0" if crc & 1 else "1")


@pytest.mark.parametrize("bits", [exact_bits, frame_bits])
def test_what_is_no_frame_is_refused(bits):
    """An identifier of 30 bits, one below 0 or nine bytes are a mistake of the caller."""
    with pytest.raises(ValueError, match="identifier 20000000 hex does not fit in 29 bits"):
        bits(1 << 29, b"")
    with pytest.raises(ValueError, match="does not fit in 29 bits"):
        bits(-1, b"")
    with pytest.raises(ValueError, match="9 bytes do not fit in one frame, which has at most 8"):
        bits(0, bytes(9))
