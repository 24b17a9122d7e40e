"""The resistance of conductors by named tables, at the temperature of the rules, and which size is thick enough.

Knows: NEC chapter 9 table 8, IEC 60228, ISO 6722-1 and ABYC E-11 with its SAE areas, the temperature forms and copper
constants that published pages use, and which table holds for a wire. Does not know what flows, nor any limit.

`rig/conductor` has the two tables that a bench uses, at 20 degrees Celsius: this module takes their figures from there.
The plan computes at ``rules.conductor_c``, so at 75 C its resistances are 22 % above those of a bench and of the flag
low-voltage. A wire given in milliohm counts as given in both.
"""

from collections.abc import Mapping
from math import pi
from typing import NamedTuple

from rvsim.plan.answer import Rule
from rvsim.rig.conductor import (
    AWG_SIZES,
    COPPER_PER_K,
    FEET_PER_M,
    IEC_CLASS_5_OHM_PER_KM,
    gauge_number,
    ohm_per_m_by_area,
    ohm_per_m_by_awg,
)
from rvsim.rig.electric import WirePlan
from rvsim.rig.rules_plan import ConductorTable, RulesPlan

NEC, NEC_SOLID = "NEC chapter 9 table 8", "NEC chapter 9 table 8 solid"
IEC_5, IEC_5_TINNED, IEC_2 = "IEC 60228 class 5", "IEC 60228 class 5 tinned", "IEC 60228 class 2"
ISO_6722, ABYC = "ISO 6722-1", "ABYC E-11"

