"""The 29-bit identifier: priority, DGN, destination, source address.

Knows: the layout that RV-C shares with SAE J1939-21 (three bits of priority, a reserved bit, a data page bit, PDU
format, PDU specific, source address), and the rule that the byte after a PDU format below F0 hex is a destination.
Does not know the meaning of any DGN.

A DGN has 18 bits here, its reserved bit included, as in J1939. RV-C numbers use the lower 17, so a frame with the
reserved bit set never matches a known message.
"""

from typing import NamedTuple

GLOBAL_ADDRESS = 0xFF
"""The destination of a message to all nodes (the global address of SAE J1939)."""
NULL_ADDRESS = 0xFE
"""The source address of a node that could not claim an address."""
MAX_ADDRESS = 253
"""The highest address that a node can have: 254 is the null address, 255 the global one (SAE J1939-81)."""
DGN_LIMIT = 1 << 18
"""Every DGN is below this number."""


class Identifier(NamedTuple):
    """The parts of an identifier; ``destination`` is None for a broadcast DGN (PDU2)."""

    priority: int
    dgn: int
    source: int
    destination: int | None


def is_addressed(dgn: int) -> bool:
    """Return whether frames of this DGN carry a destination (PDU1: PDU format below F0 hex)."""
    return (dgn >> 8) & 0xFF < 0xF0


def dgn_of(identifier: int) -> int:
    """Return the DGN of an identifier; a destination byte in it counts as 00."""
    dgn = identifier >> 8 & 0x3FFFF
    return dgn & 0x3FF00 if identifier & 0xFF0000 < 0xF00000 else dgn


def split_identifier(identifier: int) -> Identifier:
    """Split a 29-bit identifier into its parts.

    Raises:
        ValueError: the number does not fit in 29 bits.
    """
    if not 0 <= identifier < 1 << 29:
        raise ValueError(f"identifier {identifier:X} hex does not fit in 29 bits")
    dgn = dgn_of(identifier)
    destination = identifier >> 8 & 0xFF if is_addressed(dgn) else None
    return Identifier(identifier >> 26, dgn, identifier & 0xFF, destination)


def join_identifier(priority: int, dgn: int, source: int, destination: int | None = None) -> int:
    """Build an identifier; ``destination`` is required for PDU1 and refused for PDU2.

    Raises:
        ValueError: a part is outside its range, or a destination is missing or not allowed.
    """
    if not 0 <= priority <= 7:
        raise ValueError(f"priority {priority} is not within 0..7")
    if not 0 <= dgn < DGN_LIMIT:
        raise ValueError(f"DGN {dgn:X} hex does not fit in 18 bits")
    if not 0 <= source <= 0xFF:
        raise ValueError(f"source address {source} is not within 0..255")
    if is_addressed(dgn):
        if destination is None or not 0 <= destination <= 0xFF:
            raise ValueError(f"DGN {dgn:05X} hex needs a destination within 0..255")
        if dgn & 0xFF:
            raise ValueError(f"DGN {dgn:05X} hex is addressed: its low byte is the destination and must be 00")
        dgn |= destination
    elif destination is not None:
        raise ValueError(f"DGN {dgn:05X} hex is a broadcast and takes no destination")
    return priority << 26 | dgn << 8 | source
