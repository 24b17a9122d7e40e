"""How many bits a frame takes on the pair, which they are, and how fast the pair is.

Knows: a classic data frame with a 29-bit identifier bit by bit, from its start to the 3 bits between frames (CAN
Specification 2.0, 1991, part B): its CRC-15, and the stuff bit after every five equal bits up to the end of the CRC,
stuff bits included. Knows the fewest and the most bits of any such frame: Davis, Burns, Bril, Lukkien, Real-Time
Systems 35(3), 2007, equation 1 with and without its stuff bits. Knows how many bits frames with an 11-bit identifier
(part A), remote frames and error frames take. Does not know frames with flexible data rate: part of their bits go at a
rate that no log tells.
"""

from collections.abc import Iterator
from enum import StrEnum
from functools import cache
from typing import NamedTuple

BIT_RATE = 250_000
"""Bits a second (rv-c.com/node/9)."""
_EMPTY, _BYTE = 67, 8
_STUFFED = 54
"""Bits before the data that are stuffed, as are the data; the 13 behind them are not. The CRC counts as one of them."""
STUFF_AFTER = 5
"""A stuff bit, the opposite one, follows so many equal bits (CAN Specification 2.0, part B, section 5)."""
_POLYNOMIAL, _CRC_BITS = 0x4599, 15
"""CRC-15 of the same specification, section 3.1.1."""
STATES = 8
"""What stuffing has to remember between two bits: the last bit, and how many of its kind came, 1 to 4."""
CRC_BEFORE = 0x4000
"""The CRC register before the leading 1 of ``opening``, which makes it 0 as it is to be at the start of a frame."""


def least_bits(length: int) -> int:
    """Return the fewest bits that a frame of ``length`` bytes takes: none is a stuff bit."""
    return _EMPTY + _BYTE * length


def most_bits(length: int) -> int:
    """Return the most bits that a frame of ``length`` bytes takes: a stuff bit wherever one can be."""
    return least_bits(length) + (_STUFFED + _BYTE * length - 1) // (STUFF_AFTER - 1)


def exact_bits(identifier: int, data: bytes) -> int:
    """Return how many bits this frame takes, stuff bits and the 3 bits between frames included.

    Raises:
        ValueError: the identifier does not fit in 29 bits, or there are more than eight bytes.
    """
    _check(identifier, data)
    start = opening(identifier, len(data)).to_bytes(5) + data
    return _EMPTY + _BYTE * len(data) + _stuff_bits(start + closing(crc15(start, CRC_BEFORE)).to_bytes(2))


ERROR_BITS = 6 + 6 + 8 + 3
"""Bits of an error frame: a flag of 6, that of those who answer it, 8 of delimiter, 3 between frames (part B, sections
3.1.3 and 3.1.5). Where all nodes see the error in one bit the second flag falls away; the longer figure is taken, since
what was sent of the spoilt frame, up to 150 bits, stands in no log."""
_STANDARD_EMPTY, _STANDARD_START = 47, 0b10101 << 19
"""Bits of an empty frame with 11-bit identifier that calls for no stuff bit; and five in front of its first 19, which
make whole bytes of them and call for none either."""
_REMOTE = 1 << 6
"""The RTR bit among the first bits of a frame of either kind, which is 1 in a remote one."""


def remote_bits(identifier: int, length: int) -> int:
    """Return how many bits a remote frame with a 29-bit identifier takes that asks for ``length`` bytes.

    Raises:
        ValueError: the identifier does not fit in 29 bits, or the length is above eight.
    """
    _check(identifier, bytes(length))
    start = (opening(identifier, length) | _REMOTE).to_bytes(5)
    return _EMPTY + _stuff_bits(start + closing(crc15(start, CRC_BEFORE)).to_bytes(2))


def standard_bits(identifier: int, data: bytes, remote: int | None = None) -> int:
    """Return how many bits a frame with an 11-bit identifier takes; ``remote`` is what a remote frame asks for.

    Raises:
        ValueError: the identifier does not fit in 11 bits, or there are more than eight bytes.
    """
    if not 0 <= identifier < 1 << 11:
        raise ValueError(f"identifier {identifier:X} hex does not fit in 11 bits")
    _check(identifier, data if remote is None else bytes(remote))
    if remote is not None:
        start, data = identifier << 7 | _REMOTE | remote, b""
    else:
        start = identifier << 7 | len(data)
    crc = closing(crc15(start.to_bytes(3) + data)).to_bytes(2)
    return _STANDARD_EMPTY + _BYTE * len(data) + _stuff_bits((_STANDARD_START | start).to_bytes(3) + data + crc)


def _stuff_bits(stuffed: bytes) -> int:
    """Return how many stuff bits the part of a frame that is stuffed brings, given in whole bytes."""
    table = stuff_table()
    step = total = 0
    for byte in stuffed:
        step = table[step & 0x700 | byte]
        total += step & 0xFF
    return total


def _check(identifier: int, data: bytes) -> None:
    if not 0 <= identifier < 1 << 29:
        raise ValueError(f"identifier {identifier:X} hex does not fit in 29 bits")
    if len(data) > 8:
        raise ValueError(f"{len(data)} bytes do not fit in one frame, which has at most 8")