NEC_SOLID_OHM_PER_1000_FT: Mapping[str, float] = {
    "18": 7.77, "16": 4.89, "14": 3.07, "12": 1.93, "10": 1.21, "8": 0.764,
}  # fmt: skip
"""NEC chapter 9 table 8, solid uncoated copper at 75 C: 18 to 12 as transcribed in a note vault; 10 and 8 of a page
that prints them as stranded."""
IEC_CLASS_5_TINNED_OHM_PER_KM: Mapping[float, float] = {
    0.5: 40.1, 0.75: 26.7, 1.0: 20.0, 1.5: 13.7, 2.5: 8.21, 4.0: 5.09, 6.0: 3.39, 10.0: 1.95, 16.0: 1.24, 25.0: 0.795,
}  # fmt: skip
"""IEC 60228, highest resistance of class 5 tinned copper at 20 C, as tabulated alike on three pages."""
IEC_CLASS_2_OHM_PER_KM: Mapping[float, float] = {
    0.5: 36.0, 0.75: 24.5, 1.0: 18.1, 1.5: 12.1, 2.5: 7.41, 4.0: 4.61, 6.0: 3.08, 10.0: 1.83, 16.0: 1.15, 25.0: 0.727,
    35.0: 0.524,
}  # fmt: skip
"""IEC 60228, highest resistance of class 1 and 2 plain copper at 20 C, as tabulated alike on three pages."""
ISO_6722_OHM_PER_KM: Mapping[float, float] = {
    0.35: 54.4, 0.5: 37.1, 0.75: 24.7, 1.0: 18.5, 1.5: 12.7, 2.5: 7.60, 4.0: 4.71, 6.0: 3.14, 10.0: 1.82, 16.0: 1.16,
}  # fmt: skip
"""ISO 6722-1:2011, highest resistance at 20 C. From memory."""
SAE_CIRCULAR_MILS: Mapping[str, float] = {
    "18": 1537, "16": 2336, "14": 3702, "12": 5833, "10": 9343, "8": 14_810, "6": 25_910, "4": 37_360, "2": 62_450,
    "1": 77_790, "1/0": 98_980, "2/0": 125_100, "3/0": 158_600, "4/0": 205_500,
}  # fmt: skip
"""The areas with which ABYC E-11's tables come out: 18 to 8 of two marine suppliers' pages, 6 to 1 by those tables, the
others from memory."""
ABYC_CONSTANT = 10.75
"""ABYC E-11: circular mils = 10.75 x amperes x feet out and back / volts (a chandlery catalogue)."""
MM2_PER_CIRCULAR_MIL = 5.067e-4
COPPER_CONSTANTS = (0.0164, 0.017241, 0.0175, 1 / 56, 0.0185, 0.025)
"""What published pages take for copper, in ohm mm2/m: a boat owner's page, a handbook, a wire size page, a handbook, a
common value, and a camper page."""
_FIGURES_BY_AREA = {
    IEC_5: IEC_CLASS_5_OHM_PER_KM,
    IEC_5_TINNED: IEC_CLASS_5_TINNED_OHM_PER_KM,
    IEC_2: IEC_CLASS_2_OHM_PER_KM,
    ISO_6722: ISO_6722_OHM_PER_KM,
}
_ALIKE = "published copper constants run from 0.0164 to 0.025 ohm mm2/m (52 %), and temperature forms differ by 0.3 %"
TABLE_RULES: Mapping[str, Rule] = {
    NEC: Rule("NEC chapter 9 table 8, stranded uncoated copper", "read as an excerpt", f"solid is 2 % less; {_ALIKE}"),
    NEC_SOLID: Rule("NEC chapter 9 table 8, solid uncoated copper", "read as an excerpt", f"stranded +2 %; {_ALIKE}"),
    IEC_5: Rule("IEC 60228 class 5 plain copper", "read as an excerpt", f"ISO 6722-1 is 4 to 5 % less; {_ALIKE}"),
    IEC_5_TINNED: Rule("IEC 60228 class 5 tinned copper", "read as an excerpt", f"plain is 2 to 3 % less; {_ALIKE}"),
    IEC_2: Rule("IEC 60228 class 2 plain copper", "read as an excerpt", f"class 5 is 4 to 10 % more; {_ALIKE}"),
    ISO_6722: Rule("ISO 6722-1:2011", "from memory", f"IEC 60228 class 5 is 4 to 5 % more; {_ALIKE}"),
    ABYC: Rule(
        "ABYC E-11 with K = 10.75 and SAE areas", "read as an excerpt",
        "6 AWG is 25910 or 24538 circular mils (only 25910 gives its table); AWG areas are 11 % above SAE areas",
    ),
}  # fmt: skip
"""Each table of resistances as a rule."""
AREA_SIZES = tuple(sorted({*IEC_CLASS_5_OHM_PER_KM, 0.35}))
"""The sizes by area that are on sale, in mm2."""


class Size(NamedTuple):
    """A size of a conductor: its gauge or its area in mm2, the other one None."""

    awg: str | None
    area_mm2: float | None

    def __str__(self) -> str:
        """The size for people."""
        return f"{self.awg} AWG" if self.awg is not None else f"{self.area_mm2:g} mm2"


def size_of(wire: WirePlan) -> Size | None:
    """Return the size of a wire; None where only its resistance is given."""
    return None if wire.awg is None and wire.area_mm2 is None else Size(wire.awg, wire.area_mm2)


def awg_area_mm2(awg: str) -> float:
    """Return the area of a gauge by its formula, d = 0.127 x 92^((36 - n)/39) mm; 2/0 is n = -1."""
    diameter: float = 0.127 * 92 ** ((36 - gauge_number(awg)) / 39)
    return pi / 4 * diameter**2


def temperature_factor(celsius: float) -> float:
    """Return the resistance of copper at a temperature as a multiple of that at 20 C."""
    return 1 + COPPER_PER_K * (celsius - 20)


