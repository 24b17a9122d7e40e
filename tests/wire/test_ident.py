"""rvsim.wire.ident: the 29-bit identifier, against published identifiers, cantools and a recorded bus."""

import re
from pathlib import Path

import pytest
from cantools.j1939 import frame_id_pack, frame_id_unpack, pgn_pack
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire import ident
from rvsim.wire.ident import Identifier

# Frames recorded on a 250 kbit/s vessel bus: gpsd 3.22 Debian source, BSD-2-Clause (see the note beside it)
LOG = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"

PUBLISHED = [
    # an automation maker's help page on the structure of the J1939 message
    (0x18FF72E0, Identifier(6, 0x0FF72, 0xE0, None)),
    # a keypad maker's J1939 manual, page 4: the destination is no part of the number
    (0x18EF2100, Identifier(6, 0x0EF00, 0x00, 0x21)),
    (0x18EFFF21, Identifier(6, 0x0EF00, 0x21, 0xFF)),
    # SAE J1939-21: PDU format 240 and above is a broadcast
    (0x18FEF100, Identifier(6, 65265, 0x00, None)),
    (0x0CF00400, Identifier(3, 61444, 0x00, None)),
    # 18-bit arithmetic; RV-C has its own DGNs on data page 1
    (0x19FFD14B, Identifier(6, 0x1FFD1, 0x4B, None)),
    # recorded frames, gpsd 3.22 Debian source
    (0x09F80102, Identifier(2, 129025, 0x02, None)),
    (0x1DEFFF01, Identifier(7, 126720, 0x01, 0xFF)),
    (0x18EEFF11, Identifier(6, 0x0EE00, 0x11, 0xFF)),
    # can-j1939 2.0.12 test_ca.py: an address that cannot be claimed
    (0x18EEFFFE, Identifier(6, 0x0EE00, 254, 255)),
    # an engine maker's display manual: DM1, priority 7, PGN FECAh, source 27h
    (0x1CFECA27, Identifier(7, 0x0FECA, 0x27, None)),
    # memory (textbook form): F9h asks all nodes; a broadcast announce and its packets
    (0x18EAFFF9, Identifier(6, 0x0EA00, 0xF9, 0xFF)),
    (0x18ECFF00, Identifier(6, 0x0EC00, 0x00, 0xFF)),
    (0x1CEBFF00, Identifier(7, 0x0EB00, 0x00, 0xFF)),
]

IDENTIFIERS = st.integers(0, (1 << 29) - 1)


def recorded():
    """Return every identifier of the recorded bus, once."""
    return sorted({int(text, 16) for text in re.findall(r"([0-9A-F]{8})#", LOG.read_text(encoding="ascii"))})


def theirs(identifier):
    """Take an identifier apart with cantools."""
    parts = frame_id_unpack(identifier)
    addressed = parts.pdu_format < 240
    specific = 0 if addressed else parts.pdu_specific
    dgn = pgn_pack(parts.reserved, parts.data_page, parts.pdu_format, specific)
    return Identifier(parts.priority, dgn, parts.source_address, parts.pdu_specific if addressed else None)


@pytest.mark.parametrize(
    ("identifier", "parts"), PUBLISHED, ids=lambda item: f"{item:08X}" if type(item) is int else ""
)
def test_published_identifiers_split_and_join(identifier, parts):
    """Published identifiers come apart into the published parts, and the parts give the identifier."""
    assert ident.split_identifier(identifier) == parts
    assert ident.join_identifier(*parts) == identifier
    assert ident.dgn_of(identifier) == parts.dgn


@pytest.mark.parametrize(("top_byte", "priority"), [(0x04, 1), (0x08, 2), (0x0C, 3), (0x10, 4), (0x14, 5), (0x18, 6)])
def test_priority_is_the_top_byte_divided_by_four(top_byte, priority):
    """The priorities that a genset controller maker's J1939 manual prints for the identifier's top byte."""
    assert ident.split_identifier(top_byte << 24).priority == priority


