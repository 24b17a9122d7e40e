"""The commands that run scenarios to their verdicts: what they refuse, and how verdicts are shown and written.

Knows: jobs, forms, and files of verdicts. Does not know option declarations (`scenario_commands`), nor how a scenario
is run (`rvsim.runs`).
"""

import sys
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rvsim.devices.registry import idle_pumps, kind_problems, unknown_instances
from rvsim.edge.settings import BusSettings
from rvsim.errors import ExitCode, InputError
from rvsim.faces.cli.exits import say
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.logs.formats.jsonl import json_text
from rvsim.runs.hardware_run import INTERRUPTED, run_on_bus
from rvsim.runs.many_runs import NOT_PASSED_FOLDER, recording_path, run_all
from rvsim.runs.progress import Progress
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.runs.served_run import serve_scenario
from rvsim.shakedown.cautions import cautions
from rvsim.shakedown.explain import render_scenario
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import Verdict, as_json, as_junit, as_text


@dataclass(frozen=True, kw_only=True)
class VerdictOptions:
    """How verdicts are shown and written, and the definitions that their runs use.

    ``every`` also lists the expectations that were met; ``junit`` and ``record`` are files, None for none.
    """

    form: Literal["text", "json"] = "text"
    every: bool = False
    junit: Path | None = None
    record: Path | None = None
    dbc: tuple[Path, ...] = ()
    units: DisplayUnits = METRIC


def shakedown(jobs: Sequence[Job], processes: int | None, options: VerdictOptions) -> int:
    """Run scenarios to their verdicts and show them; GOOD if all are passed.

    Raises:
        InputError: a scenario cannot be used, or has no expectations: all mistakes of all of them; two have one name,
            or a file cannot be written.
    """
    prepared = prepare_scenarios(jobs, options.dbc)
    check_junit_path(options.junit)
    _check_names(jobs)
    if options.record is None:
        return _show(run_all(jobs, options.dbc, processes, say), options)
    if len(jobs) > 1:
        raise InputError("--record goes with one run: name one scenario, without --repeat")
    return _show([prepared[0].run(options.record, progress=Progress(say), say=say, apart=processes != 1)], options)


def shakedown_on_bus(jobs: Sequence[Job], bus: BusSettings, absent: Collection[str], options: VerdictOptions) -> int:
    """Run one scenario with real devices on its bus, paced by the wall clock; GOOD if it is passed.

    An interrupted run shows its verdict so far, and its exit code is that of an interruption.

    Raises:
        InputError: it cannot be used, or the bus is not one that is sent to.
        BusError: the bus could not be opened, or was lost.
    """
    prepared = _single(jobs, "--interface", absent, options)
    say(*bus.sentences)
    return _show_paced(run_on_bus(prepared, bus, say, record=options.record), options)


def shakedown_served(
    jobs: Sequence[Job], where: str, absent: Collection[str], speed: float | None, options: VerdictOptions
) -> int:
    """Run one scenario with controllers in other processes, which it serves; GOOD if it is passed.

    An interrupted run shows its verdict so far, and its exit code is that of an interruption.

    Raises:
        InputError: it cannot be used, or there is no such address.
        BusError: the port cannot be had, or no client connected.
    """
    if speed is None:
        raise InputError("--serve needs paced time, so that clients can keep up: leave out --speed max")
    prepared = _single(jobs, "--serve", absent, options)
    return _show_paced(serve_scenario(prepared, where, say, record=options.record, speed=speed), options)


def _single(jobs: Sequence[Job], option: str, absent: Collection[str], options: VerdictOptions) -> PreparedScenario:
    """Return the only scenario of jobs that are run by the wall clock.

    Raises:
        InputError: there are several, or it cannot be used.
    """
    if len(jobs) > 1:
        raise InputError(f"{option} goes with one run: name one scenario, without --repeat")
    (prepared,) = prepare_scenarios(jobs, options.dbc, absent)
    check_junit_path(options.junit)
    return prepared


