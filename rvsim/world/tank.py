"""The water tanks, and the people who use the water.

Knows: the content of the fresh, grey and black water tank, and an invented day of use that moves water from the first
to the other two. Does not know the hot water: heated water comes out of the same taps and is counted once. Rain, leaks,
filling and draining are not modelled.

Water is counted in whole microlitres, so that none is gained or lost however long a run lasts.
"""

from bisect import bisect_right
from collections.abc import Mapping

from rvsim.rig.vehicle import TankPlan

_MICROLITRES_PER_LITRE = 1_000_000
_SECONDS_OF_DAY = 86_400
_DAY_PARTS = (
    # From this hour on: microlitres a second into the grey and the black tank; 1000 is 3.6 litres an hour.
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
_DAY_PART_STARTS = [round(hour * 3600) for hour, _, _ in _DAY_PARTS]


class Tank:
    """The content of one tank, in microlitres."""

    def __init__(self, plan: TankPlan) -> None:
        self.full_ul = round(plan.litres * _MICROLITRES_PER_LITRE)
        self.held_ul = round(self.full_ul * plan.start_percent / 100)

    @property
    def litres(self) -> float:
        """The content in litres."""
        return self.held_ul / _MICROLITRES_PER_LITRE

    @property
    def size_litres(self) -> float:
        """The content when full, in litres."""
        return self.full_ul / _MICROLITRES_PER_LITRE

    @property
    def percent(self) -> float:
        """The level, 0 to 100."""
        return 100 * self.held_ul / self.full_ul


class WaterTanks:
    """Fresh, grey and black water tank, and the use of water between them."""

    def __init__(self, plans: Mapping[str, TankPlan], start_hour: float) -> None:
        self.tanks = {name: Tank(plan) for name, plan in plans.items()}
        self._start_s = round(start_hour * 3600)
        self._to_grey_ul = self._to_black_ul = 0
        self._part_end_s = 0

    def step(self, second: int) -> None:
        """Use water for one second, which ends ``second`` seconds after the start of the run."""
        if second > self._part_end_s:
            self._start_day_part(second)
        if self._to_grey_ul:
            self._move_water(self.tanks["grey"], self._to_grey_ul)
            self._move_water(self.tanks["black"], self._to_black_ul)

    def _start_day_part(self, second: int) -> None:
        """Set the use of the present part of the day, and the last second of that part."""
        clock = (self._start_s + second - 1) % _SECONDS_OF_DAY
        part = bisect_right(_DAY_PART_STARTS, clock)
        _, self._to_grey_ul, self._to_black_ul = _DAY_PARTS[part - 1]
        ends = _DAY_PART_STARTS[part] if part < len(_DAY_PART_STARTS) else _SECONDS_OF_DAY
        self._part_end_s = second + ends - clock - 1

    def _move_water(self, waste: Tank, wanted_ul: int) -> None:
        """Move fresh water into a waste tank: not more than there is, nor more than it has room for."""
        fresh = self.tanks["fresh"]
        used_ul = min(wanted_ul, fresh.held_ul, waste.full_ul - waste.held_ul)
        fresh.held_ul -= used_ul
        waste.held_ul += used_ul
