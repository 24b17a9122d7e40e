"""The options of the commands, and how their values are read.

Knows: option names, help texts and the checks of a single value. Does not know what a command does with them.
"""

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer
from typer.core import TyperCommand

from rvsim.errors import InputError
from rvsim.faces.cli import completion
from rvsim.wire.frame import SECOND_US

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rvsim.edge.settings import BusSettings
    from rvsim.faces.text.display_units import DisplayUnits

Form = Literal["json", "plain", "screen"]
"""How a run is shown: JSON lines, sentences, or the live screen."""
MIN_SPEED = 1e-6
"""Simulated seconds per real second. Our choice: one simulated second takes at most eleven days, so no wait is endless.
"""
_DIGITS = re.compile(r"-?[0-9]{1,30}")
_SIZE = re.compile(r"(\d{1,9}(?:\.\d{1,3})?) ?(kB|MB|GB)", re.ASCII | re.IGNORECASE)
_SIZE_UNITS = {"kb": 10**3, "mb": 10**6, "gb": 10**9}

Plain = Annotated[
    bool,
    typer.Option("--plain", help="Print a sentence for each change and each flag, instead of the live screen."),
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON lines, for a program to read.")]
JsonObject = Annotated[bool, typer.Option("--json", help="Print one JSON object, for a program to read.")]
Ascii = Annotated[
    bool, typer.Option("--ascii", help="Print plain ASCII, for a terminal or printer without other signs: deg C, x.")
]
Light = Annotated[
    bool,
    typer.Option(
        "--light",
        help="Draw the live screen for a light background; if omitted, as the terminal says (COLORFGBG), else dark.",
    ),
]
Units = Annotated[
    str,
    typer.Option(
        "--units",
        metavar="metric|us",
        help="Units of values that are shown; JSON and files stay metric.",
        autocompletion=completion.units,
    ),
]
Every = Annotated[bool, typer.Option("--every", help="With --json: all frames and readings, not only changes.")]
Seconds = Annotated[
    float | None,
    typer.Option(
        "--seconds",
        metavar="N",
        help="Simulated seconds to run; runs until quit if omitted, or with --speed max to the end of the scenario.",
    ),
]
Listening = Annotated[
    float | None, typer.Option("--seconds", metavar="N", help="Seconds to listen; runs until quit if omitted.")
]
Wait = Annotated[
    bool,
    typer.Option(
        "--wait",
        help="Wait for an interface that is not there, and open it again when it was lost; the gap is told, and nobody "
        "is called silent for it.",
    ),
]
Rig = Annotated[
    str | None,
    typer.Option(
        "--rig",
        metavar="RIG",
        help="Compare with this planned vehicle: a shipped rig, or a TOML file.",
        autocompletion=completion.rigs,
    ),
]
From = Annotated[
    float | None,
    typer.Option(
        "--from",
        metavar="S",
        help="Show from S seconds after the log's first frame on; frames before that are read, but not shown.",
    ),
]
To = Annotated[float | None, typer.Option("--to", metavar="S", help="End S seconds after the log's first frame.")]
LogChannel = Annotated[
    str | None,
    typer.Option(
        "--channel", metavar="NAME", help="Read this channel of the log only; each channel is a bus of its own."
    ),
]
Columns = Annotated[
    str | None,
    typer.Option(
        "--columns",
        metavar="LIST",
        help="For a log that is a table: its columns, like time=1,id=2,data=4- or time=Zeit:ms,id=ID:dec,data=Data; "
        "also length, channel. The rig's if omitted.",
    ),
]
Devices = Annotated[
    list[str] | None,
    typer.Option(
        "--device",
        metavar="DEVICE",
        help="Show this device only: its name in the rig, or its address in hex. Repeatable.",
        autocompletion=completion.devices_of_rig,
    ),
]
Messages = Annotated[
    list[str] | None,
    typer.Option(
        "--message",
        metavar="MESSAGE",
        help="Show this message only: its name, or its DGN in hex. Repeatable.",
        autocompletion=completion.messages,
    ),
]
LogProcesses = Annotated[
    int | None,
    typer.Option("--processes", metavar="N", help="Logs to read at once, in processes; one per processor if omitted."),
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="With --record: replace FILE if it exists.")]
Html = Annotated[
    Path | None,
    typer.Option("--html", metavar="FILE", help="Also write a page to FILE: one file, complete without a network."),
]
OverwritePage = Annotated[bool, typer.Option("--overwrite", help="With --html: replace FILE if it exists.")]
Loop = Annotated[bool, typer.Option("--loop", help="Start again at the end of the log, until quit.")]
Speed = Annotated[
    str,
    typer.Option(
        "--speed",
        metavar="X",
        help='Simulated seconds per real second; "max": as fast as possible, shown as sentences.',
    ),
]
LogSpeed = Annotated[
    str,
    typer.Option(
        "--speed",
        metavar="X",
        help='Seconds of the log per real second; "max": as fast as possible, shown as sentences.',
    ),
]
Seed = Annotated[
    str | None,
    typer.Option(
        "--seed",
        metavar="N",
        help="Seed of everything random; the same seed gives the same run. The scenario's if omitted.",
    ),
]
Record = Annotated[
    Path | None,
    typer.Option(
        "--record", metavar="FILE", help="Also write all frames to FILE (.jsonl, .log, .asc, .csv, .trc or .blf)."
    ),
]
RecordEvery = Annotated[
    str | None,
    typer.Option(
        "--record-every",
        metavar="TIME",
        help="With --record: go on in a new file after each TIME, like 1h; each file is named by the moment at which "
        "it was begun, in UTC, and a number. No file is replaced or deleted.",
    ),
]
RecordMax = Annotated[
    str | None,
    typer.Option(
        "--record-max",
        metavar="SIZE",
        help="With --record: go on in a new file before one grows above SIZE, like 100MB. With all files 200 MB of the "
        "disk stay free: there the recording stops, and listening goes on.",
    ),
]
RecordAroundFlags = Annotated[
    str | None,
    typer.Option(
        "--record-around-flags",
        metavar="TIME",
        help="With --record: keep only what is within TIME, like 30s, before and after each flag.",
    ),
]
Touch = Annotated[
    bool,
    typer.Option(
        "--touch",
        help="Tell what moved when something was touched: which function and instance, by how much against what it "
        "does by itself, and what the rig calls it. It first learns for 10 s what moves by itself, and says on stderr "
        "when it is ready. Type a note and Enter to mark the moment, in the recording too.",
    ),
]
Redact = Annotated[
    bool,
    typer.Option(
        "--redact",
        help="With --record: record without serial numbers, NAMEs, texts, VIN and positions; each is replaced by the "
        "same other one in all files of this run.",
    ),
]
KeepUnknown = Annotated[
    bool,
    typer.Option(
        "--keep-unknown",
        help="With --redact: keep the data of unknown and proprietary messages, which are blanked else.",
    ),
]
Serve = Annotated[
    str | None,
    typer.Option(
        "--serve",
        metavar="[HOST:PORT]",
        help="Also offer the bus to other programs on this machine, for python-can's socketcand client. A port is "
        "enough; 0: any free port; 29536 if omitted.",
    ),
]
ServeLog = Annotated[
    str | None,
    typer.Option(
        "--serve",
        metavar="[HOST:PORT]",
        help="Also send the frames to other programs on this machine, for python-can's socketcand client, each at its "
        "time. A port is enough; 0: any free port; 29536 if omitted.",
    ),
]
SimulatedInterface = Annotated[
    str | None,
    typer.Option(
        "--interface",
        metavar="NAME",
        help="Also send the frames, each at its time, on a simulated bus: virtual, or socketcand for a hub of rvsim on "
        "this machine. A bus that may be real is refused.",
    ),
]
BusChannel = Annotated[
    str | None,
    typer.Option("--bus-channel", metavar="NAME", help="With --interface: the channel to send on; rvsim if omitted."),
]
Except = Annotated[
    list[str] | None,
    typer.Option(
        "--except",
        metavar="DEVICE",
        help="Do not simulate this device: another program or a real device takes its place. Repeatable.",
        autocompletion=completion.devices_of_scenario,
    ),
]
Interface = Annotated[
    str | None,
    typer.Option("--interface", metavar="NAME", help="The interface, as python-can names it, like socketcan or slcan."),
]
Channel = Annotated[
    str | None, typer.Option("--channel", metavar="NAME", help="The channel of the interface, like can0 or COM5.")
]
BitRate = Annotated[
    int | None, typer.Option("--bitrate", metavar="N", help="Bits per second; 250000 if omitted, the bit rate of RV-C.")
]
AdapterOptions = Annotated[
    list[str] | None,
    typer.Option("--adapter-option", metavar="K=V", help="Another option of the interface's driver. Repeatable."),
]
Dbc = Annotated[
    list[Path] | None,
    typer.Option(
        "--dbc", metavar="FILE", help="Your own message definitions; they replace the shipped ones. Repeatable."
    ),
]


