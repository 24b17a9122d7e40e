"""The coolant circuit: burners, fuel, and the heat exchange with zones and hot water.

Knows: the properties of the glycol mix, the burners' heat and fuel, and the conductance of each exchanger with the
present fans, circulation and pumps. Does not know the temperatures of zones and hot water (`thermal` couples them), nor
when to burn: the heater itself stops before the coolant boils. The circuit's properties are those at 40 C at all
temperatures; freezing and boiling are not modelled.
"""

from bisect import bisect_left
from collections.abc import Iterator, Mapping
from math import exp, fsum, isfinite
from typing import Literal

from rvsim.rig.climate import FIRST_ZONE, CoolantPlan, ZonePlan
from rvsim.world.fuel import DIESEL_MJ_PER_LITRE, use_per_hour
from rvsim.world.infiltration import AIR_W_PER_LITRE_S_K

Glycol = Literal["propylene", "ethylene"]
_Row = tuple[float, float, float]
_PROPERTIES_C = 40.0
"""The temperature at which a circuit's properties are taken. Our decision: between a cold start and full heat."""
# Propylene glycol in water at 40 C: percent, kg/m3, kJ/(kg K). A chiller maker's glycol design data table; 50 and 60 %
# from memory.
_PROPYLENE: tuple[_Row, ...] = (
    (0.0, 992.2, 4.18),
    (20.0, 1010.2, 4.02),
    (25.0, 1014.3, 3.96),
    (30.0, 1018.4, 3.90),
    (35.0, 1021.9, 3.84),
    (40.0, 1025.3, 3.77),
    (50.0, 1031.6, 3.62),
    (60.0, 1036.7, 3.45),
)
# Ethylene glycol 50 % by mass: degrees Celsius, kg/m3, kJ/(kg K). Computed with the library CoolProp.
_ETHYLENE_50: tuple[_Row, ...] = (
    (0.0, 1074.6, 3.203),
    (20.0, 1064.9, 3.312),
    (60.0, 1040.5, 3.503),
    (80.0, 1026.4, 3.582),
)
# Water: the same, from memory; 40 C as in the table above.
_WATER: tuple[_Row, ...] = (
    (0.0, 999.8, 4.217),
    (20.0, 998.2, 4.182),
    (40.0, 992.2, 4.18),
    (60.0, 983.2, 4.184),
    (80.0, 971.8, 4.196),
)
# Percent of glycol by volume, freezing point. Propylene: Lange's Handbook of Chemistry; ethylene: a handbook table.
_FREEZING: Mapping[str, tuple[tuple[float, float], ...]] = {
    "propylene": ((0.0, 0.0), (20.0, -6.7), (30.0, -12.8), (40.0, -20.6), (45.0, -26.7), (50.0, -33.3)),
    "ethylene": ((0.0, 0.0), (10.0, -3.0), (20.0, -8.0), (30.0, -16.0), (40.0, -25.0), (50.0, -37.0), (60.0, -55.0)),
}
MAX_GLYCOL_PERCENT = 60.0
HOSES = "coolant hoses"
"""What gives heat to the first zone beside the exchangers."""
_FAN_EXPONENT = 0.8
"""Heat transfer from a surface to the air a fan drives past it grows as speed to this power: turbulent flow,
Dittus and Boelter, from memory."""


def mix_properties(
    glycol_percent: float, glycol: Glycol = "propylene", celsius: float = _PROPERTIES_C
) -> tuple[float, float]:
    """Return density in kg/m3 and specific heat in kJ/(kg K); those of propylene glycol are known at 40 C alone.

    Raises:
        ValueError: the mix is outside the tables of properties, 0 to 60 %.
    """
    if not 0 <= glycol_percent <= MAX_GLYCOL_PERCENT:
        raise ValueError(f"no properties are known for {glycol_percent} % glycol: give 0 to {MAX_GLYCOL_PERCENT:g}")
    if glycol == "propylene":
        return _between(_PROPYLENE, glycol_percent)
    water, half = _between(_WATER, celsius), _between(_ETHYLENE_50, celsius)
    part = glycol_percent / 50
    return water[0] + part * (half[0] - water[0]), water[1] + part * (half[1] - water[1])


