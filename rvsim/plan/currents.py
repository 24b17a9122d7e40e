"""Check of currents: outputs, modules and branches, running and at the start, and what a load asks for besides.

Knows: how a running current, a start and a sum are judged against the limits that the rig gives. Does not know relays
(`relay_checks`), fuses and conductors, nor what flows at a moment of a night.
"""

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, path_name, unchecked
from rvsim.plan.relay_checks import class_text, relay_answers
from rvsim.plan.starts import START_RULE, Start, few, figure, output_start, seconds_text, trip_rule, trip_s, trip_text
from rvsim.plan.unit_mistakes import current_mistakes
from rvsim.rig.demand import RigDemand
from rvsim.rig.model import Rig
from rvsim.rig.switching import DIMMED, ModulePlan, OutputPlan
from rvsim.watch.flag import Severity

if TYPE_CHECKING:
    from rvsim.plan.report import PlanInput

OUTPUT_RULE = Rule("the limit of the output by its maker, as the rig gives it", "common practice, no source")
MODULE_RULE = Rule(
    "the sum of currents with their shares in use within the module's limit",
    "common practice, no source",
    "how much runs at one time is a choice: 100 % where the rig gives no share",
)
BRANCH_RULE = Rule(
    "the sum of currents with their shares in use; a peak of 30 s or longer counts as continuous",
    "common practice, no source",
)
SUPPRESSOR_RULE = Rule(
    "a suppressor at every inductive load",
    "a digital-switching maker's guide, read as an excerpt; an unsuppressed 12 V coil gives 1000 to 1500 V (a relay "
    "maker's note)",
)
LAMP_OUT_RULE = Rule(
    "the running current above the lowest load that the module can tell", "common practice, no source: 50 mA is usual"
)
OVERRIDE_RULE = Rule("a way to switch motions, pumps and heaters while the network is silent", "our decision")
MAX_TERMS = 12
"""How many currents of a sum are shown one by one. Our choice."""
INDUCTIVE = frozenset({"motor", "pump", "relay coil"})
NEEDS_OVERRIDE = frozenset({"pump", "heater mat"})
LIMIT_CAUTION = "A current limit in electronics does not replace the fuse that protects the wire."


def check_currents(given: "PlanInput") -> Section:
    """Check the currents of outputs, relays, modules and branches."""
    rig, demand = given.rig, RigDemand(given.rig)
    answers: list[Answer] = []
    if not rig.outputs:
        answers.append(
            unchecked(
                "outputs", Check.CURRENTS, "outputs", "Is each output within its limit?", OUTPUT_RULE,
                [f"any [[output]] of module {module.name}" for module in rig.modules]
                or ["the tables [[module]] and [[output]]"],
            )
        )  # fmt: skip
    starts = {output.name: output_start(output, rig.rules.base_volts) for output in rig.outputs}
    local = {one.output: entry.name for entry in rig.inputs for one in entry.positions if one.output is not None}
    driven = {name for motion in rig.motions for name in motion.outputs.values()}
    for output in rig.outputs:
        answers += _output_answers(output, rig, starts[output.name], local, moves=output.name in driven)
        answers += _lamp_out_answers(output, rig, demand)
    answers += relay_answers(rig, demand)
    for module in rig.modules:
        answers += _module_answers(module, rig, demand, starts)
    answers += [*_branch_answers(rig, demand), *current_mistakes(rig)]
    tables = (_output_table(rig, starts),) if rig.outputs else ()
    return Section(Check.CURRENTS, tuple(answers), tables, (LIMIT_CAUTION,) if rig.outputs else ())


# Outputs.


def _output_answers(
    output: OutputPlan, rig: Rig, start: Start, local: Mapping[str, str], *, moves: bool
) -> Iterator[Answer]:
    """Yield the answers on one output; ``local`` has the input that switches it without the network, if any."""
    if output.relay is None:
        running = _running_answer(output)
        yield running
        if running.judgement is not Judgement.FLAGGED:  # what trips anyway is told once
            yield _start_answer(output, rig, start)
    if output.load in INDUCTIVE or moves:
        yield _suppressor_answer(output)
    if output.load in NEEDS_OVERRIDE or moves:
        yield _override_answer(output, local.get(output.name), moves=moves)


