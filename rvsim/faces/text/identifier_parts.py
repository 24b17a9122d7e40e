"""The parts of an identifier by their bits: which part a bit belongs to, and what that part is called.

Knows: the order of the 29 bits as they are sent (SAE J1939-21): priority, reserved bit, data page, message group byte,
low byte of the DGN or destination, source address. Does not know frames, devices or the meaning of a DGN.
"""

from enum import StrEnum
from itertools import pairwise

from rvsim.wire import ident

IDENTIFIER_BITS = 29
_BYTE_BITS = 8


class IdentifierPart(StrEnum):
    """A part of the identifier; a value is its name in a sentence."""

    PRIORITY = "priority"
    RESERVED = "reserved bit"
    DATA_PAGE = "data page"
    GROUP = "message group byte (PDU format)"
    SPECIFIC = "PDU specific byte"
    """A destination, or the low byte of the DGN: `part_name` says which."""
    SOURCE = "source address"


CUTS = (0, 3, 4, 5, 13, 21, IDENTIFIER_BITS)
"""Where the parts begin, counted from the bit that is sent first, and where the last one ends."""
OF_THE_DGN = (IdentifierPart.RESERVED, IdentifierPart.DATA_PAGE, IdentifierPart.GROUP, IdentifierPart.SPECIFIC)
"""The parts that a DGN is made of; the last one only in a broadcast."""


def part_at(place: int) -> tuple[IdentifierPart, int]:
    """Return the part with the bit at a place, counted from the bit that is sent first, and its power of two in it."""
    for part, (first, end) in zip(IdentifierPart, pairwise(CUTS), strict=True):
        if first <= place < end:
            return part, end - 1 - place
    raise ValueError(f"bit {place} is not within 0..{IDENTIFIER_BITS - 1}")


def part_value(identifier: int, part: IdentifierPart) -> int:
    """Return the number that the bits of a part are."""
    first, end = span_of(part)
    return identifier >> IDENTIFIER_BITS - end & (1 << end - first) - 1


def part_text(identifier: int, part: IdentifierPart) -> str:
    """Return the number in a part as it is written: two hex digits for a byte."""
    first, end = span_of(part)
    return f"{part_value(identifier, part):{'02X' if end - first == _BYTE_BITS else 'd'}}"


def with_part(identifier: int, part: IdentifierPart, value: int) -> int:
    """Return an identifier with another number in one part; it must fit."""
    first, end = span_of(part)
    shift, ones = IDENTIFIER_BITS - end, (1 << end - first) - 1
    return identifier & ~(ones << shift) | value << shift


def span_of(part: IdentifierPart) -> tuple[int, int]:
    """Return where a part begins and ends, counted from the bit that is sent first."""
    number = list(IdentifierPart).index(part)
    return CUTS[number], CUTS[number + 1]


def part_name(identifier: int, part: IdentifierPart) -> str:
    """Return the name of a part in this identifier: the PDU specific byte is a destination below F0 hex."""
    if part is not IdentifierPart.SPECIFIC:
        return str(part)
    return "destination" if ident.is_addressed(ident.dgn_of(identifier)) else "low byte of the DGN"


def address_text(address: int) -> str:
    """Return an address in words: ``44``, or ``all`` for the global address."""
    return "all" if address == ident.GLOBAL_ADDRESS else f"{address:02X}"


def identifier_bits_text(identifier: int) -> str:
    """Return the bits of an identifier with a bar between its parts."""
    bits = f"{identifier:0{IDENTIFIER_BITS}b}"
    return "|".join(bits[first:end] for first, end in pairwise(CUTS))


def identifier_words(identifier: int, message: str = "") -> str:
    """Return the parts of an identifier in words: ``priority 6, DGN 1FFE4 FURNACE_STATUS, from 5E``."""
    parts = ident.split_identifier(identifier)
    to = "" if parts.destination is None else f" to {address_text(parts.destination)}"
    named = f" {message}" if message else ""
    return f"priority {parts.priority}, DGN {parts.dgn:05X}{named}, from {parts.source:02X}{to}"
