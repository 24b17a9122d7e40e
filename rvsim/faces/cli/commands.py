"""The command line: reads options, runs a command, returns its exit code.

Knows: commands and their options. Does not know how a command works. Heavy modules are imported inside the command
that needs them, so that help and `spell` start at once.
"""

import sys
from collections.abc import Sequence
from copy import copy
from pathlib import Path
from typing import Annotated

import typer
from typer.models import CommandInfo

from rvsim.errors import ExitCode
from rvsim.faces.cli import (
    completion,
    export_command,
    options,
    plan_command,
    practice_command,
    scenario_commands,
    spell_command,
)
from rvsim.faces.cli.command_names import CommandGroup
from rvsim.faces.cli.console import has_terminal, print_as
from rvsim.faces.cli.exits import handle_ending_signals, run_command, safe_output

EPILOG = (
    "Start with: rvsim bench. Explanations: rvsim about --guide TOPIC, --words TERM, --keys PART.\n\n"
    "Data goes to stdout, everything else to stderr. Exit codes: 0 good, 1 the result is not good, 2 usage or "
    "unreadable input, 3 the bus could not be opened or was lost, 130 interrupted."
)

app = typer.Typer(
    name="rvsim",
    cls=CommandGroup,
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
    return run_command(_code)


def _code() -> int:
    handle_ending_signals()
    try:
        if completion.is_completing():
            completion.complete(app)
            return ExitCode.GOOD
        with safe_output():
            # Colours are control characters, which would be replaced.
            app_for(sys.argv[1:])(standalone_mode=True, color=False)
    except SystemExit as exit_request:
        return exit_request.code if isinstance(exit_request.code, int) else ExitCode.GOOD
    return ExitCode.GOOD


def app_for(words: Sequence[str]) -> typer.Typer:
    """Return the application with the one command that the first word names, with all where it names none.

    Reading the options of all commands takes longer than a short command itself.
    """
    named = [one for one in app.registered_commands if one.callback is not None and words[:1] == [_name(one)]]
    if not named:
        return app
    short = copy(app)
    short.registered_commands = named
    return short


def _name(command: CommandInfo) -> str | None:
    return command.name or (command.callback.__name__ if command.callback is not None else None)


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
        str,
        typer.Argument(
            metavar="SCENARIO", help="A shipped scenario, or a TOML file.", autocompletion=completion.scenarios
        ),
    ] = "winter_evening",
    plain: options.Plain = False,
    json: options.Json = False,
    every: options.Every = False,
    seconds: options.Seconds = None,
    speed: options.Speed = "1",
    seed: options.Seed = None,
    touch: options.Touch = False,
    record: options.Record = None,
    overwrite: options.Overwrite = False,
    record_around_flags: options.RecordAroundFlags = None,
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
        from rvsim.faces.cli.bench import BenchOptions, run_bench

        requested = BenchOptions(
            form=options.output_form(plain=plain, json=json, every=every, terminal=has_terminal() and not touch),
            every=every,
            end=options.microseconds(seconds),
            speed=options.speed_of(speed),
            seed=options.seed(seed),
            record=options.recording(record, overwrite=overwrite),
            around_us=options.around_flags(record_around_flags, record),
            touch=touch,
            serve=serve,
            absent=tuple(leave_out or ()),
            dbc=tuple(dbc or ()),
            units=options.units_of(units),
            light=light,
        )
        return run_bench(scenario, requested)

    _leave(run_command(command))


scenario_commands.add_to(app)


spell_command.add_to(app)
practice_command.add_to(app)


