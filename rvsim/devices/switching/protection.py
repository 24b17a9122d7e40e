"""The soft trip of an electronic output: it lets an inrush pass, and opens on an overload, the sooner the higher it is.

Knows: the integral of the square of the current with one time constant, by which such outputs protect a wire. Does not
know what draws the current, nor what happens after a trip.

The integral approaches (current / limit)² in the time constant, and the output trips when it reaches 1: below its
limit never, at twice the limit after ``-tau * ln(1 - (limit / current)²)`` = 0.29 of the time constant. Figures: what
is set in an electronic output are a current below which it never trips, and the integral (a high-side switch's data
sheet); 144 A² for 20 s is one setting of it (the data sheet of another). Its current limit holds the highest current.
"""

from math import exp, log

from rvsim.world.loads import Transient

TAU_US = 20_000_000
"""The time constant, by which 12 A are 144 A² for 20 s."""
MAX_SHARE = 10.0
"""The current limit of the electronics, in its limits: a start or a short circuit takes no more. Common practice, no
source."""
_STEPS = 40
"""Steps of a decaying start over which the integral is followed: a quarter of its time constant each. Our choice."""


class Protection:
    """The protection of one output with a limit in amperes; None never trips."""

    def __init__(self, limit_amps: float | None) -> None:
        self._limit = limit_amps
        self._heat = 0.0
        self._at = 0
        self._current = Transient()

    def limited(self, current: Transient) -> Transient:
        """Return a current as the electronics limits it."""
        if self._limit is None or current.peak_amps <= MAX_SHARE * self._limit:
            return current
        most = MAX_SHARE * self._limit
        steady = min(current.steady_amps, most)
        return Transient(steady, most - steady, current.decay_us, current.since_us)

    def set_current(self, now: int, current: Transient) -> int | None:
        """Follow a current from ``now`` on, microseconds of the run; return when it trips, None where it does not."""
        self._heat = self.heat(now)
        self._at, self._current = now, current
        limit = self._limit
        if limit is None or current.peak_amps <= limit:
            return None
        if limit == 0:
            return now
        heat, at = self._heat, now
        if current.excess_amps:
            step = max(1, current.decay_us // 4)
            for _ in range(_STEPS):
                square = self._mean_square(current, at, at + step)
                due = self._reaches_one(heat, square, at)
                if due is not None and due <= at + step:
                    return due
                heat, at = self._followed(heat, square, step), at + step
        return self._reaches_one(heat, (current.steady_amps / limit) ** 2, at)

    def heat(self, now: int) -> float:
        """Return the integral at a time: 1 is a trip."""
        if self._limit is None or now <= self._at:
            return self._heat
        heat, at, current = self._heat, self._at, self._current
        if current.excess_amps:
            step = max(1, current.decay_us // 4)
            for _ in range(_STEPS):
                if at >= now:
                    return heat
                until = min(at + step, now)
                heat = self._followed(heat, self._mean_square(current, at, until), until - at)
                at = until
        limit = self._limit or 1e-9
        return self._followed(heat, (current.steady_amps / limit) ** 2, now - at)

    def _mean_square(self, current: Transient, start: int, end: int) -> float:
        """Return the mean of (current / limit)² over a short step, by Simpson's rule."""
        first, middle, last = (current.amps_at(at) for at in (start, (start + end) // 2, end))
        limit = self._limit or 1e-9
        return (first * first + 4 * middle * middle + last * last) / 6 / (limit * limit)

    @staticmethod
    def _followed(heat: float, square: float, time_us: int) -> float:
        return square + (heat - square) * exp(-time_us / TAU_US)

    @staticmethod
    def _reaches_one(heat: float, square: float, at: int) -> int | None:
        if heat >= 1.0:
            return at
        if square <= 1.0 + 1e-9:
            return None
        return at + round(TAU_US * log((square - heat) / (square - 1.0)))
