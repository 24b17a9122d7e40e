"""The water tanks, and the people who use the water.

Knows: what fresh, grey and black water tank hold, and an invented day of use that empties the first into the
other two. Does not know the hot water: what is heated comes back into the same pipes and is counted once. Rain,
leaks, filling up and draining are not modelled.

Water is counted in whole microlitres, so that none is gained or lost however long a run lasts.
"""

from bisect import bisect_right
from collections.abc import Mapping

from rvsim.rig.vehicle import TankPlan

_MICROLITRES = 1_000_000
_SECONDS_OF_DAY = 86_400
_DAY = (
    # From this hour on: microlitres a second into grey and black tank; 1000 is 3.6 litres an hour.
    (0.0, 0, 0),
    (7.0, 2000, 500),  # washing, toilet
    (8.5, 200, 100),
    (12.0, 1000, 100),  # lunch
    (13.0, 200, 100),
    (18.0, 2000, 300),  # cooking, dishes
    (19.5, 500, 200),
    (22.0, 0, 0),
)
"""Two people: 36 litres into the grey and 10 into the black tank. Invented."""
_STARTS = [round(hour * 3600) for hour, _, _ in _DAY]


class Tank:
    """What one tank holds, in microlitres."""

    def __init__(self, plan: TankPlan) -> None:
        self.full = round(plan.litres * _MICROLITRES)
        self.held = round(self.full * plan.start_percent / 100)

    @property
    def litres(self) -> float:
        """What it holds, in litres."""
        return self.held / _MICROLITRES

    @property
    def size_litres(self) -> float:
        """What it holds when full, in litres."""
        return self.full / _MICROLITRES

    @property
    def percent(self) -> float:
        """How full it is, 0 to 100."""
        return 100 * self.held / self.full


class Water:
    """Fresh, grey and black water tank, and a day's use between them."""

    def __init__(self, plans: Mapping[str, TankPlan], start_hour: float) -> None:
        self.tanks = {name: Tank(plan) for name, plan in plans.items()}
        self._start_s = round(start_hour * 3600)
        self._to_grey = self._to_black = 0
        self._until = 0

    def step(self, second: int) -> None:
        """Let the people use water for the next second, which ends ``second`` seconds after the start of the run."""
        if second > self._until:
            self._turn(second)
        if self._to_grey:
            self._use(self.tanks["grey"], self._to_grey)
            self._use(self.tanks["black"], self._to_black)

    def _turn(self, second: int) -> None:
        """Take the use of the present part of the day, and note with which second that part ends."""
        clock = (self._start_s + second - 1) % _SECONDS_OF_DAY
        part = bisect_right(_STARTS, clock)
        _, self._to_grey, self._to_black = _DAY[part - 1]
        ends = _STARTS[part] if part < len(_STARTS) else _SECONDS_OF_DAY
        self._until = second + ends - clock - 1

    def _use(self, drain: Tank, wanted: int) -> None:
        """Move fresh water into a drain: no more than there is, nor than there is room for."""
        fresh = self.tanks["fresh"]
        used = min(wanted, fresh.held, drain.full - drain.held)
        fresh.held -= used
        drain.held += used