@pytest.mark.parametrize(
    ("dgn", "addressed"),
    [
        (62982, False),  # F606h: a fuel level sensor maker's CAN manual, PF 246
        (62995, False),  # F613h: the same
        (64526, False),  # FC0Eh: isobus.net, ISO 11783-11, PDU2
        (31744, True),  # 7C00h: the same, PDU1
        (0x0EF00, True),
        (0x0F000, False),  # SAE J1939-21: the first broadcast number
        (0x1EF00, True),
        (0x1F000, False),
    ],
)
def test_a_format_below_f0h_carries_a_destination(dgn, addressed):
    """Numbers below xF000h are addressed, whatever the data page; the others are broadcasts."""
    assert ident.is_addressed(dgn) is addressed


@given(identifier=IDENTIFIERS)
def test_splitting_agrees_with_cantools(identifier):
    """Any 29-bit number comes apart as cantools takes it apart, and goes together again."""
    parts = ident.split_identifier(identifier)
    assert parts == theirs(identifier)
    assert ident.dgn_of(identifier) == parts.dgn
    assert ident.join_identifier(*parts) == identifier


@given(
    priority=st.integers(0, 7), page=st.integers(0, 3), form=st.integers(0, 255), low=st.integers(0, 255),
    source=st.integers(0, 255),
)  # fmt: skip
def test_joining_agrees_with_cantools(priority, page, form, low, source):
    """Parts go together as cantools puts them together; the low byte is a destination below F0h."""
    expected = frame_id_pack(priority, page >> 1, page & 1, form, low, source)
    number = page << 16 | form << 8
    if form < 240:
        assert ident.join_identifier(priority, number, source, low) == expected
    else:
        assert ident.join_identifier(priority, number | low, source) == expected


def test_recorded_identifiers_split_as_cantools_splits_them():
    """Every identifier of a real bus comes apart as cantools takes it apart, and goes together again."""
    identifiers = recorded()
    assert len(identifiers) == 11
    for identifier in identifiers:
        assert ident.split_identifier(identifier) == theirs(identifier)
        assert ident.join_identifier(*ident.split_identifier(identifier)) == identifier


def test_special_addresses():
    """254 is nobody's address and 255 is everyone (SAE J1939)."""
    assert (ident.NULL_ADDRESS, ident.GLOBAL_ADDRESS) == (254, 255)


@pytest.mark.parametrize(
    ("identifier", "text"),
    [
        (1 << 29, "identifier 20000000 hex does not fit in 29 bits"),
        (-1, "identifier -1 hex does not fit in 29 bits"),
    ],
)
def test_numbers_that_are_no_identifier_are_refused(identifier, text):
    """A number outside 29 bits is refused in words."""
    with pytest.raises(ValueError, match=f"^{re.escape(text)}$"):
        ident.split_identifier(identifier)


@pytest.mark.parametrize(
    ("parts", "text"),
    [
        ((8, 0x1FFE2, 1), "priority 8 is not within 0..7"),
        ((-1, 0x1FFE2, 1), "priority -1 is not within 0..7"),
        ((6, 0x40000, 1), "DGN 40000 hex does not fit in 18 bits"),
        ((6, -1, 1), "DGN -1 hex does not fit in 18 bits"),
        ((6, 0x1FFE2, 256), "source address 256 is not within 0..255"),
        ((6, 0x1FFE2, -1), "source address -1 is not within 0..255"),
        ((6, 0x0EA00, 1), "DGN 0EA00 hex needs a destination within 0..255"),
        ((6, 0x0EA00, 1, 256), "DGN 0EA00 hex needs a destination within 0..255"),
        ((6, 0x0EA00, 1, -1), "DGN 0EA00 hex needs a destination within 0..255"),
        ((6, 0x0EA11, 1, 255), "DGN 0EA11 hex is addressed: its low byte is the destination and must be 00"),
        ((6, 0x1FFE2, 1, 255), "DGN 1FFE2 hex is a broadcast and takes no destination"),
    ],
)
def test_parts_that_do_not_go_together_are_refused(parts, text):
    """Each part out of its range, and a destination missing or too many, is refused in words."""
    with pytest.raises(ValueError, match=f"^{re.escape(text)}$"):
        ident.join_identifier(*parts)


def test_the_ends_of_every_range_are_taken():
    """The lowest and the highest value of each part are valid."""
    assert ident.join_identifier(0, 0, 0, 0) == 0
    assert ident.join_identifier(7, 0x3FFFF, 255) == (1 << 29) - 1
    assert ident.split_identifier((1 << 29) - 1) == Identifier(7, 0x3FFFF, 255, None)
