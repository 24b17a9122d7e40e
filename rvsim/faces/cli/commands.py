"""The command line: reads options, puts a command together, ends with its exit code.

Knows: commands and options. Everything heavy is imported inside the command that needs it, so that help and one
frame taken apart come at once.
"""

import sys
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rvsim.errors import ExitCode, InputError, printable
from rvsim.faces.cli import options, scenario_commands
from rvsim.faces.cli.console import has_terminal, print_as
from rvsim.faces.cli.exits import end_like_ctrl_c, ending, safe_output, say

if TYPE_CHECKING:
    from rvsim.faces.text.display_units import DisplayUnits
    from rvsim.runs.sink import Sink
    from rvsim.shakedown.scenario import LoadedScenario
    from rvsim.sim.bench import Failure
    from rvsim.wire.catalogue import Catalogue

EPILOG = (
    "Start with: rvsim bench. Explanations: rvsim about --guide TOPIC, --words TERM, --keys PART.\n\n"
    "Data goes to stdout, everything else to stderr. ExitCode codes: 0 good, 1 the answer is not good, 2 usage or "
    "unreadable input, 3 the bus could not be opened or was lost, 130 interrupted."
)

app = typer.Typer(
    name="rvsim",
    epilog=EPILOG,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _print_version(wanted: bool) -> None:
    if wanted:
        from rvsim.faces.cli.version import program_version

        print(f"rvsim {program_version()}")
        raise typer.Exit


@app.callback()
def program(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, help="Print the version and exit.")
    ] = False,
) -> None:
    """RV-C-style CAN message simulator and decoder for bench testing."""


def run() -> int:
    """Run the command line; return its exit code."""
    return ending(_code)


def _code() -> int:
    end_like_ctrl_c()
    try:
        with safe_output():
            app(standalone_mode=True)
    except SystemExit as left:
        return left.code if isinstance(left.code, int) else ExitCode.GOOD
    return ExitCode.GOOD


def _leave(code: int) -> None:
    raise typer.Exit(code)


@app.command(
    cls=options.ServeCommand,
    epilog=options.examples(
        "rvsim bench",
        "rvsim bench heater_goes_quiet --seconds 120 --speed 20",
        "rvsim bench --json --record night.log",
    ),
)
def bench(
    scenario: Annotated[
        str, typer.Argument(metavar="SCENARIO", help="A shipped scenario, or a TOML file.")
    ] = "winter_evening",
    plain: options.Plain = False,
    json: options.Json = False,
    every: options.Every = False,
    seconds: options.Seconds = None,
    speed: options.Speed = "1",
    seed: options.Seed = None,
    record: options.Record = None,
    overwrite: options.Overwrite = False,
    serve: options.Serve = None,
    leave_out: options.Except = None,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
    light: options.Light = False,
) -> None:
    """Simulate a vehicle's devices on a bus and decode it live.

    What is missing, late or impossible is shown as a flag, with its evidence and what to try next.
    """
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        form = options.one_form(plain, json, every, has_terminal())
        end, pace = options.microseconds(seconds), options.speed_of(speed)
        return _bench(
            scenario,
            form,
            every,
            end,
            pace,
            options.seed(seed),
            options.recording(record, overwrite),
            serve,
            tuple(leave_out or ()),
            dbc,
            light,
            options.units_of(units),
        )

    _leave(ending(command))