@app.command(
    cls=options.Command,
    epilog=options.examples(
        "rvsim survey night.log --rig ottersby --brief",
        "rvsim survey *.log --rig ottersby",
        "rvsim survey trip.log --draft-rig my_van.toml",
    ),
)
def survey(
    logs: Annotated[list[str], typer.Argument(metavar="LOG...", help='Captured logs; "-" is stdin.')],
    rig: options.Rig = None,
    json: options.Json = False,
    brief: Annotated[
        bool,
        typer.Option("--brief", help="Print one paragraph to send to somebody: cause, evidence, next step, doubt."),
    ] = False,
    signals: Annotated[
        bool,
        typer.Option(
            "--signals",
            help="Also list every field: lowest, highest and last value, changes, and since when it is unchanged. With "
            "--device or --message it is there in any case.",
        ),
    ] = False,
    draft_rig: Annotated[
        Path | None, typer.Option("--draft-rig", metavar="FILE", help="Also write a rig learnt from the log to FILE.")
    ] = None,
    html: options.Html = None,
    overwrite: options.OverwritePage = False,
    channel: options.LogChannel = None,
    columns: options.Columns = None,
    start: options.From = None,
    end: options.To = None,
    device: options.Devices = None,
    message: options.Messages = None,
    together: Annotated[
        bool, typer.Option("--together", help="With --json and several logs: also one object for all of them.")
    ] = False,
    processes: options.LogProcesses = None,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
) -> None:
    """Summarize captured logs: devices, messages, what is wrong.

    The first lines say what is wrong, the rest are the details. Several logs have an answer each, then one together.
    The exit code is 0 whatever is found in them.
    """
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.faces.cli.survey_command import SurveyOptions, survey_logs

        requested = SurveyOptions(
            rig=rig,
            json=json,
            brief=brief,
            signals=signals,
            together=together,
            processes=options.above_0("--processes", processes),
            draft=draft_rig,
            dbc=tuple(dbc or ()),
            channel=channel,
            columns=columns,
            part=options.log_part(start, end),
            devices=tuple(device or ()),
            messages=tuple(message or ()),
            units=options.units_of(units),
            html=html,
            overwrite=overwrite,
        )
        return survey_logs(logs, requested)

    _leave(run_command(command))


@app.command(
    cls=options.Command,
    epilog=options.examples(
        "rvsim compare before.log after.log", "rvsim compare good.log bad.log --rig ottersby --from 60 --json"
    ),
)
def compare(
    before: Annotated[str, typer.Argument(metavar="BEFORE", help='A captured log; "-" is stdin.')],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="The log that is compared with it.")],
    rig: options.Rig = None,
    json: options.JsonObject = False,
    channel: Annotated[
        list[str] | None,
        typer.Option(
            "--channel", metavar="NAME", help="Compare this channel of both logs; twice: one of each, in their order."
        ),
    ] = None,
    html: options.Html = None,
    overwrite: options.OverwritePage = False,
    columns: options.Columns = None,
    start: options.From = None,
    end: options.To = None,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
) -> None:
    """Compare two logs: what is new, gone or changed.

    Devices, messages, instances, gaps, ranges, values at rest, bus load and trouble. A device is known by the rig, its
    NAME or its functions, never by its address alone. The exit code is 0 if nothing differs, else 1.
    """
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.faces.cli.compare_command import CompareOptions, compare_logs

        requested = CompareOptions(
            rig=rig,
            json=json,
            dbc=tuple(dbc or ()),
            channels=tuple(channel or ()),
            columns=columns,
            part=options.log_part(start, end),
            units=options.units_of(units),
            html=html,
            overwrite=overwrite,
        )
        return compare_logs(before, after, requested)

    _leave(run_command(command))


@app.command(
    cls=options.ServeCommand,
    epilog=options.examples(
        "rvsim replay night.log --rig ottersby --from 600 --speed 20", "rvsim replay night.log --serve 29536 --loop"
    ),
)
def replay(
    log: Annotated[str, typer.Argument(metavar="LOG", help='A captured log, whatever its name; "-" is stdin.')],
    plain: options.Plain = False,
    json: options.Json = False,
    every: options.Every = False,
    rig: options.Rig = None,
    speed: options.LogSpeed = "1",
    start: options.From = None,
    end: options.To = None,
    loop: options.Loop = False,
    channel: options.LogChannel = None,
    serve: options.ServeLog = None,
    interface: options.SimulatedInterface = None,
    bus_channel: options.BusChannel = None,
    adapter_option: options.AdapterOptions = None,
    columns: options.Columns = None,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
    light: options.Light = False,
) -> None:
    """Show a captured log as if it were live.

    Nothing is sent, unless --serve or --interface ask for it, and then on simulated buses only.
    """
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.faces.cli.logs import ReplayOptions, replay_log

        requested = ReplayOptions(
            form=options.output_form(plain=plain, json=json, every=every, terminal=has_terminal()),
            every=every,
            rig=rig,
            speed=options.speed_of(speed),
            part=options.log_part(start, end),
            loop=loop,
            dbc=tuple(dbc or ()),
            channel=channel,
            serve=serve,
            bus=options.sending_bus(interface, bus_channel, adapter_option or ()),
            columns=columns,
            units=options.units_of(units),
            light=light,
        )
        return replay_log(log, requested)

    _leave(run_command(command))