def mix_j_per_litre_k(glycol_percent: float, glycol: Glycol = "propylene", celsius: float = _PROPERTIES_C) -> float:
    """Return the heat that warms a litre of mix by one kelvin; ValueError outside 0 to 60 %."""
    density, heat = mix_properties(glycol_percent, glycol, celsius)
    return density * heat


def freezes_below_c(glycol_percent: float, glycol: Glycol = "propylene") -> float:
    """Return the freezing point; beyond the table's last row its slope goes on."""
    table = _FREEZING[glycol]
    above = min(max(1, bisect_left(table, (glycol_percent,))), len(table) - 1)
    (low, low_c), (high, high_c) = table[above - 1 : above + 1]
    return low_c + (glycol_percent - low) / (high - low) * (high_c - low_c)


def _between(table: tuple[_Row, ...], place: float) -> tuple[float, float]:
    """Interpolate in a table; beyond its ends the last slope goes on."""
    above = min(max(1, bisect_left(table, (place,))), len(table) - 1)
    (low, one, other), (high, next_one, next_other) = table[above - 1 : above + 1]
    part = (place - low) / (high - low)
    return one + part * (next_one - one), other + part * (next_other - other)


def still_effectiveness(ntu: float) -> float:
    """Return the effectiveness of an exchanger whose other side stays at one temperature (Kays and London)."""
    return 1 - exp(-ntu)


def crossflow_effectiveness(ntu: float, ratio: float) -> float:
    """Return the effectiveness of a cross-flow exchanger, both sides unmixed; ``ratio`` is Cmin by Cmax."""
    if ratio <= 0 or ntu <= 0:
        return still_effectiveness(max(ntu, 0.0))
    return 1 - exp(ntu**0.22 / ratio * (exp(-ratio * ntu**0.78) - 1))


def exchanged_w_per_k(exchanger_w_per_k: float, coolant_w_per_k: float, air_w_per_k: float | None) -> float:
    """Return the conductance of an exchanger between coolant and air; without a figure for the air, that is still."""
    if air_w_per_k is None:
        return coolant_w_per_k * still_effectiveness(exchanger_w_per_k / coolant_w_per_k)
    least, most = sorted((coolant_w_per_k, air_w_per_k))
    return least * crossflow_effectiveness(exchanger_w_per_k / least, least / most) if least else 0.0


