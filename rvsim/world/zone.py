"""One zone: what it loses and gains, and the moisture of its air.

Knows: the conductances of walls, glass and lining, the air that leaks, vents and openings exchange, the heat that
devices, people and the sun give, and the vapour in its air with what condenses on its coldest surface. Does not know
its temperatures (`heat_network` has them), the coolant, nor other zones.

Moisture moves in steps of ``MOISTURE_S`` seconds. Heat of condensation is left out; so is moisture in the lining.
"""

from collections.abc import Mapping
from math import fsum, inf, isfinite
from typing import TypeVar

from rvsim.rig.climate import CabinPlan, ZonePlan
from rvsim.world import infiltration, people
from rvsim.world.glazing import DIFFUSE_SHARE, INSIDE_RESISTANCE, OUTSIDE_RESISTANCE, angle_share, inside_surface_c
from rvsim.world.moist_air import dew_point_c, relative_percent, saturation_ratio, vapour_pa
from rvsim.world.weather import Conditions

MOISTURE_S = 20
"""Moisture, people and flows through openings are computed anew at multiples of this many seconds."""
_AIR_SHARE_OF_SUN = 0.3
"""The share of the sun behind glass that warms air and light things at once; the rest warms the lining. From memory."""
_BARE_U = 1 / (INSIDE_RESISTANCE + OUTSIDE_RESISTANCE)
_ROOF_SHARE, _SIDE_SHARE = 0.25, 0.5
"""Shares of the walls that lie flat under the sky, and that stand upright; the rest is the floor. Our decision."""
_SURFACE_KG_PER_S_M2 = 3.0 / 1006
"""Vapour that reaches a m2 of surface for each kg/kg: 3 W/(m2 K) of moving air by its specific heat (Lewis), from
memory."""
_INSIDE_M2_BY_VOLUME = 6.7
"""Area of the lining by volume^(2/3), where a rig gives none: 33 m2 in the invented van of 11 m3."""

_Value = TypeVar("_Value")


