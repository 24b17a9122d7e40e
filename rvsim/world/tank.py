"""The tanks of the vehicle, and the people who use the water.

Knows: the content of each tank, an invented day of use that moves water from the fresh tank into grey and black one,
what is drawn, filled in and drained by owner, and that taps give no more than their pump does. Does not know the hot
water: it comes out of the same taps and is counted once. Rain and leaks are not modelled.

Water is counted in whole microlitres, so that none is gained or lost however long a run lasts.
"""

from bisect import bisect_right
from collections.abc import Mapping
from math import isfinite
from typing import Any, NamedTuple

from rvsim.rig.tanks import LPG, PROPANE, ExtraTankPlan, TankPlan
from rvsim.world.freezing import WaterTemperature

_MICROLITRES_PER_LITRE = 1_000_000
_SECONDS_OF_DAY = 86_400
PATTERN_PEOPLE = 2
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
_TO_GREY = 9, 10
"""The part of drawn water that comes into the grey tank; the rest is drunk or dries. Common practice, no source."""
MAX_LITRES_PER_MIN = 1000.0
"""No tap or filling hose gives more. Our decision."""


class Tank:
    """The content of one tank, in microlitres, and its temperature."""

    def __init__(self, plan: TankPlan, content: str, start_c: float) -> None:
        self.content = content
        self.gas = plan.gas if isinstance(plan, ExtraTankPlan) else PROPANE
        self.zone = plan.zone
        self.full_ul = round(plan.litres * _MICROLITRES_PER_LITRE)
        self.held_ul = round(self.full_ul * plan.start_percent / 100)
        self.water = WaterTemperature(max(0.0, start_c) if content == LPG else start_c, plan.loss_w_per_k)
        self.ice_ul = round(self.held_ul * self.water.ice_part)
        """What cannot flow out."""

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

    @property
    def ice_percent(self) -> float:
        """How much of the water is ice, 0 to 100."""
        return 100 * self.water.ice_part

    def freezes_in_h(self, air_c: float) -> float:
        """Return in how many hours it is ice all through in air of this temperature; inf where it never is."""
        return self.water.freezes_in_h(self.litres, air_c)

    def cool(self, seconds: int, air_c: float) -> None:
        """Let the water take up heat from air of this temperature, or lose it, and freeze or thaw."""
        if self.content == LPG:
            return  # what is in it does not freeze; it is as warm as the air around it
        self.water.step(seconds, self.litres, air_c)
        self.ice_ul = round(self.held_ul * self.water.ice_part)


class _Flow(NamedTuple):
    """Water that an owner moves, in microlitres a second."""

    tank: str
    drawn_ul: int = 0
    hot_part: float = 0.0
    filled_ul: int = 0
    drained_ul: int = 0


