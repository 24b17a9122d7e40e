"""Check of relays: coil, contact by the kind of load, pull-in while hot, suppressor, lowest load.

Knows: how a relay of the rig is judged with what its output gives and its load takes. Does not know fuses, wires, nor
how long a contact lasts.
"""

from collections.abc import Iterator

from rvsim.plan.answer import Answer, Check, Judgement, Rule, path_name, unchecked
from rvsim.plan.starts import figure
from rvsim.rig.demand import RigDemand, output_demand
from rvsim.rig.model import Rig
from rvsim.rig.switching import LAMP_SHARE, MOTOR_SHARE, OutputPlan, RelayPlan
from rvsim.watch.flag import Severity

COIL_RULE = Rule("the limit of the output by its maker, as the rig gives it", "common practice, no source")
CONTACT_RULE = Rule(
    "the relay maker's figure for the kind of load; else 6 x a motor and 10 x a lamp within the resistive rating",
    "a switch maker's load page, read as an excerpt",
    "of lamps on a 30 A contact: 3 A (10 times), 6 A (20 % of the rating), 17 A (one life test)",
)
PULL_IN_RULE = Rule(
    "pull-in x (234.5 + T) / (234.5 + 20); the supply at least 110 % of it (California DOT electrical equipment "
    "standard 8.3)",
    "a relay maker's technical page and the standard, both read as excerpts",
    "a rule of 4 % for 10 K differs by less than 1 % at 85 C",
)
SUPPRESSOR_RULE = Rule(
    "a suppressor at every coil (California DOT electrical equipment standard 8.1)",
    "read as an excerpt; an unsuppressed 12 V coil gives 1000 to 1500 V (a relay maker's note)",
    "a plain diode is common practice; two relay makers' notes warn that it slows the release (2.6 ms with a resistor, "
    "8 ms with a diode in one measurement)",
)
LEAST_RULE = Rule(
    "the lowest contact load by its maker, as the rig gives it",
    "common practice, no source",
    "1 A for a mini relay and for a lamp relay, 10 mA in general: three makers' pages",
)
ZERO_OHM_C = -234.5
"""Where the resistance of copper would be 0 by its slope around 20 C (a relay maker's technical page)."""
COIL_REFERENCE_C = 20.0
MIN_SUPPLY_SHARE = 1.10
"""The supply in pull-in voltages (California DOT electrical equipment standard 8.3)."""
_SHARES = {"lamp": LAMP_SHARE, "motor": MOTOR_SHARE, "pump": MOTOR_SHARE}


def hot_value(value: float, from_c: float, to_c: float) -> float:
    """Return the resistance or the pull-in voltage of a copper coil at another temperature."""
    return value * (to_c - ZERO_OHM_C) / (from_c - ZERO_OHM_C)


def class_text(output: OutputPlan) -> str:
    """Return the contact that a load needs, in words."""
    if output.amps is None:
        return "for its load"
    share = _SHARES.get(output.load or "", 1.0)
    of_maker = "" if share == 1 else f" resistive, or {figure(output.amps)} A of a {output.load} by its maker"
    return f"with a contact of at least {figure(share * output.amps)} A{of_maker}"


def relay_answers(rig: Rig, demand: RigDemand) -> Iterator[Answer]:
    """Yield the answers on each relay that an output has; a relay without one is a spare."""
    relays = {relay.name: relay for relay in rig.relays}
    for output in rig.outputs:
        if output.relay is not None:
            relay = relays[output.relay]
            yield _coil_answer(output, relay, demand)
            yield _contact_answer(output, relay)
            yield _pull_in_answer(relay, rig)
            yield _suppressor_answer(relay)
            yield _least_answer(output, relay)


def _coil_answer(output: OutputPlan, relay: RelayPlan, demand: RigDemand) -> Answer:
    key, question = f"relay.{path_name(relay.name)}.coil", "Can its output feed the coil?"
    carried, limit = demand.terminal(output), output.limit_amps
    missing = [*carried.missing, *([] if limit is not None else [f"limit_amps of output {output.name}"])]
    if limit is None or carried.amps is None:
        return unchecked(key, Check.CURRENTS, relay.name, question, COIL_RULE, missing)
    above = carried.amps > limit
    return Answer(
        key=key, check=Check.CURRENTS, subject=relay.name, question=question, rule=COIL_RULE, value=carried.amps,
        unit="A", limit=f"at most {figure(limit)} A",
        formula=f"{figure(carried.amps)} A {'>' if above else '<='} {figure(limit)} A of output {output.name}",
        judgement=Judgement.FLAGGED if above else Judgement.GOOD, severity=Severity.FAULT,
        text=f"its coil takes {figure(carried.amps)} A, and its output gives {figure(limit)} A" if above else "",
        advice="choose a relay with a smaller coil, or another output" if above else "",
    )  # fmt: skip


def _contact_answer(output: OutputPlan, relay: RelayPlan) -> Answer:
    key, question = f"relay.{path_name(relay.name)}.contact", "Can its contact carry this kind of load?"
    load, limit = output_demand(output), relay.limit_for(output.load)
    resistive = relay.contact_amps
    is_above_all = load.amps is not None and resistive is not None and load.amps > resistive
    missing = [
        *load.missing,
        *([] if limit is not None else [f"contact_amps of relay {relay.name}"]),
        *([] if output.load is not None or is_above_all else [f"load of output {output.name}"]),
    ]
    if missing or limit is None or load.amps is None:
        return unchecked(key, Check.CURRENTS, relay.name, question, CONTACT_RULE, missing)
    above = load.amps > limit.amps
    kind = output.load or "load"
    return Answer(
        key=key, check=Check.CURRENTS, subject=relay.name, question=question, rule=CONTACT_RULE, value=load.amps,
        unit="A", limit=f"at most {figure(limit.amps)} A of a {kind}",
        formula=(
            f"{figure(load.amps)} A of a {kind} {'>' if above else '<='} {figure(limit.amps)} A "
            f"({limit.origin}{f' of {figure(resistive)} A' if resistive is not None and '/' in limit.origin else ''})"
        ),
        judgement=Judgement.FLAGGED if above else Judgement.GOOD, severity=Severity.FAULT,
        text=(
            f"its contact can carry {figure(limit.amps)} A of a {kind}, and the load takes {figure(load.amps)} A: it "
            "may weld" if above else ""
        ),
        advice=f"choose one {class_text(output)}" if above else "",
        unproven=_contact_unproven(output.load),
    )  # fmt: skip