def temperature_factors(from_c: float, to_c: float) -> tuple[float, ...]:
    """Return the same between two temperatures by the published forms, the one used here first.

    The others: a cable maker's 0.004 per kelvin, the note of NEC table 8 with 0.00323 per kelvin of the value at 75 C,
    and a relay maker's absolute form.
    """
    return (
        temperature_factor(to_c) / temperature_factor(from_c),
        (1 + 0.004 * (to_c - 20)) / (1 + 0.004 * (from_c - 20)),
        (1 + 0.00323 * (to_c - 75)) / (1 + 0.00323 * (from_c - 75)),
        (234.5 + to_c) / (234.5 + from_c),
    )


def volts_lost(ohm_mm2_per_m: float, amps: float, total_m: float, area_mm2: float) -> float:
    """Return the drop of a wire by a copper constant; ``total_m`` is out and back."""
    return ohm_mm2_per_m * amps * total_m / area_mm2


def table_for(size: Size, rules: RulesPlan) -> str:
    """Return the table that holds for a size: the one that the rules name, or the usual one where it has no such size.

    The usual ones are NEC chapter 9 table 8 by gauge and IEC 60228 class 5 by area.
    """
    chosen: ConductorTable | None = rules.conductor_table
    if size.awg is not None:
        has_size = chosen == ABYC and size.awg in SAE_CIRCULAR_MILS
        has_size |= chosen == NEC_SOLID and size.awg in NEC_SOLID_OHM_PER_1000_FT
        return chosen if chosen is not None and has_size else NEC
    return chosen if chosen is not None and chosen not in (NEC, NEC_SOLID) else IEC_5


def ohm_per_m(size: Size, rules: RulesPlan) -> float:
    """Return the resistance of one metre of one conductor by the table for its size, at the temperature of the rules.

    ABYC E-11's constant has no temperature: it counts as it is.
    """
    table, warm = table_for(size, rules), temperature_factor(rules.conductor_c)
    if table == ABYC:
        area = size.area_mm2
        mils = SAE_CIRCULAR_MILS[size.awg or ""] if area is None else area / MM2_PER_CIRCULAR_MIL
        return ABYC_CONSTANT * FEET_PER_M / mils
    if size.awg is not None:
        if table == NEC_SOLID:
            at_75_c = NEC_SOLID_OHM_PER_1000_FT[size.awg] * FEET_PER_M / 1000
            return at_75_c / temperature_factor(75) * warm
        return ohm_per_m_by_awg(size.awg) * warm
    assert size.area_mm2 is not None
    return ohm_per_m_by_area(size.area_mm2, _FIGURES_BY_AREA[table]) * warm


def wire_ohm(wire: WirePlan, rules: RulesPlan) -> float:
    """Return the resistance of a wire there and back, in ohms; one that is given in milliohm counts as given."""
    size = size_of(wire)
    if size is None or wire.length_m is None:
        return wire.ohm
    return 2 * wire.length_m * ohm_per_m(size, rules)


def wire_text(wire: WirePlan, rules: RulesPlan) -> str:
    """Return how the resistance of a wire is computed: "2 x 4 m x 6.496 mohm/m (12 AWG)"."""
    size = size_of(wire)
    if size is None:
        return f"{wire.milliohm:g} mohm"
    return f"2 x {wire.length_m:g} m x {ohm_per_m(size, rules) * 1000:.4g} mohm/m ({size})"


def sizes_like(size: Size, rules: RulesPlan) -> tuple[Size, ...]:
    """Return the sizes on sale of the same sort, by gauge or by area, the thinnest first: those of the rules' table."""
    if size.awg is not None:
        named = SAE_CIRCULAR_MILS if rules.conductor_table == ABYC else AWG_SIZES
        return tuple(Size(awg, None) for awg in named)
    return tuple(Size(None, area) for area in AREA_SIZES)


def thick_enough(like: Size, max_ohm_per_m: float, rules: RulesPlan) -> Size | None:
    """Return the thinnest size of a sort whose metre has at most this resistance; None where none is thick enough."""
    return next((size for size in sizes_like(like, rules) if ohm_per_m(size, rules) <= max_ohm_per_m), None)
