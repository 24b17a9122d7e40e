"""The commands that run scenarios to their verdicts: what they refuse, and how verdicts are shown and written.

Knows: jobs, forms, and where verdicts are written. Does not know option declarations (`scenario_commands`), nor how
runs go (`rvsim.runs`).
"""

import sys
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path

from rvsim.devices.registry import kind_problems, unknown_instances
from rvsim.edge.settings import BusSettings
from rvsim.errors import ExitCode, InputError
from rvsim.faces.cli.exits import say
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.logs.formats.jsonl import json_text
from rvsim.runs.hardware_run import INTERRUPTED, run_on_bus
from rvsim.runs.many_runs import NOT_PASSED_FOLDER, place_of, run_all
from rvsim.runs.progress import Progress
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.runs.served_run import serve_scenario
from rvsim.shakedown.explain import render_scenario
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import Verdict, as_json, as_junit, as_text


def shakedown(
    jobs: Sequence[Job],
    *,
    form: str,
    every: bool,
    junit: Path | None,
    record: Path | None,
    processes: int | None,
    dbc: tuple[Path, ...],
    units: DisplayUnits = METRIC,
) -> int:
    """Run scenarios to their verdicts and show them; GOOD if all are passed.

    Raises:
        InputError: a scenario cannot be used, or expects nothing: all mistakes of all of them; two have one name, or
            a file cannot be written.
    """
    trials = checked(jobs, dbc)
    check_place(junit)
    _check_names(jobs)
    if record is None:
        return _shown(run_all(jobs, dbc, processes, say), form, every, junit, units)
    if len(jobs) > 1:
        raise InputError("--record goes with one run: name one scenario, without --repeat")
    return _shown([trials[0].run(record, progress=Progress(say), say=say)], form, every, junit, units)


def on_a_bus(
    jobs: Sequence[Job],
    bus: BusSettings,
    absent: Collection[str],
    *,
    form: str,
    every: bool,
    junit: Path | None,
    record: Path | None,
    dbc: tuple[Path, ...],
    units: DisplayUnits = METRIC,
) -> int:
    """Run one scenario in front of real devices, paced by the wall clock; GOOD if it is passed.

    Whoever interrupts it is shown what it has come to, and the exit code says that.

    Raises:
        InputError: it cannot be used, or the bus is none that is sent to.
        BusError: the bus could not be opened, or was lost.
    """
    trial = _the_one(jobs, "--interface", dbc, absent, junit)
    say(*bus.sentences)
    return _shown_paced(run_on_bus(trial, bus, say, record=record), form, every, junit, units)


def on_loopback(
    jobs: Sequence[Job],
    where: str,
    absent: Collection[str],
    speed: float | None,
    *,
    form: str,
    every: bool,
    junit: Path | None,
    record: Path | None,
    dbc: tuple[Path, ...],
    units: DisplayUnits = METRIC,
) -> int:
    """Serve one scenario for controllers in other processes and run it with them; GOOD if it is passed.

    Whoever interrupts it is shown what it has come to, and the exit code says that.

    Raises:
        InputError: it cannot be used, or there is no such address.
        BusError: the port cannot be had, or no client came.
    """
    if speed is None:
        raise InputError("--serve needs time that others can keep up with: leave --speed max out")
    trial = _the_one(jobs, "--serve", dbc, absent, junit)
    return _shown_paced(serve_scenario(trial, where, say, record=record, speed=speed), form, every, junit, units)


def _the_one(
    jobs: Sequence[Job], option: str, dbc: tuple[Path, ...], absent: Collection[str], junit: Path | None
) -> PreparedScenario:
    """Return the one trial of jobs that are run by the wall clock."""
    if len(jobs) > 1:
        raise InputError(f"{option} goes with one run: name one scenario, without --repeat")
    (trial,) = checked(jobs, dbc, absent)
    check_place(junit)
    return trial


