"""Scenarios run to their verdicts, several at once, and what comes out of it.

Knows: jobs, processes, progress, and where verdicts are written. Does not know options' names, nor how one run goes
(`trial`).
"""

import multiprocessing
import os
import re
import signal
import sys
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rvsim.devices.registry import PROBLEMS, missing_partners
from rvsim.edge.settings import BusSettings
from rvsim.errors import Exit, InputError, RvsimError
from rvsim.faces.cli.exits import ENDING, say
from rvsim.faces.cli.progress import EVERY_S, Progress
from rvsim.logs.formats.jsonl import json_text
from rvsim.runs.hardware_run import INTERRUPTED, in_front, served
from rvsim.runs.scenario_run import ScenarioRun
from rvsim.shakedown.explain import render_scenario
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import Verdict, as_json, as_junit, as_text, from_json

KEPT = Path("rvsim-not-passed")
"""The folder for recordings of runs that are not passed."""
WINDOWS_PROCESSES = 61
"""Processes that one can wait for on Windows (Python, concurrent.futures.ProcessPoolExecutor)."""
_AHEAD = 4
"""So many jobs for each process are handed out in advance."""


def do(
    job: Job, dbc: tuple[Path, ...] = (), keep: Path | None = None, progress: Progress | None = None
) -> dict[str, Any]:
    """Make one run and return its verdict as plain data; it can be sent between processes.

    What is wrong with the values of this one run is its verdict's error.
    """
    try:
        return as_json(ScenarioRun(job, dbc).run(keep=keep, progress=progress))
    except RvsimError as error:
        why = "; ".join(error.problems)
        return as_json(Verdict(Path(job.scenario).stem, "", job.seed or 0, job.values, 0.0, 0, (), why))


def place_of(job: Job, folder: Path) -> Path:
    """Return where a run that is not passed is recorded."""
    changed = "".join(f"-{key}={value}" for key, value in job.values.items())
    seed = "" if job.seed is None else f"-seed-{job.seed}"
    name = re.sub(r"[^\w.=-]", "_", f"{Path(job.scenario).stem}{seed}{changed}")[:150]
    return folder / f"{name}.log"


def run_all(
    jobs: Sequence[Job],
    dbc: tuple[Path, ...],
    processes: int | None,
    keep: Path | None = KEPT,
    clock: Callable[[], float] = time.monotonic,
) -> Iterator[Verdict]:
    """Yield the verdicts of jobs in the order of the jobs, each as soon as those before it are there.

    Raises:
        RvsimError: a process was ended from outside.
    """
    progress = Progress(clock)
    if len(jobs) == 1 or processes == 1:
        for number, job in enumerate(jobs, 1):
            yield from_json(do(job, dbc, keep and place_of(job, keep), progress))
            _tell(progress, number, len(jobs))
        return
    try:
        yield from _side_by_side(jobs, dbc, _at_once(processes), keep, progress)
    except BrokenProcessPool:
        raise RvsimError(
            "a process that made runs was ended from outside, as a system does that is short of memory: give fewer "
            "with --processes N"
        ) from None


def _side_by_side(
    jobs: Sequence[Job], dbc: tuple[Path, ...], processes: int, keep: Path | None, progress: Progress
) -> Iterator[Verdict]:
    with (
        ProcessPoolExecutor(min(processes, len(jobs)), initializer=_end_silently) as pool,
        _ended_at_once(),
    ):
        futures: dict[Future[dict[str, Any]], int] = {}
        done: dict[int, dict[str, Any]] = {}
        upcoming = 0
        room = _AHEAD * processes
        for number in range(len(jobs)):
            while upcoming < len(jobs) and len(futures) < room:
                job = jobs[upcoming]
                with _undisturbed():  # this is where processes start
                    future = pool.submit(do, job, dbc, keep and place_of(job, keep))
                futures[future] = upcoming
                upcoming += 1
            while number not in done:
                finished, _ = wait(futures, EVERY_S, FIRST_COMPLETED)
                for future in finished:
                    done[futures.pop(future)] = future.result()
                    _tell(progress, number + len(done), len(jobs))
                if not finished:
                    _tell(progress, number + len(done), len(jobs))
            yield from_json(done.pop(number))


