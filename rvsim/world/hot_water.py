"""The hot-water tank.

Knows: its temperature, its heat capacity and its loss to the cabin. Does not know the exchanger that warms it (part of
the coolant circuit). Use of hot water and freezing are not modelled: a temperature below 0 C means frozen.
"""

from rvsim.rig.vehicle import HotWaterPlan
from rvsim.world.coolant import mix_j_per_litre_k


class HotWater:
    """Temperature, heat capacity (J/K) and loss to the cabin (W/K) of the tank, well mixed."""

    def __init__(self, plan: HotWaterPlan) -> None:
        self.celsius = plan.start_c
        self.heat_capacity_j_per_k = plan.litres * mix_j_per_litre_k(0)
        self.to_cabin_w_per_k = plan.loss_w_per_k
