"""The house battery and its chargers.

Knows: charge by counting amperes, rest voltage from charge, the voltage under load or charge, and how chargers share
the current. Does not know why a charger sets its limits (the charger's own programme), nor the wires between.

Voltage = rest voltage -/+ current x (ohmic resistance + a term that grows as 1 / the capacity left to discharge or to
charge). That is the polarisation term of C. M. Shepherd (1965), from memory; its figures below are fitted, no source.
It makes the voltage drop near empty and the charging current fall near full.

Left out: Peukert's law (here a higher current reaches the cut-off voltage sooner, and the rest of the charge stays in
the battery), surface charge and its decay, ageing, the capacity lost to cold, internal heat, protection that opens by
voltage.
"""

from math import exp, fsum, inf, isfinite
from typing import NamedTuple

from rvsim.rig.vehicle import BatteryPlan


class _Chemistry(NamedTuple):
    rest_volts: tuple[float, ...]  # at even steps of charge, from empty to full
    charge_efficiency: float  # amperes stored for each ampere of charging current
    discharge_volt_hours: float  # polarisation in discharge: volts at a current of one capacity an hour, when full
    discharge_margin: float  # fraction of the capacity that keeps this term finite at empty
    charge_volt_hours: float  # the same for charge
    charge_margin: float
    min_charge_c: float  # no charge below this temperature
    draws_when_full: bool  # still draws current at 100 %, which is lost


_CHEMISTRIES = {
    "agm": _Chemistry(
        # 0, 25, 50, 75, 100 %: a battery maker's AGM page, two hours at rest.
        rest_volts=(11.65, 11.95, 12.25, 12.55, 12.85),
        charge_efficiency=0.95,  # common practice, no source
        # Fitted: 10.5 V after 20 h at a twentieth of the capacity (the rating's own terms).
        discharge_volt_hours=0.5,
        discharge_margin=0.0174,
        # Fitted: 14.4 V at 80 % with a fifth of the capacity in amperes; 1.5 % of it left at full.
        charge_volt_hours=1.74,
        charge_margin=0.0174,
        min_charge_c=-inf,
        draws_when_full=True,  # gassing and recombination, from memory
    ),
    "lfp": _Chemistry(
        # 0, 10 ... 100 %. Empty: 10 V cut-off of a pack maker's data sheet. Full: 3.40 V a cell (a battery
        # information site's table). 30-90 %: cells within 3.25-3.35 V (several papers). The rest from memory.
        rest_volts=(10.0, 12.0, 12.8, 13.0, 13.05, 13.1, 13.15, 13.2, 13.28, 13.35, 13.6),
        charge_efficiency=0.99,  # common practice, no source
        discharge_volt_hours=0.03,  # fitted: flat until the last tenth
        discharge_margin=0.0025,
        # Fitted: 14.4 V at 98 % with a fifth of the capacity in amperes; 2 % of it just before full.
        charge_volt_hours=0.1,
        charge_margin=0.0025,
        min_charge_c=0.0,  # a cell maker's data sheet: charge 0..60 C
        draws_when_full=False,  # nothing else in the cell could use the current, from memory
    ),
}


class _ChargerGroup:
    """All chargers with one voltage limit: their limits in amperes, and their current together."""

    amps: float

    def __init__(self, volts: float, limits: dict[str, float]) -> None:
        self.volts = volts
        self.limits = limits
        self.max_amps = fsum(limits.values())


