"""Listening put together from its options: rig, definitions, port, watch, recording, and the form to show it in.

Knows: what `listen` needs and says at its end. Does not know option texts, nor how a bus is gone through (`listen`).
"""

import sys
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

from rvsim.edge.port import Port
from rvsim.edge.settings import BusSettings
from rvsim.errors import ExitCode, printable
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.load_plan import against, planned
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.output import JsonLinesSink
from rvsim.faces.text.sentences import Sentences
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.record import Recorder
from rvsim.runs.control import Control
from rvsim.runs.listen import ListenRun
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.sink import Sink
from rvsim.watch.watch import Watch


def listen_bus(
    settings: BusSettings,
    form: str,
    every: bool,
    rig: str | None,
    end: int | None,
    record: Path | None,
    dbc: list[Path],
    *,
    units: DisplayUnits = METRIC,
    light: bool = False,
) -> int:
    """Listen to a bus in front of a watch; return the exit code.

    Raises:
        InputError: the rig, a definition or the recording cannot be used.
        BusError: the bus could not be opened, or was lost.
    """
    plan, catalogue = planned(rig, dbc)
    say(*settings.sentences)
    channel = settings.interface if settings.channel is None else f"{settings.interface} {settings.channel}"
    channel = printable(channel)
    begun = datetime.now(UTC).isoformat(timespec="seconds")
    start = start_line("listen", bus=channel, scenario=None, seed=None, started=begun)
    watch = Watch(catalogue, plan)
    with ExitStack() as open_things:
        recorder = None
        if record is not None:
            named = printable(str(settings.channel or settings.interface))
            recorder = open_things.enter_context(Recorder(record, catalogue, start=start, channel=named, sent=False))
        port = open_things.enter_context(Port(settings.interface, settings.channel, options=settings.options))

        def listening(sink: Sink, tell: Callable[[str], None]) -> ListenRun:
            hearing = Pipeline(watch, sink, recorder, every=every)
            return ListenRun(port, hearing, channel, settings.options.get("bitrate"), tell, virtual=settings.virtual)

        if form == "screen":
            from rvsim.faces.screen.show import ScreenSink, show_listen

            said: list[str] = []
            code = show_listen(channel, listening(ScreenSink(), said.append), plan, end, said, units=units, light=light)
            say(*said)
        else:
            if form == "json":
                shown: Sink = JsonLinesSink(sys.stdout, catalogue, channel, start, every, sent=False)
            else:
                shown = Sentences(sys.stdout, (f"{channel}, listening; {against(plan)}.",), units)
            shown.flush()
            listening(shown, say).run(end, Control())
            code = ExitCode.GOOD
        counts = port.statistics
        odd = {"spoilt": counts.errors, "left out": counts.skipped, "lost here": counts.dropped}
        more = "".join(f", {number} {what}" for what, number in odd.items() if number)
        say(f"Listening only. Nothing has been sent: {counts.sent} frames sent, {counts.received} heard{more}.")
    return code
