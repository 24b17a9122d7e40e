"""Ladders of parts drawn at random within their tolerance: what a converter reads of them, and how often wrongly.

Knows: how parts and contacts are drawn, each value within its tolerance equally likely, and how draws become bands.
Does not know any limit, nor the worst case (`rig.ladder` has it).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from zlib import crc32

from rvsim.rig.ladder import Band, Ladder

DRAWS = 1000
"""So many ladders are drawn. Our decision: edges of bands within a tenth of their width, in under 1 ms."""


@dataclass(frozen=True)
class LadderDraws:
    """What drawn ladders read.

    ``bands`` are shares of the reference by switch, lowest nominal share first. ``misread_percent`` is how many of the
    ladders have at least one switch that is read as another one or as none, with thresholds half way between nominals.
    ``gap_counts`` is the narrowest room between neighbours over all draws, in counts; below 0 they overlap.
    """

    bands: Mapping[str, Band]
    misread_percent: float
    gap_counts: float


def draw_ladders(ladder: Ladder, seed: int, name: str = "", draws: int = DRAWS) -> LadderDraws:
    """Draw ladders.

    Args:
        ladder: the ladder with its tolerance and the highest resistance of a contact.
        seed: the seed; one seed gives one result.
        name: what draws of other ladders differ by, the name of the input.
        draws: how many ladders.
    """
    import numpy as np

    random = np.random.default_rng([seed, crc32(name.encode())])
    lower, higher = 1 - ladder.tolerance, 1 + ladder.tolerance
    nominal = np.array(list(ladder.rungs.values()), dtype=float)
    pull_ups = ladder.pull_up_ohm * random.uniform(lower, higher, (draws, 1))
    ohms = nominal * random.uniform(lower, higher, (draws, len(nominal)))
    if ladder.wired == "in series":
        ohms = ohms.cumsum(axis=1)
    ohms += random.uniform(0, ladder.contact_ohm, ohms.shape)
    place = {rung: number for number, rung in enumerate(ladder.rungs)}
    shares = (ohms / (ohms + pull_ups))[:, [place[rung] for rung in ladder.bands]]
    lows, highs = shares.min(axis=0), shares.max(axis=0)
    thresholds = np.array(ladder.thresholds)
    wrong = (shares >= thresholds).any(axis=1) | (shares[:, 1:] < thresholds[:-1]).any(axis=1)
    gaps = np.append(lows[1:], 1.0) - highs
    bands = {
        rung: Band(float(low), band.nominal, float(high))
        for (rung, band), low, high in zip(ladder.bands.items(), lows, highs, strict=True)
    }
    return LadderDraws(bands, 100 * float(wrong.mean()), float(gaps.min()) * ladder.counts)