class Zone:
    """One zone's figures, and what is set for it by owner."""

    def __init__(self, name: str, plan: CabinPlan | ZonePlan, pressure_pa: float, air_density: float) -> None:
        self.name = name
        self.plan = plan
        self._pressure_pa = pressure_pa
        self._air_density = air_density
        self.air_j_per_k = plan.heat_capacity_j_per_k * plan.air_capacity_percent / 100
        self.lining_j_per_k = plan.heat_capacity_j_per_k - self.air_j_per_k
        inside_m2 = plan.inside_m2 or fsum(wall.area_m2 for wall in plan.walls)
        inside_m2 = inside_m2 or _INSIDE_M2_BY_VOLUME * plan.volume_m3 ** (2 / 3)
        self.air_to_lining = inside_m2 / INSIDE_RESISTANCE
        # No wall lets more through than its two surfaces; what a rig gives beyond this passes by the lining.
        through_lining = min(plan.walls_w_per_k, 0.999 * inside_m2 * _BARE_U)
        self.lining_to_outdoor = 1 / (1 / through_lining - 1 / self.air_to_lining) if through_lining else 0.0
        self._direct_w_per_k = plan.walls_w_per_k - through_lining + plan.glass_w_per_k
        parts = [(pane.u_w_per_m2_k, pane.area_m2) for pane in plan.glass]
        parts = parts or [(wall.u_value, wall.area_m2) for wall in plan.walls]
        self._coldest = max(parts) if parts else (plan.heat_loss_w_per_k / inside_m2, inside_m2)
        self.people = 0
        self.activity: people.Activity = "rest"
        """What its people do."""
        self.people_w = 0.0
        self.ratio = saturation_ratio(plan.start_c, pressure_pa) * plan.start_humidity_percent / 100
        """Humidity ratio of the air."""
        self.film_kg = 0.0
        """Water on the coldest surface."""
        self.outdoor_litres_per_s = 0.0
        """Air exchanged with the outside."""
        self.vent_litres_per_s = 0.0
        """The part of it that fans move."""
        self.opening_litres_per_s = 0.0
        """The part of it that passes through openings."""
        self._vents: dict[str, tuple[float, float]] = {}
        self._openings: dict[str, float] = {}
        self._heats: dict[str, float] = {}
        self._moistures: dict[str, float] = {}
        self.heat_w = 0.0
        self.sun_air_w = self.sun_lining_w = 0.0

    @property
    def air_to_outdoor(self) -> float:
        """Conductance from the air to the outside: glass, bare walls and exchanged air."""
        return self._direct_w_per_k + self.air_w_per_k(self.outdoor_litres_per_s)

    @property
    def bare_to_outdoor(self) -> float:
        """The part of ``air_to_outdoor`` that passes through glass and bare walls."""
        return self._direct_w_per_k

    @property
    def heats(self) -> Mapping[str, float]:
        """The heat that each owner gives to the air, in watts; below 0 it cools."""
        return self._heats

    @property
    def opening_m2(self) -> float:
        """What is open."""
        return fsum(self._openings.values())

    def air_w_per_k(self, litres_per_s: float) -> float:
        """Return the heat that an air flow carries for each kelvin."""
        return infiltration.AIR_W_PER_LITRE_S_K * self._air_density * litres_per_s

    def set_vent(self, owner: str, litres_per_s: float, fan_pa: float) -> bool:
        """Set the air that a fan moves to or from the outside; return whether this is a change.

        Raises:
            ValueError: the flow or its pressure is negative or not a number.
        """
        if not (isfinite(litres_per_s) and litres_per_s >= 0):
            raise ValueError(f"{owner} moves {litres_per_s} litres of air a second: give 0 or more")
        if not (isfinite(fan_pa) and fan_pa >= 0):
            raise ValueError(f"the fan of {owner} makes {fan_pa} Pa: give 0 or more")
        entry = (litres_per_s, fan_pa) if litres_per_s else (0.0, 0.0)
        return _replace(self._vents, owner, entry, (0.0, 0.0))

    def set_opening(self, owner: str, area_m2: float) -> bool:
        """Set what ``owner`` holds open; return whether this is a change.

        Raises:
            ValueError: the area is negative or not a number.
        """
        if not (isfinite(area_m2) and area_m2 >= 0):
            raise ValueError(f"{owner} is open by {area_m2} m2: give 0 or more")
        return _replace(self._openings, owner, area_m2, 0.0)

    def set_heat(self, owner: str, watts: float) -> bool:
        """Set the heat that ``owner`` gives to the air, below 0 to cool it; return whether this is a change.

        Raises:
            ValueError: the power is not a number.
        """
        if self._heats.get(owner, 0.0) == watts:
            return False
        if not isfinite(watts):
            raise ValueError(f"{owner} warms the {self.name} with {watts} W: give a number")
        _replace(self._heats, owner, watts, 0.0)
        self.heat_w = fsum(self._heats.values())
        return True

    def set_moisture(self, owner: str, grams_per_h: float) -> None:
        """Set the vapour that ``owner`` gives to the air, below 0 to dry it.

        Raises:
            ValueError: it is not a number.
        """
        if not isfinite(grams_per_h):
            raise ValueError(f"{owner} gives {grams_per_h} g of vapour an hour: give a number")
        _replace(self._moistures, owner, grams_per_h, 0.0)

    def remove(self, owner: str) -> None:
        """Set everything of ``owner`` to nothing."""
        for entries in (self._vents, self._openings, self._heats, self._moistures):
            entries.pop(owner, None)
        self.heat_w = fsum(self._heats.values())

    def update_people(self, air_c: float) -> bool:
        """Compute the heat of the people in this air; return whether it changed."""
        before, self.people_w = self.people_w, self.people * people.sensible_w(air_c, self.activity)
        return before != self.people_w

    def update_flows(self, air_c: float, outdoor_c: float, wind_m_per_s: float) -> bool:
        """Compute the air exchanged with the outside; return whether it changed."""
        plan, before = self.plan, self.outdoor_litres_per_s
        changes = plan.air_changes_per_hour + plan.air_changes_by_wind * wind_m_per_s
        flow = infiltration.litres_per_s(plan.volume_m3, changes)
        opening, through = self.opening_m2, 0.0
        if opening:
            through = infiltration.opening_litres_per_s(opening, plan.opening_height_m, air_c, outdoor_c, wind_m_per_s)
            flow += through
        vent = fsum(moved for moved, _ in self._vents.values())
        if vent and plan.inlet_m2 is not None:
            strongest = max(pressure for _, pressure in self._vents.values())
            vent = infiltration.through_inlet(vent, plan.inlet_m2 + opening, strongest)
        self.vent_litres_per_s, self.opening_litres_per_s = vent, through
        self.outdoor_litres_per_s = flow + vent
        return before != self.outdoor_litres_per_s

    def update_sun(self, now: Conditions) -> bool:
        """Compute the heat of the sun through glass and on the walls; return whether it changed."""
        before = (self.sun_air_w, self.sun_lining_w)
        if not now.power.level:
            self.sun_air_w = self.sun_lining_w = 0.0
            return before != (0.0, 0.0)
        through_glass = 0.0
        for pane in self.plan.glass:
            beam, cosine, around = now.on_plane(pane.tilt_deg, pane.azimuth_deg)
            through_glass += pane.area_m2 * pane.g * (beam * angle_share(cosine) + around * DIFFUSE_SHARE)
        sides = [sum(now.on_plane(90.0, facing)[::2]) for facing in (0.0, 90.0, 180.0, 270.0)]
        on_walls = _ROOF_SHARE * now.power.level + _SIDE_SHARE * fsum(sides) / len(sides)
        # An outside surface that takes up the sun is warmer by this; the heat then flows in like that of warmer air.
        warmer_k = self.plan.absorptance * on_walls * OUTSIDE_RESISTANCE
        self.sun_air_w = _AIR_SHARE_OF_SUN * through_glass
        self.sun_lining_w = (1 - _AIR_SHARE_OF_SUN) * through_glass + warmer_k * self.lining_to_outdoor
        return before != (self.sun_air_w, self.sun_lining_w)

    def coldest_surface_c(self, air_c: float, outdoor_c: float) -> float:
        """Return the temperature of the surface on which vapour condenses first."""
        return inside_surface_c(air_c, outdoor_c, self._coldest[0])

    def humidity_percent(self, air_c: float) -> float:
        """Return the relative humidity in air of this temperature."""
        return relative_percent(air_c, self.ratio, self._pressure_pa)

    def dew_point_c(self) -> float:
        """Return the dew point of the air."""
        return dew_point_c(vapour_pa(self.ratio, self._pressure_pa))

    def step_moisture(self, air_c: float, outdoor: Conditions, inflows: list[tuple[float, float]]) -> float:
        """Compute the humidity ratio after ``MOISTURE_S`` seconds, which the caller sets when all zones are done.

        Args:
            air_c: temperature of the air.
            outdoor: the weather.
            inflows: from each neighbour, litres of air a second and the ratio of that air.
        """
        kg_per_litre = infiltration.AIR_KG_PER_LITRE * self._air_density
        air_kg = kg_per_litre * self.plan.volume_m3 * 1000
        vapour = fsum(self._moistures.values()) + self.people * people.moisture_g_per_h(air_c, self.activity)
        supplied = air_kg / MOISTURE_S * self.ratio + vapour / 3.6e6
        leaving = air_kg / MOISTURE_S + kg_per_litre * self.outdoor_litres_per_s
        supplied += kg_per_litre * self.outdoor_litres_per_s * outdoor.humidity_ratio
        for litres_per_s, ratio in inflows:
            supplied += kg_per_litre * litres_per_s * (ratio - self.ratio)
        to_surface = _SURFACE_KG_PER_S_M2 * self._coldest[1]
        wet = saturation_ratio(self.coldest_surface_c(air_c, outdoor.outdoor_c), self._pressure_pa)
        ratio = (supplied + to_surface * wet) / (leaving + to_surface)
        condensed = to_surface * (ratio - wet) * MOISTURE_S
        if condensed < -self.film_kg:  # no more evaporates than there is
            condensed = -self.film_kg
            ratio = (supplied - condensed / MOISTURE_S) / leaving
        self.film_kg += condensed
        most = saturation_ratio(air_c, self._pressure_pa) if air_c < 99 else inf
        if ratio > most:  # fog, which settles
            self.film_kg += (ratio - most) * leaving * MOISTURE_S
            ratio = most
        return max(0.0, ratio)


def _replace(entries: dict[str, _Value], owner: str, value: _Value, nothing: _Value) -> bool:
    """Set an owner's entry, without keeping one that is nothing; return whether this is a change."""
    if entries.get(owner, nothing) == value:
        return False
    if value == nothing:
        del entries[owner]
    else:
        entries[owner] = value
    return True