def _running_answer(output: OutputPlan) -> Answer:
    key, subject = f"output.{path_name(output.name)}.current", output.name
    question = "Is the running current of its load within the limit of the output?"
    missing = [f"{name} of output {output.name}" for name in ("amps", "limit_amps") if getattr(output, name) is None]
    if missing:
        return unchecked(key, Check.CURRENTS, subject, question, OUTPUT_RULE, missing)
    amps, limit = output.amps, output.limit_amps
    assert amps is not None
    assert limit is not None
    above = amps > limit
    return Answer(
        key=key, check=Check.CURRENTS, subject=subject, question=question, rule=OUTPUT_RULE, value=amps, unit="A",
        limit=f"at most {figure(limit)} A",
        formula=f"{figure(amps)} A {'>' if above else '<='} {figure(limit)} A",
        judgement=Judgement.FLAGGED if above else Judgement.GOOD,
        severity=Severity.FAULT,
        text=f"its load of {figure(amps)} A is above its limit of {figure(limit)} A" if above else "",
        advice=f"give it a relay {class_text(output)}, or another output" if above else "",
        unproven="that the load takes no more than its figure: measure it at commissioning",
    )  # fmt: skip


def _start_answer(output: OutputPlan, rig: Rig, start: Start) -> Answer:
    key, subject = f"output.{path_name(output.name)}.start", output.name
    question = "Does the output let the start of its load pass?"
    rule = trip_rule(rig.rules)
    limit = output.limit_amps
    missing = [*start.missing, *([] if limit is not None else [f"limit_amps of output {output.name}"])]
    if missing or limit is None or start.amps is None:
        return unchecked(key, Check.CURRENTS, subject, question, rule, missing)
    seconds = trip_s(start.amps, limit, rig.rules)
    trips = seconds is not None and start.lasting_s >= seconds
    return Answer(
        key=key, check=Check.CURRENTS, subject=subject, question=question,
        rule=rule if start.is_given else _with_start(rule), value=start.amps, unit="A",
        limit="no trip while it starts", formula=f"{start.formula}; {trip_text(start.amps, limit, rig.rules)}",
        judgement=Judgement.FLAGGED if trips else Judgement.GOOD,
        severity=Severity.FAULT if start.is_given else Severity.WARNING,
        text=(
            f"its start of {figure(start.amps)} A for {seconds_text(start.lasting_s)} trips the output after "
            f"{seconds_text(seconds or 0.0)}" if trips else ""
        ),
        advice=(
            f"give it a relay {class_text(output)}, an output with a higher limit, or a soft start" if trips else ""
        ),
        unproven="the trip curve of this output: compare it with its data sheet",
    )  # fmt: skip


def _with_start(rule: Rule) -> Rule:
    """Return the rule of a trip together with that of the start by kind."""
    return Rule(
        f"{rule.name}; {START_RULE.name}",
        f"{rule.origin}; {START_RULE.origin}",
        "; ".join(part for part in (rule.disagreement, START_RULE.disagreement) if part),
    )


def _suppressor_answer(output: OutputPlan) -> Answer:
    key, subject = f"output.{path_name(output.name)}.suppressor", output.name
    question = "Has its inductive load a suppressor?"
    if output.suppressed is None:
        missing = [f"suppressed of output {output.name}"]
        return unchecked(key, Check.CURRENTS, subject, question, SUPPRESSOR_RULE, missing)
    load = output.load or "motor"
    return Answer(
        key=key, check=Check.CURRENTS, subject=subject, question=question, rule=SUPPRESSOR_RULE, limit="a suppressor",
        formula=f"{load}: suppressed = {str(output.suppressed).lower()}",
        judgement=Judgement.GOOD if output.suppressed else Judgement.FLAGGED,
        text="" if output.suppressed else f"its {load} has no suppressor, so each switching off gives a high voltage",
        advice="" if output.suppressed else "fit one at the load, as the module's maker says",
        unproven="that the suppressor is fitted the right way round",
    )  # fmt: skip


