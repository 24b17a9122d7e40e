"""What is wrong with a switch ladder: switches that its converter cannot tell apart, and which values it could.

Knows: bands of whole counts in the worst case. Does not know where the ladder stands in a file.
"""

import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

from rvsim.rig.ladder import Ladder, suggested_ohms
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_MAX_SUGGESTED = 24
"""For more switches no values are suggested: the search takes long and the line would not be read. Our decision."""


def ladder_mistakes(ladder: Ladder) -> Iterator[Mistake]:
    """Yield a mistake for each switch whose band overlaps that of its neighbour below it, or the open input."""
    advice: str | None = None
    named = list(ladder.bands.items())
    for (low, below), (high, above) in pairwise(named):
        if below.nominal == above.nominal:
            text = f"{shown(high)} has the same resistance to ground as {shown(low)}, {ladder.tap_ohm[low]:g} ohm"
        elif _count(ladder, above.low) <= _count(ladder, below.high):
            text = (
                f"{shown(high)} cannot be told from {shown(low)}: with parts of {ladder.tolerance * 100:g} % they are "
                f"read as {_span(ladder, high)} and {_span(ladder, low)} of {ladder.counts} counts"
            )
        else:
            continue
        advice = advice or _advice(ladder)
        yield Mistake(("rungs", high), f"{text}; {advice}", ladder.rungs[high])
    last, band = named[-1]
    if _count(ladder, band.high) >= ladder.counts - 1:
        text = f"{shown(last)} cannot be told from no switch: it reads {_span(ladder, last)} of {ladder.counts} counts"
        yield Mistake(("rungs", last), f"{text}; {advice or _advice(ladder)}", ladder.rungs[last])


def _count(ladder: Ladder, part: float) -> int:
    return min(ladder.counts - 1, int(part * ladder.counts))


def _span(ladder: Ladder, name: str) -> str:
    band = ladder.bands[name]
    return f"{_count(ladder, band.low)} to {_count(ladder, band.high)}"


def _advice(ladder: Ladder) -> str:
    """Say which values can be told apart, in the order of the file."""
    other = "use parts of a smaller tolerance, or two inputs"
    count = len(ladder.rungs)
    if count > _MAX_SUGGESTED:
        return other
    ohms = suggested_ohms(count, ladder.pull_up_ohm, ladder.tolerance)
    if ladder.wired == "in series":
        ohms = (ohms[0], *(round(high - low, 6) for low, high in pairwise(ohms)))
        rungs = dict(zip(ladder.rungs, ohms, strict=True))
    else:  # the switches keep their order by resistance
        by_switch = dict(zip(ladder.bands, ohms, strict=True))
        rungs = {name: by_switch[name] for name in ladder.rungs}
    better = replace(ladder, rungs=rungs)
    if any(gap.share * better.counts < 1 for gap in better.gaps):
        return other
    listed = ", ".join(f"{_key(name)} = {ohm:g}" for name, ohm in rungs.items())
    return f"write for example rungs = {{ {listed} }}, or {other}"


def _key(name: str) -> str:
    """Return a name as a key of a TOML file."""
    return name if _BARE_KEY.fullmatch(name) else shown(name, len(name))
