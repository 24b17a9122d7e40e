"""One run of a scenario to its verdict.

Knows: how a run is made from a job, and that a run which is not passed is repeated to record it: the same seed gives
the same run. Does not know commands, nor how many runs there are. Prints nothing: lines for the person go to ``say``.
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
from rvsim.runs.control import RunControl
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.pipeline import FrameWriter
from rvsim.runs.progress import Progress, Say
from rvsim.runs.sink import NullSink
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

_FILE_AND_LINE = re.compile(r"(.+?), line (\d+)")
_PROGRESS_STEP_US = 600_000_000
"""Simulated time between two checks whether a line of progress is due."""


def load_checked(
    scenario: str,
    values: Mapping[str, Value] | None = None,
    dbc: Iterable[Path] = (),
    absent: Collection[str] = (),
) -> tuple[LoadedScenario, Catalogue]:
    """Load a scenario with its definitions and check it with them; ``absent`` devices need no kind.

    Raises:
        InputError: it cannot be used: all mistakes in it and its rig that can be found before others are corrected.
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
        raise InputError(*sorted(problems, key=_file_and_line))
    return loaded, catalogue


def _file_and_line(problem: str) -> tuple[str, int]:
    """Return the place of a mistake: mistakes are listed in the order of their lines, file by file."""
    found = _FILE_AND_LINE.match(problem)
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
        """Expectations that cannot fail, and events that never happen: a line for each."""
        return tuple(cannot_fail_warnings(self.loaded, self.catalogue))

    def progress_text(self, moment: int) -> str:
        """Return how far a run of it has come."""
        return f"{self.loaded.name}: {moment / 1e6:.0f} of {self.loaded.scenario.lasts / 1e6:.0f} s of simulated time"

    def prepare(self) -> None:
        """Check that it can be run; nothing runs.

        Raises:
            InputError: expectations, faults, steps or absent devices name what does not exist.
        """
        check_in_rig(self.loaded.rig, self.absent)
        VirtualBenchRun(self.loaded, self.catalogue, NullSink(), seed=self.seed, absent=self.absent)

    def run(
        self,
        record: Path | None = None,
        keep: Path | None = None,
        progress: Progress | None = None,
        say: Say = lambda *_: None,
        *,
        apart: bool = False,
    ) -> Verdict:
        """Run it to its verdict.

        Args:
            record: the file to which its frames are always written.
            keep: the file to which its frames are written if it is not passed; if that fails, ``say`` gets a line.
            progress: reports how far it has come.
            say: takes lines for the person.
            apart: whether a long run may be simulated in a second process; the verdict is the same.

        Raises:
            InputError: expectations or faults name what does not exist, or ``record`` cannot be written.
            RvsimError: the second process was ended from outside.
        """
        verdict = self._run_once(record, progress, apart)
        if record is not None or verdict.passed or keep is None:
            return verdict
        try:
            keep.parent.mkdir(parents=True, exist_ok=True)
            return self._run_once(keep, progress, apart)
        except OSError as error:
            why = f"{keep.parent}: {error.strerror or error}"
        except InputError as error:
            why = "; ".join(error.problems)
        say(f"{verdict.name}: the frames could not be recorded ({why}); the verdict is not affected")
        return verdict

    def _run_once(self, record: Path | None, progress: Progress | None, apart: bool) -> Verdict:  # noqa: FBT001
        if record is None:
            return self._run_to_verdict(None, progress, apart)
        start = start_line(command="shakedown", scenario=printable(self.loaded.name), seed=self.seed, started=None)
        with Recorder(record, self.catalogue, start=start, channel=CHANNEL, sent=True) as recorder:
            return replace(self._run_to_verdict(recorder, progress, apart), recording=str(record))

    def _run_to_verdict(self, recorder: FrameWriter | None, progress: Progress | None, apart: bool) -> Verdict:  # noqa: FBT001
        scenario_run = VirtualScenarioRun(self, recorder=recorder)
        run, lasts = scenario_run.run, self.loaded.scenario.lasts

        def report() -> None:
            if progress is not None and run.time % _PROGRESS_STEP_US == 0 and run.time < lasts:
                progress.update(lambda: self.progress_text(run.time))

        run.run(lasts, report, apart=apart)
        return scenario_run.verdict()


def check_in_rig(rig: Rig, devices: Collection[str], before: str = "") -> None:
    """Check that devices that somebody has named are in the rig; ``before`` stands in front of each name that is not.

    Raises:
        InputError: a line for each that is not.
    """
    names = [plan.name for plan in rig.devices]
    unknown = [name for name in devices if name not in names]
    if unknown:
        known = f"its devices are {', '.join(names)}"
        raise InputError(
            *(f"{before}{shown(name)} is not in the rig{did_you_mean(name, names)}; {known}" for name in unknown)
        )


class ScenarioRun:
    """A run of a prepared scenario, and its verdict.

    Args:
        prepared: what is run.
        make: makes the run; it takes the arguments of ``BenchRun``.
        absent: planned devices that are not simulated; another program takes their place. None for those of the
            prepared scenario.
        tap: called with each frame when it is on the bus.
        recorder: keeps the frames.

    Raises:
        InputError: expectations, faults, steps or absent devices name what does not exist.
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
        check_in_rig(prepared.loaded.rig, absent)
        self.prepared = prepared
        self._failures: list[Failure] = []
        self._verdict: Verdict | None = None
        self.run = make(
            prepared.loaded,
            prepared.catalogue,
            NullSink(),
            seed=prepared.seed,
            recorder=recorder,
            on_failure=self._failures.append,
            absent=absent,
            tap=tap,
        )

    @property
    def seconds(self) -> float:
        """The present simulated time."""
        return self.run.time / 1e6

    def verdict(self) -> Verdict:
        """Judge what has happened up to now; nothing later counts.

        Steps that never happened are expectations that were not met. A verdict before the end of the scenario says so:
        what must never happen has then been observed for a part of the time only.
        """
        if self._verdict is None:
            prepared, run, end = self.prepared, self.run, self.run.time
            simulated = run.simulated_end()
            found = f"it never happened in {end / 1e6:g} s"
            never = [
                Outcome(step, False, found, end / 1e6, look="what the step waits for")
                for step in simulated.pending_steps
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
                start=prepared.loaded.scenario.start.sentences,
                energy=simulated.energy,
                changes=simulated.changes,
            )
        return self._verdict


class VirtualScenarioRun(ScenarioRun):
    """A run in virtual time, advanced by ``until``; arguments as ``ScenarioRun`` without ``make``."""

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
        """Run up to a time since the start, in seconds."""
        self.run.until(max(self.run.time, round(seconds * 1e6)))

    def put(self, identifier: int, data: bytes) -> None:
        """Send a frame of a node that is not simulated now; the watch counts it as a frame of that node."""
        self.run.send_from_outside(identifier, data)


class PacedScenarioRun(ScenarioRun):
    """A run by the wall clock through python-can; arguments as ``ScenarioRun``, and a control of its time.

    Args:
        control: pauses, stops and paces it.
    """

    run: PacedBenchRun

    def __init__(
        self,
        prepared: PreparedScenario,
        control: RunControl,
        absent: Collection[str] | None = None,
        tap: Callable[[Frame], None] | None = None,
        recorder: FrameWriter | None = None,
    ) -> None:
        make = partial(PacedBenchRun, control=control, channel=f"{CHANNEL}-{id(self)}")
        super().__init__(prepared, make, absent, tap, recorder)

    def progress_text(self) -> str:
        """Return how far the run has come."""
        return self.prepared.progress_text(self.run.time)
