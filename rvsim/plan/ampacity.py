"""The highest lasting current of a conductor by named tables, and how thin a conductor may be.

Knows: the tables of 33 CFR 183.425, ISO 10133 and the former NEC 552.10, what an engine's space and a bundle take from
them, and the smallest sizes. Does not know what flows, nor the drop: neither is ever weighed against the other.

Of 33 CFR 183.425 table 5, 3 AWG and 1 AWG and thicker are from memory; so is all of ISO 10133:2012 table A.1.
"""

from collections.abc import Mapping, Sequence
from math import sqrt
from typing import NamedTuple

from rvsim.plan.answer import Rule
from rvsim.plan.conductor_tables import Size, awg_area_mm2, size_of
from rvsim.rig.conductor import AWG_SIZES
from rvsim.rig.electric import WirePlan
from rvsim.rig.rules_plan import RulesPlan

CFR, ISO, NEC_SMALL = "33 CFR 183.425", "ISO 10133", "NEC 552.10"
INSULATIONS_C = (60, 75, 90, 105, 125)
CFR_AMPS: Mapping[str, Sequence[float]] = {
    "18": (10, 10, 20, 20, 25), "16": (15, 15, 25, 25, 30), "14": (20, 20, 30, 35, 40), "12": (25, 25, 40, 45, 50),
    "10": (40, 40, 55, 60, 70), "8": (55, 65, 70, 80, 90), "6": (80, 95, 100, 120, 125), "4": (105, 125, 135, 160, 170),
    "3": (120, 145, 155, 180, 195), "2": (140, 170, 180, 210, 225), "1": (165, 195, 210, 245, 265),
    "1/0": (195, 230, 245, 285, 305), "2/0": (225, 265, 285, 330, 355), "3/0": (260, 310, 330, 385, 410),
    "4/0": (300, 360, 385, 445, 475),
}  # fmt: skip
"""33 CFR 183.425 table 5, single conductors at 30 C by insulation of 60, 75, 90, 105 and 125 C. 18 to 4 and 2 are read
as an excerpt, the others from memory."""
ISO_AMPS: Mapping[float, Sequence[float]] = {
    0.75: (6, 10, 12, 16, 20), 1.0: (8, 14, 18, 20, 25), 1.5: (12, 18, 21, 25, 30), 2.5: (17, 25, 30, 35, 40),
    4.0: (22, 35, 40, 45, 50), 6.0: (29, 45, 50, 60, 70), 10.0: (40, 65, 70, 90, 100), 16.0: (54, 90, 100, 130, 150),
    25.0: (71, 120, 140, 170, 185), 35.0: (87, 160, 185, 210, 225), 50.0: (105, 210, 230, 270, 300),
    70.0: (135, 265, 285, 330, 360), 95.0: (165, 310, 330, 390, 410), 120.0: (190, 360, 400, 450, 480),
    150.0: (220, 380, 430, 475, 520),
}  # fmt: skip
"""ISO 10133:2012 table A.1 (now ISO 13297), single conductors at 30 C by insulation of 60, 70, 85 to 90, 105 and 125 C.
From memory; 70 C stands for 75 C here."""
NEC_SMALL_AMPS: Mapping[str, float] = {"18": 6, "16": 8, "14": 15, "12": 20, "10": 30}
"""The former NEC table 552.10(E)(1), from memory."""
NEC_OVERCURRENT_AMPS: Mapping[str, float] = {"18": 7, "16": 10, "14": 15, "12": 20, "10": 30}
"""NEC 240.4(D): the largest overcurrent device for small copper conductors. Read as an excerpt."""
NEC_CONTINUOUS_SHARE = 0.8
"""NEC 240.4(D)(1) and (2): the largest continuous load of 18 and 16 AWG as a share of that device."""
CFR_ENGINE_FACTORS: Mapping[int, float] = {60: 0.58, 75: 0.75, 90: 0.82, 105: 0.85, 125: 0.89}
"""33 CFR 183.425 table 5 note 1: what is left in an engine's space of 50 C. 105 C read as an excerpt, the others from
memory: the root form gives them all."""
ISO_ENGINE_FACTORS: Mapping[int, float] = {60: 0.58, 75: 0.75, 90: 0.82, 105: 0.86, 125: 0.89}
"""The same of ISO 10133 annex A. From memory; 60 C is that of 33 CFR 183.425."""
BUNDLE_FACTORS = ((25, 0.4), (7, 0.5), (4, 0.6), (3, 0.7))
"""33 CFR 183.425 table 5 note 2: current-carrying conductors that lie together, and what is left."""
OTHER_BUNDLE_FACTORS = {2: 0.94, 3: 0.89, 4: 0.83, 5: 0.76}
"""What an equipment manual has after MIL-W-5088 and IEC."""
_BUNDLES = (
    "a bundle of 3 leaves 70 % here and 89 % in an equipment manual, of 5 leaves 60 and 76 %; whether bundles count "
    "below 50 V is disputed ([rules] count_bundles)"
)
AMPACITY_RULES: Mapping[str, Rule] = {
    CFR: Rule("33 CFR 183.425 table 5", "read as an excerpt; 3, 1 AWG and thicker from memory", _BUNDLES),
    ISO: Rule(
        "ISO 10133:2012 table A.1", "from memory",
        f"IEC 60364-5-52 has 24 A for 2.5 mm2 where this has 25 to 35 A; {_BUNDLES}",
    ),
    NEC_SMALL: Rule(
        "former NEC table 552.10(E)(1)", "from memory",
        "NEC 240.4(D) has devices of 7 and 10 A for 18 and 16 AWG (here 6 and 8 A), and 5.6 and 8 A of lasting load; "
        "33 CFR 183.425 allows 1.3 to 3 times as much",
    ),
}  # fmt: skip
"""Each table of highest currents as a rule."""
SMALLEST_RULES: Mapping[str, Rule] = {
    CFR: Rule("33 CFR 183.425(d)-(f), also ABYC E-11 11.14.1.2", "read as an excerpt", "ISO 10133: 1 and 0.75 mm2"),
    ISO: Rule("ISO 10133:2012 7.7", "read as an excerpt", "33 CFR 183.425: 16 and 18 AWG, 30 % and 10 % more copper"),
}
"""The smallest conductors of boats, by gauge and by area."""
SMALLEST_AWG, SMALLEST_SHEATHED_AWG = "16", "18"
"""33 CFR 183.425: the second where it lies in a sheath and at most 30 in (760 mm) come out of it."""
SMALLEST_MM2, SMALLEST_SHEATHED_MM2, SHORT_M = 1.0, 0.75, 0.2
"""ISO 10133:2012 7.7: for wires over 200 mm; the second where it lies in a sheath and at most 800 mm come out of it."""


