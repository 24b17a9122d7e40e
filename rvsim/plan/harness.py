"""Check 4: the pair, whether its trunk, drops, taps and terminators keep to the rule that the rig chose.

Knows: how lengths and terminators of a rig add up, and what is held against which limit. Does not know the limits
(`harness_rules`), the ohms (`harness_ohms` solves them), nor what is read where (`harness_readings`).
"""

from collections.abc import Iterator, Sequence
from functools import cached_property
from math import inf
from typing import TYPE_CHECKING, Any

from rvsim.plan.answer import Answer, Check, Judgement, Rule, Section, path_name, unchecked
from rvsim.plan.ground_shift import check_grounds
from rvsim.plan.harness_layout import Cable, HarnessLayout, drop_cable, known_length, tap_cable
from rvsim.plan.harness_ohms import missing_figures
from rvsim.plan.harness_readings import SIXTY_OHM, harness_readings
from rvsim.plan.harness_rules import (
    CHAINED,
    CIA_TRUNK,
    CIA_TRUNK_M,
    NODE_OHMS,
    harness_limits,
    most_nodes,
    trunk_by_ohms_m,
)
from rvsim.plan.harness_tables import harness_tables
from rvsim.plan.single_failures import failure_table
from rvsim.rig.harness import DropPlan, TapPlan
from rvsim.watch.drafts.draft import counted
from rvsim.watch.flag import Severity

if TYPE_CHECKING:
    from rvsim.plan.report import PlanInput

TERMINATORS = Rule(
    "ISO 11898-2, RV-C: 120 ohm at each end of the trunk",
    "read as an excerpt",
    "a terminator may have 108 to 132 ohm or 100 to 130 ohm: 54 to 66 or 50 to 65 ohm for two",
)
OHMS = Rule("resistances of the pair in parallel and in series", "arithmetic", TERMINATORS.disagreement)
TERMINATOR_OHMS = (100.0, 132.0)
"""The widest of the published tolerances of a terminator."""
PORTS = Rule("the ports that the maker of the tap gives it", "the rig")
PROVED_BY_LENGTH = "it does not prove the cable that is fitted, nor its connectors"
_SLACK_M = 1e-9


def check_harness(given: "PlanInput") -> Section:
    """Check the pair of a rig, and the shift between the grounds of its nodes."""
    rig = given.rig
    grounds = check_grounds(rig)
    if not rig.taps:
        question = "Does the pair keep to the rule for harnesses?"
        rule = harness_limits(rig.rules.harness, rig.harness.delay_ns_per_m).rule
        answer = unchecked("harness.taps", Check.HARNESS, "harness", question, rule, ["any tap"])
        return Section(Check.HARNESS, (answer, *grounds.answers), (*grounds.tables, *failure_table(rig)))
    layout = HarnessLayout(rig)
    one = _HarnessCheck(layout)
    tables = (
        *harness_tables(layout, one.limits),
        *harness_readings(rig, layout.network),
        *grounds.tables,
        *failure_table(rig),
    )
    return Section(Check.HARNESS, (*one.answers(), *grounds.answers), tables, (SIXTY_OHM,))


