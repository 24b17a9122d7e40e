"""Warnings about a scenario: expectations that cannot fail on its rig, and steps and faults that are never due.

Knows: which expectations are of something that is not to happen, and when steps and faults are due. Does not know what
can be on the bus (`possible_traffic`).
"""

from typing import assert_never

from rvsim.rig.quantity import duration_text
from rvsim.shakedown.expect import expectation_plans as plans
from rvsim.shakedown.expect.expectation_plans import Expectation
from rvsim.shakedown.expect.possible_traffic import PossibleTraffic
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.wire.catalogue import Catalogue


def cannot_fail_warnings(loaded: LoadedScenario, catalogue: Catalogue) -> tuple[str, ...]:
    """Return a line for each expectation that cannot fail, and for each step and fault that is never due."""
    traffic = PossibleTraffic(loaded, catalogue)
    lines, lasts = [], loaded.scenario.lasts
    for number, plan in enumerate(loaded.scenario.expectations):
        why = _why_it_cannot_fail(plan, traffic)
        if why is not None:
            lines.append(f"{loaded.where('expect', number)}: {why}, so it cannot fail; correct it, or remove it")
        if plan.until is not None and plan.until > lasts:
            until = f"its part ends at {duration_text(plan.until)}, and the run lasts {duration_text(lasts)}"
            lines.append(f"{loaded.where('expect', number)}: {until}")
    started = {step.start for step in loaded.scenario.steps}
    for number, step in enumerate(loaded.scenario.steps):
        if step.when is None and not step.times(lasts):
            due = duration_text(step.since if step.every else step.at or 0)
            lines.append(
                f"{loaded.where('step', number)}: it is due at {due}, and the run lasts {duration_text(lasts)}"
            )
    for number, fault in enumerate(loaded.scenario.faults):
        if fault.since is None and fault.name not in started:
            lines.append(f"{loaded.where('fault', number)}: it has no from, and no step starts it")
        if fault.since is not None and fault.since >= lasts:
            start = f"it starts at {duration_text(fault.since)}, and the run lasts {duration_text(lasts)}"
            lines.append(f"{loaded.where('fault', number)}: {start}")
    return tuple(lines)


def _why_it_cannot_fail(plan: Expectation, traffic: "PossibleTraffic") -> str | None:
    """Return why an expectation cannot fail, None if it can."""
    match plan:
        case plans.OnlyUntilPlan():
            return traffic.why_never_seen(plan.sight) or traffic.why_never_seen(plan.end)
        case plans.NeverWhilePlan():
            during = None if plan.during is None else traffic.why_never_seen(plan.during)
            return traffic.why_never_seen(plan.sight) or during
        case plans.NeverPlan() | plans.OnlyAfterPlan():
            return traffic.why_never_seen(plan.sight)
        case plans.RatePlan():
            return traffic.why_never_seen(plan.sight) if (plan.at_least or 0) <= 0 else None
        case plans.FlagPlan():
            return traffic.why_no_subject(plan.subject) if not plan.raised and plan.subject is not None else None
        case (
            plans.SeenPlan()
            | plans.EnteredPlan()
            | plans.EveryPlan()
            | plans.OrderPlan()
            | plans.AnswerPlan()
            | plans.StaysPlan()
            | plans.WorldPlan()
            | plans.WiresPlan()
            | plans.PresencePlan()
            | plans.OwnAddressPlan()
        ):
            return None
        case _:
            assert_never(plan)
