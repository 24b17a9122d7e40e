"""The picture of a frame's bits: every bit once, in its place, under the words of its field."""

import re

from hypothesis import given
from hypothesis import strategies as st

from rvsim.faces.text.bit_picture import frame_rows, picture_text, wire_rows
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

FIELDS = (FieldSpec("up", 3, 11, big_endian=True), FieldSpec("flag", 16, 1), FieldSpec("top", 22, 2))
SHAPES = MessageSpec("SHAPES", 0x1FE05, 6, 3, FIELDS)


def picture(frame, spec):
    """The picture as lines."""
    return list(picture_text(frame_rows(frame, spec)))


def test_the_picture_of_a_thermostat(catalogue):
    """Six parts of the identifier, fields that share a byte led to their words, two bytes of one number."""
    frame = Frame(0, 0x19FFE244, bytes.fromhex("015164C024C024FF"))
    assert picture(frame, catalogue.by_dgn(0x1FFE2))[:15] == [
        "  identifier  110  0  1  11111111  11100010  01000100",
        "              |    |  |  |         |         '- source address: 44 hex (68)",
        "              |    |  |  |         '- low byte of the DGN (PDU specific): E2 hex",
        "              |    |  |  '- message group byte (PDU format): FF hex",
        "              |    |  '- data page",
        "              |    '- reserved",
        "              '- priority 6 (0 goes first)",
        "  byte 0, 01  00000001  instance: 1",
        "  byte 1, 51  01  01  0001",
        "              |   |   '- operating mode: cool",
        "              |   '- fan mode: on",
        "              '- schedule mode: enabled",
        "  byte 2, 64  01100100  fan speed: 50 %",
        "  byte 3, C0  11000000  set point temperature heat, low byte: 21.00 °C",
        "  byte 4, 24  00100100  set point temperature heat, high byte",
    ]


@given(st.integers(0, (1 << 29) - 1), st.binary(max_size=8))
def test_every_bit_is_there_once(identifier, data):
    """With a known message or none, of any length: the groups of a row are the bits of its byte, in eighty columns."""
    frame = Frame(0, identifier, data)
    for spec in (None, SHAPES):
        rows = frame_rows(frame, spec)
        assert "".join(group.bits for group in rows[0].groups) == f"{identifier:029b}"
        assert ["".join(group.bits for group in row.groups) for row in rows[1:]] == [f"{byte:08b}" for byte in data]
        lines = list(picture_text(rows))
        assert max(map(len, lines)) <= 80
        assert sum(line.count("'- ") for line in lines) == sum(len(row.groups) for row in rows if len(row.groups) > 1)


def test_bytes_of_a_field_are_named_by_its_byte_order():
    """The high byte stands first in a big-endian field; bits of no field are unused."""
    rows = frame_rows(Frame(0, 0, bytes.fromhex("1FFC80")), SHAPES)
    assert [[tuple(group) for group in row.groups] for row in rows[1:]] == [
        [("000", "unused"), ("11111", "up, high byte")],
        [("111111", "up, low byte: 2047"), ("00", "unused")],
        [("10", "top: 2"), ("00000", "unused"), ("0", "flag: 0")],
    ]


def test_the_bits_on_the_pair(catalogue):
    """The same parts as `spell --wire`, stuff bits in brackets."""
    lines = list(picture_text(wire_rows(Frame(0, 0x19FFE2A1, bytes.fromhex("0102FFFF2C25FFFF")))))
    assert lines[:2] == [
        "  start of frame         0                      0: all clocks start here",
        "  identifier, 11 bits    110011111[0]11",
    ]
    assert re.sub("[^01]", "", lines[-1]) == "111"
