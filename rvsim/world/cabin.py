"""The cabin: its stored heat, its loss to the outside, and other sources of heat.

Knows: its temperature, its conductance to the outdoor air (walls, leaks, running vents), and the heat that people,
cooking or an air conditioner add or remove. The heat loss is this conductance times the difference of temperature:
`World._run_to_second` applies it, `World._solve_heat_balances` has the equations. Does not know the coolant or the hot
water; `world` couples them. The air of a vent counts in full in addition to the leaks.
"""

from math import fsum, isfinite

from rvsim.rig.vehicle import CabinPlan

AIR_W_PER_LITRE_S_K = 1.2072
"""Heat carried by one litre of air a second for each kelvin. ASHRAE Handbook Fundamentals, standard air at sea
level (1.08 Btu/h for each CFM and degree Fahrenheit), in metric units. Regulations that count the air's
moisture use 1.23, 2 % more."""


def litres_per_s(volume_m3: float, air_changes_per_hour: float) -> float:
    """Return the air flow in L/s that exchanges a volume ``air_changes_per_hour`` times an hour."""
    return volume_m3 * 1000 * air_changes_per_hour / 3600


class Cabin:
    """Temperature, heat capacity (J/K), conductance to the outside (W/K) and gains (W) of the living space."""

    def __init__(self, plan: CabinPlan) -> None:
        self.celsius = plan.start_c
        self.heat_capacity_j_per_k = plan.heat_capacity_j_per_k
        self.gains_w = 0.0
        self._closed_w_per_k = plan.heat_loss_w_per_k + AIR_W_PER_LITRE_S_K * litres_per_s(
            plan.volume_m3, plan.air_changes_per_hour
        )
        self.to_outdoor_w_per_k = self._closed_w_per_k
        self._vents: dict[str, float] = {}
        self._gains: dict[str, float] = {}

    def set_vent(self, name: str, flow_litres_per_s: float) -> None:
        """Set the air flow that ``name`` exchanges with the outside from now on; 0 for none.

        Raises:
            ValueError: the flow is negative or not a number.
        """
        if not (isfinite(flow_litres_per_s) and flow_litres_per_s >= 0):
            raise ValueError(f"{name} moves {flow_litres_per_s} litres of air a second: give 0 or more")
        self._vents[name] = flow_litres_per_s
        self.to_outdoor_w_per_k = self._closed_w_per_k + AIR_W_PER_LITRE_S_K * fsum(self._vents.values())

    def set_gain(self, name: str, watts: float) -> None:
        """Set the power with which ``name`` warms the cabin's air (below 0: cools it) from now on; 0 for none.

        Raises:
            ValueError: the power is not a number.
        """
        if not isfinite(watts):
            raise ValueError(f"{name} warms the cabin with {watts} W: give a number")
        self._gains[name] = watts
        self.gains_w = fsum(self._gains.values())
