"""The tables of the pair: as it is planned, and what other rules allow.

Knows: which figures a person wants beside each other. Does not know which rule holds.
"""

from collections.abc import Iterator

from rvsim.plan.answer import PlanTable
from rvsim.plan.harness_layout import HarnessLayout, known_length
from rvsim.plan.harness_rules import HarnessLimits, harness_limits
from rvsim.rig.rules_plan import HarnessRule

_NAMES: tuple[HarnessRule, ...] = ("RV-C", "J1939-11", "J1939-15", "marine", "CiA", "AN96116")


def harness_tables(layout: HarnessLayout, limits: HarnessLimits) -> Iterator[PlanTable]:
    """Yield the pair as it is planned, and the limits of each rule beside the longest drop."""
    yield PlanTable(
        "harness", "The CAN pair as built",
        ("tap", "after", "cable, m", "device", "drop, m", "from the trunk, m", "left, m", "terminator"),
        tuple(_as_built(layout, limits)),
        f"left: by {limits.rule.name}; after: the tap before it on the trunk, or that which it is chained to"
        + (f"; cable: {layout.harness.cable}" if layout.harness.cable is not None else ""),
    )  # fmt: skip
    yield PlanTable(
        "harness_rules", "What each rule allows at 250 kbit/s",
        ("rule", "drop, m", "drops in all, m", "trunk, m", "nodes", "longest drop here, m"),
        tuple(_by_rule(layout)), f"the rig chose {layout.rig.rules.harness}",
    )  # fmt: skip


def _as_built(layout: HarnessLayout, limits: HarnessLimits) -> Iterator[tuple[str, ...]]:
    before = {tap.name: layout.trunk[number - 1].name for number, tap in enumerate(layout.trunk) if number}
    for tap in layout.taps:
        after = f"chained to {tap.on}" if tap.on is not None else before.get(tap.name, "")
        yield (tap.name, after, _metres(tap.length_m) if after else "", "", "", "", "", "yes" if tap.terminator else "")
        for drop in tap.drops:
            total = known_length(layout.way(tap, drop))
            left = "trunk" if drop.device in layout.end_drops else ""
            if not left and total is not None:
                left = _metres(limits.drop_m - total)
            yield (tap.name, "", "", drop.device, _metres(drop.length_m), _metres(total), left,
                   "yes" if drop.terminator else "")  # fmt: skip


def _by_rule(layout: HarnessLayout) -> Iterator[tuple[str, ...]]:
    drops = [known_length(layout.way(tap, drop)) for tap, drop in layout.drops if drop.device not in layout.end_drops]
    longest = max((length for length in drops if length is not None), default=None)
    for name in _NAMES:
        limits = harness_limits(name, layout.harness.delay_ns_per_m)
        verdict = _metres(longest)
        if longest is not None and longest > limits.drop_m + 1e-9:
            verdict += ", too long"
        nodes = "" if limits.nodes is None else f"{limits.nodes}"
        yield (name, _metres(limits.drop_m), _metres(limits.drops_m), _metres(limits.trunk_m), nodes, verdict)


def _metres(length: float | None) -> str:
    return "" if length is None else f"{length:.2f}".rstrip("0").rstrip(".")