class Coolant:
    """Heat capacity (J/K), burners (W, L/h) and conductances (W/K) of the circuit."""

    def __init__(self, plan: CoolantPlan, zones: tuple[ZonePlan, ...] = ()) -> None:
        heat = mix_j_per_litre_k(plan.glycol_percent, plan.glycol)
        self._efficiency = plan.burner_efficiency_percent / 100
        self._flow_w_per_k = plan.pump_litres_per_s * heat
        self._exchangers: dict[str, tuple[float, float | None]] = {
            FIRST_ZONE: (plan.cabin_exchanger_w_per_k, plan.cabin_exchanger_air_litres_per_s)
        }
        for zone in zones:
            self._exchangers[zone.name] = zone.exchanger_w_per_k, zone.exchanger_air_litres_per_s
        self.rated_burner_w = plan.burner_w
        self.heat_capacity_j_per_k = plan.litres * heat
        self.hose_loss_w_per_k = plan.hose_loss_w_per_k
        self.freezes_below_c = freezes_below_c(plan.glycol_percent, plan.glycol)
        self.burner_w = 0.0
        self._water_w_per_k = exchanged_w_per_k(plan.water_exchanger_w_per_k, self._flow_w_per_k, None)
        self._burners: dict[str, float] = {}
        self._fans: dict[tuple[str, str], float] = {}
        self._circulations: set[str] = set()
        self._pumps: dict[str, bool] = {}

    @property
    def fuel_litres_per_h(self) -> float:
        """Diesel burnt at the present output."""
        return self.burner_litres_per_h(self.burner_w)

    @property
    def rated_fuel_litres_per_h(self) -> float:
        """Diesel burnt at full output of the rig's burner."""
        return self.burner_litres_per_h(self.rated_burner_w)

    @property
    def to_water_w_per_k(self) -> float:
        """Conductance to the hot water."""
        return self._water_w_per_k if self._circulations else 0.0

    def to_zone_w_per_k(self, zone: str) -> float:
        """Return the conductance to a zone's air: fans with their exchangers, and the hoses in the cabin.

        Each owner's fan has an exchanger of its own, as large as the zone's figure.
        """
        passed = 0.0
        for _, w_per_k in self.zone_parts(zone):
            passed += w_per_k
        return passed

    def zone_parts(self, zone: str) -> Iterator[tuple[str, float]]:
        """Yield the conductances to a zone's air, W/K: those of the hoses, then of each owner's fan and exchanger."""
        yield HOSES, self.hose_loss_w_per_k if zone == FIRST_ZONE else 0.0
        if self._pumps and not any(self._pumps.values()):
            return
        exchanger, air = self._exchangers[zone]
        for (owner, served), fraction in self._fans.items():
            if served == zone:
                air_w_per_k = None if air is None else AIR_W_PER_LITRE_S_K * air * fraction
                yield (
                    owner,
                    exchanged_w_per_k(exchanger * fraction**_FAN_EXPONENT, self._flow_w_per_k, air_w_per_k),
                )

    @property
    def burners(self) -> Mapping[str, float]:
        """The heat of each owner's burner into the coolant, in watts."""
        return self._burners

    def burner_litres_per_h(self, watts: float) -> float:
        """Return the diesel that a burner uses for this heat."""
        return use_per_hour(watts, self._efficiency, DIESEL_MJ_PER_LITRE)

    def has_fan(self, zone: str) -> bool:
        """Return whether a fan blows warm air into a zone."""
        flows = not self._pumps or any(self._pumps.values())
        return flows and any(served == zone for _, served in self._fans)

    def set_burner(self, owner: str, watts: float) -> bool:
        """Set the heat that the burner of ``owner`` gives to the coolant, 0 for none; return whether this is a change.

        Raises:
            ValueError: the heat is negative or not a number.
        """
        if not (isfinite(watts) and watts >= 0):
            raise ValueError(f"the burner of {owner} gives {watts} W: give 0 or more")
        if self._burners.get(owner, 0.0) == watts:
            return False
        self._burners[owner] = watts
        self.burner_w = fsum(self._burners.values())
        return True

    def set_fan(self, owner: str, fraction: float, zone: str) -> bool:
        """Set a fan of ``owner`` to this fraction of full speed; return whether this is a change.

        Raises:
            ValueError: the fraction is not between 0 and 1.
        """
        if not 0 <= fraction <= 1:
            raise ValueError(f"the fan of {owner} runs at {fraction}: give a fraction of full speed between 0 and 1")
        key = (owner, zone)
        if self._fans.get(key, 0.0) == fraction:
            return False
        if fraction:
            self._fans[key] = fraction
            self._fans = dict(sorted(self._fans.items()))  # the order of summing must not depend on the order of calls
        else:
            del self._fans[key]
        return True

    def set_pump(self, owner: str, *, running: bool) -> bool:
        """Let the flow to the zones' exchangers depend on a pump from now on; of several pumps one is enough.

        Without such a pump the heater's own pump always sends coolant there. Return whether this is a change.
        """
        before = self._pumps.get(owner)
        self._pumps[owner] = running
        return before != running

    def set_water_circulation(self, owner: str, *, running: bool) -> bool:
        """Send coolant through the hot-water exchanger while any owner wants it; return whether this is a change."""
        if running == (owner in self._circulations):
            return False
        (self._circulations.add if running else self._circulations.remove)(owner)
        return True

    def remove(self, owner: str) -> None:
        """Set burner, fans, circulation and pump of ``owner`` to nothing."""
        self.set_burner(owner, 0.0)
        self._fans = {key: fraction for key, fraction in self._fans.items() if key[0] != owner}
        self._circulations.discard(owner)
        if owner in self._pumps:
            self._pumps[owner] = False
