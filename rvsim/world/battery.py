"""A battery: its charge, its voltage at a current, and what it lets through.

Knows: charge by counting amperes with losses, Peukert's law and self-discharge; voltage by a rest voltage from a table,
an ohmic resistance, and a slow part that builds up with a time constant; the electronics that open its circuit. Does
not know what is connected to it: `bus_bar` finds the current.

Volts = rest volts + R0 x current + slow part, current into the battery positive. The slow part moves towards R1 x
current with the time constant, by backward Euler in steps of one second, so that it is stable for any resistance:
between two seconds the battery is a voltage behind a resistance, one for charge and one for discharge. In charge R1 is
what lets the battery take, at 14.4 V, the current of its acceptance; in discharge a knee is added near the end.

Peukert's law in the form for the 20 hour rating: a current I above I20 = capacity / 20 h takes (I / I20)^(k - 1) times
its amperes from the charge. Cold takes a share of the capacity away until the battery is warm again.

Left out: surface charge beyond the slow part, ageing, internal heat, specific gravity, freezing.
"""

from bisect import bisect_left
from math import exp, inf

from rvsim.rig.electric import BatteryPlan, ProtectionPlan
from rvsim.world.chemistry import (
    ABSORPTION_VOLTS,
    CHEMISTRIES,
    SELF_DISCHARGE_PER_10_K,
    SLOW_S,
    energy_table,
)

MONTH_S = 30 * 24 * 3600
_BY_SLOW = 1 / SLOW_S
_SLOW_KEPT = 1 / (1 + _BY_SLOW)
_SLOW_TAKEN = _BY_SLOW / (1 + _BY_SLOW)
_TEMPERATURE_STEP_K = 0.1
"""What changes slowly with temperature is computed anew after this change. Our choice."""
_NO_CONDUCTION_OHM = 1e9
_GIVES_AGAIN_SHARE = 0.02
"""An empty battery gives current again when it can give this share of its capacity: charged, or warmer. Our choice;
without it what hangs on it would start and stop every few seconds, since without load it has its rest voltage."""


