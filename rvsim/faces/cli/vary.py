"""One scenario with many values: what fails, and the smallest_failure failing case.

Knows: how that is told. Does not know how values are laid over a scenario (`shakedown.jobs`), nor how a run goes.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

from rvsim import shipped
from rvsim.errors import ExitCode, InputError
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.shakedown import check_place, checked, written
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.logs.formats.jsonl import json_text
from rvsim.rig.load import find_file
from rvsim.rig.toml_file import read_toml
from rvsim.runs.many_runs import run_all
from rvsim.shakedown.jobs import Range, grid_jobs, parse_range, random_jobs, smallest_failure, value_at
from rvsim.shakedown.verdict import Value, Verdict, as_json, as_junit, as_text

_SHOWN = 20
"""So many failing runs are named; the rest is counted."""


def vary(
    scenario: str,
    given: Sequence[str],
    draw: int | None,
    seed: int | None,
    as_lines: bool,
    junit: Path | None,
    processes: int | None,
    dbc: tuple[Path, ...],
    units: DisplayUnits = METRIC,
) -> int:
    """Run a scenario with all combinations of values, or with some random_jobs by chance; GOOD if all are passed.

    Raises:
        InputError: a value cannot be varied, or the scenario cannot be used.
    """
    ranges = [parse_range(text) for text in given]
    keys = [one.key for one in ranges]
    twice = next((key for key in keys if keys.count(key) > 1), None)
    if twice is not None:
        raise InputError(f"{twice}: it is given twice; write all its values behind one {twice}=")
    open_ranges = [one.key for one in ranges if one.low is not None]
    if draw is None and open_ranges:
        raise InputError(
            f"{open_ranges[0]}: a range without a step has no end of values; add one, like /5, or --draw N"
        )
    if draw is None:
        jobs = grid_jobs(scenario, ranges, [seed])
    else:
        jobs = random_jobs(scenario, ranges, draw, 1 if seed is None else seed)
    check_place(junit)
    checked(jobs[:1], dbc)
    verdicts = []
    for verdict in run_all(jobs, dbc, processes, say, keep=None):
        verdicts.append(verdict)
        if as_lines:
            print(json_text(as_json(verdict)), flush=True)
    if junit is not None:
        written(junit, as_junit(verdicts))
    if not as_lines:
        print("\n".join(told(verdicts, home(scenario, ranges), units)))
    return ExitCode.GOOD if all(verdict.passed for verdict in verdicts) else ExitCode.NOT_GOOD


def home(scenario: str, ranges: Sequence[Range]) -> Mapping[str, Value]:
    """Return what the scenario itself has for each varied key; the first value where it has none."""
    data = read_toml(find_file(scenario, shipped.scenario_folder(), "scenario")).data
    own = {one.key: value_at(data, one.key.split(".")) for one in ranges}
    return {one.key: own[one.key] if isinstance(own[one.key], Value) else one.choices[0] for one in ranges}


def told(verdicts: Sequence[Verdict], at: Mapping[str, Value], units: DisplayUnits = METRIC) -> list[str]:
    """Say how many passed, which did not, and the smallest_failure of those with its evidence."""
    failed = [verdict for verdict in verdicts if not verdict.passed]
    lines = [f"{len(verdicts) - len(failed)} of {len(verdicts)} runs passed"]
    for verdict in failed[:_SHOWN]:
        why = verdict.error or "; ".join(units.render(outcome.expected) for outcome in verdict.failed)
        lines.append(f"  not passed: {verdict.name}: {why}")
    if len(failed) > _SHOWN:
        lines.append(f"  and {len(failed) - _SHOWN} more")
    least = smallest_failure(verdicts, at)
    if least is not None:
        lines += ["The smallest_failure failing case, with the fewest values that are not the scenario's own:"]
        lines += [f"  {line}" for line in as_text(least, render=units.render)]
    return lines