def _contact_unproven(load: str | None) -> str:
    if load == "led":
        return "that it stands the start of LED drivers, 40 to 100 times for under 1 ms: ask its maker"
    if load == "socket":
        return "that what is plugged in is no motor"
    return "how many operations it lasts, and its rating at high ambient temperature"


def _pull_in_answer(relay: RelayPlan, rig: Rig) -> Answer:
    key = f"relay.{path_name(relay.name)}.pull_in"
    question = "Does it pull in while it is hot and the battery is low?"
    missing = [
        f"{name} of relay {relay.name}" for name in ("pull_in_volts", "ambient_c") if getattr(relay, name) is None
    ]
    if missing:
        return unchecked(key, Check.CURRENTS, relay.name, question, PULL_IN_RULE, missing)
    cold, ambient = relay.pull_in_volts, relay.ambient_c
    assert cold is not None
    assert ambient is not None
    hot, supply = hot_value(cold, COIL_REFERENCE_C, ambient), rig.rules.source_volts
    wanted = MIN_SUPPLY_SHARE * hot
    below, never = supply < wanted, supply < hot
    return Answer(
        key=key, check=Check.CURRENTS, subject=relay.name, question=question, rule=PULL_IN_RULE, value=hot, unit="V",
        limit=f"110 % of it at most the {figure(supply)} V of the worst hour",
        formula=(
            f"{figure(cold)} V x (234.5 + {ambient:g}) / (234.5 + 20) = {hot:.2f} V; x 1.1 = {wanted:.2f} V "
            f"{'>' if below else '<='} {figure(supply)} V"
        ),
        judgement=Judgement.FLAGGED if below else Judgement.GOOD,
        severity=Severity.FAULT if never else Severity.WARNING,
        text=(
            f"at {ambient:g} C it needs {hot:.2f} V to pull in"
            + (f", and the battery has {figure(supply)} V" if never else f": no 10 % are left of {figure(supply)} V")
            if below else ""
        ),
        advice="place it where it is cooler, or choose a relay with a lower pull-in voltage" if below else "",
        unproven=(
            "the drop of the wires to its coil, and that its coil gets no hotter than ambient_c: a coil that was on "
            "is 20 to 50 K above the air (common practice, no source)"
        ),
    )  # fmt: skip


def _suppressor_answer(relay: RelayPlan) -> Answer:
    key, question = f"relay.{path_name(relay.name)}.suppressor", "Is its coil suppressed?"
    if relay.suppressed is None and relay.suppressor is None:
        missing = [f"suppressor of relay {relay.name}"]
        return unchecked(key, Check.CURRENTS, relay.name, question, SUPPRESSOR_RULE, missing)
    text, advice, severity = "", "", Severity.WARNING
    if relay.suppressed is False:
        text = "its coil has no suppressor"
        advice = "fit one at the coil: a diode with a zener of about the supply voltage keeps the release short"
        if relay.suppressor is not None:
            text = f"the rig says suppressed = false and suppressor = {relay.suppressor}"
            advice = "remove the one that is wrong"
    elif relay.suppressor == "diode":
        severity = Severity.NOTICE
        text = "a plain diode at its coil slows the release, and the contact may stick"
        advice = "a diode with a zener of about the supply voltage, or a resistor, keeps the release short"
    return Answer(
        key=key, check=Check.CURRENTS, subject=relay.name, question=question, rule=SUPPRESSOR_RULE,
        limit="a suppressor other than a plain diode",
        formula=f"suppressor: {relay.suppressor or ('fitted, kind not given' if relay.suppressed else 'none')}",
        judgement=Judgement.FLAGGED if text else Judgement.GOOD, severity=severity, text=text, advice=advice,
        unproven="" if relay.suppressor is not None else "which kind it is: a plain diode slows the release",
    )  # fmt: skip


def _least_answer(output: OutputPlan, relay: RelayPlan) -> Answer:
    key = f"relay.{path_name(relay.name)}.lowest_load"
    question = "Does its load keep the contact clean?"
    load, least = output_demand(output), relay.min_contact_amps
    missing = [*load.missing, *([] if least is not None else [f"min_contact_amps of relay {relay.name}"])]
    if missing or least is None or load.amps is None:
        return unchecked(key, Check.CURRENTS, relay.name, question, LEAST_RULE, missing)
    below = load.amps < least
    return Answer(
        key=key, check=Check.CURRENTS, subject=relay.name, question=question, rule=LEAST_RULE, value=load.amps,
        unit="A", limit=f"at least {figure(least)} A",
        formula=f"{figure(load.amps)} A {'<' if below else '>='} {figure(least)} A",
        judgement=Judgement.FLAGGED if below else Judgement.GOOD,
        text=f"its load takes {figure(load.amps)} A, below the {figure(least)} A that keep its contact clean" if below
        else "",
        advice="use a signal relay, with gold contacts, or feed the load from an output" if below else "",
    )  # fmt: skip