def examples(*commands: str) -> str:
    """Return the end of a command's help: its examples, one a line."""
    return "\n".join(("\b", "Examples:", *(f"  {command}" for command in commands)))


class Command(TyperCommand):
    """A command whose usage line shows its arguments as they are typed; some of its options need no value."""

    optional_value: tuple[str, ...] = ()
    """Options that may stand without a value; their value is "" then."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Return the parts of the usage line: required arguments without braces."""
        return [piece.strip("{}") for piece in super().collect_usage_pieces(ctx)]

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Add an empty value to each option that stands without one, and parse as usual."""
        typed = args[: args.index("--")] if "--" in args else args
        filled = [
            f"{word}=" if word in self.optional_value and (typed[place:] or ["-"])[0].startswith("-") else word
            for place, word in enumerate(typed, start=1)
        ]
        return super().parse_args(ctx, [*filled, *args[len(typed) :]])


class ServeCommand(Command):
    """A command that serves a bus."""

    optional_value = ("--serve",)


class AboutCommand(Command):
    """The command that explains words, keys and tasks: all of them, or the named one."""

    optional_value = ("--words", "--keys", "--guide", "--schema")


def seed(text: str | None, runs: int = 1) -> int | None:
    """Return the seed of an option, the first of ``runs`` seeds in a row.

    Raises:
        InputError: it, or the last of them, is not a valid seed.
    """
    from rvsim.rig.quantity import check_seed

    if text is None:
        return None
    try:
        first = check_seed(int(text) if _DIGITS.fullmatch(text) else text)
        check_seed(first + runs - 1)
    except ValueError as error:
        raise InputError(f"--seed: {error}") from None
    return first


def microseconds(seconds: float | None, option: str = "--seconds") -> int | None:
    """Return the seconds of an option in microseconds.

    Raises:
        InputError: it is below 0, above 1000000000, or not a number.
    """
    if seconds is None:
        return None
    if not 0 <= seconds <= 1e9:
        raise InputError(f"{option} {seconds:g}: give a number from 0 to 1000000000")
    return round(seconds * SECOND_US)


def above_0(option: str, number: int | None) -> int | None:
    """Return the number of an option; None where it is omitted.

    Raises:
        InputError: it is below 1.
    """
    if number is not None and number < 1:
        raise InputError(f"{option} {number}: give a number above 0")
    return number


def log_part(start: float | None, end: float | None) -> tuple[int, int | None]:
    """Return the part of a log that ``--from`` and ``--to`` name, in microseconds; an end of None is that of the log.

    Raises:
        InputError: it ends before it starts, or one of them is not a time.
    """
    first, last = microseconds(start, "--from") or 0, microseconds(end, "--to")
    if last is not None and last <= first:
        raise InputError(f"--to {end:g}: give more than {first / SECOND_US:g}, the start of the part")
    return first, last


def recording(path: Path | None, *, overwrite: bool, in_files: bool = False) -> Path | None:
    """Return the file to record to; None for no recording. ``in_files``: a row of files is made, with new names.

    Raises:
        InputError: the file exists and ``overwrite`` is off, or ``overwrite`` is on without a file or for new files.
    """
    if path is None and in_files:
        raise InputError("--record-every and --record-max go with --record FILE: add it, or leave them out")
    if overwrite and in_files:
        raise InputError("--overwrite does not go with --record-every and --record-max, which replace no file")
    if in_files:
        return path
    if path is None and overwrite:
        raise InputError("--overwrite goes with --record FILE: add it, or leave --overwrite out")
    try:
        exists = path is not None and path.is_file()
    except (OSError, ValueError):  # not a valid name: the error comes when it is opened
        exists = False
    if exists and not overwrite:
        raise InputError(f"--record {path}: the file exists: name another one, or replace it with --overwrite")
    return path


def speed_of(text: str) -> float | None:
    """Return simulated seconds per real second; None for "max".

    Raises:
        InputError: neither "max" nor a number from ``MIN_SPEED`` to 1000000.
    """
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not MIN_SPEED <= speed <= 1e6:
        raise InputError(
            f'--speed {text}: give a number from 0.000001 to 1000000 (1 is real time, 20 is twenty times), or "max"'
        )
    return speed


def units_of(text: str) -> "DisplayUnits":
    """Return the units that an option names.

    Raises:
        InputError: there are no units of this name.
    """
    from rvsim.faces.text.display_units import BY_NAME

    if text not in BY_NAME:
        raise InputError(f"--units {text}: give metric, or us for °F, US gallons and psi")
    return BY_NAME[text]


def output_form(*, plain: bool, json: bool, every: bool, terminal: bool) -> Form:
    """Return the form in which a run is shown; the screen only where there is a terminal.

    Raises:
        InputError: the options exclude each other.
    """
    if plain and json:
        raise InputError("--plain and --json cannot go together: choose one")
    if every and not json:
        raise InputError("--every goes with --json: add it, or leave --every out")
    return "json" if json else "plain" if plain or not terminal else "screen"


def redaction(record: Path | None, *, redact: bool, keep_unknown: bool) -> bool:
    """Return whether a recording is made anonymous.

    Raises:
        InputError: nothing is recorded, or ``keep_unknown`` is on without ``redact``.
    """
    if redact and record is None:
        raise InputError("--redact goes with --record FILE: add it, or leave --redact out")
    if keep_unknown and not redact:
        raise InputError("--keep-unknown goes with --redact: add it, or leave --keep-unknown out")
    return redact


def _duration_us(option: str, text: str) -> int:
    """Return the duration that an option names, in microseconds.

    Raises:
        InputError: it is none.
    """
    from rvsim.rig.quantity import parse_duration_us

    try:
        return parse_duration_us(text)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from None


def recording_period(text: str | None) -> int | None:
    """Return the time after which a new file begins, in microseconds; None without the option.

    Raises:
        InputError: it is not a duration, or shorter than 10 s.
    """
    from rvsim.logs.long_recording import MIN_FILE_US

    if text is None:
        return None
    period = _duration_us("--record-every", text)
    if period < MIN_FILE_US:
        raise InputError(f"--record-every {text}: give at least {MIN_FILE_US // SECOND_US}s")
    return period


def around_flags(text: str | None, record: Path | None) -> int | None:
    """Return the time that is kept before and after each flag, in microseconds; None without the option.

    Raises:
        InputError: nothing is recorded, or it is not a duration from 1 s to 10 min.
    """
    from rvsim.logs.around_flags import MAX_SPAN_US, MIN_SPAN_US

    if text is None:
        return None
    if record is None:
        raise InputError("--record-around-flags goes with --record FILE: add it, or leave it out")
    span = _duration_us("--record-around-flags", text)
    if not MIN_SPAN_US <= span <= MAX_SPAN_US:
        raise InputError(f"--record-around-flags {text}: give 1s to 10min")
    return span


def recording_size(text: str | None) -> int | None:
    """Return the size at which a new file begins, in bytes; None without the option.

    Raises:
        InputError: it is not a size, or below 100 kB.
    """
    from rvsim.logs.long_recording import MIN_FILE_BYTES

    if text is None:
        return None
    match = _SIZE.fullmatch(text)
    if match is None:
        raise InputError(f'--record-max {text}: write a number and its unit, kB, MB or GB, like "100MB"')
    size = round(float(match[1]) * _SIZE_UNITS[match[2].lower()])
    if size < MIN_FILE_BYTES:
        raise InputError(f"--record-max {text}: give at least {MIN_FILE_BYTES // 1000}kB")
    return size


def sending_bus(interface: str | None, channel: str | None, adapter_options: "Sequence[str]") -> "BusSettings | None":
    """Return the bus on which a log is sent; None without one.

    Raises:
        InputError: options of a bus without an interface, or an option that it does not have.
    """
    from rvsim.edge.settings import resolve

    if interface is None:
        if channel is not None or adapter_options:
            name = "--bus-channel" if channel is not None else "--adapter-option"
            raise InputError(f"{name} goes with --interface: name one, or leave {name} out")
        return None
    return resolve(interface, channel or "rvsim", None, adapter_options)
