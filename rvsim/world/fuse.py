"""A fuse or a breaker: how long it carries too much current before it opens.

Knows: opening times by the current as a share of the rating, that short overloads add up and fade, and which sort
closes again. Does not know what it feeds.

Between the points of a table the logarithm of the time follows that of the current in a straight line. A fuse here is
the slowest that its table allows; one of a shop may open ten times as soon.
"""

from bisect import bisect_right
from collections.abc import Sequence
from math import exp, inf, log
from typing import Literal

OpeningTimes = Sequence[tuple[float, float]]
"""Current as a share of the rating, and the seconds after which it opens; up to the first share it never does."""
FUSE: OpeningTimes = ((1.10, 360_000.0), (1.35, 1800.0), (2.0, 5.0), (3.5, 0.5), (6.0, 0.1))
"""Blade fuse. 110 %: 100 hours at least, a fuse sizing primer read at second hand. The others: the longest times of ISO
8820-3, as a relay maker's data sheet has them."""
BREAKER: OpeningTimes = ((1.10, 36_000.0), (1.35, 3600.0), (2.0, 60.0), (6.0, 2.0))
"""Thermal breaker for vehicles: an hour at 135 %, a minute at 200 % (SAE J553, from memory); the ends are common
practice, no source."""
COOLING_S = 60.0
"""Time constant with which a short overload fades. Common practice, no source."""
CLOSES_AGAIN_S = 20
"""After this time an automatic breaker closes again. Common practice, no source: some ten seconds to a minute."""
_FADED = 1e-3
"""Less than this share of an overload counts as none. Our choice."""
_USED_UP = 1 - 1e-9
"""All of its time, but for rounding."""


def opening_s(share: float, times: OpeningTimes = FUSE) -> float:
    """Return the seconds after which it opens at this share of its rating; inf where it does not."""
    place = bisect_right(times, share, key=lambda point: point[0])
    if share <= times[0][0]:
        return inf
    if place == len(times):
        return times[-1][1]
    (low, slow), (high, fast) = times[place - 1 : place + 1]
    part = log(share / low) / log(high / low)
    return slow * exp(part * log(fast / slow))


class Fuse:
    """One fuse, or a breaker of one of two sorts; ``is_open`` is its state."""

    def __init__(self, amps: float, breaker: Literal["manual", "automatic"] | None = None) -> None:
        self.amps = amps
        self.is_open = False
        self._times = FUSE if breaker is None else BREAKER
        self._closes_again = breaker == "automatic"
        self._heat = 0.0
        """The share of its opening time that overloads have used up."""
        self._open_s = 0

    @property
    def is_at_rest(self) -> bool:
        """Whether a current below its rating changes nothing."""
        return not (self._heat or (self.is_open and self._closes_again))

    def close(self) -> None:
        """Put in a new one, or close the breaker."""
        self.is_open, self._heat, self._open_s = False, 0.0, 0

    def step(self, amps: float) -> bool:
        """Advance by one second with this current; return whether it opened or closed at its end."""
        if self.is_open:
            self._open_s += 1
            if not self._closes_again or self._open_s < CLOSES_AGAIN_S:
                return False
            self.close()
            return True
        seconds = opening_s(amps / self.amps, self._times)
        if seconds < inf:
            self._heat += 1 / seconds
        else:
            self._heat *= exp(-1 / COOLING_S)
            self._heat = self._heat if self._heat >= _FADED else 0.0
        self.is_open = self._heat >= _USED_UP
        return self.is_open
