"""What the options of the commands may be, and how their texts are read.

Knows: option names, help and the checks of a single value. Does not know what a command does with them.
"""

from pathlib import Path
from typing import Annotated

import typer

from rvsim.errors import InputError

MICRO = 1_000_000

Plain = Annotated[
    bool, typer.Option("--plain", help="A sentence for each change and each flag instead of the live screen.")
]
Json = Annotated[bool, typer.Option("--json", help="JSON lines, for a program.")]
Every = Annotated[bool, typer.Option("--every", help="With --json: every frame and every reading, not only changes.")]
Seconds = Annotated[
    float | None,
    typer.Option(
        "--seconds", metavar="N", help="Simulated seconds to run; without it until you leave, or the scenario's length."
    ),
]
Speed = Annotated[
    str,
    typer.Option(
        "--speed",
        metavar="X",
        help='Simulated seconds for each real one; "max" waits for nothing, and shows sentences.',
    ),
]
Seed = Annotated[
    int | None, typer.Option("--seed", metavar="N", help="Another seed than the scenario's for all that is random.")
]
Record = Annotated[
    Path | None, typer.Option("--record", metavar="FILE", help="Also write all frames to FILE (.jsonl or .log).")
]
Dbc = Annotated[
    list[Path] | None,
    typer.Option("--dbc", metavar="FILE", help="Your own message definitions; they replace ours. May be repeated."),
]


def microseconds(seconds: float | None) -> int | None:
    """Return a run's length in microseconds.

    Raises:
        InputError: it is below 0, or no number.
    """
    if seconds is None:
        return None
    if not 0 <= seconds <= 1e9:
        raise InputError(f"--seconds {seconds:g}: give a number from 0 to 1000000000")
    return round(seconds * MICRO)


def speed_of(text: str) -> float | None:
    """Return how fast simulated time runs, None for "max".

    Raises:
        InputError: neither "max" nor a number above 0.
    """
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0 < speed <= 1e6:
        raise InputError(f'--speed {text}: give a number above 0 (1 is real time, 20 is twenty times), or "max"')
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
