"""The bench put together from its options: scenario, definitions, recording, hub, and the form to show it in.

Knows: what `bench` needs, and how its run is made. Does not know option texts, nor how a run goes (`rvsim.runs`).
"""

import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from rvsim.devices.registry import idle_pumps, kind_problems, unknown_instances
from rvsim.errors import ExitCode, InputError, printable
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.listen_recording import lost_gap_lines
from rvsim.faces.cli.options import Form
from rvsim.faces.cli.touching import read_notes, touch_sink, unrecorded_notes
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.output import JsonLinesSink
from rvsim.faces.text.sentences import Sentences
from rvsim.faces.text.touch_text import TouchSink
from rvsim.logs.around_flags import AroundFlags
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.record import Recorder
from rvsim.runs.bench import CHANNEL, BenchRun, VirtualBenchRun
from rvsim.runs.control import RunControl
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.pipeline import FrameWriter
from rvsim.runs.scenario_run import check_in_rig, load_checked
from rvsim.runs.served_run import serve_bench
from rvsim.shakedown.cautions import cautions
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.sim.bench import Failure
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.quantity_text import compose, join


@dataclass(frozen=True, kw_only=True)
class BenchOptions:
    """The options of a bench.

    ``end`` is in microseconds, None for no end; ``speed`` in simulated seconds per real second, None for as fast as
    possible; ``seed`` None for that of the scenario; ``serve`` None for no hub.
    """

    form: Form
    every: bool = False
    end: int | None = None
    speed: float | None = 1.0
    seed: int | None = None
    record: Path | None = None
    around_us: int | None = None
    """How long is recorded before and after each flag, in microseconds; None for everything."""
    touch: bool = False
    """Whether it is told what moved, and typed notes mark moments."""
    serve: str | None = None
    absent: tuple[str, ...] = ()
    dbc: tuple[Path, ...] = ()
    units: DisplayUnits = METRIC
    light: bool = False


def run_bench(scenario: str, options: BenchOptions) -> int:
    """Simulate a scenario and show it; return the exit code, NOT_GOOD if a simulated device failed.

    Raises:
        InputError: the scenario, a definition or the recording cannot be used, or options do not go together.
        BusError: the port of the hub cannot be had, or the bus failed.
    """
    loaded, catalogue = load_checked(scenario, dbc=options.dbc, absent=options.absent)
    check_in_rig(loaded.rig, options.absent)
    say(*catalogue.left_out, *kind_problems(), *unknown_instances(loaded.rig), *idle_pumps(loaded.rig, options.absent))
    say(*cautions(loaded, catalogue))
    if options.speed is None and options.serve is not None:
        raise InputError("--serve needs paced time, so that clients can keep up: leave out --speed max")
    seed = loaded.scenario.seed if options.seed is None else options.seed
    start = start_line(
        command="bench",
        scenario=printable(loaded.name),
        seed=seed,
        started=None if options.speed is None else datetime.now(UTC).isoformat(timespec="seconds"),
    )
    with ExitStack() as resources:
        file: Recorder | None = None
        if options.record is not None:
            file = resources.enter_context(Recorder(options.record, catalogue, start=start, channel=CHANNEL, sent=True))
        recorder: FrameWriter | None = file
        around = None
        if file is not None and options.around_us is not None:
            say(*lost_gap_lines(file.path, keeps_gaps=file.keeps_gaps))
            recorder = around = AroundFlags(file, options.around_us)
            resources.callback(lambda: say(around.closing_line))
        if options.speed is None:
            sink = _sink(loaded, catalogue, start, seed, options)
            virtual = VirtualBenchRun(
                loaded,
                catalogue,
                sink,
                seed=seed,
                recorder=recorder,
                absent=options.absent,
                every=options.every,
                on_failure=_say_failure,
                on_change=sink.change,
            )
            _keep_around(virtual, around)
            virtual.run(loaded.scenario.lasts if options.end is None else options.end, apart=True)
            return ExitCode.NOT_GOOD if virtual.failures else ExitCode.GOOD
        make: Callable[..., PacedBenchRun] = partial(
            PacedBenchRun, loaded, catalogue, seed=seed, recorder=recorder, absent=options.absent
        )
        if options.serve is not None:
            make = resources.enter_context(serve_bench(options.serve, make, say))
        if options.form == "screen":
            from rvsim.faces.screen.show import show_bench

            return show_bench(loaded, make, options.end, options.speed, units=options.units, light=options.light)
        sink = _sink(loaded, catalogue, start, seed, options)
        control = RunControl(options.speed)
        paced = make(sink, control=control, every=options.every, on_failure=_say_failure, on_change=sink.change)
        _keep_around(paced, around)
        if options.touch:
            say(*unrecorded_notes(options.record))
            read_notes(lambda note: control.request(lambda: paced.mark(note)))
        paced.run(options.end)
    return ExitCode.NOT_GOOD if paced.failures else ExitCode.GOOD


def _keep_around(run: BenchRun, around: AroundFlags | None) -> None:
    """Have each flag of a run keep what is around it."""
    if around is not None:
        run.on_flag(around.note_flag)


def _say_failure(failure: Failure) -> None:
    say(failure.sentence)


def _sink(
    loaded: LoadedScenario, catalogue: Catalogue, start: str, seed: int, options: BenchOptions
) -> JsonLinesSink | Sentences | TouchSink:
    """Return what shows the bench: JSON lines or sentences, or with ``touch`` what moved."""
    sink = _whole_sink(loaded, catalogue, start, seed, options)
    return touch_sink(sink, loaded.rig, options.units, json=options.form == "json") if options.touch else sink


def _whole_sink(
    loaded: LoadedScenario, catalogue: Catalogue, start: str, seed: int, options: BenchOptions
) -> JsonLinesSink | Sentences:
    """Return what shows the bench: JSON lines or sentences."""
    if options.form == "json":
        return JsonLinesSink(sys.stdout, catalogue, CHANNEL, start, every=options.every)
    real = [plan.name for plan in loaded.rig.devices if plan.real]
    absent = ", ".join(dict.fromkeys([*real, *options.absent]))
    simulated = f"all simulated except {absent}" if absent else "all simulated"
    speed = options.speed
    pace = "in virtual time" if speed is None else f"through python-can's virtual bus, {speed:g} x real time"
    opening = (
        f"{loaded.name}: {loaded.scenario.title}. {loaded.rig.title}.",
        f"{len(loaded.rig.devices)} devices planned, {simulated}, seed {seed}, {pace}.",
    )
    state = loaded.scenario.start.sentences
    at_start = (options.units.render(compose("At the start: ", join(", ", state), ".")),) if state else ()
    return Sentences(sys.stdout, (*opening, *at_start), options.units, loaded.rig)
