"""The report of a plan: which checks run, what the rig accepts, and what stays wrong."""

import pytest

from rvsim.plan import report
from rvsim.plan.answer import Answer, Check, Judgement, Rule, Section
from rvsim.plan.report import check_rig
from rvsim.watch.flag import Severity

RULE = Rule("a rule of the tests", "our decision")
OUTPUTS = """
[[module]]
name = "m"

[[output]]
name = "galley light"
module = "m"
terminal = 1
amps = 9.0

[[output]]
name = "fan"
module = "m"
terminal = 2
amps = 12.0
"""


def too_high(given):
    """Flag every output above 5 A, above 10 A as a fault."""
    answers = [
        Answer(
            key=f"output.{output.name.replace(' ', '_')}.current", check=Check.CURRENTS, subject=output.name,
            question="Is it low?", formula=f"{output.amps} A", rule=RULE,
            judgement=Judgement.FLAGGED if output.amps > 5 else Judgement.GOOD,
            severity=Severity.FAULT if output.amps > 10 else Severity.WARNING, text="it is high",
        )
        for output in given.rig.outputs
    ]  # fmt: skip
    return Section(Check.CURRENTS, tuple(answers))


@pytest.fixture(autouse=True)
def checks(monkeypatch):
    """Have two checks: one of currents, and one of fuses that says nothing."""
    monkeypatch.setattr(
        report, "CHECKS", {Check.CURRENTS: too_high, Check.FUSES: lambda given: Section(Check.FUSES, ())}
    )


def test_the_worst_comes_first(plans):
    """Flags are numbered in the order of what is wrong."""
    found = plans.report(OUTPUTS)
    assert [answer.subject for answer in found.wrong] == ["fan", "galley light"]
    assert [(flag.number, flag.subject) for flag in found.flags] == [(1, "fan"), (2, "galley light")]
    assert not found.is_good


def test_only_the_checks_that_are_named(plans):
    """All of them where none is."""
    given = plans.given(OUTPUTS)
    assert [section.check for section in check_rig(given).sections] == [Check.CURRENTS, Check.FUSES]
    assert [section.check for section in check_rig(given, (Check.FUSES,)).sections] == [Check.FUSES]


@pytest.mark.parametrize(
    ("entry", "accepted"),
    [
        ('flag = "rig-current"', ["galley light", "fan"]),
        ('flag = "rig-current"\nanswer = "output.fan.current"', ["fan"]),
        ('flag = "rig-current"\nanswer = "output.galley_light.current"', ["galley light"]),
        ('flag = "rig-current"\nanswer = "output.fan.drop"', []),
        ('flag = "rig-current"\ndevice = "panel"', []),
        ('flag = "rig-fuse"', []),
    ],
)
def test_what_the_rig_accepts_is_not_wrong(plans, entry, accepted):
    """By kind, by the key of one answer, by device; the answer itself stays as it is."""
    found = plans.report(f'{OUTPUTS}\n[[accepted]]\n{entry}\nreason = "known"\n')
    assert [answer.subject for answer in found.answers if answer.key in found.accepted] == accepted
    assert sorted(flag.subject for flag in found.flags) == sorted({"fan", "galley light"} - set(accepted))
    assert len([answer for answer in found.answers if answer.is_flagged]) == 2
    assert found.is_good == (len(accepted) == 2)
