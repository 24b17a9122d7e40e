"""One run of a scenario to its verdict, in virtual time.

Knows: how a run is made from a job, and that a run which is not passed is made once more to be recorded: one seed gives
one run. Does not know commands, nor how many runs there are. Prints nothing: lines for the person go to ``say``.
"""

import re
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path

from rvsim.devices.registry import check_rig, settings_models
from rvsim.errors import InputError, did_you_mean, printable
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.record import Recorder
from rvsim.rig.model import Rig
from rvsim.rig.quantity import check_seed, shown
from rvsim.runs.bench import CHANNEL, BenchRun, VirtualBenchRun
from rvsim.runs.control import Control
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.pipeline import FrameWriter
from rvsim.runs.progress import Progress, Say
from rvsim.runs.sink import Nothing
from rvsim.shakedown import script_runner
from rvsim.shakedown.expect import run_judge
from rvsim.shakedown.expect.never_fails import cannot_fail_warnings
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.scenario import LoadedScenario, ScenarioError, load_scenario
from rvsim.shakedown.verdict import Outcome, Value, Verdict
from rvsim.sim.bench import Failure
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import Frame

_LINE = re.compile(r"(.+?), line (\d+)")
_PROGRESS_US = 600_000_000
"""Simulated microseconds between two looks whether a line of progress is due."""


def load_checked(
    scenario: str,
    values: Mapping[str, Value] | None = None,
    dbc: Iterable[Path] = (),
    absent: Collection[str] = (),
) -> tuple[LoadedScenario, Catalogue]:
    """Load a scenario with its definitions and hold it against them; ``absent`` devices need no kind.

    Raises:
        InputError: it cannot be used: every mistake in it and its rig that can be told without the others mended.
    """
    problems: list[str] = []
    try:
        loaded = load_scenario(scenario, settings_models(), values, absent)
    except ScenarioError as error:
        if error.rest is None:
            raise
        loaded, problems = error.rest, list(error.problems)
    try:
        catalogue = load_catalogue([*loaded.rig.definitions, *dbc])
        try:
            check_rig(loaded.rig, catalogue, loaded)
        except InputError as error:
            problems += error.problems
        problems += script_runner.script_problems(loaded, catalogue, loaded.scenario.seed)
        problems += run_judge.expectation_problems(loaded, catalogue)
    except InputError as error:
        problems += error.problems
    if problems:
        raise InputError(*sorted(problems, key=_line))
    return loaded, catalogue


def _line(problem: str) -> tuple[str, int]:
    """Return where a mistake stands: mistakes are told in the order of their lines, file by file."""
    found = _LINE.match(problem)
    return (found[1], int(found[2])) if found else (problem.partition(",")[0], 0)


class PreparedScenario:
    """A scenario that is ready to be run.

    Args:
        job: the scenario, with its values and its seed.
        dbc: the user's own definitions.
        absent: devices of its rig that are not simulated, and so need no kind.

    Raises:
        InputError: it cannot be used, a line for each mistake.
    """

    def __init__(self, job: Job, dbc: tuple[Path, ...] = (), absent: Collection[str] = ()) -> None:
        self.absent = absent
        if job.seed is not None:
            try:
                check_seed(job.seed)
            except ValueError as error:
                raise InputError(f"seed: {error}") from None
        self.loaded, self.catalogue = load_checked(job.scenario, job.values, dbc, absent)
        seed = self.loaded.scenario.seed
        self.seed = seed if job.seed is None or "seed" in job.values else job.seed
        self.values: Mapping[str, Value] = job.values

    @property
    def warnings(self) -> tuple[str, ...]:
        """Expectations that could not fail, and what never comes: a line for each."""
        return tuple(cannot_fail_warnings(self.loaded, self.catalogue))

    def progress_text(self, moment: int) -> str:
        """Say how far a run of it has come."""
        return f"{self.loaded.name}: {moment / 1e6:.0f} of {self.loaded.scenario.lasts / 1e6:.0f} s of simulated time"

    def prepare(self) -> None:
        """Put it together and run nothing of it.

        Raises:
            InputError: expectations, faults, steps or absent devices name what is not there.
        """
        check_absent(self.loaded.rig, self.absent)
        VirtualBenchRun(self.loaded, self.catalogue, Nothing(), seed=self.seed, absent=self.absent)

    def run(
        self,
        record: Path | None = None,
        keep: Path | None = None,
        progress: Progress | None = None,
        say: Say = lambda *_: None,
    ) -> Verdict:
        """Run it to its verdict.

        Args:
            record: where its frames are written in any case.
            keep: where its frames are written if it is not passed; if they cannot be, ``say`` gets a line about that.
            progress: reports how far it has come.
            say: takes lines for the person.

        Raises:
            InputError: expectations or faults name what is not there, or ``record`` cannot be written.
        """
        verdict = self._once(record, progress)
        if record is not None or verdict.passed or keep is None:
            return verdict
        try:
            keep.parent.mkdir(parents=True, exist_ok=True)
            return self._once(keep, progress)
        except OSError as error:
            why = f"{keep.parent}: {error.strerror or error}"
        except InputError as error:
            why = "; ".join(error.problems)
        say(f"{verdict.name}: its frames could not be kept ({why}); the verdict stands")
        return verdict

    def _once(self, record: Path | None, progress: Progress | None) -> Verdict:
        if record is None:
            return self._judged(None, progress)
        start = start_line(command="shakedown", scenario=printable(self.loaded.name), seed=self.seed, started=None)
        with Recorder(record, self.catalogue, start=start, channel=CHANNEL, sent=True) as recorder:
            return replace(self._judged(recorder, progress), recording=str(record))

    def _judged(self, recorder: FrameWriter | None, progress: Progress | None) -> Verdict:
        going = VirtualScenarioRun(self, recorder=recorder)
        lasts = self.loaded.scenario.lasts
        if progress is not None:
            for moment in range(_PROGRESS_US, lasts, _PROGRESS_US):
                going.run.until(moment)
                progress.update(lambda: self.progress_text(moment))  # noqa: B023 - it is called at once
        going.run.run(lasts)
        return going.verdict()


