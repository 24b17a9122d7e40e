"""Conductors: the voltage that is lost in them, the current that they carry, and how thin they may be.

Knows: which questions are asked of each wire and each chain of wires, and the table of wires as planned. Does not know
fuses (`fuses`), nor how a drop is judged (`voltage_drop`).

A drop within its limit never excuses a current above that of the conductor, nor the other way round: they are answered
apart.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from rvsim.plan.ampacity import AMPACITY_RULES, ISO, Ampacity, ampacity, carrying, smallest_size
from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, unchecked
from rvsim.plan.conductor_tables import Size, sizes_like
from rvsim.plan.supply_chain import Link, Supply
from rvsim.plan.unit_mistakes import gauge_mistakes
from rvsim.plan.voltage_drop import DropJudge
from rvsim.rig.electric import WirePlan
from rvsim.rig.rules_plan import RulesPlan
from rvsim.watch.flag import Severity

if TYPE_CHECKING:
    from rvsim.plan.report import PlanInput

SUPPLY_RULE = Rule("every conductor from the battery on has size, length and fuse in the rig", "our decision")
_AMPACITY_UNPROVEN = (
    "does not prove the temperature around it (the table is for 30 C, for 50 C in an engine's space), nor terminals "
    "and connectors, whose own ratings may be lower"
)
_SIZE_UNPROVEN = "does not prove how far conductors come out of their sheath, nor how they are held"
_CARRIES = "Does its wire carry its current?"
CAUTION = "Wires: before you work on one, disconnect it from every source, batteries, chargers and sun included."


def check_conductors(given: "PlanInput") -> Section:
    """Return what the wires of a rig carry and lose; where it has none, one answer says that nothing was checked."""
    supply = given.supply
    if not supply.links and not supply.grounds:
        return Section(Check.CONDUCTORS, (nothing_given("conductors", Check.CONDUCTORS),))
    judge = DropJudge(supply)
    answers = list(judge.answers())
    for link in (*supply.links, *supply.grounds):
        answers += wire_answers(link, given.rig.rules)
    answers += gauge_mistakes(supply.links)
    if supply.devices_without_branch:
        missing = [f"branch of device {name}" for name in supply.devices_without_branch]
        question = "What is lost on the way to the devices that are on no branch?"
        key = "conductors.devices_without_branch"
        answers.append(unchecked(key, Check.CONDUCTORS, "supply", question, SUPPLY_RULE, missing))
    return Section(Check.CONDUCTORS, tuple(answers), (_wire_table(supply, judge),), (CAUTION,))


def nothing_given(name: str, check: Check) -> Answer:
    """Return the one answer for a rig that says nothing of its supply."""
    question = "Are the wires and fuses of the supply right?"
    return unchecked(f"{name}.supply", check, "supply", question, SUPPLY_RULE, ("any [[branch]]",))


def wire_answers(link: Link, rules: RulesPlan) -> Iterator[Answer]:
    """Yield whether a wire carries its current and whether it is too thin at all; nothing for a part without a wire."""
    if link.wire is None:
        return
    size = link.size
    if size is None or link.limit is None:
        missing = (f"area_mm2 or awg of the wire of {link.what}",)
        rule = AMPACITY_RULES[rules.ampacity_table or ISO]
        yield unchecked(f"{link.key}.wire_amps", Check.CONDUCTORS, link.what, _CARRIES, rule, missing)
        return
    yield _of_current(link, size, link.limit, rules)
    smallest = smallest_size(link.wire)
    answer = Answer(
        key=f"{link.key}.wire_size", check=Check.CONDUCTORS, subject=link.what, question="Is its wire strong enough?",
        formula=f"{size}, {'in a sheath' if link.wire.sheathed else 'a single conductor'}", rule=smallest.rule,
        limit=f"at least {smallest.least}", unproven=_SIZE_UNPROVEN,
    )  # fmt: skip
    if smallest.is_below:
        answer = replace(
            answer, judgement=Judgement.FLAGGED, severity=Severity.NOTICE,
            text=f"its wire of {size} is thinner than the {smallest.least} of a rule for boats",
            advice=f"use {smallest.least}, or lay it in a sheath and hold it near its ends",
        )  # fmt: skip
    yield answer


def _of_current(link: Link, size: Size, limit: Ampacity, rules: RulesPlan) -> Answer:
    key, amps = f"{link.key}.wire_amps", link.demand.amps
    if limit.amps is None and amps is not None and amps > limit.below_amps:
        limit = limit._replace(amps=limit.below_amps)
    if limit.amps is None:
        return Answer(
            key=key, check=Check.CONDUCTORS, subject=link.what, question=_CARRIES, formula="", rule=limit.rule,
            judgement=Judgement.UNCHECKED, text=f"not checked: {limit.rule.name} has no figure for {size}",
            advice="use a size that the rule has, or another ampacity_table in [rules]",
        )  # fmt: skip
    if amps is None:
        return unchecked(key, Check.CONDUCTORS, link.what, _CARRIES, limit.rule, link.demand.missing)
    wire = link.wire
    assert wire is not None
    unproven = _AMPACITY_UNPROVEN
    if wire.bundle is None and rules.count_bundles:
        unproven += "; nor the wires beside it: the rig gives no bundle, so it counts as one pair by itself"
    answer = Answer(
        key=key, check=Check.CONDUCTORS, subject=link.what, question=_CARRIES, rule=limit.rule, value=amps, unit="A",
        formula=f"{amps:.4g} A against {limit.formula}", limit=f"at most {limit.amps:.4g} A", unproven=unproven,
    )  # fmt: skip
    if amps <= limit.amps + 1e-9:
        return answer
    better = carrying(wire, amps, rules, sizes_like(size, rules))
    advice = f"use {better} in place of {size}" if better is not None else "use several wires, or take loads off it"
    if limit.amps < _ampacity_alone(wire, rules):
        advice += ", or lay it away from the other wires and the engine"
    return replace(
        answer, judgement=Judgement.FLAGGED, severity=Severity.FAULT, advice=advice,
        text=f"its wire carries {amps:.4g} A, and {size} may carry {limit.amps:.4g} A",
    )  # fmt: skip


def _ampacity_alone(wire: WirePlan, rules: RulesPlan) -> float:
    """Return what a wire carried alone and in no engine's space."""
    free = wire.model_copy(update={"bundle": None, "engine_space": False})
    return ampacity(free, rules).amps or 0.0


