"""The plan of one rig with many values, several at once in separate processes.

Knows: which values each case has and what becomes of it. Does not know which values are tried (`shakedown.jobs`), nor
how cases are shown. Prints nothing: lines for the person go to ``say``.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from rvsim.errors import InputError
from rvsim.plan.answer import FLAG_KINDS, Answer
from rvsim.plan.report import PlanInput, check_rig
from rvsim.plan.rig_file import rig_of, with_figures
from rvsim.rig.toml_file import TomlFile
from rvsim.runs.processes import in_processes
from rvsim.runs.progress import Progress, Say
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import Outcome, Value, Verdict
from rvsim.watch.flag import Severity
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load_catalogue

MIN_CASES_FOR_PROCESSES = 50
"""With fewer cases one process does them all: starting others takes about as long. Our decision."""


@dataclass(frozen=True)
class PlanCase:
    """What the plan says of one rig with other values; ``wrong`` are the answers that are flagged, the worst first."""

    rig: str
    values: Mapping[str, Value]
    wrong: tuple[Answer, ...] = ()
    error: str = ""
    """Why these values make no rig."""

    @property
    def passed(self) -> bool:
        """Whether there is neither a warning nor a fault."""
        return not self.error and all(answer.severity is Severity.NOTICE for answer in self.wrong)

    @property
    def name(self) -> str:
        """The rig and the values that replaced its own."""
        return ", ".join([self.rig, *(f"{key}={value}" for key, value in self.values.items())])

    @property
    def verdict(self) -> Verdict:
        """The case as a verdict, with an outcome for each warning and fault; one that is met where there is none."""
        outcomes = tuple(
            Outcome(f"no {FLAG_KINDS[answer.check]} of {answer.subject}", False, answer.text, look=answer.advice)
            for answer in self.wrong
            if answer.severity is not Severity.NOTICE
        )
        if not outcomes and not self.error:
            outcomes = (Outcome("the plan has neither a warning nor a fault", True),)
        return Verdict(self.rig, "", 1, self.values, 0.0, 0, outcomes, self.error)


def plan_cases(
    jobs: Sequence[Job], file: TomlFile, definitions: tuple[Path, ...], processes: int | None, say: Say
) -> Iterator[PlanCase]:
    """Yield what the plan says with the values of each job, in the order of the jobs.

    Args:
        jobs: the values and the seed of each case; a job's scenario is the name of the rig.
        file: the file of the rig.
        definitions: files with message definitions, besides the shipped ones.
        processes: cases at once; None for one per processor.
        say: takes lines for the person.
    """
    progress = Progress(say)

    def report(done: int) -> None:
        progress.update(lambda: f"{done} of {len(jobs)} plans")

    work = partial(plan_case, file=file, definitions=definitions)
    if processes == 1 or (processes is None and len(jobs) < MIN_CASES_FOR_PROCESSES):
        for number, job in enumerate(jobs, 1):
            yield work(job)
            if number < len(jobs):
                report(number)
        return
    yield from in_processes(jobs, work, processes, report)


def plan_case(job: Job, file: TomlFile, definitions: tuple[Path, ...]) -> PlanCase:
    """Return what the plan says with the values of a job; values that make no rig are the error of the case."""
    try:
        rig = rig_of(with_figures(file, job.values))
    except InputError as error:
        return PlanCase(job.scenario, job.values, error="; ".join(error.problems))
    report = check_rig(PlanInput(rig, _catalogue(definitions), 1 if job.seed is None else job.seed))
    return PlanCase(job.scenario, job.values, report.wrong)


@cache
def _catalogue(definitions: tuple[Path, ...]) -> Catalogue:
    """Return the message definitions, which a process loads once."""
    return load_catalogue(definitions)
