"""The length of frames in bits, the bits themselves, and the bit rate of the bus.

Knows: every bit of a classic data frame with a 29-bit identifier, from its start to the 3 bits between frames (CAN
Specification 2.0, 1991, part B), with its CRC-15, and a stuff bit after every five equal bits up to the end of the CRC,
stuff bits counted. The minimum and maximum length of such a frame: Davis, Burns, Bril, Lukkien, Real-Time Systems
35(3), 2007, equation 1 without and with its stuff bits. The length of frames with an 11-bit identifier (part A), of
remote frames and of error frames. Does not know frames with flexible data rate: a part of their bits has a bit rate
that no log contains.
"""

from collections.abc import Iterator
from enum import StrEnum
from functools import cache, lru_cache
from typing import NamedTuple

BIT_RATE = 250_000
"""Bits per second (rv-c.com/node/9)."""
_EMPTY_FRAME_BITS, _BITS_PER_BYTE = 67, 8
_STUFFABLE_BITS = 54
"""The bits other than data to which stuffing applies, the CRC among them; it does not apply to the other 13."""
STUFF_AFTER = 5
"""After so many equal bits the opposite stuff bit follows (CAN Specification 2.0, part B, section 5)."""
_POLYNOMIAL, _CRC_BITS = 0x4599, 15
"""CRC-15 of the same specification, section 3.1.1."""
STUFF_STATES = 8
"""The number of stuffing states between two bits: the last bit, and the number of equal bits so far, 1 to 4."""
MAX_HEADERS = 1024
"""How many identifiers with a length are remembered with what their first bits lead to; those of a bus are fewer. Our
choice."""
CRC_PRESET = 0x4000
"""The CRC register before the leading 1 of ``frame_header``; after that bit it is 0, as the specification requires at
the start of a frame."""


def min_bits(length: int) -> int:
    """Return the minimum number of bits of a frame of ``length`` bytes, without stuff bits."""
    return _EMPTY_FRAME_BITS + _BITS_PER_BYTE * length


def max_bits(length: int) -> int:
    """Return the maximum number of bits of a frame of ``length`` bytes, with every possible stuff bit."""
    return min_bits(length) + (_STUFFABLE_BITS + _BITS_PER_BYTE * length - 1) // (STUFF_AFTER - 1)


def exact_bits(identifier: int, data: bytes) -> int:
    """Return the exact number of bits of a frame, with its stuff bits and the 3 bits between frames.

    Raises:
        ValueError: the identifier does not fit in 29 bits, or there are more than eight bytes.
    """
    register, step, total = _after_header(identifier, len(data))
    crcs, stuffing = crc_table(), stuff_table()
    for byte in data:  # as crc15 and _stuff_bits do it, in one loop
        register = register << 8 & 0x7FFF ^ crcs[register >> 7 ^ byte]
        step = stuffing[step & 0x700 | byte]
        total += step & 0xFF
    crc = crc_field(register)
    step = stuffing[step & 0x700 | crc >> 8]
    return total + (step & 0xFF) + (stuffing[step & 0x700 | crc & 0xFF] & 0xFF)


@lru_cache(maxsize=MAX_HEADERS)
def _after_header(identifier: int, length: int) -> tuple[int, int, int]:
    """Return CRC register, entry of the stuffing table, and bits of a frame of ``length`` bytes, up to its data.

    The bits are those of the whole frame, of its stuff bits only those up to its data.
    """
    _check(identifier, length)
    header = frame_header(identifier, length).to_bytes(5)
    step, stuff_bits = _stuffed_bytes(header)
    return crc15(header, CRC_PRESET), step, min_bits(length) + stuff_bits


ERROR_FRAME_BITS = 6 + 6 + 8 + 3
"""Bits of an error frame: a flag of 6, the flag of the nodes that answer it, 8 of delimiter, 3 between frames (part B,
sections 3.1.3 and 3.1.5). Where all nodes detect the error in one bit there is no second flag. The longer figure is
used, since no log contains the part of the destroyed frame that was sent, up to 150 bits."""
STANDARD_EMPTY_BITS, STANDARD_PREFIX = 47, 0b10101 << 19
"""The bits of an empty frame with an 11-bit identifier, without stuff bits; and five bits before its first 19, which
complete whole bytes and cause no stuff bit."""
_RTR_BIT = 1 << 6
"""The RTR bit among the first bits of a frame with either identifier; it is 1 in a remote frame."""


def remote_bits(identifier: int, length: int) -> int:
    """Return the number of bits of a remote frame with a 29-bit identifier that requests ``length`` bytes.

    Raises:
        ValueError: the identifier does not fit in 29 bits, or the length is above eight.
    """
    _check(identifier, length)
    start = (frame_header(identifier, length) | _RTR_BIT).to_bytes(5)
    return _EMPTY_FRAME_BITS + _stuff_bits(start + crc_field(crc15(start, CRC_PRESET)).to_bytes(2))


