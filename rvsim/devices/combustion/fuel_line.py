"""The line between the fuel tank and a burner: wax in its filter, air in it, nothing in the tank.

Knows: which share of the fuel arrives. Does not know what the burner makes of it, nor how cold or full the tank is: it
is told.
"""

from random import Random

from rvsim.wire.frame import SECOND_US

PLUGS_IN_US = 600 * SECOND_US
"""Below its plugging point fuel closes the filter within this time; as long as it takes to thaw. Common practice, no
source: a filter passes fuel for some minutes after the cold fuel has reached it."""
BUBBLE_US = 10 * SECOND_US
"""How long a bubble of air keeps fuel away: about what a dosing pump moves through a metre of thin line in that time.
Common practice, no source."""


class FuelLine:
    """One line. ``random`` says when bubbles come."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._now = 0
        self._plugged = 0.0
        """How much of the filter is closed, 0 to 1."""
        self._plugs_in_us: int | None = None
        """Set by a fault: the filter closes within this time, whatever the temperature."""
        self._bubble_gap_us: int | None = None
        self._next_bubble = self._bubble_until = 0

    def plug(self, within_us: int | None) -> None:
        """Let wax close the filter within a time from now on; None: no longer, and it thaws."""
        self._plugs_in_us = within_us

    def let_air_in(self, now: int, gap_us: int | None) -> None:
        """Let bubbles come, on average one each ``gap_us``, the first one soon; None: no longer."""
        self._bubble_gap_us = gap_us
        self._next_bubble = now
        if gap_us is not None:
            self._draw_bubble()

    def step(self, now: int, *, is_cold: bool, is_empty: bool) -> float:
        """Go on to a time, and return the share of the fuel that arrives, 0 to 1.

        Args:
            now: microseconds.
            is_cold: whether the fuel is below its plugging point.
            is_empty: whether the tank is empty.
        """
        passed, self._now = now - self._now, now
        if self._plugs_in_us is None and self._bubble_gap_us is None and not (is_cold or is_empty or self._plugged):
            return 1.0 if now >= self._bubble_until else 0.0  # as nearly always
        if self._plugs_in_us is not None:
            self._plugged = min(1.0, self._plugged + passed / self._plugs_in_us)
        elif is_cold:
            self._plugged = min(1.0, self._plugged + passed / PLUGS_IN_US)
        elif self._plugged:
            self._plugged = max(0.0, self._plugged - passed / PLUGS_IN_US)
        if self._bubble_gap_us is not None and now >= self._next_bubble:
            self._bubble_until = now + BUBBLE_US
            self._draw_bubble()
        return 0.0 if is_empty or now < self._bubble_until else 1.0 - self._plugged

    def _draw_bubble(self) -> None:
        assert self._bubble_gap_us is not None
        self._next_bubble += max(SECOND_US, round(self._random.expovariate(1 / self._bubble_gap_us)))
