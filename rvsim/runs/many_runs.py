"""Many runs of scenarios to their verdicts, several at once in processes of their own.

Knows: jobs, processes and how far they have come. Does not know how one run goes (`scenario_run`), nor how verdicts are
shown. Prints nothing: lines for the person go to ``say``.
"""

import multiprocessing
import os
import re
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rvsim.errors import ENDING_SIGNALS, RvsimError
from rvsim.runs.progress import EVERY_S, Progress, Say
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import Verdict, as_json
from rvsim.sim.clock import machine_s

NOT_PASSED_FOLDER = Path("rvsim-not-passed")
"""The folder for recordings of runs that are not passed."""
MAX_WINDOWS_PROCESSES = 61
"""Processes that one can wait for on Windows (Python, concurrent.futures.ProcessPoolExecutor)."""
_JOBS_AHEAD = 4
"""Jobs for each process that are handed out in advance."""


def run_job(
    job: Job,
    dbc: tuple[Path, ...] = (),
    keep: Path | None = None,
    progress: Progress | None = None,
    say: Say = lambda *_: None,
) -> dict[str, Any]:
    """Make one run and return its verdict as plain data; it can be sent between machines.

    What is wrong with the values of this one run is its verdict's error.
    """
    return as_json(run_one(job, dbc, keep, progress, say))


def run_one(
    job: Job,
    dbc: tuple[Path, ...] = (),
    keep: Path | None = None,
    progress: Progress | None = None,
    say: Say = lambda *_: None,
) -> Verdict:
    """Make one run and return its verdict, whose texts keep their quantities, also between processes.

    What is wrong with the values of this one run is its verdict's error.
    """
    try:
        return PreparedScenario(job, dbc).run(keep=keep, progress=progress, say=say)
    except RvsimError as error:
        why = "; ".join(error.problems)
        return Verdict(Path(job.scenario).stem, "", job.seed or 0, job.values, 0.0, 0, (), why)


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
    say: Say,
    *,
    keep: Path | None = NOT_PASSED_FOLDER,
    clock: Callable[[], float] = machine_s,
) -> Iterator[Verdict]:
    """Yield the verdicts of jobs in the order of the jobs, each as soon as those before it are there.

    Raises:
        RvsimError: a process was ended from outside.
    """
    progress = Progress(say, clock)
    if len(jobs) == 1 or processes == 1:
        for number, job in enumerate(jobs, 1):
            yield run_one(job, dbc, keep and place_of(job, keep), progress, say)
            _report(progress, number, len(jobs))
        return
    try:
        yield from _side_by_side(jobs, dbc, _process_count(processes), keep, progress, say)
    except BrokenProcessPool:
        raise RvsimError(
            "a process that made runs was ended from outside, as a system does that is short of memory: give fewer "
            "with --processes N"
        ) from None


def _side_by_side(
    jobs: Sequence[Job], dbc: tuple[Path, ...], processes: int, keep: Path | None, progress: Progress, say: Say
) -> Iterator[Verdict]:
    with (
        ProcessPoolExecutor(min(processes, len(jobs)), initializer=_end_silently) as pool,
        _ended_at_once(),
    ):
        futures: dict[Future[Verdict], int] = {}
        done: dict[int, Verdict] = {}
        upcoming = 0
        room = _JOBS_AHEAD * processes
        for number in range(len(jobs)):
            while upcoming < len(jobs) and len(futures) < room:
                job = jobs[upcoming]
                with _undisturbed():  # this is where processes start
                    future = pool.submit(run_one, job, dbc, keep and place_of(job, keep), say=say)
                futures[future] = upcoming
                upcoming += 1
            while number not in done:
                finished, _ = wait(futures, EVERY_S, FIRST_COMPLETED)
                for future in finished:
                    done[futures.pop(future)] = future.result()
                    _report(progress, number + len(done), len(jobs))
                if not finished:
                    _report(progress, number + len(done), len(jobs))
            yield done.pop(number)


def _end_silently() -> None:
    """Have Ctrl-C and its like end a process that makes runs, without a word: the first one has it too, and tells."""
    for number in ENDING_SIGNALS:
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


def _process_count(processes: int | None) -> int:
    """Return how many processes make runs: as asked, or one for each processor, within the system's limit."""
    wanted = processes or os.cpu_count() or 1
    return min(wanted, MAX_WINDOWS_PROCESSES) if sys.platform == "win32" else wanted


@contextmanager
def _ended_at_once() -> Iterator[None]:
    """Wait for no run that is under way when nobody wants it any more."""
    try:
        yield
    except BaseException:
        for process in multiprocessing.active_children():
            process.terminate()
        raise


def _report(progress: Progress, done: int, of: int) -> None:
    if done < of:
        progress.update(lambda: f"{done} of {of} runs")