def _bench(
    scenario: str,
    form: str,
    every: bool,
    end: int | None,
    speed: float | None,
    seed: int | None,
    record: Path | None,
    serve: str | None,
    absent: tuple[str, ...],
    dbc: list[Path] | None,
    light: bool,
    units: "DisplayUnits",
) -> int:
    from rvsim.devices.registry import kind_problems, unknown_instances
    from rvsim.logs.formats.jsonl import start_line
    from rvsim.logs.record import Recorder
    from rvsim.runs.bench import CHANNEL, VirtualBenchRun
    from rvsim.runs.control import Control
    from rvsim.runs.paced_bench import PacedBenchRun
    from rvsim.runs.scenario_run import check_absent, load_checked
    from rvsim.runs.served_run import serve_bench

    loaded, catalogue = load_checked(scenario, dbc=dbc or (), absent=absent)
    check_absent(loaded.rig, absent)
    say(*catalogue.left_out, *kind_problems(), *unknown_instances(loaded.rig))
    seed = loaded.scenario.seed if seed is None else seed
    start = start_line(
        command="bench",
        scenario=printable(loaded.name),
        seed=seed,
        started=None if speed is None else datetime.now(UTC).isoformat(timespec="seconds"),
    )
    with ExitStack() as open_things:
        recorder = None
        if record is not None:
            recorder = open_things.enter_context(Recorder(record, catalogue, start=start, channel=CHANNEL, sent=True))
        if speed is None:
            if serve is not None:
                raise InputError("--serve needs time that others can keep up with: leave --speed max out")
            sink = _sink(loaded, catalogue, start, form, every, seed, speed, absent, units)
            virtual = VirtualBenchRun(
                loaded,
                catalogue,
                sink,
                seed=seed,
                recorder=recorder,
                absent=absent,
                every=every,
                on_failure=_say_failure,
            )
            virtual.run(loaded.scenario.lasts if end is None else end)
            return ExitCode.NOT_GOOD if virtual.bench.failures else ExitCode.GOOD
        make: Callable[..., PacedBenchRun] = partial(
            PacedBenchRun, loaded, catalogue, seed=seed, recorder=recorder, absent=absent
        )
        if serve is not None:
            make = open_things.enter_context(serve_bench(serve, make, say))
        if form == "screen":
            from rvsim.faces.screen.show import show_bench

            return show_bench(loaded, make, end, speed, units=units, light=light)
        sink = _sink(loaded, catalogue, start, form, every, seed, speed, absent, units)
        run = make(sink, control=Control(speed), every=every, on_failure=_say_failure)
        run.run(end)
    return ExitCode.NOT_GOOD if run.bench.failures else ExitCode.GOOD


def _say_failure(failure: "Failure") -> None:
    say(failure.sentence)


def _sink(
    loaded: "LoadedScenario",
    catalogue: "Catalogue",
    start: str,
    form: str,
    every: bool,
    seed: int,
    speed: float | None,
    absent: tuple[str, ...],
    units: "DisplayUnits",
) -> "Sink":
    from rvsim.faces.text.output import JsonLinesSink
    from rvsim.faces.text.sentences import Sentences
    from rvsim.runs.bench import CHANNEL

    if form == "json":
        return JsonLinesSink(sys.stdout, catalogue, CHANNEL, start, every)
    simulated = f"all simulated but {', '.join(dict.fromkeys(absent))}" if absent else "all simulated"
    how = "in virtual time" if speed is None else f"through python-can's virtual bus, {speed:g} x real time"
    opening = (
        f"{loaded.name}: {loaded.scenario.title}. {loaded.rig.title}.",
        f"{len(loaded.rig.devices)} devices planned, {simulated}, seed {seed}, {how}.",
    )
    return Sentences(sys.stdout, opening, units)


scenario_commands.add_to(app)


@app.command(
    cls=options.Command,
    epilog=options.examples("rvsim spell 19FFE45E 0100C864FFFFFFFF", "rvsim spell 18EEFF11 40E2C1DD00C8A0C0 --json"),
)
def spell(
    identifier: Annotated[str, typer.Argument(metavar="ID", help="The 29-bit identifier, in hex.")],
    data: Annotated[list[str], typer.Argument(metavar="DATA", help="The data bytes, in hex; blanks do not matter.")],
    json: options.JsonObject = False,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
) -> None:
    """Explain one frame byte by byte, with the arithmetic."""
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.faces.text.spell import as_json, as_text, parse_frame
        from rvsim.wire.database import load_catalogue

        shown = options.units_of(units)
        frame = parse_frame(identifier, " ".join(data))
        catalogue = load_catalogue(dbc or ())
        say(*catalogue.left_out)
        print(as_json(frame, catalogue) if json else "\n".join(as_text(frame, catalogue, shown)))
        return ExitCode.GOOD

    _leave(ending(command))


