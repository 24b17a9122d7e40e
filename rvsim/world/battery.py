"""The house battery and the chargers that hold it.

Knows: charge by counting amperes, rest voltage from charge, the voltage under load or charge, and how
chargers share the work. Does not know why a charger asks for its limits (that is the charger's own
programme), nor the wires between.

Voltage = rest voltage -/+ current x (ohmic resistance + a part that grows as 1 / what is left to give or to
take). That is the polarisation term of C. M. Shepherd (1965), from memory; its figures below are fitted,
no source. It makes the voltage fall away near empty and the charging current taper near full.

Left out: Peukert's law (a higher current here reaches the cut-off voltage sooner instead, and what is left
stays in the battery), surface charge and its decay, ageing, the capacity lost to cold, heat made inside,
protection that opens by voltage.
"""

from math import exp, fsum, inf, isfinite
from typing import NamedTuple

from rvsim.rig.vehicle import BatteryPlan


class _Chemistry(NamedTuple):
    rest_volts: tuple[float, ...]  # at even steps of charge, from empty to full
    charge_efficiency: float  # amperes stored for each ampere taken
    give_volt_hours: float  # polarisation when giving: volts at one capacity an hour with everything left
    give_margin: float  # part of the capacity that keeps this term finite at empty
    take_volt_hours: float  # the same when taking
    take_margin: float
    coldest_charge_c: float  # takes no charge below
    takes_when_full: bool  # goes on taking current at 100 %, which is lost


_CHEMISTRIES = {
    "agm": _Chemistry(
        # 0, 25, 50, 75, 100 %: a battery maker's AGM page, two hours at rest.
        rest_volts=(11.65, 11.95, 12.25, 12.55, 12.85),
        charge_efficiency=0.95,  # common practice, no source
        # Fitted: 10.5 V after 20 h at a twentieth of the capacity (the rating's own terms).
        give_volt_hours=0.5,
        give_margin=0.0174,
        # Fitted: 14.4 V at 80 % with a fifth of the capacity in amperes; 1.5 % of it left at full.
        take_volt_hours=1.74,
        take_margin=0.0174,
        coldest_charge_c=-inf,
        takes_when_full=True,  # gassing and recombination, from memory
    ),
    "lfp": _Chemistry(
        # 0, 10 ... 100 %. Empty: 10 V cut-off of a pack maker's data sheet. Full: 3.40 V a cell (a battery
        # information site's table). 30-90 %: cells within 3.25-3.35 V (several papers). The rest from memory.
        rest_volts=(10.0, 12.0, 12.8, 13.0, 13.05, 13.1, 13.15, 13.2, 13.28, 13.35, 13.6),
        charge_efficiency=0.99,  # common practice, no source
        give_volt_hours=0.03,  # fitted: flat until the last tenth
        give_margin=0.0025,
        # Fitted: 14.4 V at 98 % with a fifth of the capacity in amperes; 2 % of it just before full.
        take_volt_hours=0.1,
        take_margin=0.0025,
        coldest_charge_c=0.0,  # a cell maker's data sheet: charge 0..60 C
        takes_when_full=False,  # nothing else in the cell could use the current, from memory
    ),
}