class Ampacity(NamedTuple):
    """The highest lasting current of a wire: None where its rule has no figure; how it was found; and the rule.

    A wire that is thinner than any of its rule carries less than ``below_amps``, the figure of the thinnest.
    """

    amps: float | None
    formula: str
    rule: Rule
    below_amps: float = 0.0


def bundle_factor(count: int) -> float:
    """Return what so many current-carrying conductors that lie together leave of the highest current."""
    return next((factor for least, factor in BUNDLE_FACTORS if count >= least), 1.0)


def ambient_factor(insulation_c: float, ambient_c: float, table_c: float = 30.0) -> float:
    """Return what an ambient temperature leaves of the figure of a table: the root of the rises that remain."""
    return sqrt(max(insulation_c - ambient_c, 0.0) / (insulation_c - table_c))


def ampacity(wire: WirePlan, rules: RulesPlan) -> Ampacity:
    """Return the highest lasting current of a wire with its insulation, its bundle and an engine's space.

    A size that a table does not have counts as the next thinner one that it has.
    """
    size = size_of(wire)
    assert size is not None
    chosen = rules.ampacity_table or (CFR if size.awg is not None else ISO)
    insulation = wire.insulation_c or rules.insulation_c
    column = INSULATIONS_C.index(insulation)
    rule, engine = AMPACITY_RULES[chosen], CFR_ENGINE_FACTORS
    found: tuple[Size, float] | None
    if chosen == ISO:
        engine = ISO_ENGINE_FACTORS
        found = _by_area(size, column)
    else:
        found = _by_gauge(size, {awg: amps[column] for awg, amps in CFR_AMPS.items()})
        if chosen == NEC_SMALL:
            small = _by_gauge(size, NEC_SMALL_AMPS)
            if found is not None and found[0].awg not in NEC_SMALL_AMPS:
                rule = AMPACITY_RULES[CFR]  # the other table ends at 10 AWG
            else:
                found = small
    if found is None:
        least = ISO_AMPS[min(ISO_AMPS)][column] if chosen == ISO else CFR_AMPS["18"][column]
        if chosen == NEC_SMALL:
            least = NEC_SMALL_AMPS["18"]
        return Ampacity(None, f"below {least:g} A ({size} is thinner than any of the table)", rule, least)
    row, amps = found
    as_row = f"{size}" if row == size else f"{size}, taken as {row}"
    formula = f"{amps:g} A ({as_row}" + (")" if rule is AMPACITY_RULES[NEC_SMALL] else f", {insulation} C insulation)")
    factors = []
    if wire.engine_space:
        factors.append((engine[insulation], "engine space"))
    if wire.bundle is not None and rules.count_bundles and bundle_factor(wire.bundle) < 1:
        factors.append((bundle_factor(wire.bundle), f"bundle of {wire.bundle}"))
    for factor, why in factors:
        amps *= factor
        formula += f" x {factor:g} ({why})"
    return Ampacity(amps, f"{formula} = {amps:.4g} A" if factors else formula, rule)