@app.command(
    cls=options.Command,
    epilog=options.examples("rvsim survey night.log --rig ottersby", "rvsim survey trip.log --draft-rig my_van.toml"),
)
def survey(
    logs: Annotated[list[str], typer.Argument(metavar="LOG...", help='Captured logs; "-" is stdin.')],
    rig: options.Rig = None,
    json: options.Json = False,
    draft_rig: Annotated[
        Path | None, typer.Option("--draft-rig", metavar="FILE", help="Also write a rig learnt from the log to FILE.")
    ] = None,
    channel: options.LogChannel = None,
    begin: options.From = None,
    end: options.To = None,
    device: options.Devices = None,
    message: options.Messages = None,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
) -> None:
    """Summarize captured logs: devices, messages, what is wrong.

    The exit code is 0 whatever is found in them.
    """
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.faces.cli.logs import SurveyOptions, survey_logs

        part = options.part(begin, end)
        asked = SurveyOptions(
            rig, json, draft_rig, dbc or [], channel, part, device or [], message or [], options.units_of(units)
        )
        return survey_logs(logs, asked)

    _leave(ending(command))


@app.command(
    cls=options.Command,
    epilog=options.examples(
        "rvsim replay night.log --rig ottersby --from 600 --speed 20", "rvsim replay night.log --json --speed max"
    ),
)
def replay(
    log: Annotated[str, typer.Argument(metavar="LOG", help='A captured log, whatever its name; "-" is stdin.')],
    plain: options.Plain = False,
    json: options.Json = False,
    every: options.Every = False,
    rig: options.Rig = None,
    speed: options.LogSpeed = "1",
    begin: options.From = None,
    end: options.To = None,
    loop: options.Loop = False,
    channel: options.LogChannel = None,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
    light: options.Light = False,
) -> None:
    """Show a captured log as if it were live; nothing is sent."""
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.faces.cli.logs import replay_log

        form = options.one_form(plain, json, every, has_terminal())
        part = options.part(begin, end)
        return replay_log(
            log,
            form,
            every,
            rig,
            options.speed_of(speed),
            part,
            loop,
            dbc or [],
            channel,
            units=options.units_of(units),
            light=light,
        )

    _leave(ending(command))


@app.command(
    cls=options.Command,
    epilog=options.examples(
        "rvsim listen --interface socketcan --channel can0 --rig ottersby", "rvsim listen --record trip.log --plain"
    ),
)
def listen(
    interface: options.Interface = None,
    channel: options.Channel = None,
    bitrate: options.BitRate = None,
    adapter_option: options.AdapterOptions = None,
    plain: options.Plain = False,
    json: options.Json = False,
    every: options.Every = False,
    rig: options.Rig = None,
    seconds: options.Listening = None,
    record: options.Record = None,
    overwrite: options.Overwrite = False,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
    light: options.Light = False,
) -> None:
    """Decode a bus live; this command never transmits."""
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.edge.settings import resolve
        from rvsim.faces.cli.listen import listen_bus

        form = options.one_form(plain, json, every, has_terminal())
        end = options.microseconds(seconds)
        kept, shown = options.recording(record, overwrite), options.units_of(units)
        settings = resolve(interface, channel, bitrate, adapter_option or ())
        return listen_bus(settings, form, every, rig, end, kept, dbc or [], units=shown, light=light)

    _leave(ending(command))


@app.command(
    cls=options.AboutCommand,
    epilog=options.examples(
        "rvsim about", "rvsim about --guide student", 'rvsim about --words "address claim"', "rvsim about --keys heater"
    ),
)
def about(
    words: Annotated[
        str | None,
        typer.Option("--words", metavar="[TERM]", help="Explain a term of the field or of rvsim; all if omitted."),
    ] = None,
    keys: Annotated[
        str | None,
        typer.Option(
            "--keys",
            metavar="[PART]",
            help="List all keys of a rig, of a scenario, or of the settings of a kind of device. PART: rig, "
            "scenario or the kind, like heater; the parts are listed if omitted.",
        ),
    ] = None,
    guide: Annotated[
        str | None,
        typer.Option("--guide", metavar="[TOPIC]", help="Print a guide; the topics are listed if omitted."),
    ] = None,
    ascii: options.Ascii = False,
) -> None:
    """Explain words, keys and tasks; show versions and interfaces.

    Without an option: versions, where definitions and scenarios were found, and which interfaces can be opened.
    """
    print_as(json=False, ascii_only=ascii)

    def command() -> int:
        from rvsim.faces.cli.about import explained, lines, one_question

        asked = one_question(words=words, keys=keys, guide=guide)
        if asked is not None:
            print("\n".join(explained(*asked)))
            return ExitCode.GOOD
        from rvsim.wire.database import load_catalogue

        print("\n".join(lines(load_catalogue())))
        return ExitCode.GOOD

    _leave(ending(command))