def _override_answer(output: OutputPlan, switch: str | None, *, moves: bool) -> Answer:
    key, subject = f"output.{path_name(output.name)}.override", output.name
    question = "Can a person switch it while the screen is dark?"
    if output.manual_override is None and switch is None:
        missing = [f"manual_override of output {output.name}"]
        return unchecked(key, Check.CURRENTS, subject, question, OVERRIDE_RULE, missing)
    what = "motion" if moves else str(output.load)
    is_given = output.manual_override is not None
    has_one = bool(output.manual_override) if is_given else True
    formula = f"manual_override = {str(has_one).lower()}" if is_given else f"input {switch} switches it in its module"
    return Answer(
        key=key, check=Check.CURRENTS, subject=subject, question=question, rule=OVERRIDE_RULE,
        limit="a way without the network", formula=f"{what}: {formula}",
        judgement=Judgement.GOOD if has_one else Judgement.FLAGGED, severity=Severity.NOTICE,
        text="" if has_one else f"nobody can switch this {what} without the network",
        advice="" if has_one else "fit a switch, a crank or a bypass, and write it on the door's sheet",
        unproven="" if is_given else "that the module itself still works: it switches the load",
    )  # fmt: skip


def _lamp_out_answers(output: OutputPlan, rig: Rig, demand: RigDemand) -> Iterator[Answer]:
    """Yield whether an output with a load below the lowest that its module can tell would be reported out."""
    module = next(one for one in rig.modules if one.name == output.module)
    given = [
        (limit, name)
        for limit, name in (
            (module.min_load_amps, f"min_load_amps of module {module.name}"),
            (output.min_amps if output.relay is None else None, "its own min_amps"),
        )
        if limit is not None
    ]
    key, subject = f"output.{path_name(output.name)}.lamp_out", output.name
    question = "Is its load above the lowest that is told apart from a lamp that is out?"
    if not given:
        if output.load in DIMMED:
            missing = [f"min_load_amps of module {module.name}"]
            yield unchecked(key, Check.CURRENTS, subject, question, LAMP_OUT_RULE, missing)
        return
    least, name = max(given)
    carried = demand.terminal(output)
    if carried.amps is None:
        yield unchecked(key, Check.CURRENTS, subject, question, LAMP_OUT_RULE, carried.missing)
        return
    below = carried.amps < least
    what = "its load" if output.relay is None else "the coil of its relay"
    yield Answer(
        key=key, check=Check.CURRENTS, subject=subject, question=question, rule=LAMP_OUT_RULE, value=carried.amps,
        unit="A", limit=f"at least {figure(least)} A",
        formula=f"{figure(carried.amps)} A {'<' if below else '>='} {figure(least)} A ({name})",
        judgement=Judgement.FLAGGED if below else Judgement.GOOD,
        text=(
            f"{what} takes {figure(carried.amps)} A, below {figure(least)} A, so it is reported out though it works"
            if below else ""
        ),
        advice="switch off the lamp-out report of this output, lower its threshold, or add a load" if below else "",
        unproven="that it is told apart while it is dimmed: its current is lower then" if output.load in DIMMED else "",
    )  # fmt: skip


# Sums.


def _module_answers(module: ModulePlan, rig: Rig, demand: RigDemand, starts: dict[str, Start]) -> Iterator[Answer]:
    outputs = demand.outputs(module.name)
    key, subject = f"module.{path_name(module.name)}", module.name
    question = "Is the sum of its outputs within the limit of the module?"
    total, limit = demand.module(module), module.limit_amps
    without_limit = [] if limit is not None else [f"limit_amps of module {module.name}"]
    above = limit is not None and total.known_amps > limit
    terms = [(demand.terminal(one).amps, demand.share(one)) for one in outputs]
    added = " + ".join(
        figure(amps) if share == 1 else f"{figure(amps)} x {share * 100:g} %"
        for amps, share in terms
        if amps is not None
    )
    formula = added if len(terms) <= MAX_TERMS else f"sum of {len(terms)} outputs"
    if limit is None or (total.amps is None and not above):
        missing = [*total.missing, *without_limit]
        yield unchecked(f"{key}.current", Check.CURRENTS, subject, question, MODULE_RULE, few(missing))
        return
    least = "at least " if total.missing else ""
    yield Answer(
        key=f"{key}.current", check=Check.CURRENTS, subject=subject, question=question, rule=MODULE_RULE,
        value=total.known_amps, unit="A", limit=f"at most {figure(limit)} A",
        formula=f"{formula or '0'} = {least}{figure(total.known_amps)} A {'>' if above else '<='} {figure(limit)} A",
        judgement=Judgement.FLAGGED if above else Judgement.GOOD, severity=Severity.FAULT,
        text=(
            f"its outputs take {least}{figure(total.known_amps)} A at one time, above its limit of {figure(limit)} A"
            if above else ""
        ),
        advice=(
            "move loads to another module or behind relays, or give share_percent where they never run together"
            if above else ""
        ),
        unproven="that no more runs at one time than the shares say",
    )  # fmt: skip
    if not above:
        yield from _module_start_answers(module, rig, demand, starts, total.known_amps, limit)