def _show_paced(verdict: Verdict, options: VerdictOptions) -> int:
    code = _show([verdict], options)
    return ExitCode.INTERRUPTED if INTERRUPTED in verdict.error else code


def _show(verdicts: Iterable[Verdict], options: VerdictOptions) -> int:
    """Show verdicts as they come, write the JUnit file, and return the exit code."""
    shown = []
    for verdict in verdicts:
        shown.append(verdict)
        if options.form == "json":
            print(json_text(as_json(verdict)))
        else:
            print("\n".join(as_text(verdict, every=options.every, render=options.units.render)))
        sys.stdout.flush()
    if options.junit is not None:
        write_junit(options.junit, as_junit(shown))
    passed = sum(verdict.passed for verdict in shown)
    if options.form == "text" and len(shown) > 1:
        print(f"{passed} of {len(shown)} runs passed")
    return ExitCode.GOOD if passed == len(shown) else ExitCode.NOT_GOOD


def prepare_scenarios(
    jobs: Sequence[Job], dbc: tuple[Path, ...], absent: Collection[str] = ()
) -> list[PreparedScenario]:
    """Load each scenario of jobs once, so that mistakes are reported before the first run; return them, ready to run.

    ``absent`` devices are not simulated, and need no kind.

    Raises:
        InputError: one cannot be used, or has no expectations: all mistakes of all of them.
    """
    prepared: list[PreparedScenario] = []
    problems: list[str] = []
    for name in dict.fromkeys(job.scenario for job in jobs):
        try:
            scenario = PreparedScenario(next(job for job in jobs if job.scenario == name), dbc, absent)
            if not scenario.loaded.scenario.expectations:
                problems.append(f"{scenario.loaded.path}: the scenario has no expectations; add [[expect]] tables")
            scenario.prepare()
            prepared.append(scenario)
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(*problems)
    say(*dict.fromkeys(line for scenario in prepared for line in scenario.catalogue.left_out))
    say(*kind_problems(), *(line for scenario in prepared for line in unknown_instances(scenario.loaded.rig)))
    say(*(line for scenario in prepared for line in idle_pumps(scenario.loaded.rig, absent)))
    say(*dict.fromkeys(line for each in prepared for line in cautions(each.loaded, each.catalogue)))
    return prepared


def _check_names(jobs: Sequence[Job]) -> None:
    """Refuse runs whose verdicts would have one name, and whose recordings would be one file.

    Raises:
        InputError: there are such runs.
    """
    seen: dict[Path, Job] = {}
    for job in jobs:
        other = seen.setdefault(recording_path(job, NOT_PASSED_FOLDER), job)
        if other is not job and other.scenario == job.scenario:
            raise InputError(f"{job.scenario}: named twice; name it once, and add --repeat N for N runs of it")
        if other is not job:
            raise InputError(
                f"{other.scenario} and {job.scenario}: their verdicts would have one name; rename one of the files"
            )


def check_junit_path(junit: Path | None) -> None:
    """Check where verdicts are written, before anything runs.

    Raises:
        InputError: it is a folder, or its folder does not exist.
    """
    if junit is not None and junit.is_dir():
        raise InputError(f"--junit {junit}: this is a folder; name a file in it")
    if junit is not None and not junit.parent.is_dir():
        raise InputError(f"--junit {junit}: there is no folder {junit.parent}; make it, or name another file")


def write_junit(path: Path, text: str) -> None:
    """Write verdicts to a file.

    Raises:
        InputError: it cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"--junit {path}: cannot be written ({error.strerror}): name another file") from None


def explain(scenario: str, dbc: tuple[Path, ...], units: DisplayUnits = METRIC) -> int:
    """Print a scenario as sentences; nothing runs.

    Raises:
        InputError: it cannot be used.
    """
    prepared = PreparedScenario(Job(scenario, {}), dbc)
    prepared.prepare()
    say(*prepared.catalogue.left_out)
    lines = map(units.render, render_scenario(prepared.loaded, prepared.catalogue))
    print("\n".join((*lines, *(f"warning: {text}" for text in prepared.warnings))))
    return ExitCode.GOOD