# Whole bytes for the tables: a bit in front and one behind that call for no stuff bit.


def opening(identifier: int, length: int) -> int:
    """Return the 39 bits from the start of frame to the length code, with a 1 in front as on a quiet pair: 5 bytes."""
    return 1 << 39 | identifier >> 18 << 27 | 0b11 << 25 | (identifier & 0x3FFFF) << 7 | length


def closing(crc: int) -> int:
    """Return the 15 bits of the CRC and the opposite of its last one behind them: 2 bytes."""
    return crc << 1 | ~crc & 1


def crc15(data: bytes, register: int = 0) -> int:
    """Return the CRC of whole bytes, going on from ``register``."""
    table = crc_table()
    for byte in data:
        register = register << 8 & 0x7FFF ^ table[register >> 7 ^ byte]
    return register


@cache
def crc_table() -> tuple[int, ...]:
    """Return what a byte does to a register of zeros, for each byte."""
    return tuple(_shifted(byte << 7, 8) for byte in range(256))


def _shifted(register: int, bits: int) -> int:
    for _ in range(bits):
        register = register << 1 ^ (_POLYNOMIAL if register >> 14 else 0)
        register &= 0x7FFF
    return register


@cache
def stuff_table() -> tuple[int, ...]:
    """Return what a byte does, at ``state * 256 + byte``: the next state * 256, plus how many stuff bits it brings.

    A state is 4 * last bit + equal bits so far - 1; a frame begins in state 0 with the 1 in front of it.
    """
    nibbles = [[_stuffed(state, nibble) for nibble in range(16)] for state in range(STATES)]
    table = []
    for state in range(STATES):
        for middle, first in nibbles[state]:
            table += [end << 8 | first + second for end, second in nibbles[middle]]
    return tuple(table)


def _stuffed(state: int, nibble: int) -> tuple[int, int]:
    """Return the state after four bits, and how many stuff bits came among them."""
    last, run, count = state >> 2, (state & 3) + 1, 0
    for place in (3, 2, 1, 0):
        bit = nibble >> place & 1
        last, run = bit, run + 1 if bit == last else 1
        if run == STUFF_AFTER:
            last, run, count = 1 - last, 1, count + 1
    return last << 2 | run - 1, count


# Bit by bit, for the eye.


class FramePart(StrEnum):
    """The parts of a frame by the names of the specification; SRR, IDE, RTR, r1 and r0 are one bit each."""

    START = "start of frame"
    IDENTIFIER = "identifier"
    SRR = "SRR"
    IDE = "IDE"
    RTR = "RTR"
    R1 = "r1"
    R0 = "r0"
    LENGTH = "DLC"
    DATA = "data"
    CRC = "CRC"
    CRC_DELIMITER = "CRC delimiter"
    ACKNOWLEDGE = "acknowledge"
    ACKNOWLEDGE_DELIMITER = "acknowledge delimiter"
    END = "end of frame"
    BETWEEN = "between frames"


class Bit(NamedTuple):
    """One bit on the pair: 0 is dominant. A stuff bit counts to the part of the bit before it."""

    part: FramePart
    value: int
    is_stuff: bool = False


def bits_of(identifier: int, data: bytes) -> list[Bit]:
    """Return all bits of a frame in their order, to the last of the 3 between frames; somebody acknowledges it.

    Raises:
        ValueError: the identifier does not fit in 29 bits, or there are more than eight bytes.
    """
    _check(identifier, data)
    bits: list[Bit] = []
    last, run = 1, 0
    for bit in _unstuffed(identifier, data):
        bits.append(bit)
        last, run = bit.value, run + 1 if bit.value == last else 1
        if run == STUFF_AFTER:
            last, run = 1 - last, 1
            bits.append(Bit(bit.part, last, True))
    bits += [Bit(FramePart.CRC_DELIMITER, 1), Bit(FramePart.ACKNOWLEDGE, 0), Bit(FramePart.ACKNOWLEDGE_DELIMITER, 1)]
    return bits + 7 * [Bit(FramePart.END, 1)] + 3 * [Bit(FramePart.BETWEEN, 1)]


def _unstuffed(identifier: int, data: bytes) -> Iterator[Bit]:
    """Go through the bits that are stuffed."""
    crc = crc15(opening(identifier, len(data)).to_bytes(5) + data, CRC_BEFORE)
    for part, value, width in (
        (FramePart.START, 0, 1),
        (FramePart.IDENTIFIER, identifier >> 18, 11),
        (FramePart.SRR, 1, 1),
        (FramePart.IDE, 1, 1),
        (FramePart.IDENTIFIER, identifier & 0x3FFFF, 18),
        (FramePart.RTR, 0, 1),
        (FramePart.R1, 0, 1),
        (FramePart.R0, 0, 1),
        (FramePart.LENGTH, len(data), 4),
        (FramePart.DATA, int.from_bytes(data), _BYTE * len(data)),
        (FramePart.CRC, crc, _CRC_BITS),
    ):
        for place in reversed(range(width)):
            yield Bit(part, value >> place & 1)