class Battery:
    """Between two seconds: a voltage ``source_volts`` behind ``charge_ohm`` or ``discharge_ohm``, and two limits.

    ``max_amps`` is the highest current into it, ``min_amps`` the lowest: 0 where it gives none, else minus infinity.
    """

    def __init__(self, plan: BatteryPlan) -> None:
        chemistry = CHEMISTRIES[plan.chemistry]
        self.name = plan.name
        self.chemistry = plan.chemistry
        self.capacity_ah = plan.capacity_ah
        self._chemistry = chemistry
        self._full_as = plan.capacity_ah * 3600
        self._charge_as = self._full_as * (plan.start_percent / 100)
        ohm = (
            chemistry.milliohm * 100 / plan.capacity_ah if plan.internal_milliohm is None else plan.internal_milliohm
        ) / 1000
        self._warm_ohm, self._warm_slow_ohm = ohm, ohm * chemistry.slow_share
        self._rated_amps = plan.capacity_ah / 20
        self.charge_efficiency = (
            chemistry.charge_efficiency
            if plan.charge_efficiency_percent is None
            else plan.charge_efficiency_percent / 100
        )
        exponent = chemistry.peukert_exponent if plan.peukert_exponent is None else plan.peukert_exponent
        self._peukert = exponent - 1
        leak = plan.self_discharge_percent_per_month
        share = chemistry.self_discharge_per_month if leak is None else leak / 100
        self._warm_leak_amps = share * self._full_as / MONTH_S
        self._approach_per_s = 1 - exp(-1 / (plan.lag_hours * 3600))
        fitted = plan.fitted_protection
        self.protection = Protection(fitted, plan.capacity_ah) if fitted is not None else None
        self._energy = energy_table(chemistry.rest_volts)
        self.celsius = plan.start_c
        self.lost_j = 0.0
        """Energy that was put in and is neither stored nor given, in joules."""
        self._slow_volts = self._knee_volts = 0.0
        self.source_volts = self.discharge_ohm = 0.0
        self.max_amps, self.min_amps = inf, -inf
        self.is_empty = False
        """Whether it gives no current until it is charged, or warmer."""
        self._is_charge_limited = len(chemistry.charge_limit[0]) > 0 or self.protection is not None
        self._full_knee_volts, self._knee_share = chemistry.knee_volts * chemistry.knee_share, chemistry.knee_share
        self._follow_temperature()
        share = self._charge_as / self._full_as
        self._rest_volts = self._find_rest_volts(share)
        self._prepare(share)

    @property
    def percent(self) -> float:
        """State of charge, 0 to 100."""
        return 100 * (self._charge_as / self._full_as)

    @property
    def usable_percent(self) -> float:
        """The share of the capacity that can be taken out at its temperature, in percent."""
        return 100 * (1 - self._missing_share)

    @property
    def rest_volts(self) -> float:
        """The voltage at which it would come to rest."""
        return self._rest_volts

    @property
    def stored_j(self) -> float:
        """Energy stored, counted from empty: the integral of rest voltage over charge, in joules."""
        table, share = self._chemistry.rest_volts, self._charge_as / self._full_as
        place = max(number for number, start in enumerate(table.places) if start <= share)
        start = table.places[place]
        part = (share - start) * (table.values[place] + self._rest_volts) / 2
        return self._full_as * (self._energy[place] + part)

    def step(self, volts: float, amps: float, air_c: float) -> None:
        """Advance by one second with this terminal voltage and current into the battery, in air of ``air_c``."""
        before, knee = self._charge_as, 0.0
        if amps > 0:
            moved, ohm = amps * self.charge_efficiency, (self.charge_ohm - self._ohm) / _SLOW_TAKEN
        elif amps < 0:
            rate, ohm = -amps / self._rated_amps, self._slow_ohm
            moved = amps * rate**self._peukert if rate > 1 else amps
            knee = self._full_knee_volts / (max(self._available, 0.0) + self._knee_share) * min(rate, 1.0)
        else:
            moved = ohm = 0.0
        charge = before + moved - self._leak_amps
        charge = self._charge_as = 0.0 if charge < 0 else min(charge, self._full_as)
        self._slow_volts = (self._slow_volts + _BY_SLOW * (ohm * amps - knee)) * _SLOW_KEPT
        self._knee_volts = knee
        self.celsius += (air_c - self.celsius) * self._approach_per_s
        if abs(self.celsius - self._followed_c) > _TEMPERATURE_STEP_K:
            self._follow_temperature()
        share = charge / self._full_as
        start, end, low, slope = self._piece
        rest = low + slope * (share - start) if start <= share <= end else self._find_rest_volts(share)
        self.lost_j += volts * amps - (self._rest_volts + rest) / 2 * (charge - before)
        self._rest_volts = rest
        if self.protection is not None:
            is_own = amps == 0 and self.protection.is_open
            self.protection.step(self.source_volts if is_own else volts, -amps, can_give=not self.is_empty)
        self._prepare(share)

    def _follow_temperature(self) -> None:
        """Compute what changes slowly with temperature."""
        chemistry, celsius = self._chemistry, self.celsius
        self._followed_c = celsius
        colder = 1 + max(0.0, 25 - celsius) * chemistry.cold_share_per_k
        self._ohm, self._slow_ohm = self._warm_ohm * colder, self._warm_slow_ohm * colder
        self.discharge_ohm = self._ohm + self._slow_ohm * _SLOW_TAKEN
        self._missing_share = 1 - chemistry.capacity.at(celsius)
        self._leak_amps = self._warm_leak_amps * SELF_DISCHARGE_PER_10_K ** ((celsius - 25) / 10)

    def _find_rest_volts(self, share: float) -> float:
        """Return the rest voltage at a share of charge, and keep the piece of the table for the next seconds."""
        table = self._chemistry.rest_volts
        above = min(max(bisect_left(table.places, share), 1), len(table.places) - 1)
        start, end, low = table.places[above - 1], table.places[above], table.values[above - 1]
        slope = (table.values[above] - low) / (end - start)
        self._piece = start, end, low, slope
        return low + slope * (share - start)

    def _prepare(self, share: float) -> None:
        """Compute source voltage, resistances and limits for the second that begins."""
        available = self._available = share - self._missing_share
        self.source_volts = self._rest_volts + (self._slow_volts - _BY_SLOW * self._knee_volts) * _SLOW_KEPT
        self._slow_charge_ohm = 0.0
        if self._is_charge_limited:
            self.max_amps = self._chemistry.charge_limit_at(self.celsius) * self.capacity_ah
        self.is_empty = min(available, share) <= (_GIVES_AGAIN_SHARE if self.is_empty else 0.0)
        self.min_amps = 0.0 if self.is_empty else -inf
        protection = self.protection
        if protection is not None and protection.is_open:
            self.max_amps = 0.0 if protection.charge_is_open else self.max_amps
            self.min_amps = 0.0 if protection.discharge_is_open else self.min_amps

    @property
    def charge_ohm(self) -> float:
        """The resistance against a charging current in this second, computed when it is first asked for."""
        if not self._slow_charge_ohm:
            accepted = self._chemistry.accepted(1 - self._charge_as / self._full_as) * self.capacity_ah
            total = (ABSORPTION_VOLTS - self._rest_volts) / accepted if accepted > 0 else _NO_CONDUCTION_OHM
            self._slow_charge_ohm = max(total - self._ohm, self._slow_ohm)
        return self._ohm + self._slow_charge_ohm * _SLOW_TAKEN


class Protection:
    """The electronics of a battery: they stop charge at a high voltage, discharge at a low one or a high current."""

    def __init__(self, plan: ProtectionPlan, capacity_ah: float) -> None:
        self._plan = plan
        self._over_amps = 2.5 * capacity_ah if plan.over_amps is None else plan.over_amps
        self._high_s = self._low_s = self._over_amps_s = self._hold_s = 0.0
        self.charge_is_open = self.discharge_is_open = self.is_open = False

    def step(self, volts: float, amps_out: float, *, can_give: bool) -> None:
        """Advance by one second with the voltage at its own terminals and the current out of the battery."""
        plan = self._plan
        self._high_s = self._high_s + 1 if volts > plan.over_volts else 0.0
        self._low_s = self._low_s + 1 if volts < plan.under_volts else 0.0
        self._over_amps_s = self._over_amps_s + 1 if amps_out > self._over_amps else 0.0
        if self._high_s and self._high_s >= plan.over_s:
            self.charge_is_open = True
        elif volts < plan.over_release_volts:
            self.charge_is_open = False
        is_over = self._over_amps_s and self._over_amps_s >= plan.over_amps_s
        if self.discharge_is_open:
            self._hold_s -= 1
            if self._hold_s <= 0 and volts > plan.under_release_volts and can_give:
                self.discharge_is_open = False
        elif is_over or (self._low_s and self._low_s >= plan.under_s):
            self.discharge_is_open, self._hold_s = True, plan.hold_s
        self.is_open = self.charge_is_open or self.discharge_is_open
