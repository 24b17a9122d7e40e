"""Values of resistors for a switch ladder: preferred ones with a wide margin between neighbours.

Knows: how values are assigned to the switches of a ladder, wired either way. Does not know the search itself
(`rig.ladder` has it), nor what a ladder is held against.
"""

from functools import lru_cache
from itertools import pairwise

from rvsim.rig.ladder import E24, E96, Ladder, Wiring, preferred_ohm, suggested_ohms

MAX_SUGGESTED = 24
"""For more switches no values are suggested: the search takes long and the line would not be read. Our decision."""


def narrowest_margin(ladder: Ladder) -> float:
    """Return the counts that are left between the two nearest neighbours in the worst case."""
    return min(ladder.margin_counts(gap) for gap in ladder.gaps)


def suggested_values(ladder: Ladder, series: tuple[int, ...]) -> tuple[tuple[float, ...], float] | None:
    """Return preferred values in the order of the file with their margin in counts; None for too many switches."""
    if len(ladder.rungs) > MAX_SUGGESTED:
        return None
    order = tuple(ladder.rungs) if ladder.wired == "in series" else tuple(ladder.bands)
    return _suggested(ladder.pull_up_ohm, ladder.wired, ladder.tolerance, ladder.adc_bits, ladder.contact_ohm,
                      tuple(ladder.rungs), order, series)  # fmt: skip


@lru_cache(maxsize=256)
def _suggested(
    pull_up_ohm: float, wired: Wiring, tolerance: float, adc_bits: int, contact_ohm: float, names: tuple[str, ...],
    order: tuple[str, ...], series: tuple[int, ...],
) -> tuple[tuple[float, ...], float]:  # fmt: skip
    ohms = suggested_ohms(len(names), pull_up_ohm, tolerance, series)
    if wired == "in series":
        ohms = (ohms[0], *(preferred_ohm(high - low, series) for low, high in pairwise(ohms)))
    by_name = dict(zip(order, ohms, strict=True))
    rungs = {name: by_name[name] for name in names}
    better = Ladder(pull_up_ohm, rungs, wired, tolerance, adc_bits, contact_ohm)
    return tuple(rungs.values()), narrowest_margin(better)


def best_values(ladder: Ladder) -> tuple[tuple[float, ...], float] | None:
    """Return the suggested values with the wider margin, those of E24 where both are as wide."""
    found = [one for series in (E24, E96) if (one := suggested_values(ladder, series)) is not None]
    return max(found, key=lambda one: one[1]) if found else None


def listed_ohms(ohms: tuple[float, ...]) -> str:
    """Return resistances as text."""
    return ", ".join(f"{ohm:g}" for ohm in ohms)
