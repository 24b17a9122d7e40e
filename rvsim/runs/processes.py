"""Work that is done several times at once, in separate processes.

Knows: processes, their signals and the order of results. Does not know what the work is. Prints nothing: how much is
done goes to ``report``.
"""

import multiprocessing
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import TypeVar

from rvsim.errors import ENDING_SIGNALS, RvsimError
from rvsim.processors import usable_processors

MAX_WINDOWS_PROCESSES = 61
"""Processes that a program can wait for on Windows (Python, concurrent.futures.ProcessPoolExecutor)."""
MAX_INTERRUPT_DELAY_S = 0.2
"""The longest time until Ctrl-C takes effect while processes work. Our decision."""
_QUEUED_JOBS_PER_PROCESS = 4
"""Jobs that are submitted in advance for each process."""
_Job = TypeVar("_Job")
_Result = TypeVar("_Result")


def in_processes(
    jobs: Sequence[_Job],
    work: Callable[[_Job], _Result],
    processes: int | None,
    report: Callable[[int], None] = lambda _: None,
) -> Iterator[_Result]:
    """Yield the result of each job in the order of the jobs, each as soon as all results before it are known.

    Args:
        jobs: what is done; a job is sent to another process.
        work: does one job; a function of a module, so that it can be sent. An error that it raises is raised here.
        processes: jobs at once; None for one per processor.
        report: called from time to time with the number of jobs that are done.

    Raises:
        RvsimError: a process was ended from outside.
    """
    try:
        yield from _results(jobs, work, process_count(processes), report)
    except BrokenProcessPool:
        raise RvsimError(
            "a process that made runs was ended from outside; the system may be out of memory: use fewer processes "
            "with --processes N"
        ) from None


def _results(
    jobs: Sequence[_Job], work: Callable[[_Job], _Result], processes: int, report: Callable[[int], None]
) -> Iterator[_Result]:
    with (
        ProcessPoolExecutor(min(processes, len(jobs)), initializer=reset_signals) as pool,
        _terminated_on_error(),
    ):
        futures: dict[Future[_Result], int] = {}
        done: dict[int, _Result] = {}
        upcoming = 0
        max_queued = _QUEUED_JOBS_PER_PROCESS * processes
        for number in range(len(jobs)):
            while upcoming < len(jobs) and len(futures) < max_queued:
                with sigint_blocked():  # processes start here
                    future = pool.submit(work, jobs[upcoming])
                futures[future] = upcoming
                upcoming += 1
            while number not in done:
                with sigint_blocked():  # an exception inside the locks of these calls would leave them unusable
                    finished, _ = wait(futures, MAX_INTERRUPT_DELAY_S, FIRST_COMPLETED)
                for future in finished:
                    done[futures.pop(future)] = future.result()
                    report(number + len(done))
                if not finished:
                    report(number + len(done))
            yield done.pop(number)


def process_count(processes: int | None) -> int:
    """Return how many processes work: as requested, or one for each usable processor, within the system's limit."""
    wanted = processes or usable_processors()
    return min(wanted, MAX_WINDOWS_PROCESSES) if sys.platform == "win32" else wanted


def reset_signals(*, ignored_interrupt: bool = False) -> None:
    """Make Ctrl-C and similar signals end a process that works without output: the main process reports it.

    With ``ignored_interrupt`` Ctrl-C does nothing here.
    """
    for number in ENDING_SIGNALS:
        signal.signal(number, signal.SIG_DFL)
    if ignored_interrupt:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


@contextmanager
def sigint_blocked() -> Iterator[None]:
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


@contextmanager
def _terminated_on_error() -> Iterator[None]:
    """Terminate the processes on an error or interruption instead of waiting for their work."""
    try:
        yield
    except BaseException:
        for process in multiprocessing.active_children():
            process.terminate()
        raise