class _HarnessCheck:
    """The answers about the pair of a rig with taps."""

    def __init__(self, layout: HarnessLayout) -> None:
        self._layout, self._rig, self._harness, self._taps = layout, layout.rig, layout.harness, layout.taps
        self._trunk = layout.trunk
        self.limits = harness_limits(self._rig.rules.harness, self._harness.delay_ns_per_m)

    def answers(self) -> Iterator[Answer]:
        """Yield them."""
        yield self._trunk_length()
        yield from self._trunk_ohms()
        yield from self._drops_in_all()
        yield self._nodes()
        yield self._terminator_count()
        yield self._terminator_places()
        yield self._terminator_ohm()
        yield self._ohms()
        for tap in self._taps:
            yield self._ports(tap)
            if tap.on is not None and self._layout.by_name[tap.on].on is None:
                yield from self._chain(tap)
            for drop in tap.drops:
                yield self._drop(tap, drop)
        placed = {drop.device for tap in self._taps for drop in tap.drops}
        for device in self._rig.devices:
            if device.name not in placed:
                yield unchecked(
                    f"drop.{path_name(device.name)}.length", Check.HARNESS, f"drop to {device.name}",
                    "Is its drop short enough?", self.limits.rule, [f"the tap of device {device.name}"],
                )  # fmt: skip

    # Lengths.

    def _trunk_length(self) -> Answer:
        own = self.limits.trunk_m
        limit, rule = (CIA_TRUNK_M, CIA_TRUNK) if own is None else (own, self.limits.rule)
        first = self._trunk[0]
        spare = f"; length_m of {first.name} is not counted, no tap is before it" if first.length_m is not None else ""
        return self._length(
            "harness.trunk_length", "trunk", "Is the trunk short enough?", self._layout.trunk_cables, limit, rule,
            f"shorten the trunk, or give the rule for harnesses that holds here; {self._rig.rules.harness} is chosen",
            spare,
        )  # fmt: skip

    def _length(
        self, key: str, subject: str, question: str, parts: Sequence[Cable], limit: float | None,
        rule: Rule, advice: str, spare: str = "",
    ) -> Answer:  # fmt: skip
        known = [length for _, length in parts if length is not None]
        missing = [name for name, length in parts if length is None]
        total = sum(known)
        over = limit is not None and total > limit + _SLACK_M
        if missing and not over:
            return unchecked(key, Check.HARNESS, subject, question, rule, missing)
        summed = " + ".join(f"{length:g}" for length in known) or "0"
        formula = f"{summed} m{f' = {total:.2f} m' if len(known) > 1 else ''}{spare}"
        more: dict[str, Any] = {
            "value": round(total, 3), "unit": "m", "limit": "no limit" if limit is None else f"at most {limit:.4g} m",
            "unproven": PROVED_BY_LENGTH,
        }  # fmt: skip
        if over:
            least = " at least" if missing else ""
            more |= {
                "judgement": Judgement.FLAGGED,
                "text": f"{subject} has{least} {total:.2f} m, more than {limit:.4g} m", "advice": advice,
            }  # fmt: skip
        return Answer(
            key=key, check=Check.HARNESS, subject=subject, question=question, formula=formula, rule=rule, **more
        )

    def _trunk_ohms(self) -> Iterator[Answer]:
        """Yield whether the trunk is too long by its resistance, for the rules that say so."""
        if self._rig.rules.harness not in ("CiA", "AN96116"):
            return
        key, question = "harness.trunk_ohms", "Is the trunk short enough by its resistance?"
        per_m, rule = self._harness.loop_ohm_per_m, harness_limits("AN96116", self._harness.delay_ns_per_m).rule
        missing = [name for name, length in self._layout.trunk_cables if length is None]
        if per_m is None:
            missing.insert(0, "loop_ohm_per_m of the harness")
        if per_m is None or missing:
            yield unchecked(key, Check.HARNESS, "trunk", question, rule, missing)
            return
        nodes, ohm, node = self._node_count, self._harness.terminator_ohm, self._harness.node_ohm
        longest = trunk_by_ohms_m(per_m, ohm, node, nodes)
        total = sum(length or 0.0 for _, length in self._layout.trunk_cables)
        formula = (
            f"(1.5 / 1.1 - 1) x {ohm:g} x {node:g} / ({node:g} + {nodes - 1} x {ohm:g}) / {per_m:g} ohm/m = "
            f"{longest:.0f} m; the trunk has {total:.2f} m"
        )
        more: dict[str, Any] = {"value": round(longest, 1), "unit": "m", "limit": f"at least {total:.2f} m"}
        if total > longest:
            more |= {
                "judgement": Judgement.FLAGGED,
                "text": f"the trunk has {total:.2f} m, and its resistance allows {longest:.0f} m",
                "advice": "use a pair of more copper, or fewer nodes, or a shorter trunk",
            }  # fmt: skip
        yield Answer(
            key=key, check=Check.HARNESS, subject="trunk", question=question, formula=formula, rule=rule,
            unproven=PROVED_BY_LENGTH, **more,
        )  # fmt: skip

    def _drops_in_all(self) -> Iterator[Answer]:
        if self.limits.drops_m is None and known_length(self._layout.other_cables) is None:
            return  # nothing is asked of it
        yield self._length(
            "harness.drops_length", "the drops in all", "Are the drops in all short enough?", self._layout.other_cables,
            self.limits.drops_m, self.limits.rule, "move taps nearer to their devices",
        )  # fmt: skip

    def _drop(self, tap: TapPlan, drop: DropPlan) -> Answer:
        key, subject = f"drop.{path_name(drop.device)}.length", f"drop to {drop.device}"
        if drop.device in self._layout.end_drops:
            return self._length(
                key, subject, "Is its drop short enough?", [drop_cable(drop)], None, TERMINATORS, "",
                ": its terminator is the end of the trunk, so it counts as trunk",
            )  # fmt: skip
        parts = self._layout.way(tap, drop)
        chained = " from the trunk: a chain counts as a part of the drop" if tap.on is not None else ""
        return self._length(
            key, subject, "Is its drop short enough?", parts, self.limits.drop_m, self.limits.rule,
            self._shorter(tap), chained,
        )  # fmt: skip

    def _chain(self, tap: TapPlan) -> Iterator[Answer]:
        """Yield whether a tap on another one, with all on it, is no longer than a drop may be.

        With one device it is that device's drop, which has an answer of its own.
        """
        behind = self._layout.behind(tap)
        drops = [drop for one in behind for drop in one.drops]
        parts = [*map(tap_cable, behind), *map(drop_cable, drops)]
        if len(drops) == 1:
            return
        yield self._length(
            f"tap.{path_name(tap.name)}.chain_length", f"the chain of tap {tap.name}",
            "Is a chained tap with all its drops short enough?", parts, self.limits.drop_m, CHAINED,
            self._shorter(tap),
            f" for {counted(len(drops), 'device')}",
        )  # fmt: skip

    @staticmethod
    def _shorter(tap: TapPlan) -> str:
        if tap.on is not None:
            return f"put tap {tap.name} on the trunk: lead the trunk through it, and leave out its key on"
        return "lead the trunk nearer to the device, so that the drop from its tap is shorter"

    # What there is.

    @cached_property
    def _node_count(self) -> int:
        return sum(len(tap.drops) for tap in self._taps)

    def _nodes(self) -> Answer:
        count, own = self._node_count, self.limits.nodes
        ohm, node = self._harness.terminator_ohm, self._harness.node_ohm
        computed = most_nodes(node, ohm)
        limit, rule = (computed, NODE_OHMS) if own is None else (own, self.limits.rule)
        how = "" if own is not None else f"; 1 + {node:g} x (1/45 - 2/{ohm:g}) = {computed}"
        more: dict[str, Any] = {"value": float(count), "unit": "nodes", "limit": f"at most {limit}"}
        if count > limit:
            more |= {
                "judgement": Judgement.FLAGGED, "text": f"{count} nodes are more than the {limit} of {rule.name}",
                "advice": "divide the network by a gateway, or leave nodes out",
            }  # fmt: skip
        return Answer(
            key="harness.nodes", check=Check.HARNESS, subject="harness", question="Are there too many nodes?",
            formula=f"{count} devices on the taps{how}", rule=rule, **more,
        )  # fmt: skip

    def _ports(self, tap: TapPlan) -> Answer:
        key, question = f"tap.{path_name(tap.name)}.ports", "Has the tap room for what is connected to it?"
        subject = f"tap {tap.name}"
        if tap.ports is None:
            return unchecked(key, Check.HARNESS, subject, question, PORTS, [f"ports of tap {tap.name}"])
        chained = sum(other.on == tap.name for other in self._taps)
        in_a_port = int(tap.terminator and not (tap.on is None and tap in (self._trunk[0], self._trunk[-1])))
        used = len(tap.drops) + chained + in_a_port
        formula = f"{counted(len(tap.drops), 'drop')} + {counted(chained, 'chained tap')}"
        formula += " + 1 terminator" if in_a_port else ""
        more: dict[str, Any] = {"value": float(used), "unit": "ports", "limit": f"at most {tap.ports}"}
        if used > tap.ports:
            more |= {
                "judgement": Judgement.FLAGGED, "severity": Severity.FAULT,
                "text": f"{used} things need a port, and it has {tap.ports}", "advice": "use a larger tap, or one more",
            }  # fmt: skip
        return Answer(
            key=key, check=Check.HARNESS, subject=subject, question=question, formula=f"{formula} = {used}",
            rule=PORTS, **more,
        )  # fmt: skip

    # Terminators.

    def _terminator_count(self) -> Answer:
        count, ohm = len(self._layout.terminators), self._harness.terminator_ohm
        named = ", ".join(one.name for one in self._layout.terminators) or "none"
        formula = f"{count}: {named}" + (f"; {ohm:g} / {count} = {ohm / count:.1f} ohm" if count else "")
        more: dict[str, Any] = {"value": float(count), "unit": "terminators", "limit": "2", "unproven": SIXTY_OHM}
        if count != 2:
            few = count < 2
            more |= {
                "judgement": Judgement.FLAGGED,
                "severity": Severity.WARNING if count in (1, 3) else Severity.FAULT,
                "text": f"the pair has {count or 'no'} terminator{'' if count == 1 else 's'}; it needs two",
                "advice": "give terminator = true at the tap, or in the drop of the device, at each end of the trunk"
                if few
                else "remove those that are not at an end of the trunk; a device may have one that can be switched off",
            }  # fmt: skip
        return Answer(
            key="harness.terminators", check=Check.HARNESS, subject="terminators",
            question="Has the pair two terminators?", formula=formula, rule=TERMINATORS, **more,
        )  # fmt: skip

    def _terminator_places(self) -> Answer:
        all_of_them, ends = self._layout.terminators, self._layout.ends
        at = [one.tap for one in all_of_them if one.is_at_end]
        inside = [one.name for one in all_of_them if not one.is_at_end]
        bare = [end for end in ends if end not in at]
        formula = f"ends of the trunk: {' and '.join(ends)}; terminators: "
        formula += ", ".join(one.name for one in all_of_them) or "none"
        more: dict[str, Any] = {"limit": "one at each end", "unproven": SIXTY_OHM}
        if inside or (bare and all_of_them):
            words = [f"no terminator is at the end of the trunk at tap {end}" for end in bare]
            text = "; ".join([*words, *(["not at an end of the trunk: " + ", ".join(inside)] if inside else [])])
            more |= {
                "judgement": Judgement.FLAGGED, "text": text,
                "advice": "put one terminator at each end of the trunk and none between; if the trunk goes on there, "
                "leave out the key on of its taps",
            }  # fmt: skip
        return Answer(
            key="harness.terminator_places", check=Check.HARNESS, subject="terminators",
            question="Are the terminators at the ends of the trunk?", formula=formula, rule=TERMINATORS, **more,
        )  # fmt: skip

    def _terminator_ohm(self) -> Answer:
        ohm, (low, high) = self._harness.terminator_ohm, TERMINATOR_OHMS
        more: dict[str, Any] = {"value": ohm, "unit": "ohm", "limit": f"{low:g} to {high:g} ohm"}
        if not low <= ohm <= high:
            more |= {
                "judgement": Judgement.FLAGGED, "text": f"a terminator of {ohm:g} ohm is not one of 120 ohm",
                "advice": "fit terminators of 120 ohm; one of 60 ohm does not stand for two",
            }  # fmt: skip
        return Answer(
            key="harness.terminator_ohm", check=Check.HARNESS, subject="terminators",
            question="Is a terminator one of 120 ohm?", formula=f"{ohm:g} ohm", rule=TERMINATORS, **more,
        )  # fmt: skip

    def _ohms(self) -> Answer:
        key, question = "harness.ohms", "How many ohms does a meter show with the power off?"
        missing = missing_figures(self._harness, self._taps)
        if missing:
            return unchecked(key, Check.HARNESS, "harness", question, OHMS, missing)
        network = self._layout.network
        at = self._harness.recorder or self._trunk[0].name
        ohm = network.readings[network.points.index(f"tap {at}")]
        shown = "open" if ohm == inf else f"{ohm:.2f} ohm"
        formula = (
            f"{len(network.terminators)} x {self._harness.terminator_ohm:g} ohm, {self._node_count} nodes of "
            f"{self._harness.node_ohm:g} ohm and {self._harness.loop_ohm_per_m:g} ohm/m of cable: "
            f"{shown} at tap {at}"
        )
        return Answer(
            key=key, check=Check.HARNESS, subject="harness", question=question, formula=formula, rule=OHMS,
            value=None if ohm == inf else round(ohm, 2), unit="ohm", unproven=SIXTY_OHM,
        )  # fmt: skip
