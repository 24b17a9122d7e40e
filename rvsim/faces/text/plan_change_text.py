"""What another figure changes in a plan, as text: the answers before and after, and the flags that come and go.

Knows: how a change is told. Does not know how figures are changed (`plan.rig_file`), nor which answers differ
(`plan.what_if`).
"""

from collections.abc import Iterator, Mapping

from rvsim.faces.text.plan_lines import counted, sentence, wrapped
from rvsim.faces.text.plan_text import flag_lines, summary, value_text
from rvsim.plan.answer import FLAG_KINDS, Answer, Judgement
from rvsim.plan.what_if import ChangedAnswer, PlanChange
from rvsim.shakedown.verdict import Value

MAX_LISTED_CHANGES = 20
"""Answers that changed and are shown, first those that are judged otherwise; the rest is counted. Our decision."""


def change_text(change: PlanChange, figures: Mapping[str, Value], own: Mapping[str, Value | None]) -> Iterator[str]:
    """Yield the lines of what other figures change.

    Args:
        change: the plans before and after.
        figures: the other figures, by the paths of their keys.
        own: the figures of the rig itself; None where it has none.
    """
    rig = change.after.rig
    yield f"{rig.name}, with other figures than its own:"
    for key, value in figures.items():
        before = own.get(key)
        yield from wrapped(
            f"{key} = {_shown(value)} (was {'not given' if before is None else _shown(before)})", "  ", "    "
        )
    yield from wrapped(f"before: {summary(change.before)}", "  ", "    ")
    yield from wrapped(f"after: {summary(change.after)}", "  ", "    ")
    if not change.changed:
        yield from ("", "Nothing changes: no answer of the plan depends on this.")
        return
    if change.new:
        yield from ("", "Wrong after the change")
        tags = {answer.key: flag for flag, answer in zip(change.after.flags, change.after.wrong, strict=True)}
        for answer in change.new:
            yield from flag_lines(tags[answer.key], answer)
    if change.gone:
        yield from ("", "No longer wrong")
        for answer in change.gone:
            yield from wrapped(f"{answer.severity}, {FLAG_KINDS[answer.check]}: {answer.subject}", "  ", "    ")
            yield from wrapped(sentence(answer.text), "    ", "    ")
    yield from ("", f"{counted(len(change.changed), 'answer')} changed")
    shown = sorted(change.changed, key=lambda one: not one.is_judged_otherwise)
    for one in shown[:MAX_LISTED_CHANGES]:
        yield from _changed(one)
    if len(shown) > MAX_LISTED_CHANGES:
        yield f"  and {len(shown) - MAX_LISTED_CHANGES} more; --json has all of them"


def _changed(one: ChangedAnswer) -> Iterator[str]:
    yield from wrapped(f"{one.either.subject}, {one.either.question} ({one.key})", "  ", "    ")
    yield from wrapped(f"before: {_told(one.before)}", "    ", "            ")
    yield from wrapped(f"after:  {_told(one.after)}", "    ", "            ")


def _told(answer: Answer | None) -> str:
    """Return an answer in a line: the figure with its limit and what it comes to, then the formula."""
    if answer is None:
        return "no such answer"
    if answer.judgement is Judgement.UNCHECKED:
        return answer.text or "not checked"
    judged = str(answer.severity) if answer.is_flagged else "good"
    limit = f" ({answer.limit})" if answer.limit else ""
    figure = f"{value_text(answer)}{limit}, " if answer.value is not None else ""
    return f"{figure}{judged}" + (f"; {answer.formula}" if answer.formula else "")


def _shown(value: Value) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)