def check_absent(rig: Rig, absent: Collection[str]) -> None:
    """Refuse devices that are to be left out and are not there.

    Raises:
        InputError: a line for each.
    """
    names = [plan.name for plan in rig.devices]
    strangers = [name for name in absent if name not in names]
    if strangers:
        raise InputError(*(f"{shown(name)} is not in the rig{did_you_mean(name, names)}" for name in strangers))


class ScenarioRun:
    """A run of a prepared scenario that is under way, and its verdict.

    Args:
        prepared: what is run.
        make: makes the run, given what ``BenchRun`` takes.
        absent: planned devices that are not simulated: whoever sends frames stands in for them; None is those of the
            prepared scenario.
        tap: is handed each frame when it is on the bus.
        recorder: keeps the frames.

    Raises:
        InputError: expectations, faults, steps or absent devices name what is not there.
    """

    def __init__(
        self,
        prepared: PreparedScenario,
        make: Callable[..., BenchRun],
        absent: Collection[str] | None = None,
        tap: Callable[[Frame], None] | None = None,
        recorder: FrameWriter | None = None,
    ) -> None:
        absent = prepared.absent if absent is None else absent
        check_absent(prepared.loaded.rig, absent)
        self.prepared = prepared
        self._failures: list[Failure] = []
        self._verdict: Verdict | None = None
        self.run = make(
            prepared.loaded,
            prepared.catalogue,
            Nothing(),
            seed=prepared.seed,
            recorder=recorder,
            on_failure=self._failures.append,
            absent=absent,
            tap=tap,
        )

    @property
    def seconds(self) -> float:
        """How far it has come."""
        return self.run.time / 1e6

    def verdict(self) -> Verdict:
        """Judge what has happened up to now; nothing that comes later counts any more.

        Steps that never came are expectations that were not met. A verdict before the scenario's end says so: what must
        never happen has then been watched for a part of the time only.
        """
        if self._verdict is None:
            prepared, run, end = self.prepared, self.run, self.run.time
            lasted = f"it never happened in {end / 1e6:g} s"
            never = [
                Outcome(step, False, lasted, end / 1e6, look="what the step waits for")
                for step in run.script.pending_steps
            ]
            self._verdict = Verdict(
                scenario=prepared.loaded.name,
                title=prepared.loaded.scenario.title,
                seed=prepared.seed,
                values=dict(prepared.values),
                seconds=end / 1e6,
                frames=run.run_judge.frames,
                outcomes=(*run.run_judge.finish(end), *never),
                error="; ".join(failure.sentence for failure in self._failures),
                planned=prepared.loaded.scenario.lasts / 1e6,
                warnings=prepared.warnings,
            )
        return self._verdict


class VirtualScenarioRun(ScenarioRun):
    """A run in virtual time that goes on as far as it is told to; arguments as ``ScenarioRun`` without ``make``."""

    run: VirtualBenchRun

    def __init__(
        self,
        prepared: PreparedScenario,
        absent: Collection[str] | None = None,
        tap: Callable[[Frame], None] | None = None,
        recorder: FrameWriter | None = None,
    ) -> None:
        super().__init__(prepared, VirtualBenchRun, absent, tap, recorder)

    def until(self, seconds: float) -> None:
        """Go on to a time since the start."""
        self.run.until(max(self.run.time, round(seconds * 1e6)))

    def put(self, identifier: int, data: bytes) -> None:
        """Send a frame of a node that is not simulated now; the watch counts it as that node's."""
        self.run.send_from_outside(identifier, data)


class PacedScenarioRun(ScenarioRun):
    """A run by the wall clock through python-can; arguments as ``ScenarioRun``, and a hand on its time.

    Args:
        control: pauses, stops and paces it.
    """

    run: PacedBenchRun

    def __init__(
        self,
        prepared: PreparedScenario,
        control: Control,
        absent: Collection[str] | None = None,
        tap: Callable[[Frame], None] | None = None,
        recorder: FrameWriter | None = None,
    ) -> None:
        make = partial(PacedBenchRun, control=control, channel=f"{CHANNEL}-{id(self)}")
        super().__init__(prepared, make, absent, tap, recorder)

    def progress_text(self) -> str:
        """Say how far it has come."""
        return self.prepared.progress_text(self.run.time)
