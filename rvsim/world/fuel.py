"""Fuel: heat in it, how much is left, how cold it may be.

Knows: heating values, the water that burnt gas leaves, the pressure of gas above its liquid. Does not know who burns
it or how well.
"""

from collections.abc import Mapping
from math import exp

from rvsim.rig.climate import FuelPlan
from rvsim.rig.fuel_grades import GELS_BELOW_C as GELS_BELOW_C
from rvsim.rig.fuel_grades import PLUGGING_SPREAD_K as PLUGGING_SPREAD_K

DIESEL_MJ_PER_LITRE = 35.81
"""Lower heating value: 128488 Btu a US gallon, US DOE Alternative Fuels Data Center."""
MJ_PER_KG: Mapping[str, float] = {
    # Lower heating values. Hydrogen Analysis Resource Center; propane and butane: a table of fuel gases.
    "gasoline": 43.438,
    "lpg": 46.596,
    "diesel": 42.781,
    "low-sulphur diesel": 42.602,
    "propane": 45.99,
    "butane": 46.46,
}
"""Lower heating values by mass."""
MJ_PER_LITRE: Mapping[str, float] = {"diesel": DIESEL_MJ_PER_LITRE, "gasoline": 32.36, "lpg": 23.68}
"""Lower heating values by volume; gasoline and liquid gas: Hydrogen Analysis Resource Center."""
LPG_KG_PER_LITRE = MJ_PER_LITRE["lpg"] / MJ_PER_KG["lpg"]
"""Density of liquid gas, by its two heating values."""
WATER_KG_PER_KG: Mapping[str, float] = {"propane": 4 * 18.015 / 44.096, "butane": 5 * 18.015 / 58.122}
"""Water that a kilogram of burnt gas leaves in the room, by its formula."""

# Boiling point at 1 atm in kelvin, and the heat of boiling by the gas constant in kelvin: the pressure is 1 atm x
# exp(heat x (1 / boiling - 1 / T)). Boiling points: CoolProp. Heats: propane from 110 psi above the air's at 21 C
# (CoolProp); butane from 2.07 bar at 20 C, from memory.
_BOILING: Mapping[str, tuple[float, float]] = {"propane": (231.05, 2300.0), "butane": (272.65, 2785.0)}
_ATMOSPHERE_PA = 101_325.0
_KELVIN = 273.15
MIN_GAS_PA = 9_000.0
"""Above the air's pressure: with less nothing comes through a regulator. What the rule of a caravan manual means for
both gases, propane to -40 C and butane not below 2 C."""


def gas_pa(gas: str, celsius: float) -> float:
    """Return the absolute pressure of "propane" or "butane" above its liquid, from -60 to 60 C within some 5 %."""
    boiling, heat = _BOILING[gas]
    return _ATMOSPHERE_PA * exp(heat * (1 / boiling - 1 / (celsius + _KELVIN)))


def use_per_hour(watts: float, efficiency: float, megajoule: float) -> float:
    """Return how much fuel of ``megajoule`` a unit gives this heat with this efficiency (0 to 1), in units an hour."""
    return watts * 3600 / 1e6 / (efficiency * megajoule)


class FuelTank:
    """The fuel of the vehicle. Uses and fills change at whole seconds."""

    def __init__(self, plan: FuelPlan) -> None:
        self.size_litres = plan.litres
        self.gels_below_c = GELS_BELOW_C[plan.grade]
        self._litres = plan.litres * plan.start_percent / 100
        self._litres_per_h = 0.0
        self._fill_per_h = 0.0
        self._filled = 0.0
        self._since = 0

    def set_use(self, litres_per_h: float, second: int) -> None:
        """Set what is used from now on."""
        if litres_per_h != self._litres_per_h:
            self._settle(second)
            self._litres_per_h = litres_per_h

    def set_fill(self, litres_per_h: float, second: int) -> None:
        """Set what is filled in from now on; below 0 it is drained."""
        if litres_per_h != self._fill_per_h:
            self._settle(second)
            self._fill_per_h = litres_per_h

    def litres(self, second: int) -> float:
        """Return what is left."""
        left = self._litres + (self._fill_per_h - self._litres_per_h) * (second - self._since) / 3600
        return 0.0 if left <= 0 else min(self.size_litres, left)

    def filled_litres(self, second: int) -> float:
        """Return what was filled in since the start; what was drained counts as negative."""
        return self._filled + self._fill_per_h * (second - self._since) / 3600

    def _settle(self, second: int) -> None:
        """Count up to a second what the flows of before have moved."""
        self._litres, self._filled, self._since = self.litres(second), self.filled_litres(second), second
