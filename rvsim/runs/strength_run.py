"""Runs of one scenario with its right controller and with wrong ones.

Knows: which devices of a scenario are controllers, and how a run with a wrong controller is made and compared with the
right one. Does not know what a mistake changes (`rvsim.shakedown.strength`), nor how the result is shown. Prints
nothing: progress goes to ``say``.
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import shown
from rvsim.runs.processes import in_processes
from rvsim.runs.progress import Progress, Say
from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun, check_in_rig
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.strength.command_mistakes import is_command
from rvsim.shakedown.strength.controller_site import ControllerSite, SentFrames, first_difference
from rvsim.shakedown.strength.differences import difference_text
from rvsim.shakedown.strength.mistakes import Mistake, all_mistakes
from rvsim.shakedown.strength.strength import Fate, Strength, WrongRun
from rvsim.shakedown.verdict import Verdict
from rvsim.sim.clock import machine_s
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of

_PANEL = "control_panel"
"""The function by which a controller is known where several devices command."""


class _WrongJob(NamedTuple):
    """One run with a wrong controller, for another process."""

    job: Job
    dbc: tuple[Path, ...]
    controllers: tuple[str, ...]
    mistake: int
    right_frames: list[Frame]
    right_count: int


def _find_controllers(prepared: PreparedScenario) -> tuple[tuple[str, ...], Verdict]:
    """Return the devices that command in the right run, and its verdict; panels alone where there are some."""
    commanding: dict[str, None] = {}

    def look(frame: Frame) -> None:
        if is_command(prepared.catalogue.by_dgn(dgn_of(frame.identifier))):
            holder = run.run.bench.holder(frame.identifier & 0xFF)
            if holder is not None:
                commanding[holder] = None

    run = VirtualScenarioRun(prepared, tap=look)
    run.run.run(prepared.loaded.scenario.lasts)
    panels = [plan.name for plan in prepared.loaded.rig.devices if _PANEL in plan.functions and plan.name in commanding]
    return tuple(panels or commanding), run.verdict()


def _run_with(
    prepared: PreparedScenario, controllers: Collection[str], mistake: Mistake | None
) -> tuple[Verdict, SentFrames]:
    """Run a scenario with a mistake in its controllers, None for the right ones."""
    sent = SentFrames()
    run = VirtualScenarioRun(prepared)
    for name in controllers:
        site = ControllerSite(run.run.bench, name, prepared.catalogue, sent)
        outgoing = mistake.outgoing(site) if mistake is not None and mistake.outgoing is not None else None
        incoming = mistake.incoming(site) if mistake is not None and mistake.incoming is not None else None
        site.add(outgoing, incoming)
    run.run.run(prepared.loaded.scenario.lasts)
    return run.verdict(), sent


def _run_wrong(work: _WrongJob, prepared: PreparedScenario | None = None) -> WrongRun:
    """Make the run of one wrong controller; a function of the module, so that another process can do it."""
    prepared = prepared or PreparedScenario(work.job, work.dbc)
    mistake = all_mistakes(prepared.loaded.scenario.lasts)[work.mistake]
    verdict, sent = _run_with(prepared, work.controllers, mistake)
    difference = first_difference(work.right_frames, sent.frames)
    same = difference is None and sent.count == work.right_count
    caught_by = tuple(number for number, outcome in enumerate(verdict.outcomes) if not outcome.passed)
    fate = Fate.LET_PASS if verdict.passed else Fate.CAUGHT
    return WrongRun(
        mistake.name,
        mistake.sentence,
        mistake.advice,
        Fate.NOT_EXERCISED if same else fate,
        () if same else caught_by,
        verdict.error,
        "" if difference is None else difference_text(difference, prepared.catalogue),
    )


def measure_strength(
    job: Job,
    dbc: tuple[Path, ...] = (),
    controllers: Sequence[str] = (),
    processes: int | None = None,
    say: Say = lambda *_: None,
    only: Collection[str] | None = None,
) -> Strength:
    """Run a scenario with its right controller, then with each wrong one.

    Args:
        job: the scenario, its values and its seed.
        dbc: the user's own definitions.
        controllers: the devices that are controllers; without any, those that command in the right run, panels first.
        processes: runs at once; None for one per processor.
        say: takes lines of progress.
        only: the names of the mistakes that are tried; None for all.

    Raises:
        InputError: the scenario cannot be used, or a controller or a mistake is not there.
    """
    prepared = PreparedScenario(job, dbc)
    if not prepared.loaded.scenario.expectations:
        raise InputError(f"{prepared.loaded.path}: the scenario has no expectations; add [[expect]] tables")
    check_in_rig(prepared.loaded.rig, controllers, "--controller ")
    if controllers:
        chosen: tuple[str, ...] = tuple(controllers)
    else:
        chosen, verdict = _find_controllers(prepared)
        if not chosen or not verdict.passed:
            return Strength(prepared.loaded.name, chosen, verdict)
    right, sent = _run_with(prepared, chosen, None)
    if not right.passed:
        return Strength(prepared.loaded.name, chosen, right)
    numbers = _numbers(prepared, only)
    works = [_WrongJob(job, dbc, chosen, number, sent.frames, sent.count) for number in numbers]
    progress = Progress(say, machine_s)
    name = prepared.loaded.name

    def report(done: int) -> None:
        if done < len(works):
            progress.update(lambda: f"{name}: {done} of {len(works)} wrong controllers")

    runs = tuple(_results(works, prepared, processes, report))
    return Strength(name, chosen, right, runs)


def _results(
    works: Sequence[_WrongJob], prepared: PreparedScenario, processes: int | None, report: Callable[[int], None]
) -> Iterator[WrongRun]:
    """Yield the results in their order; in this process where there is one at a time."""
    if processes == 1 or len(works) == 1:
        for number, work in enumerate(works, start=1):
            yield _run_wrong(work, prepared)
            report(number)
        return
    yield from in_processes(works, _run_wrong, processes, report)


def _numbers(prepared: PreparedScenario, only: Collection[str] | None) -> list[int]:
    names = [mistake.name for mistake in all_mistakes(prepared.loaded.scenario.lasts)]
    unknown = [name for name in only or () if name not in names]
    if unknown:
        raise InputError(*(f"no mistake is called {shown(name)}{did_you_mean(name, names)}" for name in unknown))
    return [number for number, name in enumerate(names) if only is None or name in only]
