"""The command `replay`: a run is put together from its options.

Knows: which options go together. Does not know option texts, nor how a log is replayed (`runs.replay`).
"""

import sys
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from rvsim.errors import ExitCode, InputError, printable
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.load_plan import load_plan, rig_text
from rvsim.faces.cli.log_opening import columns_of, opener
from rvsim.faces.cli.options import Form
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.output import JsonLinesSink
from rvsim.faces.text.sentences import Sentences
from rvsim.faces.text.survey_text import left_out
from rvsim.logs.formats.jsonl import start_line, utc_text
from rvsim.logs.read import Log, several_channels
from rvsim.rig.model import Rig
from rvsim.runs.control import RunControl
from rvsim.runs.frame_sender import FrameSender
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.replay import LogRounds, ReplayRun
from rvsim.runs.sink import NullSink, Sink
from rvsim.watch.watch import Watch
from rvsim.wire.catalogue import Catalogue

if TYPE_CHECKING:
    from rvsim.edge.settings import BusSettings

MAX_CHECKED_ENTRIES = 100_000
"""Entries of a log that are searched for several channels before it is replayed. Our decision."""


@dataclass(frozen=True, kw_only=True)
class ReplayOptions:
    """The options of a replay.

    ``speed`` is in seconds of the log per real second, None for as fast as possible; ``part`` in microseconds since
    the log's first frame.
    """

    form: Form
    every: bool = False
    rig: str | None = None
    speed: float | None = 1.0
    part: tuple[int, int | None] = (0, None)
    loop: bool = False
    serve: str | None = None
    """The address at which it is served; "" for the default one, None for none."""
    bus: "BusSettings | None" = None
    """The simulated bus on which it is sent."""
    dbc: tuple[Path, ...] = ()
    channel: str | None = None
    columns: str | None = None
    units: DisplayUnits = METRIC
    light: bool = False


def replay_log(log: str, options: ReplayOptions) -> int:
    """Replay a log and show it; return the exit code.

    Raises:
        InputError: the log, the rig or a definition cannot be used, or options do not go together.
    """
    if log == "-" and options.form == "screen":
        options = replace(options, form="plain")  # the keys of a screen would be read from the log
    speed, channel = options.speed, options.channel
    if options.loop and (log == "-" or speed is None):
        other = "stdin, which can be read once" if log == "-" else "--speed max, which would never end"
        raise InputError(f"--loop does not go with {other}: leave one of them out")
    sends = _sends(options)
    if options.serve is not None and options.bus is not None:
        raise InputError("--serve and --interface cannot go together: choose one")
    if sends and speed is None:
        raise InputError("a log is sent at its times: leave out --speed max, --serve or --interface")
    plan, catalogue = load_plan(options.rig, options.dbc)

    def new_pipeline(start: int, sink: Sink | None = None) -> Pipeline:
        return Pipeline(Watch(catalogue, plan, start), sink or NullSink(), every=options.every)

    open_again = opener(log, columns=columns_of(options.columns, plan))
    if channel is None and log != "-":
        _check_channels(open_again)
    with ExitStack() as resources:
        rounds = resources.enter_context(LogRounds(open_again, *options.part, loop=options.loop, channel=channel))
        sender = resources.enter_context(_sender(options)) if sends else None
        if options.form == "screen" and speed is not None:
            from rvsim.faces.screen.show import show_replay

            name = printable(Path(log).name) + (", sent on a simulated bus" if sends else "")
            replay = ReplayRun(rounds, new_pipeline(0), new_pipeline, catalogue)
            replay.sender = sender
            code = show_replay(name, replay, plan, speed, units=options.units, light=options.light)
        else:
            rounds.begin()
            replay = ReplayRun(rounds, new_pipeline(0, _log_sink(rounds.log, catalogue, plan, options)))
            replay.sender = sender
            if speed is None:
                replay.run_virtual()
            else:
                replay.run_paced(RunControl(speed))
            code = ExitCode.GOOD
        say(*(f"{rounds.log.name}: {text.strip()}" for text in left_out(rounds.log, channel)))
    return code


def _sends(options: ReplayOptions) -> bool:
    return options.serve is not None or options.bus is not None


def _sender(options: ReplayOptions) -> AbstractContextManager[FrameSender]:
    """Return what sends the frames, to be entered."""
    from rvsim.runs.sent_log import send_log, serve_log

    if options.bus is not None:
        say(*options.bus.sentences)
        return send_log(options.bus, say)
    return serve_log(options.serve or "", say)


def _check_channels(open_log: Callable[[], Log]) -> None:
    """Search the first entries of a log for several channels, so that the error comes before anything is shown.

    Raises:
        InputError: there are several.
    """
    with open_log() as log:
        for _ in islice(log.by_channel(), MAX_CHECKED_ENTRIES):
            pass
        if len(log.channels) > 1:
            raise several_channels(log)


def _log_sink(log: Log, catalogue: Catalogue, plan: Rig | None, options: ReplayOptions) -> Sink:
    """Return what shows a log: JSON lines or sentences."""
    if options.form == "json":
        first = log.statistics.started
        started = None if first is None else utc_text(first)
        channel = options.channel or next(iter(log.statistics.channels), "")
        start = start_line("replay", log=printable(log.name), scenario=None, seed=None, started=started)
        return JsonLinesSink(sys.stdout, catalogue, channel, start, every=options.every, sent=_sends(options))
    pace = "as fast as possible" if options.speed is None else f"{options.speed:g} x real time"
    sent = "It is sent on a simulated bus" if _sends(options) else "Nothing is sent"
    opening = f"{log.name}, {log.kind}, {pace}; {rig_text(plan)}. {sent}."
    return Sentences(sys.stdout, (opening,), options.units, plan)
