"""The command `listen`: its run is put together from its options: rig, definitions, port, watch, recording and output.

Knows: what `listen` needs, and its last line. Does not know option texts, nor how a run listens (`runs.listen`).
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from rvsim.edge.harmless import require_server
from rvsim.edge.needs import missing_package
from rvsim.edge.port import Port
from rvsim.edge.settings import BusSettings
from rvsim.errors import ExitCode, printable
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.listen_recording import AS_IT_IS, ListenRecording, RecordingOptions
from rvsim.faces.cli.load_plan import load_plan, rig_text
from rvsim.faces.cli.options import Form
from rvsim.faces.cli.touching import read_notes, touch_sink, unrecorded_notes
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.output import JsonLinesSink
from rvsim.faces.text.sentences import Sentences
from rvsim.logs.formats.jsonl import start_line
from rvsim.rig.model import Rig
from rvsim.runs.control import RunControl
from rvsim.runs.listen import ListenRun
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.reopening import ThreadedAttempt
from rvsim.runs.sink import Sink
from rvsim.watch.watch import Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import SECOND_US


@dataclass(frozen=True, kw_only=True)
class ListenOptions:
    """The options of listening; ``end`` is in microseconds since the start, None for no end."""

    form: Form
    every: bool = False
    rig: str | None = None
    end: int | None = None
    record: Path | None = None
    recording: RecordingOptions = AS_IT_IS
    touch: bool = False
    """Whether it is told what moved, and typed notes mark moments."""
    wait: bool = False
    """Whether the interface is waited for, and opened again when it was lost."""
    dbc: tuple[Path, ...] = ()
    units: DisplayUnits = METRIC
    light: bool = False


def listen_bus(settings: BusSettings, options: ListenOptions) -> int:
    """Listen to a bus and show it; return the exit code.

    Raises:
        InputError: the rig, a definition or the recording cannot be used.
        BusError: the bus could not be opened, or was lost.
    """
    plan, catalogue = load_plan(options.rig, options.dbc)
    say(*settings.sentences)
    channel = printable(" ".join(str(part) for part in (settings.interface, settings.channel) if part is not None))
    started = datetime.now(UTC).replace(microsecond=0)
    start = start_line("listen", bus=channel, scenario=None, seed=None, started=started.isoformat())
    watch = Watch(catalogue, plan)

    # An interface whose package is missing does not come by waiting.
    waits = options.wait and missing_package(settings.interface) is None

    def open_port() -> Port:
        if waits:
            require_server(settings)
        return Port(settings.interface, settings.channel, options=settings.options)

    recording = None
    try:
        with ExitStack() as resources:
            if options.record is not None:
                name = printable(str(settings.channel or settings.interface))
                recording = ListenRecording(
                    options.record, catalogue, started, options.recording, bus=channel, name=name, waits=waits
                )
                resources.enter_context(recording.files)
                say(*recording.opening_lines())
            port = None if waits else resources.enter_context(open_port())

            def make_run(sink: Sink, say_line: Callable[[str], None], say_state: Callable[[str], None]) -> ListenRun:
                writer = None if recording is None else recording.writer
                pipeline = Pipeline(watch, sink, writer, every=options.every)
                if recording is not None and recording.around is not None:
                    pipeline.on_flag = recording.around.note_flag
                return ListenRun(
                    port,
                    pipeline,
                    channel,
                    settings.options.get("bitrate"),
                    say_line,
                    virtual=settings.virtual,
                    start_attempt=(lambda: ThreadedAttempt(open_port)) if waits else None,
                    say_state=say_state,
                )

            if options.form == "screen":
                from rvsim.faces.screen.show import ScreenSink, show_listen

                notes = _Notes()
                if recording is not None:
                    recording.say = notes.append
                sink = ScreenSink()
                run = make_run(sink, notes.append, notes.replace_state)
                code = show_listen(
                    channel,
                    run,
                    plan,
                    options.end,
                    notes,
                    touches=sink.touches,
                    units=options.units,
                    light=options.light,
                )
                say(*notes)
            else:
                run = make_run(_sink(catalogue, channel, start, plan, options), say, say)
                try:
                    run.run(options.end, _control(run, options))
                except KeyboardInterrupt:  # the usual end of a run without a time limit
                    say(*_closing_lines(run))
                    raise
                code = ExitCode.GOOD
            say(*_closing_lines(run))
    finally:  # the files are closed
        if recording is not None:
            say(*recording.closing_lines())
    if recording is not None and recording.files.has_stopped and code == ExitCode.GOOD:
        code = ExitCode.NOT_GOOD
    return code


def _sink(catalogue: Catalogue, channel: str, start: str, plan: Rig | None, options: ListenOptions) -> Sink:
    """Return what shows a bus on stdout: JSON lines or sentences, or with ``touch`` what moved."""
    sink: JsonLinesSink | Sentences
    if options.form == "json":
        sink = JsonLinesSink(sys.stdout, catalogue, channel, start, every=options.every, sent=False)
    else:
        sink = Sentences(sys.stdout, (f"{channel}, listening; {rig_text(plan)}.",), options.units, plan)
    sink.flush()
    return touch_sink(sink, plan, options.units, json=options.form == "json") if options.touch else sink


def _control(run: ListenRun, options: ListenOptions) -> RunControl:
    """Return the control of a run; with ``touch`` each line that is typed marks its moment."""
    control = RunControl()

    def mark(note: str) -> None:
        with control.lock:
            run.mark(note)

    if options.touch:
        say(*unrecorded_notes(options.record))
        read_notes(mark)
    return control


class _Notes(list[str]):
    """Lines for the person beside a screen: of those about the interface only the last one is kept."""

    _state: str | None = None

    def replace_state(self, line: str) -> None:
        """Replace the last line about the interface."""
        if self._state is not None and self._state in self:
            self.remove(self._state)
        self._state = line
        self.append(line)


def _closing_lines(run: ListenRun) -> Iterator[str]:
    """Return the last lines: what was not listened to, and that nothing was sent."""
    if run.gap_count:
        gaps = "1 gap" if run.gap_count == 1 else f"{run.gap_count} gaps"
        yield f"nobody listened in {gaps}, together {run.gap_us / SECOND_US:.1f} s"
    if run.lost_at is not None:
        yield f"nobody listened at the end: the interface was not there any more after {run.lost_at / SECOND_US:.1f} s"
    counts = run.statistics
    losses = {"corrupted": counts.errors, "not decoded": counts.skipped, "lost on this machine": counts.dropped}
    others = "".join(f", {number} {what}" for what, number in losses.items() if number)
    yield f"Listening only. Nothing has been sent: {counts.sent} frames sent, {counts.received} received{others}."
