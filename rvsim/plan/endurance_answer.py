"""The form of an answer about a night: what is common to heat, fuel, charge and cold.

Knows: how an answer is put together, and what a tank holds at the beginning. Does not know any question.
"""

from rvsim.plan.answer import Answer, Check, Judgement, Rule
from rvsim.rig.climate import FuelPlan
from rvsim.rig.tanks import TankPlan
from rvsim.watch.flag import Severity

WARM_TEXT = (
    "It does not prove wind, open doors, fans that a person runs, hot water, wet insulation, or a heater that is not "
    "serviced."
)


def endurance_answer(
    key: str, subject: str, question: str, formula: str, rule: Rule, value: float, unit: str, limit: str, *,
    is_wrong: bool = False, severity: Severity = Severity.WARNING, text: str = "", advice: str = "",
    unproven: str = WARM_TEXT,
) -> Answer:  # fmt: skip
    """Return an answer of the endurance, good unless it is wrong."""
    return Answer(
        key=key, check=Check.ENDURANCE, subject=subject, question=question, formula=formula, rule=rule, value=value,
        unit=unit, limit=limit, judgement=Judgement.FLAGGED if is_wrong else Judgement.GOOD, severity=severity,
        text=text if is_wrong else "", advice=advice if is_wrong else "", unproven=unproven,
    )  # fmt: skip


def held_litres(plan: FuelPlan | TankPlan) -> tuple[float, str]:
    """Return what a tank holds: its size by the level that the rig gives, else full; and the calculation."""
    if "start_percent" not in plan.model_fields_set:
        return plan.litres, f"a full tank, {plan.litres:g} L"
    return plan.litres * plan.start_percent / 100, f"{plan.litres:g} L x {plan.start_percent:g} %"
