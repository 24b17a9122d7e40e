"""The 29-bit identifier: priority, DGN, destination, source address.

Knows: the layout that RV-C shares with SAE J1939-21 (three bits of priority, a reserved bit, a data
page bit, PDU format, PDU specific, source address) and the rule that a PDU format below F0h makes the
next byte a destination. Does not know any DGN's meaning.

The DGN is kept with its reserved bit (18 bits), as J1939 counts it; RV-C numbers use the lower 17, so a
frame with the reserved bit set never matches a known message by accident.
"""

from typing import NamedTuple

GLOBAL_ADDRESS = 0xFF
"""The destination "everyone"."""
NULL_ADDRESS = 0xFE
"""The source address of a node that could not claim one."""
DGN_LIMIT = 1 << 18


class Identifier(NamedTuple):
    """The parts of an identifier; ``destination`` is None for a broadcast DGN (PDU2)."""

    priority: int
    dgn: int
    source: int
    destination: int | None


def is_addressed(dgn: int) -> bool:
    """Tell whether frames of this DGN carry a destination (PDU1: format below F0h)."""
    return (dgn >> 8) & 0xFF < 0xF0


def dgn_of(identifier: int) -> int:
    """Return the DGN of an identifier, the destination byte counted as 00."""
    dgn = identifier >> 8 & 0x3FFFF
    return dgn & 0x3FF00 if identifier & 0xFF0000 < 0xF00000 else dgn


def split_identifier(identifier: int) -> Identifier:
    """Take a 29-bit identifier apart.

    Raises:
        ValueError: the number does not fit in 29 bits.
    """
    if not 0 <= identifier < 1 << 29:
        raise ValueError(f"identifier {identifier:X} hex does not fit in 29 bits")
    dgn = dgn_of(identifier)
    destination = identifier >> 8 & 0xFF if is_addressed(dgn) else None
    return Identifier(identifier >> 26, dgn, identifier & 0xFF, destination)


def join_identifier(priority: int, dgn: int, source: int, destination: int | None = None) -> int:
    """Put an identifier together; ``destination`` is needed for PDU1 and refused for PDU2.

    Raises:
        ValueError: a part is out of its range, or a destination is missing or too many.
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