export_command.add_to(app)
plan_command.add_to(app)


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
    touch: options.Touch = False,
    wait: options.Wait = False,
    record: options.Record = None,
    overwrite: options.Overwrite = False,
    record_around_flags: options.RecordAroundFlags = None,
    record_every: options.RecordEvery = None,
    record_max: options.RecordMax = None,
    redact: options.Redact = False,
    keep_unknown: options.KeepUnknown = False,
    dbc: options.Dbc = None,
    units: options.Units = "metric",
    ascii: options.Ascii = False,
    light: options.Light = False,
) -> None:
    """Decode a bus live; this command never transmits."""
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from rvsim.edge.settings import resolve
        from rvsim.faces.cli.listen import ListenOptions, listen_bus
        from rvsim.faces.cli.listen_recording import RecordingOptions

        requested = ListenOptions(
            form=options.output_form(plain=plain, json=json, every=every, terminal=has_terminal() and not touch),
            every=every,
            rig=rig,
            end=options.microseconds(seconds),
            touch=touch,
            wait=wait,
            record=options.recording(record, overwrite=overwrite, in_files=bool(record_every or record_max)),
            recording=RecordingOptions(
                every_us=options.recording_period(record_every),
                max_bytes=options.recording_size(record_max),
                around_us=options.around_flags(record_around_flags, record),
                redact=options.redaction(record, redact=redact, keep_unknown=keep_unknown),
                keep_unknown=keep_unknown,
            ),
            dbc=tuple(dbc or ()),
            units=options.units_of(units),
            light=light,
        )
        return listen_bus(resolve(interface, channel, bitrate, adapter_option or ()), requested)

    _leave(run_command(command))


@app.command(
    cls=options.AboutCommand,
    epilog=options.examples(
        "rvsim about", "rvsim about --guide student", 'rvsim about --words "address claim"', "rvsim about --keys heater"
    ),
)
def about(
    words: Annotated[
        str | None,
        typer.Option(
            "--words",
            metavar="[TERM]",
            help="Explain a term of the field or of rvsim; all if omitted.",
            autocompletion=completion.terms,
        ),
    ] = None,
    keys: Annotated[
        str | None,
        typer.Option(
            "--keys",
            metavar="[PART]",
            help="List all keys of a rig, of a scenario, or of the settings of a kind of device. PART: rig, "
            "scenario or the kind, like heater; the parts are listed if omitted.",
            autocompletion=completion.parts_with_keys,
        ),
    ] = None,
    guide: Annotated[
        str | None,
        typer.Option(
            "--guide",
            metavar="[TOPIC]",
            help="Print a guide; the topics are listed if omitted.",
            autocompletion=completion.topics,
        ),
    ] = None,
    schema: Annotated[
        str | None,
        typer.Option(
            "--schema", metavar="[FILE]", help="Print the JSON schema of a rig or scenario file, for an editor."
        ),
    ] = None,
    ascii: options.Ascii = False,
) -> None:
    """Explain words, keys and tasks; show versions and interfaces.

    Without an option: versions, where definitions and scenarios were found, and which interfaces can be opened.
    """
    print_as(json=False, ascii_only=ascii)

    def command() -> int:
        from rvsim.faces.cli.about import explanation, lines, requested_explanation

        requested = requested_explanation(words=words, keys=keys, guide=guide, schema=schema)
        if requested is not None:
            print("\n".join(explanation(*requested)))
            return ExitCode.GOOD
        from rvsim.wire.database import load_catalogue

        print("\n".join(lines(load_catalogue())))
        return ExitCode.GOOD

    _leave(run_command(command))