def _module_start_answers(
    module: ModulePlan, rig: Rig, demand: RigDemand, starts: dict[str, Start], total: float, limit: float
) -> Iterator[Answer]:
    """Yield whether the module lets the start pass that is nearest to a trip, with everything else running."""
    key, subject = f"module.{path_name(module.name)}.start", module.name
    question = "Does the module let each start pass while all else runs?"
    rule = trip_rule(rig.rules)
    missing: list[str] = []
    worst: tuple[float, float, OutputPlan, Start, float] | None = None
    for output in demand.outputs(module.name):
        start = starts[output.name]
        if output.relay is not None:
            continue
        if start.amps is None:
            missing += start.missing
            continue
        before = total - (output.amps or 0.0) * demand.share(output)
        peak = before + start.amps
        seconds = trip_s(peak, limit, rig.rules, before)
        nearness = 0.0 if seconds is None else start.lasting_s / seconds if seconds > 0 else 1.0
        if worst is None or (nearness, peak) > worst[:2]:
            worst = nearness, peak, output, start, before
    trips = worst is not None and worst[0] >= 1
    if missing and not trips:
        yield unchecked(key, Check.CURRENTS, subject, question, rule, few(missing))
    if worst is None or (missing and not trips):  # coils alone start nothing
        return
    _, peak, output, start, before = worst
    yield Answer(
        key=key, check=Check.CURRENTS, subject=subject, question=question,
        rule=rule if start.is_given else _with_start(rule), value=peak, unit="A", limit="no trip while one load starts",
        formula=(
            f"{output.name}: {start.formula}; others {figure(before)} A, together {figure(peak)} A; "
            f"{trip_text(peak, limit, rig.rules, before)}"
        ),
        judgement=Judgement.FLAGGED if trips else Judgement.GOOD,
        text=f"the start of {output.name} takes it to {figure(peak)} A, and it trips" if trips else "",
        advice="move this load to another module, behind a relay, or give it a soft start" if trips else "",
        unproven="that two loads never start in the same moment",
    )  # fmt: skip


def _branch_answers(rig: Rig, demand: RigDemand) -> Iterator[Answer]:
    for branch in rig.all_branches:
        key = f"branch.{path_name(branch.name)}.current"
        question = "What flows through it, by the plan?"
        found = demand.branch(branch.name)
        if found.missing:
            yield unchecked(key, Check.CURRENTS, branch.name, question, BRANCH_RULE, few(found.missing))
            continue
        parts = demand.parts(branch.name)
        highest = "" if found.peak_amps is None or found.peak_amps <= found.known_amps else found.peak_amps
        yield Answer(
            key=key, check=Check.CURRENTS, subject=branch.name, question=question, rule=BRANCH_RULE,
            value=found.known_amps, unit="A",
            formula=(
                f"sum of {parts} {'part' if parts == 1 else 'parts'} = {figure(found.known_amps)} A"
                + (f", {figure(float(highest))} A at the highest start" if highest != "" else "")
            ),
            unproven="that its fuse and its wire suit this current: see fuses and conductors",
        )  # fmt: skip


# As built.


def _output_table(rig: Rig, starts: dict[str, Start]) -> PlanTable:
    def amps(value: float | None) -> str:
        return "" if value is None else figure(value)

    rows = tuple(
        (
            one.name,
            one.module,
            str(one.terminal),
            "" if one.instance is None else f"{one.form} {one.instance}",
            one.load or "",
            amps(one.amps),
            amps(starts[one.name].amps),
            amps(one.limit_amps),
            amps(one.share_percent),
            one.relay or "",
            amps(one.fuse_amps),
        )
        for one in rig.outputs
    )
    columns = (
        "output", "module", "terminal", "instance", "load", "running A", "start A", "limit A", "share %", "relay",
        "fuse A",
    )  # fmt: skip
    return PlanTable("outputs", "Outputs as built", columns, rows, "an empty cell: the rig does not give it")