class WaterTanks:
    """All water tanks, and the use of water between them."""

    def __init__(
        self,
        plans: Mapping[str, TankPlan],
        start_hour: float,
        people: int = PATTERN_PEOPLE,
        start_c: Mapping[str, float] | None = None,
    ) -> None:
        temperatures = start_c or {}
        self.tanks = {
            name: Tank(plan, plan.content if isinstance(plan, ExtraTankPlan) else name, temperatures.get(name, 15.0))
            for name, plan in plans.items()
        }
        self.people = people
        self.hot_litres_per_s = 0.0
        """Hot water that was drawn in the last second."""
        self._start_s = round(start_hour * 3600)
        self._to_grey_ul = self._to_black_ul = 0
        self._part_end_s = 0
        self._flows: dict[tuple[str, str], _Flow] = {}
        self._pumps: dict[str, dict[str, int]] = {}
        """By tank with a pump, and by pump: the microlitres a second that it can give."""
        self._drawn_ul: dict[str, int] = {}
        """What was drawn in the last second from each tank with a pump."""

    def set_people(self, people: int) -> None:
        """Set how many people use water."""
        self.people = people
        self._part_end_s = 0

    def set_draw(self, owner: str, litres_per_min: float, hot_percent: float, tank: str) -> None:
        """Let ``owner`` draw water from a fresh tank.

        Raises:
            ValueError: the flow or its hot part is outside its range, or the tank is none with fresh water.
        """
        if self.tank(tank).content != "fresh":
            raise ValueError(f"{owner} draws water from the tank {tank}, which holds {self.tank(tank).content} water")
        if not 0 <= hot_percent <= 100:
            raise ValueError(f"{owner} draws water of which {hot_percent} % is hot: give 0 to 100")
        flow = self._checked(owner, "draws", litres_per_min)
        self._set(owner, tank, drawn_ul=flow, hot_part=hot_percent / 100 if flow else 0.0)

    def set_fill(self, owner: str, litres_per_min: float, tank: str) -> None:
        """Let ``owner`` fill a tank from outside; ValueError for an impossible flow."""
        self._set(owner, tank, filled_ul=self._checked(owner, "fills in", litres_per_min))

    def set_drain(self, owner: str, litres_per_min: float, tank: str) -> None:
        """Let ``owner`` drain a tank to the outside; ValueError for an impossible flow."""
        self._set(owner, tank, drained_ul=self._checked(owner, "drains", litres_per_min))

    def set_pump(self, owner: str, litres_per_min: float, tank: str) -> None:
        """Let taps of a fresh tank give no more than its pumps do; without a pump they give all that is drawn.

        Raises:
            ValueError: the flow is outside its range, or the tank is none with fresh water.
        """
        if self.tank(tank).content != "fresh":
            raise ValueError(f"{owner} pumps water from the tank {tank}, which holds {self.tank(tank).content} water")
        self._pumps.setdefault(tank, {})[owner] = self._checked(owner, "pumps", litres_per_min)

    def drawn_litres(self, tank: str) -> float:
        """Return what the taps gave in the last second from a tank that has a pump."""
        return self._drawn_ul.get(tank, 0) / _MICROLITRES_PER_LITRE

    def remove(self, owner: str) -> None:
        """Stop all that ``owner`` draws, fills and drains; its pump stays known, and gives nothing."""
        for pumps in self._pumps.values():
            if owner in pumps:
                pumps[owner] = 0
        self._flows = {key: flow for key, flow in self._flows.items() if key[0] != owner}
        if not self._flows:
            self.hot_litres_per_s = 0.0

    def tank(self, name: str) -> Tank:
        """Return a tank; ValueError where there is none of this name."""
        try:
            return self.tanks[name]
        except KeyError:
            raise ValueError(f'there is no tank "{name}"; the tanks are {", ".join(self.tanks)}') from None

    @staticmethod
    def _checked(owner: str, does: str, litres_per_min: float) -> int:
        if not (isfinite(litres_per_min) and 0 <= litres_per_min <= MAX_LITRES_PER_MIN):
            raise ValueError(f"{owner} {does} {litres_per_min} litres a minute: give 0 to {MAX_LITRES_PER_MIN:g}")
        return round(litres_per_min * _MICROLITRES_PER_LITRE / 60)

    def _set(self, owner: str, tank: str, **changes: Any) -> None:
        self.tank(tank)
        before = self._flows.pop((owner, tank), _Flow(tank))
        flow = before._replace(**changes)
        if flow != _Flow(tank):
            self._flows[owner, tank] = flow
            self._flows = dict(sorted(self._flows.items()))
        elif not self._flows:
            self.hot_litres_per_s = 0.0

    def step(self, second: int) -> None:
        """Use water for one second, which ends ``second`` seconds after the start of the run."""
        if second > self._part_end_s:
            self._start_day_part(second)
        if self._pumps:
            self._drawn_ul = dict.fromkeys(self._pumps, 0)
        if self._to_grey_ul:
            fresh = self.tanks["fresh"]
            self._move_water(fresh, self.tanks["grey"], self._to_grey_ul)
            self._move_water(fresh, self.tanks["black"], self._to_black_ul)
        if self._flows:
            self._step_flows()

    def _start_day_part(self, second: int) -> None:
        """Set the use of the present part of the day, and the last second of that part."""
        clock = (self._start_s + second - 1) % _SECONDS_OF_DAY
        part = bisect_right(_DAY_PART_STARTS, clock)
        _, to_grey_ul, to_black_ul = _DAY_PARTS[part - 1]
        self._to_grey_ul = to_grey_ul * self.people // PATTERN_PEOPLE
        self._to_black_ul = to_black_ul * self.people // PATTERN_PEOPLE
        ends = _DAY_PART_STARTS[part] if part < len(_DAY_PART_STARTS) else _SECONDS_OF_DAY
        self._part_end_s = second + ends - clock - 1

    def _move_water(self, fresh: Tank, waste: Tank, wanted_ul: int, kept: tuple[int, int] = (1, 1)) -> int:
        """Move fresh water into a waste tank and return how much left: not more than there is, nor than has room.

        ``kept`` is the part, as a fraction, that arrives.
        """
        room = (waste.full_ul - waste.held_ul) * kept[1] // kept[0]
        used_ul = min(wanted_ul, max(0, fresh.held_ul - fresh.ice_ul), room)
        if self._pumps:
            used_ul = self._through_pump(fresh, used_ul)
        fresh.held_ul -= used_ul
        waste.held_ul += used_ul * kept[0] // kept[1]
        return used_ul

    def _through_pump(self, fresh: Tank, wanted_ul: int) -> int:
        """Return how much of the water that is drawn in this second comes out of the taps."""
        for name, pumps in self._pumps.items():
            if self.tanks[name] is fresh:
                given_ul = min(wanted_ul, sum(pumps.values()) - self._drawn_ul[name])
                self._drawn_ul[name] += given_ul
                return given_ul
        return wanted_ul

    def _step_flows(self) -> None:
        hot_ul = 0.0
        for tank_name, drawn_ul, hot_part, filled_ul, drained_ul in self._flows.values():
            tank = self.tanks[tank_name]
            if drawn_ul:
                hot_ul += hot_part * self._move_water(tank, self.tanks["grey"], drawn_ul, _TO_GREY)
            tank.held_ul = min(tank.full_ul, tank.held_ul + filled_ul)
            tank.held_ul -= min(drained_ul, max(0, tank.held_ul - tank.ice_ul))
        self.hot_litres_per_s = hot_ul / _MICROLITRES_PER_LITRE
