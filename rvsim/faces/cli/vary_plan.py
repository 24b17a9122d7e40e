"""`rvsim vary RIG --plan`: the plan of a rig with many values: which cases are flagged, and the smallest of them.

Knows: how the result is shown. Does not know how values replace those of a rig (`plan.rig_file`), nor any check.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from rvsim.errors import ExitCode
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.shakedown import check_junit_path, write_junit
from rvsim.faces.text.plan_json import wrong_json
from rvsim.faces.text.plan_lines import sentence, wrapped
from rvsim.logs.formats.jsonl import json_text
from rvsim.plan.answer import FLAG_KINDS
from rvsim.plan.rig_file import own_figures, read_rig_file, rig_of
from rvsim.rig.field_names import check_fields
from rvsim.runs.plan_cases import PlanCase, plan_cases
from rvsim.shakedown.jobs import Range, grid_jobs, random_jobs, smallest_failure
from rvsim.shakedown.verdict import Value, as_junit
from rvsim.wire.database import load_catalogue

MAX_LISTED_CASES = 20
"""Flagged cases that are listed; the rest is counted. Our decision."""


def vary_plan(
    given: str,
    ranges: Sequence[Range],
    *,
    draw: int | None = None,
    seed: int | None = None,
    form: Literal["text", "json"] = "text",
    junit: Path | None = None,
    processes: int | None = None,
    dbc: tuple[Path, ...] = (),
) -> int:
    """Check a rig with all combinations of values, or with random ones; GOOD if none has a warning or a fault.

    Args:
        given: the name or file of the rig.
        ranges: what is varied.
        draw: the number of cases with random values; None for all combinations.
        seed: the seed of random values, and of what the plan draws; 1 if None.
        form: how the cases are shown.
        junit: the file for the cases as JUnit XML, None for none.
        processes: cases at once, None for one per processor.
        dbc: the user's own definitions.

    Raises:
        InputError: a key is not there, or the rig cannot be used.
    """
    file = read_rig_file(given)
    rig = rig_of(file)
    own = own_figures(file, [values.key for values in ranges])
    definitions = (*rig.definitions, *dbc)
    catalogue = load_catalogue(definitions)
    say(*catalogue.left_out)
    check_fields(rig, catalogue)
    check_junit_path(junit)
    first = 1 if seed is None else seed
    jobs = grid_jobs(rig.name, ranges, [first]) if draw is None else random_jobs(rig.name, ranges, draw, first)
    cases = []
    for case in plan_cases(jobs, file, definitions, processes, say):
        cases.append(case)
        if form == "json":
            print(json_text(case_json(case)), flush=True)
    if junit is not None:
        write_junit(junit, as_junit([case.verdict for case in cases]))
    if form == "text":
        home = {values.key: values.choices[0] if (value := own[values.key]) is None else value for values in ranges}
        print("\n".join(summary_lines(cases, home)))
    return ExitCode.GOOD if all(case.passed for case in cases) else ExitCode.NOT_GOOD


def case_json(case: PlanCase) -> dict[str, Any]:
    """Return a case as plain data, in the form of a JSON line."""
    return {
        "type": "plan",
        "rig": case.rig,
        "values": dict(case.values),
        "good": case.passed,
        "error": case.error,
        "flags": [wrong_json(answer) for answer in case.wrong],
    }


def summary_lines(cases: Sequence[PlanCase], home: Mapping[str, Value]) -> list[str]:
    """Return how many cases are good, which are not, and the smallest of these with its flags.

    Args:
        cases: all cases.
        home: the rig's own values of the varied keys.
    """
    failed = [case for case in cases if not case.passed]
    lines = [f"{len(cases) - len(failed)} of {len(cases)} plans have neither a warning nor a fault"]
    for case in failed[:MAX_LISTED_CASES]:
        subjects = dict.fromkeys(f"{FLAG_KINDS[answer.check]} of {answer.subject}" for answer in case.wrong)
        lines += wrapped(f"{case.name}: {case.error or ', '.join(subjects)}", "  ", "    ")
    if len(failed) > MAX_LISTED_CASES:
        lines.append(f"  and {len(failed) - MAX_LISTED_CASES} more")
    smallest = smallest_failure(cases, home)
    if smallest is None:
        return lines
    lines += wrapped(
        "The smallest case that is not good, with the fewest values that differ from the rig's own:", "", ""
    )
    lines += wrapped(smallest.name, "  ", "    ")
    if smallest.error:
        lines += wrapped(smallest.error, "    ", "    ")
    for answer in smallest.wrong:
        lines += wrapped(f"{answer.severity}, {FLAG_KINDS[answer.check]}: {answer.subject}", "    ", "      ")
        for text in (
            sentence(answer.text),
            answer.formula and f"Figures: {answer.formula}",
            f"Remedy: {answer.advice}",
        ):
            lines += wrapped(text, "      ", "        ") if text else []
    return lines
