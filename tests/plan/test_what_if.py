"""What another figure changes in a plan."""

from rvsim.plan.answer import Answer, Check, Judgement, Rule, Section
from rvsim.plan.report import PlanReport
from rvsim.plan.what_if import compare_plans
from rvsim.watch.flag import Severity

RULE = Rule("a rule of the tests", "our decision")


def answer(key, value, judgement=Judgement.GOOD, severity=Severity.WARNING):
    """Return an answer with a figure."""
    return Answer(
        key=key, check=Check.CURRENTS, subject=key, question="?", formula=f"{value}", rule=RULE, value=value,
        judgement=judgement, severity=severity,
    )  # fmt: skip


def test_answers_that_differ_and_flags_that_come_and_go(plans):
    """In the order of the plan after the change; what is only in one of them counts as changed."""
    rig = plans.rig("")
    bad = Judgement.FLAGGED

    def report(*answers):
        return PlanReport(rig, (Section(Check.CURRENTS, answers),))

    change = compare_plans(
        report(
            answer("same", 1), answer("more", 2), answer("mended", 9, bad), answer("old", 3), answer("both", 7, bad)
        ),
        report(
            answer("new", 5, bad), answer("same", 1), answer("more", 4), answer("mended", 1), answer("both", 8, bad)
        ),
    )
    assert [one.key for one in change.changed] == ["new", "more", "mended", "both", "old"]
    assert [one.is_judged_otherwise for one in change.changed] == [True, False, True, False, True]
    assert [one.either.value for one in change.changed] == [5, 4, 1, 8, 3]
    assert [one.key for one in change.new] == ["new"]
    assert [one.key for one in change.gone] == ["mended"]


def test_a_flag_that_gets_worse_is_judged_otherwise(plans):
    """The severity is part of the judgement."""
    rig = plans.rig("")
    both = [
        PlanReport(rig, (Section(Check.CURRENTS, (answer("x", 1, Judgement.FLAGGED, severity),)),))
        for severity in (Severity.WARNING, Severity.FAULT)
    ]
    (one,) = compare_plans(*both).changed
    assert one.is_judged_otherwise
    assert compare_plans(both[0], both[0]).changed == ()
