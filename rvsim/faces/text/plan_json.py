"""The plan of a rig as one JSON object, and what another figure changes as one.

Knows: the JSON contract. Does not know any rule, nor the text for a person (`plan_text`).
"""

from collections import Counter
from collections.abc import Mapping
from typing import Any

from rvsim.logs.formats.jsonl import SCHEMA, json_text
from rvsim.plan.answer import FLAG_KINDS, Answer, Judgement
from rvsim.plan.report import PlanReport
from rvsim.plan.what_if import PlanChange
from rvsim.shakedown.verdict import Value
from rvsim.watch.flag import WORST_FIRST


def plan_json(report: PlanReport) -> str:
    """Return a plan as one JSON object.

    ``flags`` is what is wrong, the worst first; ``answer`` in it is the key of its answer. ``accepted`` is what is
    wrong and accepted by the rig, with the reason or null. ``value`` of an answer is null where it has no figure.
    """
    return json_text(
        {
            "schema": SCHEMA,
            "rig": report.rig.name,
            "title": report.rig.title,
            "good": report.is_good,
            "counts": counts(report),
            "flags": flags_json(report),
            "accepted": [
                {**wrong_json(answer), "reason": report.accepted[answer.key].reason}
                for answer in report.answers
                if answer.key in report.accepted
            ],
            "answers": [answer_json(answer) for answer in report.answers],
            "tables": [
                {
                    "name": table.name,
                    "title": table.title,
                    "columns": list(table.columns),
                    "rows": [list(row) for row in table.rows],
                    "note": table.note,
                }
                for table in report.tables
            ],
            "cautions": list(dict.fromkeys(text for section in report.sections for text in section.cautions)),
        }
    )


def change_json(change: PlanChange, figures: Mapping[str, Value]) -> str:
    """Return what other figures change as one JSON object: the answers that differ, before and after."""
    return json_text(
        {
            "schema": SCHEMA,
            "rig": change.after.rig.name,
            "figures": dict(figures),
            "good": change.after.is_good,
            "good_before": change.before.is_good,
            "changed": [
                {
                    "key": one.key,
                    "before": None if one.before is None else answer_json(one.before),
                    "after": None if one.after is None else answer_json(one.after),
                }
                for one in change.changed
            ],
            "flags_new": [wrong_json(answer) for answer in change.new],
            "flags_gone": [wrong_json(answer) for answer in change.gone],
            "counts": counts(change.after),
        }
    )


def counts(report: PlanReport) -> dict[str, int]:
    """Return how many flags there are of each severity, and how many answers of each judgement."""
    severities = Counter(answer.severity for answer in report.wrong)
    judgements = Counter(answer.judgement for answer in report.answers)
    return {
        **{str(one): severities[one] for one in WORST_FIRST},
        "accepted": len(report.accepted),
        **{str(one): judgements[one] for one in Judgement},
    }


def flags_json(report: PlanReport) -> list[dict[str, Any]]:
    """Return the flags of a plan, numbered from 1."""
    return [
        {"flag": flag.number, **wrong_json(answer), "evidence": list(flag.evidence)}
        for flag, answer in zip(report.flags, report.wrong, strict=True)
    ]


def wrong_json(answer: Answer) -> dict[str, Any]:
    """Return what is wrong by an answer, in the fields of a flag."""
    return {
        "kind": str(FLAG_KINDS[answer.check]),
        "subject": answer.subject,
        "severity": str(answer.severity),
        "text": answer.text,
        "advice": answer.advice,
        "answer": answer.key,
    }


def answer_json(answer: Answer) -> dict[str, Any]:
    """Return the fields of an answer."""
    return {
        "key": answer.key,
        "check": str(answer.check),
        "subject": answer.subject,
        "question": answer.question,
        "judgement": str(answer.judgement),
        "severity": str(answer.severity) if answer.is_flagged else None,
        "value": answer.value,
        "unit": answer.unit,
        "limit": answer.limit,
        "formula": answer.formula,
        "rule": answer.rule._asdict(),
        "text": answer.text,
        "advice": answer.advice,
        "missing": list(answer.missing),
        "unproven": answer.unproven,
    }
