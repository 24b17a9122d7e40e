"""How busy the pair of wires is, second by second.

Knows: the fewest or the most bits that each frame takes (`wire.timing`), so what it tells is a bound. Does not know who
sends.
"""

from collections.abc import Callable

from rvsim.wire.frame import Frame
from rvsim.wire.timing import BIT_RATE, least_bits

SECOND = 1_000_000


class PairLoad:
    """Load over the last whole second, and the worst so far, in percent; ``bits`` of a frame's length is the bound."""

    def __init__(self, bits: Callable[[int], int] = least_bits) -> None:
        self._bits_of = bits
        self.total = 0
        """All bits so far."""
        self._second = 0
        self._bits = 0
        self._last = 0
        self._worst = 0

    def add(self, frame: Frame) -> None:
        """Count a frame."""
        second = frame.time // SECOND
        if second != self._second:
            self._last = self._bits if second == self._second + 1 else 0
            self._worst = max(self._worst, self._bits)
            self._second, self._bits = second, 0
        bits = self._bits_of(len(frame.data))
        self._bits += bits
        self.total += bits

    def percent(self, now: int = 0) -> tuple[float, float]:
        """Return the load of the last whole second before ``now`` (microseconds) and the worst one.

        Without ``now`` the last frame tells the time: then wires that have fallen quiet stay as busy as they were.
        """
        gone = now // SECOND - self._second
        last = self._last if gone <= 0 else self._bits if gone == 1 else 0
        return 100 * last / BIT_RATE, 100 * max(self._worst, self._bits) / BIT_RATE
