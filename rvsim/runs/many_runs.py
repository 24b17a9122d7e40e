"""Many runs of scenarios to their verdicts, several at once in separate processes.

Knows: jobs, processes and their progress. Does not know how one run goes (`scenario_run`), nor how verdicts are shown.
Prints nothing: lines for the person go to ``say``.
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
from rvsim.runs.progress import Progress, Say
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import Verdict, as_json
from rvsim.sim.clock import machine_s

NOT_PASSED_FOLDER = Path("rvsim-not-passed")
"""The folder for recordings of runs that are not passed."""
MAX_WINDOWS_PROCESSES = 61
"""Processes that a program can wait for on Windows (Python, concurrent.futures.ProcessPoolExecutor)."""
MAX_INTERRUPT_DELAY_S = 0.2
"""The longest time until Ctrl-C takes effect while runs are made. Our decision."""
_QUEUED_JOBS_PER_PROCESS = 4
"""Jobs that are submitted in advance for each process."""


def run_job(
    job: Job,
    dbc: tuple[Path, ...] = (),
    keep: Path | None = None,
    progress: Progress | None = None,
    say: Say = lambda *_: None,
) -> dict[str, Any]:
    """Make one run and return its verdict as plain data, which can be sent between machines.

    An error in the values of this run becomes the error of its verdict.
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

    An error in the values of this run becomes the error of its verdict.

    Args:
        job: the scenario with its values and its seed.
        dbc: the user's own definitions.
        keep: where the frames are recorded if the run is not passed; None for nowhere.
        progress: reports how far the run has come.
        say: takes lines for the person.
    """
    try:
        return PreparedScenario(job, dbc).run(keep=keep, progress=progress, say=say)
    except RvsimError as error:
        why = "; ".join(error.problems)
        return Verdict(Path(job.scenario).stem, "", job.seed or 0, job.values, 0.0, 0, (), why)


def recording_path(job: Job, folder: Path) -> Path:
    """Return the file in which a run that is not passed is recorded."""
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
    """Yield the verdicts of jobs in the order of the jobs, each as soon as all verdicts before it are known.

    Args:
        jobs: what is run.
        dbc: the user's own definitions.
        processes: runs at once; None for one per processor.
        say: takes lines for the person.
        keep: the folder for recordings of runs that are not passed; None for none.
        clock: seconds that only go forward.

    Raises:
        RvsimError: a process was ended from outside.
    """
    progress = Progress(say, clock)
    if len(jobs) == 1 or processes == 1:
        for number, job in enumerate(jobs, 1):
            yield run_one(job, dbc, keep and recording_path(job, keep), progress, say)
            _report(progress, number, len(jobs))
        return
    try:
        yield from _in_processes(jobs, dbc, _process_count(processes), keep, progress, say)
    except BrokenProcessPool:
        raise RvsimError(
            "a process that made runs was ended from outside; the system may be out of memory: use fewer processes "
            "with --processes N"
        ) from None


def _in_processes(
    jobs: Sequence[Job], dbc: tuple[Path, ...], processes: int, keep: Path | None, progress: Progress, say: Say
) -> Iterator[Verdict]:
    with (
        ProcessPoolExecutor(min(processes, len(jobs)), initializer=_reset_signals) as pool,
        _terminated_on_error(),
    ):
        futures: dict[Future[Verdict], int] = {}
        done: dict[int, Verdict] = {}
        upcoming = 0
        max_queued = _QUEUED_JOBS_PER_PROCESS * processes
        for number in range(len(jobs)):
            while upcoming < len(jobs) and len(futures) < max_queued:
                job = jobs[upcoming]
                with _sigint_blocked():  # processes start here
                    future = pool.submit(run_one, job, dbc, keep and recording_path(job, keep), say=say)
                futures[future] = upcoming
                upcoming += 1
            while number not in done:
                with _sigint_blocked():  # an exception inside the locks of these calls would leave them unusable
                    finished, _ = wait(futures, MAX_INTERRUPT_DELAY_S, FIRST_COMPLETED)
                for future in finished:
                    done[futures.pop(future)] = future.result()
                    _report(progress, number + len(done), len(jobs))
                if not finished:
                    _report(progress, number + len(done), len(jobs))
            yield done.pop(number)


def _reset_signals() -> None:
    """Make Ctrl-C and similar signals end a process that makes runs without output: the main process reports it."""
    for number in ENDING_SIGNALS:
        signal.signal(number, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


@contextmanager
def _sigint_blocked() -> Iterator[None]:
    """Block Ctrl-C, here and in processes that are being started, until these have reset their signals.

    Windows cannot block it: there a process that is being started may print Python's traceback of Ctrl-C.
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
    """Return how many processes make runs: as requested, or one for each processor, within the system's limit."""
    wanted = processes or os.cpu_count() or 1
    return min(wanted, MAX_WINDOWS_PROCESSES) if sys.platform == "win32" else wanted


@contextmanager
def _terminated_on_error() -> Iterator[None]:
    """Terminate the processes on an error or interruption instead of waiting for their runs."""
    try:
        yield
    except BaseException:
        for process in multiprocessing.active_children():
            process.terminate()
        raise


def _report(progress: Progress, done: int, of: int) -> None:
    if done < of:
        progress.update(lambda: f"{done} of {of} runs")
