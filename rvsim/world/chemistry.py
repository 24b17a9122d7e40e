"""The figures of the two chemistries of batteries, as tables and fits.

Knows: rest voltage, resistance, acceptance, capacity and allowed charge as functions of charge and temperature. Does
not know the state of any battery.

The forms and figures are collected from data sheets, owner's manuals and logged tests; each has its origin in the line
under it or beside it. "Share" is a part of 1.
"""

from bisect import bisect_right
from collections.abc import Sequence
from math import inf
from typing import NamedTuple

ABSORPTION_VOLTS = 14.4
"""The voltage at which acceptance is given (14.3 to 14.4 V were held in the logged test of an AGM battery)."""


class Table(NamedTuple):
    """A function on straight lines between points, constant outside."""

    places: tuple[float, ...]
    values: tuple[float, ...]

    def at(self, place: float) -> float:
        """Return the value at a place."""
        places, values = self.places, self.values
        if place <= places[0]:
            return values[0]
        if place >= places[-1]:
            return values[-1]
        above = bisect_right(places, place)
        start, low = places[above - 1], values[above - 1]
        return low + (values[above] - low) * (place - start) / (places[above] - start)


class Chemistry(NamedTuple):
    """One chemistry. Resistances are those of 100 Ah; both voltages and acceptance are for 12 V nominal."""

    rest_volts: Table
    """By the share of charge."""
    milliohm: float
    """Ohmic resistance at 25 C."""
    slow_share: float
    """The resistance that builds up with the time constant, as a share of the ohmic one."""
    cold_share_per_k: float
    """How much both grow for each kelvin below 25 C, as a share."""
    knee_volts: float
    """Further voltage lost at the end of the charge, at the 20 hour current and above."""
    knee_share: float
    """The share of charge at which half of it is lost."""
    acceptance: tuple[float, float, float]
    """(factor, exponent, floor): capacities an hour that are taken at 14.4 V, by the share that is missing."""
    charge_limit: tuple[tuple[float, ...], tuple[float, ...]]
    """Temperatures, and the capacities an hour that may be charged below the first, between two, above the last."""
    capacity: Table
    """Share of the capacity that can be taken out, by temperature."""
    charge_efficiency: float
    peukert_exponent: float
    self_discharge_per_month: float
    """Share of the capacity at 25 C."""

    def charge_limit_at(self, celsius: float) -> float:
        """Return the capacities an hour that may be charged at a temperature."""
        return self.charge_limit[1][bisect_right(self.charge_limit[0], celsius)]

    def accepted(self, missing: float) -> float:
        """Return the capacities an hour that are taken at 14.4 V, by the share of charge that is missing."""
        factor, exponent, floor = self.acceptance
        taken: float = factor * missing**exponent
        return max(taken, floor)


SLOW_S = 120.0
"""Time constant of the slow part of the resistance, both chemistries. From memory."""
SELF_DISCHARGE_PER_10_K = 1.5
"""How much faster self-discharge is for 10 K more (a battery maker's storage page: up to 50 % at 35 C)."""

AGM = Chemistry(
    # 0 to 100 %: a battery maker's AGM page, two hours at rest; its rows lie on one line.
    rest_volts=Table((0.0, 1.0), (11.65, 12.85)),
    milliohm=3.2,  # a sealed battery maker's data sheet: 8 mOhm for 40 Ah
    slow_share=1.5,  # common practice, no source
    cold_share_per_k=0.75 / 43,  # 1.75 times at -18 C: common practice, no source, is 1.5 to 2
    # Computed so that a discharge at the 20 hour current ends at 10.5 V, the terms of the rating.
    knee_volts=11.65 - 10.5 - 5 * 0.0032 * 2.5,
    knee_share=0.0174,  # fitted, no source: the knee is in the last tenth
    # Fitted to one logged test of a used AGM battery of 95.69 Ah; 0.3 % when full is from memory.
    acceptance=(1.53, 1.25, 0.003),
    charge_limit=((), (inf,)),
    # A sealed battery maker's data sheet for -10 to 30 C; -18 C within the 40 to 60 % of two trade pages; the point at
    # -30 C goes on along the last line, no source.
    capacity=Table((-30.0, -18.0, -10.0, 10.0, 25.0, 30.0), (0.39, 0.60, 0.74, 0.90, 1.0, 1.03)),
    charge_efficiency=0.88,  # see `charge_efficiency_percent` of the rig
    peukert_exponent=1.1,
    self_discharge_per_month=0.02,
)
LFP = Chemistry(
    # One common chart, not measured, to 90 %; 99 % from the same models; full: 3.40 V a cell, a battery information
    # site's table. Charts contradict each other on the plateau: voltage does not tell the charge.
    rest_volts=Table(
        (0.0, 0.1, 0.2, 0.3, 0.4, 0.7, 0.9, 0.99, 1.0), (10.0, 12.0, 12.8, 13.0, 13.2, 13.3, 13.4, 13.6, 13.6)
    ),
    milliohm=10.0,  # a pack maker's specification: at most 15, its electronics included
    slow_share=0.5,  # from memory
    cold_share_per_k=1 / 25,  # twice at 0 C, from memory
    knee_volts=1.0,  # fitted, no source: the table itself falls in the last tenth
    knee_share=0.01,  # fitted, no source
    acceptance=(10.0, 1.0, 0.0),  # fitted, no source: 14.4 V at 98 % with a fifth of the capacity; none when full
    # A battery maker's manual, table 4.3, its fast column; below 0 C none.
    charge_limit=((0.0, 5.0, 10.0, 25.0, 50.0, 60.0), (0.0, 0.1, 0.2, 1.0, 0.75, 0.1, 0.0)),
    # A pack maker's specification; a second maker gives the same at -20 and 0 C.
    capacity=Table((-20.0, 0.0, 25.0, 55.0), (0.70, 0.80, 1.0, 0.95)),
    charge_efficiency=0.995,
    peukert_exponent=1.0,
    self_discharge_per_month=0.03,
)
CHEMISTRIES = {"agm": AGM, "lfp": LFP}


def energy_table(volts: Table) -> Sequence[float]:
    """Return the integral of the rest voltage from empty to each place of its table, in volts (of a whole charge)."""
    sums = [0.0]
    for start, end, low, high in zip(volts.places, volts.places[1:], volts.values, volts.values[1:], strict=False):
        sums.append(sums[-1] + (end - start) * (low + high) / 2)
    return sums
