"""Fuses by named tables: their sizes, their places, what they interrupt and when they open; and short-circuit currents.

Knows: the published figures of fuses and batteries that the plan uses. Does not know which fuse protects what
(`fuses`).
"""

from collections.abc import Mapping, Sequence
from itertools import pairwise
from math import exp, inf, log
from typing import NamedTuple

from rvsim.plan.answer import Rule
from rvsim.rig.electric import BatteryPlan
from rvsim.rig.rules_plan import FusePlaceRule

FUSE_SIZES = (
    1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40, 50, 60, 70, 80, 100, 125, 150, 175, 200, 225, 250, 300, 350, 400,
    450, 500, 600, 700, 800,
)  # fmt: skip
"""Rated currents on sale, in amperes: blades of 1 to 80 A (a general article: mini 2 to 30, regular 1 to 40, maxi 20 to
80), 70 and 80 A also by ABYC E-11's page; bolt-in ones from 100 A on are from memory."""
NEXT_SIZE_SHARE = 1.5
"""The next size above a conductor's limit, up to this share of it, for loads without a motor. ABYC E-11 at second
hand."""
BLOWN_AT_ONCE = 2.0
"""How many times its rating the short circuit at the far end of its wire is at least. Our decision; common practice."""
SELECTIVE_SHARE = 1.6
"""How much larger the fuse before another one is. IEC 60269 for fuses of one class, from memory."""
OVERLOAD_SHARE = 1.35
"""A blade fuse may carry so much for half an hour (ISO 8820-3 at second hand) or 10 minutes (an owners' page)."""
FASTEST_S = ((1.35, 0.75), (2.0, 0.15), (3.5, 0.04), (6.0, 0.02))
"""The shortest opening times of a regular blade fuse by the share of its rating. From memory: guide figures."""
PLACES_M: Mapping[FusePlaceRule, tuple[float, float]] = {"ABYC E-11": (0.178, 1.016), "NEC 552.10": (0.457, 0.457)}
"""The longest wire from a source to its fuse, and the same in a sheath or a box: 7 in and 40 in; 18 in."""
PLACE_RULES: Mapping[FusePlaceRule, Rule] = {
    "ABYC E-11": Rule(
        "ABYC E-11 section 11.10 (edition not in the excerpt): 7 in, 40 in in a sheath", "read as an excerpt",
        "NEC 552.10(E)(4) allows 18 in: 2.6 times as far as 7 in; 72 in in a sheath at a battery's terminal is from "
        "memory and not applied",
    ),
    "NEC 552.10": Rule(
        "NEC 552.10(E)(4) (edition not in the excerpt): 18 in", "read as an excerpt",
        "ABYC E-11 11.10 allows 7 in, and 40 in in a sheath",
    ),
}  # fmt: skip
INTERRUPTING_BY_CCA = ((650, 1500, 750), (1100, 3000, 1500), (inf, 5000, 2500))
"""ABYC E-11 table V.A, 12 and 24 V: cold cranking amperes up to, what a main breaker interrupts, and a branch one."""
LARGE_CCA, LARGE_AH = 2200, 500
"""Above either, a fuse interrupts at least the short-circuit current of the battery's maker. ABYC E-11 table 3B, as
quoted."""
HUGE_AMPS, HUGE_RATING_AMPS = 10_000, 20_000
"""Above the first short-circuit current a fuse interrupts the second at least. The same."""
INTERRUPTING_RULE = Rule(
    "ABYC E-11 tables V.A and 3B (edition not in the excerpt): a fuse interrupts the battery's short-circuit current",
    "read as an excerpt and at second hand",
    "by cold cranking amperes 1500, 3000 or 5000 A for any battery of a class; by the maker's figure its own",
)
FORMS = (
    (1000, "a blade fuse (ISO 8820-3:2015: 1000 A)"),
    (2700, "a bolt-in strip fuse of the long form (2700 A in an inverter manual)"),
    (20_000, "a class T fuse (20000 A, from memory)"),
)
"""What interrupts how much, in amperes."""
FULL_VOLTS: Mapping[str, float] = {"agm": 12.8, "lfp": 13.4}
"""The voltage of a full battery at rest, for its highest short-circuit current. Common practice, no source."""


