"""One run of a scenario to its verdict, in virtual time.

Knows: how a run is made from a job, and that a run which failed is made once more to be recorded: one seed gives one
run. Does not know commands, nor how many runs there are.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from pathlib import Path

from rvsim.devices.registry import check_rig, settings_models
from rvsim.errors import InputError, did_you_mean, printable
from rvsim.faces.exits import say
from rvsim.faces.hearing import Writes
from rvsim.faces.output import Nothing
from rvsim.faces.progress import Progress
from rvsim.faces.run import CHANNEL, Run
from rvsim.logs.jsonl import start_line
from rvsim.logs.record import Recorder
from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.scenario import LoadedScenario, load_scenario
from rvsim.shakedown.verdict import Outcome, Value, Verdict
from rvsim.sim.bench import Failure
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load
from rvsim.wire.frame import Frame

_TOLD = 600_000_000
"""After so many simulated microseconds there is a look whether it is time to tell how far a run has come."""


class Trial:
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
        self.loaded: LoadedScenario = load_scenario(job.scenario, settings_models(), job.values, absent)
        self.catalogue: Catalogue = load([*self.loaded.rig.definitions, *dbc])
        check_rig(self.loaded.rig, self.catalogue)
        seed = self.loaded.scenario.seed
        self.seed = seed if job.seed is None or "seed" in job.values else job.seed
        self.values: Mapping[str, Value] = job.values

    def come_to(self, moment: int) -> str:
        """Say how far a run of it has come."""
        return f"{self.loaded.name}: {moment / 1e6:.0f} of {self.loaded.scenario.lasts / 1e6:.0f} s of simulated time"

    def prepare(self) -> None:
        """Put it together and run nothing of it.

        Raises:
            InputError: expectations, faults, steps or absent devices name what is not there.
        """
        check_absent(self.loaded.rig, self.absent)
        Run(self.loaded, self.catalogue, Nothing(), seed=self.seed, absent=self.absent)

    def run(self, record: Path | None = None, keep: Path | None = None, progress: Progress | None = None) -> Verdict:
        """Run it to its verdict.

        Args:
            record: where its frames are written in any case.
            keep: where its frames are written if it is not passed; where they cannot be, that is said and no more.
            progress: tells how far it has come.

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

    def _judged(self, recorder: Writes | None, progress: Progress | None) -> Verdict:
        session = Session(self, recorder=recorder)
        lasts = self.loaded.scenario.lasts
        if progress is not None:
            for moment in range(_TOLD, lasts, _TOLD):
                session.run.until(moment)
                progress.tell(lambda: self.come_to(moment))  # noqa: B023 - it is called at once
        session.run.virtual(lasts)
        return session.verdict()


def check_absent(rig: Rig, absent: Collection[str]) -> None:
    """Refuse devices that are to be left out and are not there.

    Raises:
        InputError: a line for each.
    """
    names = [plan.name for plan in rig.devices]
    strangers = [name for name in absent if name not in names]
    if strangers:
        raise InputError(*(f"{shown(name)} is not in the rig{did_you_mean(name, names)}" for name in strangers))


class Session:
    """A run of a trial that goes on as far as it is told to, in virtual time.

    Args:
        trial: what is run.
        absent: planned devices that are not simulated: whoever puts frames on the wires stands in for them; None is
            those of the trial.
        tap: is handed each frame when it is on the wires.
        recorder: keeps the frames.

    Raises:
        InputError: expectations, faults, steps or absent devices name what is not there.
    """

    def __init__(
        self,
        trial: Trial,
        absent: Collection[str] | None = None,
        tap: Callable[[Frame], None] | None = None,
        recorder: Writes | None = None,
    ) -> None:
        absent = trial.absent if absent is None else absent
        check_absent(trial.loaded.rig, absent)
        self.trial = trial
        self._failures: list[Failure] = []
        self.run = Run(
            trial.loaded,
            trial.catalogue,
            Nothing(),
            seed=trial.seed,
            recorder=recorder,
            on_failure=self._failures.append,
            absent=absent,
            tap=tap,
        )
        self._verdict: Verdict | None = None

    @property
    def seconds(self) -> float:
        """How far it has come."""
        return self.run.time / 1e6

    def until(self, seconds: float) -> None:
        """Go on to a time since the start."""
        self.run.until(max(self.run.time, round(seconds * 1e6)))

    def put(self, identifier: int, data: bytes) -> None:
        """Put a frame of a node that is not simulated onto the wires now; the watch counts it as that node's."""
        self.run.bench.put(identifier, data)

    def verdict(self) -> Verdict:
        """Judge what has happened up to now; nothing that comes later counts any more.

        Steps that never came are expectations that were not met. A verdict before the scenario's end says so: what must
        never happen has then been watched for a part of the time only.
        """
        if self._verdict is None:
            trial, run, end = self.trial, self.run, self.run.time
            lasted = f"it never happened in {end / 1e6:g} s"
            never = [
                Outcome(step, False, lasted, end / 1e6, look="what the step waits for") for step in run.script.undone
            ]
            self._verdict = Verdict(
                scenario=trial.loaded.name,
                title=trial.loaded.scenario.title,
                seed=trial.seed,
                values=dict(trial.values),
                seconds=end / 1e6,
                frames=run.jury.frames,
                outcomes=(*run.jury.finish(end), *never),
                error="; ".join(failure.sentence for failure in self._failures),
                planned=trial.loaded.scenario.lasts / 1e6,
            )
        return self._verdict