class Battery:
    """One bank: ``volts``, ``amps`` (positive is out of the battery), ``percent`` and ``celsius``.

    Volts and amps follow a new load or charger at once; charge and temperature move with `step`.
    """

    volts: float
    amps: float

    def __init__(self, plan: BatteryPlan) -> None:
        chemistry = _CHEMISTRIES[plan.chemistry]
        self._chemistry = chemistry
        self._full_as = plan.capacity_ah * 3600
        self._charge_as = self._full_as * (plan.start_percent / 100)
        self._ohm = (plan.internal_milliohm or 5.0) / 1000
        self._discharge_ohm = chemistry.discharge_volt_hours / plan.capacity_ah
        self._charge_ohm = chemistry.charge_volt_hours / plan.capacity_ah
        self._approach_per_s = 1 - exp(-1 / (plan.lag_hours * 3600))
        self._loads: dict[str, float] = {}
        self._load_amps = 0.0
        self._chargers: dict[str, tuple[float, float]] = {}
        self._groups: list[_ChargerGroup] = []
        self.celsius = plan.start_c
        self._solve()

    @property
    def percent(self) -> float:
        """State of charge, 0 to 100."""
        return 100 * (self._charge_as / self._full_as)

    def set_load(self, name: str, amps: float) -> None:
        """Set the current that ``name`` draws from now on; 0 for none.

        Raises:
            ValueError: the current is negative or not a number.
        """
        if not (isfinite(amps) and amps >= 0):
            raise ValueError(f"{name} draws {amps} A: give 0 or more")
        if self._loads.get(name) == amps:
            return
        self._loads[name] = amps
        self._load_amps = fsum(self._loads.values())
        self._solve()

    def set_charge(self, name: str, volts_limit: float, amps_limit: float) -> None:
        """Let ``name`` charge with up to this current while the voltage is below its limit; 0 A for none.

        Raises:
            ValueError: a limit is negative or not a number.
        """
        if not (isfinite(volts_limit) and isfinite(amps_limit) and volts_limit >= 0 and amps_limit >= 0):
            raise ValueError(f"{name} charges with {amps_limit} A up to {volts_limit} V: give 0 or more of each")
        if self._chargers.get(name) == (volts_limit, amps_limit):
            return
        self._chargers[name] = (volts_limit, amps_limit)
        groups: dict[float, dict[str, float]] = {}
        for charger, (volts, amps) in self._chargers.items():
            if amps:
                groups.setdefault(volts, {})[charger] = amps
        self._groups = [_ChargerGroup(volts, groups[volts]) for volts in sorted(groups, reverse=True)]
        self._solve()

    def charge_amps(self, name: str) -> float:
        """Return the present current of charger ``name``; 0 for one that is not charging.

        Chargers with the same voltage limit share the current in proportion to their current limits.
        """
        for group in self._groups:
            if name in group.limits:
                return group.amps * (group.limits[name] / group.max_amps)
        return 0.0

    def step(self, ambient_c: float) -> None:
        """Advance by one second with the present currents, in air of ``ambient_c`` degrees Celsius."""
        if self.amps < 0:
            self._charge_as = min(self._full_as, self._charge_as - self.amps * self._chemistry.charge_efficiency)
        else:
            self._charge_as = max(0.0, self._charge_as - self.amps)
        self.celsius += (ambient_c - self.celsius) * self._approach_per_s
        self._solve()

    def _solve(self) -> None:
        """Compute the voltage at which the currents of loads, chargers and battery balance."""
        rest, discharge, charge = self._rest_volts(), self._discharge_siemens(), self._charge_siemens()
        needed = self._load_amps
        held: float | None = None
        for group in self._groups:  # highest voltage first: the others give nothing while it can hold its limit
            wanted = needed + (group.volts - rest) * (charge if group.volts > rest else discharge)
            group.amps = min(max(wanted, 0.0), group.max_amps)
            needed -= group.amps
            if held is None and 0 <= wanted <= group.max_amps:
                held = group.volts
        self.amps = needed if needed < 0 or discharge else 0.0
        if held is not None:
            self.volts = held
        elif needed < 0:
            self.volts = rest - needed / charge
        elif discharge:
            self.volts = max(0.0, rest - needed / discharge)
        else:
            self.volts = 0.0 if needed else rest

    def _rest_volts(self) -> float:
        table = self._chemistry.rest_volts
        place = self._charge_as / self._full_as * (len(table) - 1)
        below = min(int(place), len(table) - 2)
        return table[below] + (place - below) * (table[below + 1] - table[below])

    def _discharge_siemens(self) -> float:
        """Conductance in discharge; 0 for an empty battery."""
        if not self._charge_as:
            return 0.0
        left = self._charge_as / self._full_as
        return 1 / (self._ohm + self._discharge_ohm / (left + self._chemistry.discharge_margin))

    def _charge_siemens(self) -> float:
        """Conductance in charge; 0 where the chemistry accepts no charge."""
        chemistry = self._chemistry
        if self.celsius < chemistry.min_charge_c:
            return 0.0
        missing = 1 - self._charge_as / self._full_as
        if not missing and not chemistry.draws_when_full:
            return 0.0
        return 1 / (self._ohm + self._charge_ohm / (missing + chemistry.charge_margin))
