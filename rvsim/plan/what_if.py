"""What another figure changes: the answers of two plans of one rig, side by side.

Knows: when two answers differ. Does not know how a figure is changed (`rig_file`), nor how changes are shown.
"""

from typing import NamedTuple

from rvsim.plan.answer import Answer
from rvsim.plan.report import PlanReport


class ChangedAnswer(NamedTuple):
    """One answer before and after; None where one of the plans does not have it."""

    key: str
    before: Answer | None
    after: Answer | None

    @property
    def is_judged_otherwise(self) -> bool:
        """Whether the answer comes to something else than before."""
        told = [None if one is None else (one.judgement, one.severity) for one in (self.before, self.after)]
        return told[0] != told[1]

    @property
    def either(self) -> Answer:
        """The answer after the change, or before it where there is none after."""
        found = self.after or self.before
        assert found is not None
        return found


class PlanChange(NamedTuple):
    """What changed between two plans: answers, and of them those with something wrong before or after only."""

    before: PlanReport
    after: PlanReport
    changed: tuple[ChangedAnswer, ...]

    @property
    def new(self) -> tuple[Answer, ...]:
        """What is wrong after the change and was not before, the worst first."""
        known = {answer.key for answer in self.before.wrong}
        return tuple(answer for answer in self.after.wrong if answer.key not in known)

    @property
    def gone(self) -> tuple[Answer, ...]:
        """What was wrong before the change and is not after, the worst first."""
        known = {answer.key for answer in self.after.wrong}
        return tuple(answer for answer in self.before.wrong if answer.key not in known)


def compare_plans(before: PlanReport, after: PlanReport) -> PlanChange:
    """Return what differs between the answers of two plans, in the order of the plan after the change."""
    old = {answer.key: answer for answer in before.answers}
    new = {answer.key: answer for answer in after.answers}
    keys = list(dict.fromkeys((*new, *old)))
    changed = [ChangedAnswer(key, old.get(key), new.get(key)) for key in keys]
    return PlanChange(before, after, tuple(one for one in changed if one.before != one.after))
