"""The voltage that a load or a device gets: its drop out and back, at its running current and at its start.

Knows: the limits of the drop, and the voltage at which a device stops. Does not know what a conductor may carry: a
thicker wire that is advised here carries its current and is protected by its fuse as well.

The other loads of a shared branch take their running current with their share, the load in question all of its own. A
start that is shorter than ``rules.short_start`` is judged by the trip of its output and by the cut-off alone.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import floor
from typing import NamedTuple

from rvsim.plan.ampacity import carrying
from rvsim.plan.answer import Answer, Check, Judgement, Rule, told_apart, unchecked
from rvsim.plan.conductor_tables import TABLE_RULES, Size, ohm_per_m, sizes_like, table_for
from rvsim.plan.supply_chain import Chain, Consumer, Link, Supply
from rvsim.rig.quantity import duration_text
from rvsim.rig.rules_plan import RulesPlan
from rvsim.watch.flag import Severity

_LIMITS_DIFFER = (
    "other pages ask for 5 and 7 %, 5 %, 2 % or 0.5 V; ISO 10133:2012 4.7 and 4.8 have the same 3 % and 10 %"
)
CUT_OFF_RULE = Rule(
    "the supply stays above the cut-off of the device at its highest current",
    "common practice, no source; cut-offs of three heater makers' fault-code tables where the rig gives none",
    "heaters stop at 10 V, a gas boiler at about 10.5 V",
)
UNPROVEN = (
    "does not prove the crimps, the fuse holders, the switches and the ground: these are not in the rig; measure at "
    "the load while it runs"
)
_SAME = 1e-9
"""A figure that is above its limit by less is equal to it but for rounding."""


class Loss(NamedTuple):
    """The volts that are lost along a chain, how they were computed, and the volts of each part."""

    volts: float
    formula: str
    parts: tuple[tuple[Link, float, float], ...]
    """Each part with its volts and its amperes."""
    missing: tuple[str, ...]


@dataclass(eq=False)
class DropJudge:
    """Judges the chains of one rig."""

    supply: Supply
    _over: dict[str, float] = field(default_factory=dict)
    """The drop of each branch that is above its own limit, in percent, by its key."""

    _rules: dict[tuple[str, ...], Rule] = field(default_factory=dict)
    """The rule of a drop by the tables of its conductors."""

    @property
    def rules(self) -> RulesPlan:
        """The rules of the rig."""
        return self.supply.rig.rules

    def answers(self) -> Iterator[Answer]:
        """Yield the drops of branches, then those of each load and device, and the voltage at those that can stop."""
        for chain in self.supply.branch_chains:
            yield self._of_branch(chain)
        for consumer in self.supply.consumers:
            yield from self._of_consumer(consumer)

    # Losses.

    def loss(self, chain: Chain, own_amps: float | None = None, at_amps: float | None = None) -> Loss:
        """Return what a chain loses; with ``at_amps`` while the last load takes these and not its ``own_amps``."""
        parts, texts = [], []
        missing = list(chain.missing)
        for link, share in zip(chain.links, chain.shares, strict=True):
            if link.demand.amps is None:
                missing += [key for key in link.demand.missing if key not in missing]
            if link.ohm is None:
                missing.append(f"wire of {link.what}" if link.has_wire_key else f"a branch with a wire for {link.what}")
            if link.demand.amps is None or link.ohm is None:
                continue
            amps = link.demand.amps
            if at_amps is not None and own_amps is not None:
                amps += at_amps - share * own_amps
            volts = link.ohm * amps
            parts.append((link, volts, amps))
            texts.append(f"{link.what} {link.ohm_text} x {amps:.4g} A = {volts:.3g} V")
        total = sum(volts for _, volts, _ in parts)
        return Loss(total, "; ".join(texts), tuple(parts), tuple(missing))

    def _percent(self, loss: Loss, limit: float) -> tuple[float, str]:
        """Return how much of the base voltage is lost, and how that was computed; the limit in percent."""
        base = self.rules.base_volts
        percent = 100 * loss.volts / base
        together = f"; together {loss.volts:.3g} V" if len(loss.parts) > 1 else ""
        return percent, f"{loss.formula}{together} = {told_apart(percent, limit)} % of {base:g} V"

    def _limit(self, *, critical: bool) -> float:
        return self.rules.critical_drop_percent if critical else self.rules.drop_percent

    def _rule(self, chain: Chain) -> Rule:
        """Return the rule of a drop with the tables of its conductors."""
        tables = tuple({table_for(link.size, self.rules): None for link in chain.links if link.size is not None})
        if tables not in self._rules:
            self._rules[tables] = self._rule_with(tables)
        return self._rules[tables]

    def _rule_with(self, tables: Sequence[str]) -> Rule:
        used = [TABLE_RULES[table] for table in tables]
        name = "ABYC E-11 section 11.14.2.6 (edition not in the excerpt): 3 % critical, 10 % others"
        if (self.rules.critical_drop_percent, self.rules.drop_percent) != (3.0, 10.0):
            name += f"; here {self.rules.critical_drop_percent:g} % and {self.rules.drop_percent:g} % by [rules]"
        names = ", ".join(f"{rule.name} ({rule.origin}) at {self.rules.conductor_c:g} C" for rule in used)
        return Rule(
            f"{name}; conductors by {names}" if names else name,
            "read as an excerpt",
            "; ".join([_LIMITS_DIFFER, *(rule.disagreement for rule in used)]),
        )

    # Branches.

    def _of_branch(self, chain: Chain) -> Answer:
        link = chain.links[-1]
        key, question = f"{link.key}.drop_percent", "How much voltage is lost up to its end?"
        rule, limit = self._rule(chain), self._limit(critical=link.critical)
        above = self._branch_over(chain.links[:-1], limit)
        loss = self.loss(chain)
        percent, formula = self._percent(loss, limit)
        if percent > limit + _SAME and above is None:
            self._over[link.key] = percent
        text = (
            f"{told_apart(percent, limit)} % is lost up to the end of {link.what}, for everything behind it: "
            f"limit {limit:g} %"
        )
        return self._drop_answer(key, link.what, question, rule, loss, percent, formula, limit, above, text)

    def _branch_over(self, links: Sequence[Link], limit: float) -> Link | None:
        """Return the branch among these parts that alone is over a limit and was told so."""
        return next((link for link in links if self._over.get(link.key, 0.0) > limit), None)

    def _drop_answer(
        self,
        key: str,
        what: str,
        question: str,
        rule: Rule,
        loss: Loss,
        percent: float,
        formula: str,
        limit: float,
        above: Link | None,
        text: str,
    ) -> Answer:
        """Return the answer to a drop against its limit; what is known may be over it although parts are missing."""
        is_over = percent > limit + _SAME
        if loss.missing and not is_over:
            return unchecked(key, Check.CONDUCTORS, what, question, rule, loss.missing)
        answer = Answer(
            key=key, check=Check.CONDUCTORS, subject=what, question=question, formula=formula, rule=rule,
            value=percent, unit="%", limit=f"at most {limit:g} % of {self.rules.base_volts:g} V", unproven=UNPROVEN,
        )  # fmt: skip
        if not is_over:
            return answer
        if above is not None:
            return _changed(
                answer, Judgement.UNCHECKED,
                f"not judged: {above.what} alone loses {self._over[above.key]:.3g} %; correct it first", "",
            )  # fmt: skip
        if loss.missing:
            text += f"; without {', '.join(loss.missing)}, which the rig does not give"
        return _changed(answer, Judgement.FLAGGED, text, self._remedy(loss, limit / 100 * self.rules.base_volts))

    # Loads and devices.

    def _of_consumer(self, consumer: Consumer) -> Iterator[Answer]:
        chain, demand = consumer.chain, consumer.demand
        rule, limit = self._rule(chain), self._limit(critical=consumer.critical)
        above = self._branch_over(chain.links, limit)
        running = self._loss_at(consumer, demand.amps)
        percent, formula = self._percent(running, limit)
        text = (
            f"{told_apart(percent, limit)} % of {self.rules.base_volts:g} V is lost on the way to it: limit {limit:g} %"
        )
        yield self._drop_answer(
            f"{consumer.key}.drop_percent", consumer.what, "How much voltage is lost on the way to it while it runs?",
            rule, running, percent, formula, limit, above, text,
        )  # fmt: skip
        has_start = demand.peak_amps is not None and (demand.amps is None or demand.peak_amps > demand.amps)
        if has_start:
            yield self._of_start(consumer, rule, limit, above)
        if consumer.cut_off_volts is not None:
            yield self._of_cut_off(consumer)

    def _loss_at(self, consumer: Consumer, amps: float | None) -> Loss:
        own = consumer.demand.amps
        if own is None or amps is None:
            found = self.loss(consumer.chain)
            missing = dict.fromkeys((*found.missing, *consumer.demand.missing))
            return found._replace(missing=tuple(missing))
        return self.loss(consumer.chain, own, amps)

    def _of_start(self, consumer: Consumer, rule: Rule, limit: float, above: Link | None) -> Answer:
        demand = consumer.demand
        loss = self._loss_at(consumer, demand.peak_amps)
        percent, formula = self._percent(loss, limit)
        key, question = f"{consumer.key}.peak_drop_percent", "How much voltage is lost on the way to it at its start?"
        is_over = percent > limit + _SAME
        if is_over and demand.peak_us is None:
            missing = (f"peak of {consumer.what}, how long its start lasts", *loss.missing)
            return unchecked(key, Check.CONDUCTORS, consumer.what, question, rule, missing)
        if is_over and demand.peak_us is not None and demand.peak_us < self.rules.short_start:
            lasts, short = duration_text(demand.peak_us), duration_text(self.rules.short_start)
            return Answer(
                key=key, check=Check.CONDUCTORS, subject=consumer.what, question=question, formula=formula, rule=rule,
                value=percent, unit="%", unproven=UNPROVEN,
                limit=f"none: a start of {lasts} is shorter than {short} and is judged by trip and cut-off alone",
            )  # fmt: skip
        lasts = "" if demand.peak_us is None else f" for {duration_text(demand.peak_us)}"
        text = (
            f"{told_apart(percent, limit)} % of {self.rules.base_volts:g} V is lost on the way to it at its start of "
            f"{demand.peak_amps:g} A{lasts}: limit {limit:g} %"
        )
        return self._drop_answer(key, consumer.what, question, rule, loss, percent, formula, limit, above, text)

    def _of_cut_off(self, consumer: Consumer) -> Answer:
        """Return whether it runs on in the worst hour, at the highest current that it takes."""
        demand, cut_off, source = consumer.demand, consumer.cut_off_volts, self.rules.source_volts
        assert cut_off is not None
        highest = max((amps for amps in (demand.amps, demand.peak_amps) if amps is not None), default=None)
        loss = self._loss_at(consumer, highest)
        volts = source - loss.volts
        key, question = f"{consumer.key}.cut_off", "Does it run on in the worst hour?"
        is_below = volts < cut_off - _SAME
        missing = list(loss.missing)
        if demand.peak_amps is None and not consumer.is_steady:
            missing.append(f"peak_amps of {consumer.what}")
        if missing and not is_below:
            return unchecked(key, Check.CONDUCTORS, consumer.what, question, CUT_OFF_RULE, missing)
        unproven = UNPROVEN
        if demand.peak_amps is None and not consumer.is_output:
            unproven += "; a start that takes more than its amps (a glow plug, a pump) is not in the rig as peak_amps"
        if is_below and demand.peak_amps is not None and highest == demand.peak_amps and not loss.missing:
            unproven += (
                f"; a start that is a plain resistance takes less, and {self._resistive(loss, highest):.3g} V are left"
            )
        formula = f"{source:g} V - ({loss.formula}) = {told_apart(volts, cut_off, 4)} V"
        answer = Answer(
            key=key, check=Check.CONDUCTORS, subject=consumer.what, question=question, formula=formula,
            rule=CUT_OFF_RULE, value=volts, unit="V", limit=f"at least {cut_off:g} V", unproven=unproven,
        )  # fmt: skip
        if not is_below:
            return answer
        text = (
            f"it stops: {told_apart(volts, cut_off, 4)} V are left at {highest:.4g} A with {source:g} V at the "
            f"battery, and its cut-off is {cut_off:g} V"
        )
        advice = self._remedy(loss, source - cut_off, source)
        return _changed(answer, Judgement.FLAGGED, text, advice, Severity.FAULT)

    def _resistive(self, loss: Loss, amps: float) -> float:
        """Return the volts at a load that is the resistance which takes these amperes at the base voltage."""
        wires = sum(link.ohm or 0.0 for link, _, _ in loss.parts)
        load = self.rules.base_volts / amps
        return (self.rules.source_volts - loss.volts + wires * amps) * load / (load + wires)

    # Remedies.

    def _remedy(self, loss: Loss, allowed: float, source: float | None = None) -> str:
        """Return which wire to make thicker: the one that loses most, if one size of it would do.

        Args:
            loss: what is lost now.
            allowed: how many volts may be lost.
            source: the volts at the battery, where what is left of them matters and not the percents.
        """
        for link, volts, amps in sorted(loss.parts, key=lambda part: -part[1]):
            size = link.size
            if size is None or link.wire is None or not link.wire.length_m or not amps:
                continue
            room = allowed - (loss.volts - volts)
            better = self._thicker(link, size, room / (2 * link.wire.length_m * amps), amps)
            if better is None:
                continue
            ohm = 2 * link.wire.length_m * ohm_per_m(better, self.rules)
            then = loss.volts - volts + ohm * amps
            left = f"{100 * then / self.rules.base_volts:.3g} %" if source is None else f"{source - then:.4g} V left"
            longest = floor(100 * room / (volts / link.wire.length_m)) / 100
            shorter = f", or {size} of at most {longest:g} m" if longest >= 0.1 else ""
            return f"wire of {link.what}: {better} in place of {size} ({left}){shorter}"
        return "no size of one wire alone would do: make several thicker or shorter, or feed it by a branch of its own"

    def _thicker(self, link: Link, size: Size, max_ohm_per_m: float, amps: float) -> Size | None:
        """Return the next size that would do: by its drop, by what it carries, and by the fuse before it."""
        assert link.wire is not None
        enough = [one for one in sizes_like(size, self.rules) if ohm_per_m(one, self.rules) <= max_ohm_per_m]
        return carrying(link.wire, max(amps, link.fuse_amps or 0.0), self.rules, enough)


def _changed(
    answer: Answer, judgement: Judgement, text: str, advice: str, severity: Severity = Severity.WARNING
) -> Answer:
    """Return an answer with its judgement."""
    return replace(answer, judgement=judgement, text=text, advice=advice, severity=severity)