class Source(NamedTuple):
    """A battery as the source of a short circuit: its resistance in ohms, and how it was found."""

    ohm: float
    text: str


def next_fuse(amps: float, sizes: Sequence[float] = FUSE_SIZES) -> float | None:
    """Return the smallest size of at least so many amperes; None where none is as large."""
    return next((size for size in sizes if size >= amps - 1e-9), None)


def fuse_below(amps: float, sizes: Sequence[float] = FUSE_SIZES) -> float | None:
    """Return the largest size of at most so many amperes; None where none is as small."""
    return next((size for size in reversed(sizes) if size <= amps + 1e-9), None)


def shortest_opening_s(share: float) -> float:
    """Return after how long a quick fuse of its sort opens at this share of its rating; inf below 135 %."""
    if share < FASTEST_S[0][0]:
        return inf
    for (low, slow), (high, fast) in pairwise(FASTEST_S):
        if share <= high:
            part = log(share / low) / log(high / low)
            return slow * exp(part * log(fast / slow))
    return FASTEST_S[-1][1]


def source_of(battery: BatteryPlan) -> Source | None:
    """Return a battery as a source, by its short-circuit current or its internal resistance; None without either."""
    if battery.short_circuit_amps is not None:
        volts = FULL_VOLTS[battery.chemistry]
        return Source(
            volts / battery.short_circuit_amps,
            f"{volts:g} V / {battery.short_circuit_amps:g} A of battery {battery.name} (short_circuit_amps)",
        )
    if battery.internal_milliohm is not None:
        text = f"{battery.internal_milliohm:g} mohm of battery {battery.name} (internal_milliohm)"
        return Source(battery.internal_milliohm / 1000, text)
    return None


class Interruption(NamedTuple):
    """The current that a fuse must interrupt: None where it is unknown; how it was found; and the missing keys."""

    amps: float | None
    formula: str
    missing: tuple[str, ...] = ()


def to_interrupt(battery: BatteryPlan, wires_ohm: float, *, is_main: bool) -> Interruption:
    """Return what a fuse must interrupt behind wires of a resistance at 20 C, out and back.

    By the battery's short-circuit current and these wires; without that figure by its cold cranking amperes; else by
    its voltage and internal resistance.
    """
    given, cca = battery.short_circuit_amps, battery.cold_cranking_amps
    is_large = battery.capacity_ah > LARGE_AH or (cca or 0) > LARGE_CCA
    if given is None and is_large:
        return Interruption(None, "", (f"short_circuit_amps of battery {battery.name}, which is a large one",))
    if given is None and cca is not None:
        row = next(row for row in INTERRUPTING_BY_CCA if cca <= row[0])
        place = "main" if is_main else "branch"
        amps: float = row[1] if is_main else row[2]
        return Interruption(amps, f"{cca:g} CCA of battery {battery.name}: {amps:g} A for a {place} fuse")
    source = source_of(battery)
    if source is None:
        keys = "short_circuit_amps, cold_cranking_amps or internal_milliohm"
        return Interruption(None, "", (f"{keys} of battery {battery.name}",))
    volts = FULL_VOLTS[battery.chemistry]
    amps = volts / (source.ohm + wires_ohm)
    if is_main and given is not None:
        formula = f"{given:g} A of battery {battery.name} (short_circuit_amps)"
    else:
        formula = f"{volts:g} V / ({source.ohm * 1000:.3g} mohm + {wires_ohm * 1000:.3g} mohm) = {amps:.4g} A"
        formula += f"; {source.text}"
    if amps > HUGE_AMPS:
        return Interruption(HUGE_RATING_AMPS, f"{formula}, above {HUGE_AMPS} A: {HUGE_RATING_AMPS} A")
    return Interruption(amps, formula)


def form_that_interrupts(amps: float) -> str:
    """Return what sort of fuse interrupts so much."""
    return next((text for limit, text in FORMS if limit >= amps), f"a fuse that interrupts {amps:.5g} A")