def _shown_paced(verdict: Verdict, form: str, every: bool, junit: Path | None, units: DisplayUnits) -> int:
    code = _shown([verdict], form, every, junit, units)
    return ExitCode.INTERRUPTED if INTERRUPTED in verdict.error else code


def _shown(verdicts: Iterable[Verdict], form: str, every: bool, junit: Path | None, units: DisplayUnits) -> int:
    """Show verdicts as they come, write them out, and return the exit code."""
    told = []
    for verdict in verdicts:
        told.append(verdict)
        if form == "json":
            print(json_text(as_json(verdict)))
        else:
            print("\n".join(as_text(verdict, every, units.render)))
        sys.stdout.flush()
    if junit is not None:
        written(junit, as_junit(told))
    passed = sum(verdict.passed for verdict in told)
    if form != "json" and len(told) > 1:
        print(f"{passed} of {len(told)} runs passed")
    return ExitCode.GOOD if passed == len(told) else ExitCode.NOT_GOOD


def checked(jobs: Sequence[Job], dbc: tuple[Path, ...], absent: Collection[str] = ()) -> list[PreparedScenario]:
    """Load each scenario of jobs once, so that mistakes are told before the first run; return them, ready to run.

    ``absent`` devices are not simulated, and need no kind.

    Raises:
        InputError: one cannot be used, or expects nothing: all mistakes of all of them.
    """
    trials: list[PreparedScenario] = []
    problems: list[str] = []
    for name in dict.fromkeys(job.scenario for job in jobs):
        try:
            trial = PreparedScenario(next(job for job in jobs if job.scenario == name), dbc, absent)
            if not trial.loaded.scenario.expectations:
                problems.append(
                    f"{trial.loaded.path}: nothing is expected in it; add [[expect]] tables to be judged by"
                )
            trial.prepare()
            trials.append(trial)
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(*problems)
    say(*dict.fromkeys(line for trial in trials for line in trial.catalogue.left_out))
    say(*kind_problems(), *(line for trial in trials for line in unknown_instances(trial.loaded.rig)))
    return trials


def _check_names(jobs: Sequence[Job]) -> None:
    """Refuse runs that nobody could tell apart in verdicts, and whose recordings would be one file.

    Raises:
        InputError: there are such.
    """
    seen: dict[Path, Job] = {}
    for job in jobs:
        other = seen.setdefault(place_of(job, NOT_PASSED_FOLDER), job)
        if other is not job and other.scenario == job.scenario:
            raise InputError(f"{job.scenario}: it is named twice; name it once, and add --repeat N for N runs of it")
        if other is not job:
            raise InputError(
                f"{other.scenario} and {job.scenario}: their verdicts would have one name; rename one of the files"
            )


def check_place(junit: Path | None) -> None:
    """Refuse a place for verdicts that is none, before anything runs.

    Raises:
        InputError: it is a folder, or in none.
    """
    if junit is not None and junit.is_dir():
        raise InputError(f"--junit {junit}: this is a folder; name a file in it")
    if junit is not None and not junit.parent.is_dir():
        raise InputError(f"--junit {junit}: there is no folder {junit.parent}; make it, or name another file")


def written(path: Path, text: str) -> None:
    """Write verdicts to a file.

    Raises:
        InputError: it cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"--junit {path}: cannot be written ({error.strerror}): name another file") from None


def explain(scenario: str, dbc: tuple[Path, ...], units: DisplayUnits = METRIC) -> int:
    """Read a scenario back as sentences.

    Raises:
        InputError: it cannot be used.
    """
    trial = PreparedScenario(Job(scenario, {}), dbc)
    trial.prepare()
    say(*trial.catalogue.left_out)
    lines = map(units.render, render_scenario(trial.loaded, trial.catalogue))
    print("\n".join((*lines, *(f"warning: {text}" for text in trial.warnings))))
    return ExitCode.GOOD