def _wire_table(supply: Supply, judge: DropJudge) -> PlanTable:
    """Return every wire as planned, and the voltage to expect behind it."""
    rows = []
    rules = supply.rig.rules
    for chain in supply.chains.values():
        link = chain.links[-1]
        if link.wire is None:
            continue
        size, amps = link.size, link.demand.amps
        limit = None if link.limit is None else link.limit.amps
        loss = judge.loss(chain)
        rows.append(
            (
                link.what,
                "-" if size is None else str(size),
                "-" if link.wire.length_m is None else f"{link.wire.length_m:g}",
                f"{1000 * (link.ohm or 0.0):.3g}",
                "-" if amps is None else f"{amps:.4g}",
                "-" if limit is None else f"{limit:.4g}",
                "-" if loss.missing else f"{loss.volts:.2f}",
                "-" if loss.missing else f"{rules.source_volts - loss.volts:.2f}",
            )
        )
    return PlanTable(
        "wires", "Wires as planned",
        ("part", "size", "length one way (m)", "out and back (mOhm)", "running (A)", "carries (A)", "lost (V)",
         "left at its end (V)"),
        tuple(rows),
        f"resistances at {rules.conductor_c:g} C; volts with all loads on and {rules.source_volts:g} V at the battery",
    )  # fmt: skip
