"""Fuses: a right one before each conductor, where it is, and whether it carries its load.

Knows: which fuse is before which wire, and the questions that are asked of both. Does not know the figures of fuses
(`fuse_tables`), what a conductor may carry (`ampacity`), nor short circuits (`short_circuits`).

A fuse stands at the head of its branch, output or device. A wire without one of its own is protected by the nearest
one towards the battery. The current limit of an output's electronics is no fuse: it never replaces one.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import isinf
from typing import TYPE_CHECKING

from rvsim.plan.ampacity import carrying
from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, unchecked
from rvsim.plan.conductor_tables import sizes_like
from rvsim.plan.conductors import nothing_given
from rvsim.plan.currents import LIMIT_CAUTION
from rvsim.plan.fuse_tables import (
    FUSE_SIZES,
    NEXT_SIZE_SHARE,
    OVERLOAD_SHARE,
    PLACE_RULES,
    PLACES_M,
    SELECTIVE_SHARE,
    fuse_below,
    next_fuse,
    shortest_opening_s,
)
from rvsim.plan.short_circuits import interrupting_answer, reach_answer
from rvsim.plan.supply_chain import MOTOR_LOADS, Chain, Link, Supply
from rvsim.rig.quantity import duration_text
from rvsim.rig.rules_plan import RulesPlan
from rvsim.watch.flag import Severity
from rvsim.wire.frame import SECOND_US
from rvsim.world.fuse import BREAKER, opening_s

if TYPE_CHECKING:
    from rvsim.plan.report import PlanInput

_SAME = 1e-9
"""A figure that differs from its limit by less is equal to it but for rounding."""
NO_FUSE_RULE = Rule("a fuse between the source and every conductor, ABYC E-11 section 11.10", "read as an excerpt")
SIZE_RULE = Rule("rated currents on sale: blades of 1 to 80 A, bolt-in ones from 100 A", "second hand and from memory")
START_RULE = Rule(
    "shortest opening times of regular blade fuses: 0.75 s at 135 %, 0.15 s at 200 %, 0.04 s at 350 %, 0.02 s at 600 %",
    "from memory", "the longest times of ISO 8820-3, read at second hand, are 5 to 2400 times as long",
)  # fmt: skip
ORDER_RULE = Rule(
    f"of two fuses in series the one nearer to the battery is at least {SELECTIVE_SHARE:g} times as large",
    "IEC 60269 for fuses of one class, from memory",
    "for blade fuses no source: their opening times spread by more",
)
DROP_CAUTION = "A small voltage drop never makes up for a wire that carries too little."


def check_fuses(given: "PlanInput") -> Section:
    """Return what is right and wrong about the fuses of a rig; where it has none, that nothing was checked."""
    supply = given.supply
    if not supply.links:
        return Section(Check.FUSES, (nothing_given("fuses", Check.FUSES),))
    judge = _FuseJudge(supply)
    answers = tuple(answer for chain in supply.chains.values() for answer in judge.answers(chain))
    return Section(Check.FUSES, answers, (judge.table(),), (LIMIT_CAUTION, DROP_CAUTION))


@dataclass(frozen=True, eq=False)
class _FuseJudge:
    """Judges the last part of each chain."""

    supply: Supply

    @property
    def rules(self) -> RulesPlan:
        """The rules of the rig."""
        return self.supply.rig.rules

    def answers(self, chain: Chain) -> Iterator[Answer]:
        """Yield the answers about the last part of a chain."""
        link = chain.links[-1]
        yield self._of_conductor(chain)
        if link.wire is not None and chain.fuse is not None:
            yield reach_answer(chain, self.rules)
        if link.fuse_amps is None:
            return
        yield self._of_margin(link, link.fuse_amps)
        if link.demand.peak_amps is not None and link.demand.peak_amps > link.fuse_amps:
            yield self._of_start(link, link.fuse_amps, link.demand.peak_amps)
        yield self._of_distance(chain)
        yield interrupting_answer(chain)
        if link.breaker is None:
            yield self._of_size(link, link.fuse_amps)
        above = chain.fuse_before
        if above is not None:
            yield self._of_order(link, link.fuse_amps, above)

    def _answer(
        self, link: Link, name: str, question: str, formula: str, rule: Rule, value: float | None, unit: str,
        limit: str,
        unproven: str = "",
    ) -> Answer:  # fmt: skip
        return Answer(
            key=f"{link.key}.{name}", check=Check.FUSES, subject=link.what, question=question, formula=formula,
            rule=rule, value=value, unit=unit, limit=limit, unproven=unproven,
        )  # fmt: skip

    # The conductor.

    def _limit(self, link: Link, *, at_most: bool = False) -> tuple[float, str, float, Rule] | None:
        """Return what the wire of a part carries, how that was found, the largest fuse before it, and the rule.

        With ``at_most`` also that of a wire which is too thin for its table: what it carries less than.
        """
        known = link.limit
        if known is not None and known.amps is None and at_most:
            known = known._replace(amps=known.below_amps)
        if known is None or known.amps is None:
            return None
        largest = known.amps
        if self.rules.fuse_next_size and link.load not in MOTOR_LOADS:
            following = next_fuse(known.amps)
            if following is not None and following <= NEXT_SIZE_SHARE * known.amps:
                largest = max(largest, following)
        name = f"a fuse is at most what its conductor carries: {known.rule.name}"
        if largest > known.amps:
            name += "; the next size above it is allowed up to 150 % (ABYC E-11)"
        rule = Rule(name, f"{known.rule.origin}; ABYC E-11 at second hand", known.rule.disagreement)
        return known.amps, known.formula, largest, rule

    def _of_conductor(self, chain: Chain) -> Answer:
        link = chain.links[-1]
        question = "Does a fuse protect its wire?"
        fused, limit = chain.fuse, self._limit(link, at_most=True)
        if fused is None and not chain.missing and link.wire is not None:
            return self._without_fuse(chain, question)
        has_figure = link.limit is not None and link.limit.amps is not None
        is_above = limit is not None and fused is not None and (fused.fuse_amps or 0.0) > limit[2] + _SAME
        if limit is None or fused is None or fused.fuse_amps is None or not (has_figure or is_above):
            return unchecked(
                f"{link.key}.fuse_conductor", Check.FUSES, link.what, question, NO_FUSE_RULE, self._missing(chain)
            )
        amps, formula, largest, rule = limit
        fuse = fused.fuse_amps
        whose = fused.protection if fused is link else f"{fused.protection} of {fused.what}"
        unproven = "does not prove that the fuse in the holder is the one of the plan"
        if fuse * OVERLOAD_SHARE > amps + _SAME:
            lasting = fuse * OVERLOAD_SHARE
            unproven += f"; it may carry {lasting:.4g} A for 10 to 30 minutes, above the {amps:.4g} A of the wire"
        answer = self._answer(
            link, "fuse_conductor", question, f"{whose} against {formula}", rule, fuse, "A",
            f"at most {largest:.4g} A", unproven,
        )  # fmt: skip
        if fuse <= largest + _SAME:
            return answer
        text = f"the {whose} is above the {amps:.4g} A that its wire may carry"
        if link.has_current_limit and fused is not link:
            text += "; the current limit of its output is no fuse"
        advice = self._conductor_advice(link, fused, amps, largest)
        return replace(answer, judgement=Judgement.FLAGGED, severity=Severity.FAULT, text=text, advice=advice)

    def _conductor_advice(self, link: Link, fused: Link, amps: float, largest: float) -> str:
        wire = link.wire
        assert wire is not None
        assert fused.fuse_amps is not None
        parts = []
        known = link.limit is not None and link.limit.amps is not None
        smaller = fuse_below(largest) if known else None
        running = link.demand.amps
        if smaller is not None and (running is None or smaller >= self.rules.fuse_margin * running):
            place = "use" if fused is link else "give it"
            parts.append(f"{place} a fuse of {smaller:g} A" + ("" if fused is link else " of its own"))
        size = link.size
        better = None if size is None else carrying(wire, fused.fuse_amps, self.rules, sizes_like(size, self.rules))
        if better is not None:
            parts.append(f"use {better} in place of {size}")
        return ", or ".join(parts) or f"no fuse fits both {amps:.4g} A and its load: use a thicker wire"

    def _without_fuse(self, chain: Chain, question: str) -> Answer:
        """Return that a wire has no fuse from the battery on; of several in series the first one is told."""
        link = chain.links[-1]
        first = next(one for one in chain.links if one.wire is not None)
        answer = self._answer(
            link, "fuse_conductor", question, "no fuse_amps from the battery to here", NO_FUSE_RULE, None, "",
            "a fuse or a breaker",
        )  # fmt: skip
        if first is not link:
            text = f"not judged: {first.what} has no fuse; put one there first"
            return replace(answer, judgement=Judgement.UNCHECKED, text=text)
        limit = self._limit(link)
        running = link.demand.amps
        least = None if running is None else next_fuse(self.rules.fuse_margin * running)
        size = "" if limit is None else f" of at most {fuse_below(limit[2]) or limit[2]:g} A"
        size += "" if least is None or not running else f"{' and' if size else ' of'} at least {least:g} A"
        return replace(
            answer, judgement=Judgement.FLAGGED, severity=Severity.FAULT,
            text="there is no fuse between the battery and its wire: a short circuit heats it until it burns",
            advice=f"put a fuse{size} at the battery's end of it",
        )  # fmt: skip

    def _missing(self, chain: Chain) -> list[str]:
        link = chain.links[-1]
        missing = list(chain.missing)
        if not missing and chain.fuse is None:
            missing.append(f"fuse_amps of {link.what}")
        if link.wire is None:
            missing.append(f"wire of {link.what}" if link.has_wire_key else f"a branch with a wire for {link.what}")
        elif link.size is None:
            missing.append(f"area_mm2 or awg of the wire of {link.what}")
        elif not missing:
            missing.append(f"a size of the wire of {link.what} that the ampacity_table has")
        return missing

    # The load.

    def _of_margin(self, link: Link, fuse: float) -> Answer:
        margin, amps = self.rules.fuse_margin, link.demand.amps
        question = "Does its fuse carry its running current?"
        rule = Rule(
            f"a fuse is at least {margin:g} times the lasting current ([rules] fuse_margin)",
            "common practice, no source; a calculator page and a fuse page at 25 C",
            "the 75 % rule asks for 1.333 times, 6.7 % more than 1.25 times",
        )
        if amps is None:
            missing = link.demand.missing
            return unchecked(f"{link.key}.fuse_margin", Check.FUSES, link.what, question, rule, missing)
        least = margin * amps
        answer = self._answer(
            link, "fuse_margin", question, f"{margin:g} x {amps:.4g} A = {least:.4g} A against {fuse:g} A", rule, fuse,
            "A", f"at least {least:.4g} A", "does not prove the temperature of the fuse: a hot place lowers its rating",
        )  # fmt: skip
        if fuse >= least - _SAME:
            return answer
        better = next_fuse(least)
        limit = self._limit(link)
        advice = f"use a fuse of {better:g} A" if better is not None else "divide its loads over several branches"
        if better is not None and limit is not None and better > limit[2]:
            advice += f", and a wire that carries it: this one may have {limit[2]:g} A at most"
        opens = fuse < amps - _SAME
        text = f"its {link.protection} " + (
            f"opens in use: {amps:.4g} A flow" if opens else f"is below {margin:g} times its {amps:.4g} A"
        )
        severity = Severity.FAULT if opens else Severity.WARNING
        return replace(answer, judgement=Judgement.FLAGGED, severity=severity, text=text, advice=advice)

    def _of_start(self, link: Link, fuse: float, peak: float) -> Answer:
        lasting, question = link.demand.peak_us, "Does its fuse stay closed at the start of its load?"
        if lasting is None:
            missing = (f"peak of what {link.what} feeds, how long its start lasts",)
            return unchecked(f"{link.key}.fuse_start", Check.FUSES, link.what, question, START_RULE, missing)
        opens = shortest_opening_s(peak / fuse) if link.breaker is None else opening_s(peak / fuse, BREAKER)
        lasts, after = duration_text(lasting), "never" if isinf(opens) else f"after {opens:.3g} s"
        answer = self._answer(
            link, "fuse_start", question,
            f"{peak:.4g} A / {fuse:g} A = {peak / fuse:.3g} times for {lasts}; a quick one opens {after}",
            START_RULE, lasting / SECOND_US, "s", "none" if isinf(opens) else f"at most {opens:.3g} s",
            "does not prove the fuse in question: its maker's curve decides",
        )  # fmt: skip
        if lasting / SECOND_US <= opens:
            return answer
        return replace(
            answer, judgement=Judgement.FLAGGED, severity=Severity.NOTICE,
            text=f"its {link.protection} may open at a start of {peak:.4g} A for {lasts}",
            advice="compare the start with the curve of the fuse's maker; a slow one bears more",
        )  # fmt: skip

    def _of_order(self, link: Link, fuse: float, above: Link) -> Answer:
        assert above.fuse_amps is not None
        ratio = above.fuse_amps / fuse
        answer = self._answer(
            link, "fuse_order", "Does its fuse open before the one behind which it is?",
            f"{above.fuse_amps:g} A of {above.what} / {fuse:g} A = {ratio:.3g}", ORDER_RULE, ratio, "",
            f"at least {SELECTIVE_SHARE:g}", "does not prove it for a short circuit at the fuse itself",
        )  # fmt: skip
        if ratio >= SELECTIVE_SHARE - _SAME:
            return answer
        return replace(
            answer, judgement=Judgement.FLAGGED, severity=Severity.NOTICE,
            text=f"the {above.protection} of {above.what} may open before its {link.protection}",
            advice=f"if it matters: a smaller fuse here, or at least {SELECTIVE_SHARE * fuse:.3g} A there",
        )  # fmt: skip

    def _of_size(self, link: Link, fuse: float) -> Answer:
        answer = self._answer(
            link, "fuse_size", "Is its fuse one that is sold?", f"{fuse:g} A", SIZE_RULE, fuse, "A", "a standard size"
        )
        if fuse in FUSE_SIZES:
            return answer
        near = [f"{size:g} A" for size in (fuse_below(fuse), next_fuse(fuse)) if size is not None]
        return replace(
            answer, judgement=Judgement.FLAGGED, severity=Severity.NOTICE, text=f"{fuse:g} A is no usual size",
            advice=f"the nearest are {' and '.join(near)}",
        )  # fmt: skip

    # The source.

    def _of_distance(self, chain: Chain) -> Answer:
        link = chain.links[-1]
        rule, question = PLACE_RULES[self.rules.fuse_place], "Is its fuse near its source?"
        key, given, limit = f"{link.key}.fuse_distance", link.fuse_distance_m, self._limit(link)
        before = chain.fuse_before
        if before is not None and limit is not None and (before.fuse_amps or 0.0) <= limit[2] + _SAME:
            return self._answer(
                link, "fuse_distance", question,
                f"the {before.protection} of {before.what} protects its wire as well: {limit[1]}",
                rule, given, "m", "none: the wire before this fuse is protected",
            )  # fmt: skip
        if given is None:
            return unchecked(key, Check.FUSES, link.what, question, rule, (f"fuse_distance_m of {link.what}",))
        sheathed = link.wire is not None and link.wire.sheathed
        most = PLACES_M[self.rules.fuse_place][1 if sheathed else 0]
        laid = "in a sheath" if sheathed else "without a sheath"
        answer = self._answer(
            link, "fuse_distance", question, f"{given:g} m {laid}", rule, given, "m", f"at most {most:g} m",
            "does not prove that nothing can chafe or short the wire before the fuse",
        )  # fmt: skip
        if given <= most + _SAME:
            return answer
        closer = f"move its {link.protection} to within {most:g} m of the source"
        in_sheath = PLACES_M[self.rules.fuse_place][1]
        if not sheathed and given <= in_sheath:
            closer += f", or lay the wire before it in a sheath (up to {in_sheath:g} m)"
        return replace(
            answer, judgement=Judgement.FLAGGED, advice=closer,
            text=f"{given:g} m of wire before its {link.protection} are not protected: at most {most:g} m",
        )  # fmt: skip

    # The table.

    def table(self) -> PlanTable:
        """Return every fuse as planned."""
        rows = []
        for chain in self.supply.chains.values():
            link = chain.links[-1]
            if link.fuse_amps is None:
                continue
            limit, amps = self._limit(link), link.demand.amps
            rows.append(
                (
                    link.what,
                    f"{link.fuse_amps:g}",
                    "fuse" if link.breaker is None else f"{link.breaker} breaker",
                    "-" if amps is None else f"{amps:.4g}",
                    "-" if limit is None else f"{limit[0]:.4g}",
                    "-" if link.fuse_distance_m is None else f"{link.fuse_distance_m:g}",
                    "-" if link.interrupting_amps is None else f"{link.interrupting_amps:g}",
                )
            )
        columns = ("part", "rating (A)", "sort", "running (A)", "its wire carries (A)", "from its source (m)",
                   "interrupts (A)")  # fmt: skip
        return PlanTable("fuses", "Fuses as planned", columns, tuple(rows))