def carrying(like: WirePlan, amps: float, rules: RulesPlan, sizes: Sequence[Size]) -> Size | None:
    """Return the first of these sizes that carries a current, laid as a wire is; None where none does."""
    for size in sizes:
        known = ampacity(like.model_copy(update={"awg": size.awg, "area_mm2": size.area_mm2}), rules).amps
        if known is not None and known >= amps:
            return size
    return None


class SmallestSize(NamedTuple):
    """The smallest size that a wire may have, whether it is smaller, and the rule."""

    least: Size
    is_below: bool
    rule: Rule


def smallest_size(wire: WirePlan) -> SmallestSize:
    """Return how thin a wire may be at least, for the sake of its strength."""
    size = size_of(wire)
    assert size is not None
    if size.awg is not None:
        least = SMALLEST_SHEATHED_AWG if wire.sheathed else SMALLEST_AWG
        is_below = AWG_SIZES.index(size.awg) < AWG_SIZES.index(least)
        return SmallestSize(Size(least, None), is_below, SMALLEST_RULES[CFR])
    assert size.area_mm2 is not None
    area = SMALLEST_SHEATHED_MM2 if wire.sheathed else SMALLEST_MM2
    is_short = wire.length_m is not None and wire.length_m <= SHORT_M
    return SmallestSize(Size(None, area), size.area_mm2 < area and not is_short, SMALLEST_RULES[ISO])


def _by_gauge(size: Size, amps: Mapping[str, float]) -> tuple[Size, float] | None:
    """Return the row of a table by gauge for a size, and its current: the thickest row that is not thicker."""
    if size.awg is not None:
        return (size, amps[size.awg]) if size.awg in amps else _at_most(awg_area_mm2(size.awg), amps)
    assert size.area_mm2 is not None
    return _at_most(size.area_mm2, amps)


def _at_most(area_mm2: float, amps: Mapping[str, float]) -> tuple[Size, float] | None:
    rows = [awg for awg in amps if awg_area_mm2(awg) <= area_mm2]
    return (Size(rows[-1], None), amps[rows[-1]]) if rows else None


def _by_area(size: Size, column: int) -> tuple[Size, float] | None:
    """Return the row of the table by area for a size, and its current: the thickest row that is not thicker."""
    area = size.area_mm2 if size.area_mm2 is not None else awg_area_mm2(size.awg or "")
    rows = [row for row in ISO_AMPS if row <= area]
    return (Size(None, rows[-1]), ISO_AMPS[rows[-1]][column]) if rows else None
