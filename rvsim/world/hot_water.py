"""The hot-water tank.

Knows: its heat capacity, its loss to the cabin, the heat of gas flame and element, and what a litre carries. Does not
know its temperature (`heat_network` has it) nor the exchanger that warms it (part of the coolant circuit). Freezing is
not modelled here: a temperature below 0 C means frozen.
"""

from collections.abc import Mapping
from math import fsum, isfinite

from rvsim.rig.climate import HotWaterPlan
from rvsim.world.coolant import mix_j_per_litre_k


class HotWater:
    """Heat capacity (J/K), loss to the cabin (W/K) and heat of the tank, well mixed."""

    def __init__(self, plan: HotWaterPlan) -> None:
        self.j_per_litre_k = mix_j_per_litre_k(0)
        self.heat_capacity_j_per_k = plan.litres * self.j_per_litre_k
        self.to_cabin_w_per_k = plan.loss_w_per_k
        self.heat_w = 0.0
        self._heats: dict[str, float] = {}

    @property
    def heats(self) -> Mapping[str, float]:
        """The heat of each owner's flame or element, in watts."""
        return self._heats

    def set_heat(self, owner: str, watts: float) -> None:
        """Set the heat that ``owner`` gives to the water; 0 for none.

        Raises:
            ValueError: it is negative or not a number.
        """
        if not (isfinite(watts) and watts >= 0):
            raise ValueError(f"{owner} heats the water with {watts} W: give 0 or more")
        self._heats[owner] = watts
        self.heat_w = fsum(self._heats.values())
