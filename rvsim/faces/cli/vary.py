"""One scenario with many values: which runs fail, and the smallest failing case.

Knows: how the result is shown. Does not know how values replace those of a scenario (`shakedown.jobs`), nor how a run
goes.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

from rvsim.devices.registry import settings_models
from rvsim.errors import ExitCode, InputError
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.shakedown import check_junit_path, prepare_scenarios, write_junit
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.logs.formats.jsonl import json_text
from rvsim.runs.many_runs import run_all
from rvsim.shakedown.jobs import Range, grid_jobs, parse_range, random_jobs, smallest_failure
from rvsim.shakedown.scenario import own_values as scenario_values
from rvsim.shakedown.verdict import Value, Verdict, as_json, as_junit, as_text

_MAX_LISTED_FAILURES = 20
"""Failing runs that are listed; the rest is counted."""


def vary(
    scenario: str,
    given: Sequence[str],
    *,
    draw: int | None = None,
    seed: int | None = None,
    form: Literal["text", "json"] = "text",
    junit: Path | None = None,
    processes: int | None = None,
    dbc: tuple[Path, ...] = (),
    units: DisplayUnits = METRIC,
    plan: bool = False,
) -> int:
    """Run a scenario with all combinations of values, or with random ones; GOOD if all runs are passed.

    Args:
        scenario: its name or file.
        given: what is varied, as ``KEY=VALUES``.
        draw: the number of runs with random values; None for all combinations.
        seed: the seed of the runs, and of the random values; None for that of the scenario, and 1.
        form: how the verdicts are shown.
        junit: the file for verdicts as JUnit XML, None for none.
        processes: runs at once, None for one per processor.
        dbc: the user's own definitions.
        units: units of the values that are shown.
        plan: whether a rig is named in place of a scenario, and its plan is checked (`vary_plan`).

    Raises:
        InputError: a value cannot be varied, or the scenario cannot be used.
    """
    ranges = [parse_range(text) for text in given]
    keys = [values.key for values in ranges]
    twice = next((key for key in keys if keys.count(key) > 1), None)
    if twice is not None:
        raise InputError(f"{twice}: given twice; write all its values behind one {twice}=")
    open_ranges = [values.key for values in ranges if values.low is not None]
    if draw is None and open_ranges:
        raise InputError(
            f"{open_ranges[0]}: a range without a step needs --draw N; or add a step to the range, like /5"
        )
    if plan:
        from rvsim.faces.cli.vary_plan import vary_plan

        return vary_plan(scenario, ranges, draw=draw, seed=seed, form=form, junit=junit, processes=processes, dbc=dbc)
    if draw is None:
        jobs = grid_jobs(scenario, ranges, [seed])
    else:
        jobs = random_jobs(scenario, ranges, draw, 1 if seed is None else seed)
    check_junit_path(junit)
    prepare_scenarios(jobs[:1], dbc)
    verdicts = []
    for verdict in run_all(jobs, dbc, processes, say, keep=None):
        verdicts.append(verdict)
        if form == "json":
            print(json_text(as_json(verdict)), flush=True)
    if junit is not None:
        write_junit(junit, as_junit(verdicts))
    if form == "text":
        print("\n".join(summary_lines(verdicts, own_values(scenario, ranges), units)))
    return ExitCode.GOOD if all(verdict.passed for verdict in verdicts) else ExitCode.NOT_GOOD


def own_values(scenario: str, ranges: Sequence[Range]) -> Mapping[str, Value]:
    """Return the scenario's or its rig's own value of each varied key; the first given value where there is none."""
    own = scenario_values(scenario, [values.key for values in ranges], settings_models())
    return {values.key: values.choices[0] if (value := own[values.key]) is None else value for values in ranges}


def summary_lines(verdicts: Sequence[Verdict], own: Mapping[str, Value], units: DisplayUnits = METRIC) -> list[str]:
    """Return how many runs passed, which did not, and the smallest failing case with its evidence.

    Args:
        verdicts: those of all runs.
        own: the scenario's own values of the varied keys.
        units: units of the values that are shown.
    """
    failed = [verdict for verdict in verdicts if not verdict.passed]
    lines = [f"{len(verdicts) - len(failed)} of {len(verdicts)} runs passed"]
    for verdict in failed[:_MAX_LISTED_FAILURES]:
        why = verdict.error or "; ".join(units.render(outcome.expected) for outcome in verdict.failed)
        lines.append(f"  not passed: {verdict.name}: {why}")
    if len(failed) > _MAX_LISTED_FAILURES:
        lines.append(f"  and {len(failed) - _MAX_LISTED_FAILURES} more")
    simplest = smallest_failure(verdicts, own)
    if simplest is not None:
        lines += ["The smallest failing case, with the fewest values that differ from the scenario's own:"]
        lines += [f"  {line}" for line in as_text(simplest, render=units.render)]
    return lines
