"""The coolant circuit: burner, fuel, and the heat exchange with cabin air and hot water.

Knows: the properties of the glycol mix, the burner's heat and fuel, and the conductance of each exchanger with the
present fan, circulation and pumps. Does not know the temperatures of cabin and hot water (`world` couples them), nor
when to burn: the heater itself stops before the coolant boils. Properties are those at 40 C at all temperatures;
freezing and boiling are not modelled.
"""

from bisect import bisect_left
from math import exp, fsum, isfinite

from rvsim.rig.vehicle import CoolantPlan

# Propylene glycol in water at 40 C: percent, kg/m3, kJ/(kg K). A chiller maker's glycol design data table.
_MIXES = (
    (0.0, 992.2, 4.18),
    (20.0, 1010.2, 4.02),
    (25.0, 1014.3, 3.96),
    (30.0, 1018.4, 3.90),
    (35.0, 1021.9, 3.84),
    (40.0, 1025.3, 3.77),
)
_DIESEL_MJ_PER_LITRE = 35.81
"""Lower heating value: 128488 Btu a US gallon, US DOE Alternative Fuels Data Center."""
_FAN_EXPONENT = 0.8
"""Heat transfer from a surface to the air a fan drives past it grows as speed to this power: turbulent flow,
Dittus and Boelter, from memory."""


def mix_j_per_litre_k(glycol_percent: float) -> float:
    """Return the heat that warms a litre of mix by one kelvin; density and specific heat are interpolated.

    Raises:
        ValueError: the mix is outside the table of properties, 0 to 40 %.
    """
    if not _MIXES[0][0] <= glycol_percent <= _MIXES[-1][0]:
        raise ValueError(f"no properties are known for {glycol_percent} % glycol: give 0 to 40")
    above = max(1, bisect_left(_MIXES, (glycol_percent,)))
    (low, low_density, low_heat), (high, high_density, high_heat) = _MIXES[above - 1 : above + 1]
    part = (glycol_percent - low) / (high - low)
    density = low_density + part * (high_density - low_density)
    return density * (low_heat + part * (high_heat - low_heat))


def _checked_fraction(what: str, fraction: float) -> float:
    if not 0 <= fraction <= 1:
        raise ValueError(f"{what} runs at {fraction}: give a fraction of full output between 0 and 1")
    return fraction


class Coolant:
    """Temperature, heat capacity (J/K), burner (W, L/h) and conductances (W/K) of the circuit."""

    def __init__(self, plan: CoolantPlan) -> None:
        heat = mix_j_per_litre_k(plan.glycol_percent)
        self._plan = plan
        self._flow_w_per_k = plan.pump_litres_per_s * heat
        self.celsius = plan.start_c
        self.heat_capacity_j_per_k = plan.litres * heat
        self.burner_w = 0.0
        self.to_cabin_w_per_k = plan.hose_loss_w_per_k
        self.to_water_w_per_k = 0.0
        self._water_w_per_k = self._exchanged_w_per_k(plan.water_exchanger_w_per_k)
        self.rated_burner_w = plan.burner_w
        self._burners: dict[str, float] = {}
        self._fans: dict[str, tuple[float, float]] = {}
        self._circulations: dict[str, bool] = {}
        self._pumps: dict[str, bool] = {}

    @property
    def fuel_litres_per_h(self) -> float:
        """Diesel burnt at the present output."""
        megajoule_per_h = self.burner_w * 3600 / 1e6
        return megajoule_per_h / (_DIESEL_MJ_PER_LITRE * self._plan.burner_efficiency_percent / 100)

    def set_burner(self, owner: str, watts: float) -> None:
        """Set the heat that the burner of ``owner`` gives to the coolant; 0 for none.

        Raises:
            ValueError: the heat is negative or not a number.
        """
        if not (isfinite(watts) and watts >= 0):
            raise ValueError(f"the burner of {owner} gives {watts} W: give 0 or more")
        self._burners[owner] = watts
        self.burner_w = fsum(self._burners.values())

    def set_fan(self, owner: str, fraction: float) -> None:
        """Set the fan of ``owner`` to this fraction of full speed; each owner has an exchanger of its own.

        Raises:
            ValueError: the fraction is not between 0 and 1.
        """
        if self._fans.get(owner, (0.0, 0.0))[0] == fraction:
            return
        exchanger = self._plan.cabin_exchanger_w_per_k * _checked_fraction("the cabin fan", fraction) ** _FAN_EXPONENT
        self._fans[owner] = fraction, self._exchanged_w_per_k(exchanger)
        self._update_cabin_conductance()

    def remove(self, owner: str) -> None:
        """Set burner, fan, circulation and pump of ``owner`` to nothing."""
        self.set_burner(owner, 0.0)
        self.set_fan(owner, 0.0)
        self.set_water_circulation(owner, running=False)
        if owner in self._pumps:
            self.set_pump(owner, running=False)

    def set_pump(self, name: str, *, running: bool) -> None:
        """Let the flow to the cabin's exchanger depend on pump ``name`` from now on; of several pumps one is enough.

        Without such a pump the heater's own pump always sends coolant there.
        """
        self._pumps[name] = running
        self._update_cabin_conductance()

    def _update_cabin_conductance(self) -> None:
        flows = not self._pumps or any(self._pumps.values())
        self.to_cabin_w_per_k = self._plan.hose_loss_w_per_k + (
            fsum(passed for _, passed in self._fans.values()) if flows else 0.0
        )

    def set_water_circulation(self, owner: str, *, running: bool) -> None:
        """Send coolant through the hot-water exchanger while any owner wants it."""
        self._circulations[owner] = running
        self.to_water_w_per_k = self._water_w_per_k if any(self._circulations.values()) else 0.0

    def _exchanged_w_per_k(self, exchanger_w_per_k: float) -> float:
        """Return the conductance of an exchanger with the pump's flow, which cools on its way through it.

        Effectiveness 1 - exp(-NTU) of an exchanger whose other side stays at one temperature: Kays and
        London, from memory.
        """
        return self._flow_w_per_k * (1 - exp(-exchanger_w_per_k / self._flow_w_per_k))
