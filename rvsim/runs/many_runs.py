"""Many runs of scenarios to their verdicts, several at once in separate processes.

Knows: jobs and their progress. Does not know how one run goes (`scenario_run`), processes (`processes`), nor how
verdicts are shown.
Prints nothing: lines for the person go to ``say``.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from rvsim.errors import RvsimError
from rvsim.runs.processes import in_processes
from rvsim.runs.progress import Progress, Say
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.runs.second_process import ProcessLostError
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import Verdict, as_json
from rvsim.sim.clock import machine_s

NOT_PASSED_FOLDER = Path("rvsim-not-passed")
"""The folder for recordings of runs that are not passed."""


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
    *,
    apart: bool = False,
) -> Verdict:
    """Make one run and return its verdict, whose texts keep their quantities, also between processes.

    An error in the values of this run becomes the error of its verdict.

    Args:
        job: the scenario with its values and its seed.
        dbc: the user's own definitions.
        keep: where the frames are recorded if the run is not passed; None for nowhere.
        progress: reports how far the run has come.
        say: takes lines for the person.
        apart: whether a long run may be simulated in a second process.

    Raises:
        ProcessLostError: the second process was ended from outside.
    """
    try:
        return PreparedScenario(job, dbc).run(keep=keep, progress=progress, say=say, apart=apart)
    except ProcessLostError:
        raise
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
            yield run_one(job, dbc, keep and recording_path(job, keep), progress, say, apart=processes != 1)
            _report(progress, number, len(jobs))
        return
    work = partial(_run_job_of, dbc=dbc, keep=keep, say=say)
    yield from in_processes(jobs, work, processes, lambda done: _report(progress, done, len(jobs)))


def _run_job_of(job: Job, *, dbc: tuple[Path, ...], keep: Path | None, say: Say) -> Verdict:
    return run_one(job, dbc, keep and recording_path(job, keep), say=say)


def _report(progress: Progress, done: int, of: int) -> None:
    if done < of:
        progress.update(lambda: f"{done} of {of} runs")