def standard_bits(identifier: int, data: bytes, remote: int | None = None) -> int:
    """Return the number of bits of a frame with an 11-bit identifier; a remote frame requests ``remote`` bytes.

    Raises:
        ValueError: the identifier does not fit in 11 bits, or there are more than eight bytes.
    """
    if not 0 <= identifier < 1 << 11:
        raise ValueError(f"identifier {identifier:X} hex does not fit in 11 bits")
    _check(identifier, len(data) if remote is None else remote)
    if remote is not None:
        start, data = identifier << 7 | _RTR_BIT | remote, b""
    else:
        start = identifier << 7 | len(data)
    crc = crc_field(crc15(start.to_bytes(3) + data)).to_bytes(2)
    return (
        STANDARD_EMPTY_BITS
        + _BITS_PER_BYTE * len(data)
        + _stuff_bits((STANDARD_PREFIX | start).to_bytes(3) + data + crc)
    )


def _stuff_bits(stuffed: bytes) -> int:
    """Return the number of stuff bits in the part of a frame to which stuffing applies, given in whole bytes."""
    return _stuffed_bytes(stuffed)[1]


def _stuffed_bytes(stuffed: bytes) -> tuple[int, int]:
    """Return the entry of the stuffing table after the bytes, and the number of their stuff bits."""
    table = stuff_table()
    step = total = 0
    for byte in stuffed:
        step = table[step & 0x700 | byte]
        total += step & 0xFF
    return step, total


def _check(identifier: int, length: int) -> None:
    if not 0 <= identifier < 1 << 29:
        raise ValueError(f"identifier {identifier:X} hex does not fit in 29 bits")
    if not 0 <= length <= 8:
        raise ValueError(f"{length} bytes do not fit in one frame, which has at most 8")


# Whole bytes for the tables: one bit before and one after, which cause no stuff bit.


def frame_header(identifier: int, length: int) -> int:
    """Return the 39 bits from the start of frame to the length code after a 1, as on an idle bus: 5 bytes."""
    return 1 << 39 | identifier >> 18 << 27 | 0b11 << 25 | (identifier & 0x3FFFF) << 7 | length


def crc_field(crc: int) -> int:
    """Return the 15 bits of the CRC and then the opposite of its last bit: 2 bytes."""
    return crc << 1 | ~crc & 1


def crc15(data: bytes, register: int = 0) -> int:
    """Return the CRC register after whole bytes, starting from ``register``."""
    table = crc_table()
    for byte in data:
        register = register << 8 & 0x7FFF ^ table[register >> 7 ^ byte]
    return register


@cache
def crc_table() -> tuple[int, ...]:
    """Return the CRC register after each byte, starting from zero."""
    return tuple(_shifted(byte << 7, 8) for byte in range(256))


def _shifted(register: int, bits: int) -> int:
    for _ in range(bits):
        register = register << 1 ^ (_POLYNOMIAL if register >> 14 else 0)
        register &= 0x7FFF
    return register


@cache
def stuff_table() -> tuple[int, ...]:
    """Return, at ``state * 256 + byte``, the next state * 256 plus the number of stuff bits that the byte adds.

    A state is 4 * last bit + equal bits so far - 1; a frame begins in state 0 with the 1 before it.
    """
    nibbles = [[_stuffed(state, nibble) for nibble in range(16)] for state in range(STUFF_STATES)]
    table = []
    for state in range(STUFF_STATES):
        for middle, first in nibbles[state]:
            table += [end << 8 | first + second for end, second in nibbles[middle]]
    return tuple(table)


def _stuffed(state: int, nibble: int) -> tuple[int, int]:
    """Return the state after four bits, and the number of stuff bits among them."""
    last, run, count = state >> 2, (state & 3) + 1, 0
    for place in (3, 2, 1, 0):
        bit = nibble >> place & 1
        last, run = bit, run + 1 if bit == last else 1
        if run == STUFF_AFTER:
            last, run, count = 1 - last, 1, count + 1
    return last << 2 | run - 1, count


# Single bits, for display.


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
    """One bit on the bus: 0 is dominant. A stuff bit belongs to the part of the bit before it."""

    part: FramePart
    value: int
    is_stuff: bool = False


def frame_bits(identifier: int, data: bytes) -> list[Bit]:
    """Return all bits of an acknowledged frame in order, with the 3 bits between frames.

    Raises:
        ValueError: the identifier does not fit in 29 bits, or there are more than eight bytes.
    """
    _check(identifier, len(data))
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
    """Yield the bits to which stuffing applies, without stuff bits."""
    crc = crc15(frame_header(identifier, len(data)).to_bytes(5) + data, CRC_PRESET)
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
        (FramePart.DATA, int.from_bytes(data), _BITS_PER_BYTE * len(data)),
        (FramePart.CRC, crc, _CRC_BITS),
    ):
        for place in reversed(range(width)):
            yield Bit(part, value >> place & 1)
