"""What the options of the commands may be, and how their texts are read.

Knows: option names, help and the checks of a single value. Does not know what a command does with them.
"""

import re
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand

from rvsim.errors import InputError
from rvsim.wire.frame import SECOND_US

SLOWEST = 1e-6
"""Simulated seconds for each real one at least; our choice: eleven days for a second, and no wait is endless."""
_DIGITS = re.compile(r"-?[0-9]{1,30}")

Plain = Annotated[
    bool, typer.Option("--plain", help="A sentence for each change and each flag instead of the live screen.")
]
Json = Annotated[bool, typer.Option("--json", help="JSON lines, for a program.")]
Ascii = Annotated[
    bool, typer.Option("--ascii", help="Plain ASCII: deg C and x for signs that your terminal or printer lacks.")
]
Every = Annotated[bool, typer.Option("--every", help="With --json: every frame and every reading, not only changes.")]
Seconds = Annotated[
    float | None,
    typer.Option(
        "--seconds", metavar="N", help="Simulated seconds to run; without it until you leave, or the scenario's length."
    ),
]
Listening = Annotated[
    float | None, typer.Option("--seconds", metavar="N", help="Seconds to listen; without it until you leave.")
]
Rig = Annotated[
    str | None, typer.Option("--rig", metavar="RIG", help="Hold what is heard against this rig: a name, or a file.")
]
From = Annotated[
    float | None,
    typer.Option("--from", metavar="S", help="Begin so many seconds after the log's first frame; the rest is heard."),
]
To = Annotated[float | None, typer.Option("--to", metavar="S", help="End so many seconds after the log's first frame.")]
LogChannel = Annotated[
    str | None,
    typer.Option("--channel", metavar="NAME", help="One channel of the log; each channel is a bus of its own."),
]
Devices = Annotated[
    list[str] | None,
    typer.Option(
        "--device",
        metavar="DEVICE",
        help="Tell of this device: its name in the rig, or its address in hex. Repeatable.",
    ),
]
Messages = Annotated[
    list[str] | None,
    typer.Option("--message", metavar="MESSAGE", help="Tell of this message: its name, or its DGN in hex. Repeatable."),
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="With --record: replace FILE if it is there already.")]
Loop = Annotated[bool, typer.Option("--loop", help="Begin again at the end, until you leave.")]
Speed = Annotated[
    str,
    typer.Option(
        "--speed",
        metavar="X",
        help='Simulated seconds, or seconds of a log, for each real one; "max" waits for nothing, and shows sentences.',
    ),
]
Seed = Annotated[
    str | None, typer.Option("--seed", metavar="N", help="Another seed than the scenario's for all that is random.")
]
Record = Annotated[
    Path | None, typer.Option("--record", metavar="FILE", help="Also write all frames to FILE (.jsonl, .log or .asc).")
]
Serve = Annotated[
    str | None,
    typer.Option(
        "--serve",
        metavar="[HOST:PORT]",
        help="Also serve the bus on this machine's loopback, for python-can's socketcand client; a port will do, 0 is "
        "any that is free, and without one it is 29536.",
    ),
]
Except = Annotated[
    list[str] | None,
    typer.Option(
        "--except", metavar="DEVICE", help="Do not simulate this planned device: another takes its place. Repeatable."
    ),
]
Interface = Annotated[
    str | None,
    typer.Option("--interface", metavar="NAME", help="The python-can interface, as python-can's configuration has it."),
]
Channel = Annotated[str | None, typer.Option("--channel", metavar="NAME", help="The channel of the interface.")]
BitRate = Annotated[
    int | None, typer.Option("--bitrate", metavar="N", help="Bits per second; 250000 on RV-C, and without this option.")
]
AdapterOptions = Annotated[
    list[str] | None,
    typer.Option("--adapter-option", metavar="K=V", help="Something else that the driver takes. May be repeated."),
]
Dbc = Annotated[
    list[Path] | None,
    typer.Option("--dbc", metavar="FILE", help="Your own message definitions; they replace ours. May be repeated."),
]


class WithServe(TyperCommand):
    """A command whose ``--serve`` may stand without a value."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Give a bare ``--serve`` an empty value, and read what was typed as ever."""
        typed = args[: args.index("--")] if "--" in args else args
        filled = [
            "--serve=" if word == "--serve" and (typed[place:] or ["-"])[0].startswith("-") else word
            for place, word in enumerate(typed, start=1)
        ]
        return super().parse_args(ctx, [*filled, *args[len(typed) :]])


def seed(text: str | None, runs: int = 1) -> int | None:
    """Return the seed of an option, the first of so many in a row.

    Raises:
        InputError: it, or the last of them, is none.
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
        InputError: it is below 0, or no number.
    """
    if seconds is None:
        return None
    if not 0 <= seconds <= 1e9:
        raise InputError(f"{option} {seconds:g}: give a number from 0 to 1000000000")
    return round(seconds * SECOND_US)


def part(begin: float | None, end: float | None) -> tuple[int, int | None]:
    """Return the part of a log that ``--from`` and ``--to`` name, in microseconds.

    Raises:
        InputError: it ends before it begins, or one of them is no time.
    """
    first, last = microseconds(begin, "--from") or 0, microseconds(end, "--to")
    if last is not None and last <= first:
        raise InputError(f"--to {end:g}: give more than {first / SECOND_US:g}, where it begins")
    return first, last


def recording(path: Path | None, overwrite: bool) -> Path | None:
    """Return where to record to.

    Raises:
        InputError: the file is there and is not to be replaced, or there is nothing to replace.
    """
    if path is None and overwrite:
        raise InputError("--overwrite goes with --record FILE: add it, or leave --overwrite out")
    try:
        is_there = path is not None and path.is_file()
    except (OSError, ValueError):  # no name: whoever opens it says so
        is_there = False
    if is_there and not overwrite:
        raise InputError(f"--record {path}: the file is there already: name another, or replace it by --overwrite")
    return path


def speed_of(text: str) -> float | None:
    """Return how fast simulated time runs, None for "max".

    Raises:
        InputError: neither "max" nor a number that a clock can follow.
    """
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not SLOWEST <= speed <= 1e6:
        raise InputError(
            f'--speed {text}: give a number from 0.000001 to 1000000 (1 is real time, 20 is twenty times), or "max"'
        )
    return speed


def one_form(plain: bool, json: bool, every: bool, terminal: bool) -> str:
    """Return the form to show a run in: ``json``, ``plain``, or ``screen`` where there is a terminal to draw on.

    Raises:
        InputError: they do.
    """
    if plain and json:
        raise InputError("--plain and --json cannot go together: choose one")
    if every and not json:
        raise InputError("--every goes with --json: add it, or leave --every out")
    return "json" if json else "plain" if plain or not terminal else "screen"