class _Level:
    """All chargers with one voltage limit: their limits in amperes, and what they give together."""

    amps: float

    def __init__(self, volts: float, limits: dict[str, float]) -> None:
        self.volts = volts
        self.limits = limits
        self.most_amps = fsum(limits.values())


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
        self._ohm = plan.internal_milliohm / 1000
        self._give_ohm = chemistry.give_volt_hours / plan.capacity_ah
        self._take_ohm = chemistry.take_volt_hours / plan.capacity_ah
        self._nearer = 1 - exp(-1 / (plan.lag_hours * 3600))
        self._loads: dict[str, float] = {}
        self._load_amps = 0.0
        self._chargers: dict[str, tuple[float, float]] = {}
        self._levels: list[_Level] = []
        self.celsius = plan.start_c
        self._settle()

    @property
    def percent(self) -> float:
        """State of charge, 0 to 100."""
        return 100 * (self._charge_as / self._full_as)

    def set_load(self, name: str, amps: float) -> None:
        """Let ``name`` draw this current from now on; 0 ends it.

        Raises:
            ValueError: the current is negative or not a number.
        """
        if not (isfinite(amps) and amps >= 0):
            raise ValueError(f"{name} draws {amps} A: give 0 or more")
        if self._loads.get(name) == amps:
            return
        self._loads[name] = amps
        self._load_amps = fsum(self._loads.values())
        self._settle()

    def set_charge(self, name: str, volts_limit: float, amps_limit: float) -> None:
        """Let ``name`` charge with up to this current while the voltage is below its limit; 0 A ends it.

        Raises:
            ValueError: a limit is negative or not a number.
        """
        if not (isfinite(volts_limit) and isfinite(amps_limit) and volts_limit >= 0 and amps_limit >= 0):
            raise ValueError(f"{name} charges with {amps_limit} A up to {volts_limit} V: give 0 or more of each")
        if self._chargers.get(name) == (volts_limit, amps_limit):
            return
        self._chargers[name] = (volts_limit, amps_limit)
        levels: dict[float, dict[str, float]] = {}
        for who, (volts, amps) in self._chargers.items():
            if amps:
                levels.setdefault(volts, {})[who] = amps
        self._levels = [_Level(volts, levels[volts]) for volts in sorted(levels, reverse=True)]
        self._settle()

    def charge_amps(self, name: str) -> float:
        """Return the current that charger ``name`` gives now; 0 for one that is not charging.

        Chargers held by one voltage limit share the current in proportion to their own limits.
        """
        for level in self._levels:
            if name in level.limits:
                return level.amps * (level.limits[name] / level.most_amps)
        return 0.0

    def step(self, around_c: float) -> None:
        """Let one second pass with the present currents, in air of ``around_c`` degrees."""
        if self.amps < 0:
            self._charge_as = min(self._full_as, self._charge_as - self.amps * self._chemistry.charge_efficiency)
        else:
            self._charge_as = max(0.0, self._charge_as - self.amps)
        self.celsius += (around_c - self.celsius) * self._nearer
        self._settle()

    def _settle(self) -> None:
        """Find the voltage at which loads, chargers and battery agree."""
        rest, give, take = self._rest_volts(), self._give_siemens(), self._take_siemens()
        needed = self._load_amps
        held: float | None = None
        for level in self._levels:  # highest voltage first: the others rest while it can hold its own
            wanted = needed + (level.volts - rest) * (take if level.volts > rest else give)
            level.amps = min(max(wanted, 0.0), level.most_amps)
            needed -= level.amps
            if held is None and 0 <= wanted <= level.most_amps:
                held = level.volts
        self.amps = needed if needed < 0 or give else 0.0
        if held is not None:
            self.volts = held
        elif needed < 0:
            self.volts = rest - needed / take
        elif give:
            self.volts = max(0.0, rest - needed / give)
        else:
            self.volts = 0.0 if needed else rest

    def _rest_volts(self) -> float:
        table = self._chemistry.rest_volts
        place = self._charge_as / self._full_as * (len(table) - 1)
        below = min(int(place), len(table) - 2)
        return table[below] + (place - below) * (table[below + 1] - table[below])

    def _give_siemens(self) -> float:
        """Conductance when discharging; an empty battery gives nothing."""
        if not self._charge_as:
            return 0.0
        left = self._charge_as / self._full_as
        return 1 / (self._ohm + self._give_ohm / (left + self._chemistry.give_margin))

    def _take_siemens(self) -> float:
        """Conductance when charging; 0 where the chemistry takes no charge."""
        chemistry = self._chemistry
        if self.celsius < chemistry.coldest_charge_c:
            return 0.0
        missing = 1 - self._charge_as / self._full_as
        if not missing and not chemistry.takes_when_full:
            return 0.0
        return 1 / (self._ohm + self._take_ohm / (missing + chemistry.take_margin))
