"""Bits and microseconds at one bit rate.

Knows: how many whole microseconds bits take, and how many bits a time holds. Does not know what the bits are.
"""


class BitTime:
    """How long bits take, in whole microseconds.

    Raises:
        ValueError: the rate, in bits a second, is not above 0.
    """

    def __init__(self, rate: int) -> None:
        if rate <= 0:
            raise ValueError(f"a bit rate of {rate} a second is not above 0")
        self._rate = rate

    def us(self, bits: int) -> int:
        """Return how long bits take, rounded up where that is not a whole number of microseconds."""
        return -(-bits * 1_000_000 // self._rate)

    def begun_bits(self, us: int) -> int:
        """Return how many bits have begun by the end of a time in microseconds."""
        return -(-us * self._rate // 1_000_000)

    def whole_bits(self, us: int) -> int:
        """Return how many bits fit into a time in microseconds."""
        return us * self._rate // 1_000_000
