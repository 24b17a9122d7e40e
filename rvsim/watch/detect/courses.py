"""The course of something that moves a value: what it did in sum, or how far it went, since any moment.

Knows: that what moves a value changes at single moments, which are stored, and counts between them. Does not know what
it is. Times are bus time.
"""

from bisect import bisect_right
from collections.abc import Sequence

MAX_CHANGES = 512
"""How many changes are stored; what was before them does not count any more."""


class Sum:
    """The sum of a rate over time; a rate is an integer for each microsecond.

    ``is_cumulative`` is whether the sum goes on over a time without a rate; else it begins again after that.
    """

    def __init__(self, *, is_cumulative: bool) -> None:
        self.rate = 0
        self._is_cumulative = is_cumulative
        self._times: list[int] = []
        self._rates: list[int] = []
        self._sums: list[int] = []

    @property
    def last(self) -> int:
        """The moment of the last change; 0 before the first one."""
        return self._times[-1] if self._times else 0

    def note(self, now: int, rate: int) -> bool:
        """Take in a rate; return whether it is another one than before."""
        if rate == self.rate:
            return False
        so_far = self.until(now)
        if not (self._is_cumulative or (rate and self.rate)):
            self.restart(now)
            so_far = 0
        self._times.append(now)
        self._rates.append(rate)
        self._sums.append(so_far)
        self.rate = rate
        for stored in (self._times, self._rates, self._sums):
            del stored[:-MAX_CHANGES]
        return True

    def restart(self, now: int) -> None:
        """Count from ``now`` on, at the present rate."""
        self._times, self._rates, self._sums = [now], [self.rate], [0]

    def until(self, moment: int) -> int:
        """Return the sum up to a moment; at a moment before the first change it is that at the first change."""
        place = bisect_right(self._times, moment) - 1
        if place < 0:
            return self._sums[0] if self._sums else 0
        return self._sums[place] + self._rates[place] * (moment - self._times[place])

    def reaches(self, needed: int, since: int) -> int | None:
        """Return when the sum from ``since`` on is ``needed``, or was by the last change; None while there is no rate
        and it is less.
        """
        start = max(self.last, since)
        missing = needed - (self.until(start) - self.until(since))
        if missing <= 0:
            return start
        return start + -(-missing // self.rate) if self.rate > 0 else None


class Range:
    """Between which of some levels a raw value has been."""

    def __init__(self, levels: Sequence[float]) -> None:
        self._levels = levels
        self._times: list[int] = []
        self._bands: list[int] = []
        self._raws: list[int] = []

    def note(self, now: int, value: float | None, raw: int | None) -> bool:
        """Take in a value; return whether it is between other levels than before."""
        if value is None or raw is None:
            had_one = bool(self._times)
            for stored in (self._times, self._bands, self._raws):
                stored.clear()
            return had_one
        band = bisect_right(self._levels, value)
        if self._bands and self._bands[-1] == band:
            return False
        for stored, new in ((self._times, now), (self._bands, band), (self._raws, raw)):
            stored.append(new)
            del stored[:-MAX_CHANGES]
        return True

    def restart(self, now: int) -> None:
        """Count from ``now`` on."""
        for stored in (self._times, self._bands, self._raws):
            del stored[:-1]
        self._times = [now] * len(self._bands)

    def moves(self, least: float, since: int) -> tuple[int, int, int] | None:
        """Return when it has certainly moved by ``least`` from ``since`` on, with its raw value on both sides, the
        lower band first; None where it has not.
        """
        first = max(0, bisect_right(self._times, since) - 1)
        low = high = first
        for place in range(first, len(self._bands)):
            if self._bands[place] < self._bands[low]:
                low = place
            if self._bands[place] > self._bands[high]:
                high = place
            below, above = self._bands[low], self._bands[high]
            if above > below and self._levels[above - 1] - self._levels[below] >= least:
                return self._times[place], self._raws[low], self._raws[high]
        return None