def _end_silently() -> None:
    """Have Ctrl-C and its like end a process that makes runs, without a word: the first one has it too, and tells."""
    for number in ENDING:
        signal.signal(number, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Keep Ctrl-C back, here and in processes that start meanwhile, until they can end silently.

    Windows has no way to: there a process that is just starting may tell of Ctrl-C in Python's own words.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _at_once(processes: int | None) -> int:
    """Return how many processes make runs: as asked, or one for each processor, within the system's limit."""
    wanted = processes or os.cpu_count() or 1
    return min(wanted, WINDOWS_PROCESSES) if sys.platform == "win32" else wanted


@contextmanager
def _ended_at_once() -> Iterator[None]:
    """Wait for no run that is under way when nobody wants it any more."""
    try:
        yield
    except BaseException:
        for process in multiprocessing.active_children():
            process.terminate()
        raise


def _tell(progress: Progress, done: int, of: int) -> None:
    if done < of:
        progress.tell(lambda: f"{done} of {of} runs")


def shakedown(
    jobs: Sequence[Job],
    *,
    form: str,
    every: bool,
    junit: Path | None,
    record: Path | None,
    processes: int | None,
    dbc: tuple[Path, ...],
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
        return _shown(run_all(jobs, dbc, processes), form, every, junit)
    if len(jobs) > 1:
        raise InputError("--record goes with one run: name one scenario, without --repeat")
    return _shown([trials[0].run(record, progress=Progress())], form, every, junit)


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
) -> int:
    """Run one scenario in front of real devices, paced by the wall clock; GOOD if it is passed.

    Whoever interrupts it is shown what it has come to, and the exit code says that.

    Raises:
        InputError: it cannot be used, or the bus is none that is sent to.
        BusError: the bus could not be opened, or was lost.
    """
    trial = _the_one(jobs, "--interface", dbc, absent, junit)
    say(*bus.said)
    return _shown_paced(in_front(trial, bus, record=record), form, every, junit)


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
    return _shown_paced(served(trial, where, record=record, speed=speed), form, every, junit)


def _the_one(
    jobs: Sequence[Job], option: str, dbc: tuple[Path, ...], absent: Collection[str], junit: Path | None
) -> ScenarioRun:
    """Return the one trial of jobs that are run by the wall clock."""
    if len(jobs) > 1:
        raise InputError(f"{option} goes with one run: name one scenario, without --repeat")
    (trial,) = checked(jobs, dbc, absent)
    check_place(junit)
    return trial


def _shown_paced(verdict: Verdict, form: str, every: bool, junit: Path | None) -> int:
    code = _shown([verdict], form, every, junit)
    return Exit.INTERRUPTED if INTERRUPTED in verdict.error else code


def _shown(verdicts: Iterable[Verdict], form: str, every: bool, junit: Path | None) -> int:
    """Show verdicts as they come, write them out, and return the exit code."""
    told = []
    for verdict in verdicts:
        told.append(verdict)
        if form == "json":
            print(json_text(as_json(verdict)))
        else:
            print("\n".join(as_text(verdict, every)))
        sys.stdout.flush()
    if junit is not None:
        written(junit, as_junit(told))
    passed = sum(verdict.passed for verdict in told)
    if form != "json" and len(told) > 1:
        print(f"{passed} of {len(told)} runs passed")
    return Exit.GOOD if passed == len(told) else Exit.NOT_GOOD


def checked(jobs: Sequence[Job], dbc: tuple[Path, ...], absent: Collection[str] = ()) -> list[ScenarioRun]:
    """Load each scenario of jobs once, so that mistakes are told before the first run; return them, ready to run.

    ``absent`` devices are not simulated, and need no kind.

    Raises:
        InputError: one cannot be used, or expects nothing: all mistakes of all of them.
    """
    trials: list[ScenarioRun] = []
    problems: list[str] = []
    for name in dict.fromkeys(job.scenario for job in jobs):
        try:
            trial = ScenarioRun(next(job for job in jobs if job.scenario == name), dbc, absent)
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
    say(*PROBLEMS, *(line for trial in trials for line in missing_partners(trial.loaded.rig)))
    return trials


def _check_names(jobs: Sequence[Job]) -> None:
    """Refuse runs that nobody could tell apart in verdicts, and whose recordings would be one file.

    Raises:
        InputError: there are such.
    """
    seen: dict[Path, Job] = {}
    for job in jobs:
        other = seen.setdefault(place_of(job, KEPT), job)
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


def explain(scenario: str, dbc: tuple[Path, ...]) -> int:
    """Read a scenario back as sentences.

    Raises:
        InputError: it cannot be used.
    """
    trial = ScenarioRun(Job(scenario, {}), dbc)
    trial.prepare()
    say(*trial.catalogue.left_out)
    print("\n".join((*render_scenario(trial.loaded), *(f"warning: {text}" for text in trial.warnings))))
    return Exit.GOOD
