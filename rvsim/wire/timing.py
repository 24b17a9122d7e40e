"""How many bits a frame takes on the pair, and how fast the pair is.

Knows: the fewest and the most bits of a frame with a 29-bit identifier, with the 3 bits between frames: Davis, Burns,
Bril, Lukkien, Real-Time Systems 35(3), 2007, equation 1 with and without its stuff bits. Does not know how many stuff
bits a given frame has, which lies between.
"""

BIT_RATE = 250_000
"""Bits a second (rv-c.com/node/9)."""
_EMPTY, _BYTE = 67, 8
_STUFFED = 54
"""Bits before the data that are stuffed, as are the data; the 13 behind them are not."""


def least_bits(length: int) -> int:
    """Return the fewest bits that a frame of ``length`` bytes takes: none is a stuff bit."""
    return _EMPTY + _BYTE * length


def most_bits(length: int) -> int:
    """Return the most bits that a frame of ``length`` bytes takes: a stuff bit wherever one can be."""
    return least_bits(length) + (_STUFFED + _BYTE * length - 1) // 4
