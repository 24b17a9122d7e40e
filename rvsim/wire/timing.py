"""How many bits a frame takes on the pair, and how fast the pair is.

Knows: the frame of a 29-bit identifier without stuff bits, with the 3 bits between frames: Davis, Burns, Bril,
Lukkien, Real-Time Systems 35(3), 2007, the unstuffed part of equation 1. Does not know stuff bits, so what it tells is
a lower bound.
"""

BIT_RATE = 250_000
"""Bits a second (rv-c.com/node/9)."""
_EMPTY, _BYTE = 67, 8


def least_bits(length: int) -> int:
    """Return the fewest bits that a frame of ``length`` bytes takes."""
    return _EMPTY + _BYTE * length
