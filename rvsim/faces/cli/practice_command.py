"""The command `practice`: exercises on the screen or in plain text, a sheet to print, answers to grade, the score.

Knows: its options and which of them go together. Does not know any exercise (`faces.practice`).
"""

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rvsim.errors import ExitCode, InputError, did_you_mean
from rvsim.faces.cli import completion, options
from rvsim.faces.cli.console import has_terminal, print_as
from rvsim.faces.cli.exits import run_command, say

if TYPE_CHECKING:
    from rvsim.faces.practice.exercise import Exercise, Kind
    from rvsim.faces.practice.material import Material

MAX_COUNT = 200
"""Exercises of one run. Our choice."""
MAX_SEED = 10_000
"""Seeds that are drawn where none is given: short enough to be written on a sheet."""

From = Annotated[
    str | None,
    typer.Argument(
        metavar="SCENARIO|LOG",
        help="Where the frames come from: a scenario by its name or file, or a log. The shipped vehicle if omitted.",
        autocompletion=completion.scenarios_and_logs,
    ),
]
Level = Annotated[int, typer.Option("--level", metavar="N", help="1 (bytes) to 5 (whole frames).")]
Count = Annotated[int, typer.Option("--count", metavar="N", help="How many exercises.")]
KindOption = Annotated[
    list[str] | None,
    typer.Option(
        "--kind",
        metavar="KIND",
        help='Only these, like "bus load". Repeatable.',
        autocompletion=completion.kinds_of_exercise,
    ),
]
Print = Annotated[
    Path | None,
    typer.Option(
        "--print",
        metavar="FILE",
        help="Write a sheet with blank byte grids, and the answers on a page of their own: .html, else plain text.",
    ),
]
Grade = Annotated[
    Path | None,
    typer.Option(
        "--grade", metavar="FILE", help='Grade answers: lines like "3: 13.8 V", after "name: Ann" for each person.'
    ),
]
Score = Annotated[bool, typer.Option("--score", help="Show the score that is kept on this machine, and weak spots.")]
OverwriteSheet = Annotated[bool, typer.Option("--overwrite", help="With --print: replace FILE if it exists.")]
PlainText = Annotated[bool, typer.Option("--plain", help="Ask in plain text instead of on the screen.")]


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        cls=options.Command,
        epilog=options.examples(
            "rvsim practice",
            "rvsim practice --level 3 --plain",
            "rvsim practice night.log --level 2",
            "rvsim practice --level 2 --seed 7 --print sheet.html",
            "rvsim practice --level 2 --seed 7 --grade answers.txt --json",
        ),
    )(practice)


def practice(
    given: From = None,
    level: Level = 1,
    count: Count = 10,
    seed: options.Seed = None,
    kind: KindOption = None,
    plain: PlainText = False,
    print_to: Print = None,
    overwrite: OverwriteSheet = False,
    grade: Grade = None,
    score: Score = False,
    json: options.JsonObject = False,
    light: options.Light = False,
    ascii: options.Ascii = False,
) -> None:
    """Practise reading and building frames; each mistake is explained."""
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        from random import SystemRandom

        _check_together({"--print": print_to is not None, "--grade": grade is not None, "--score": score}, json=json)
        if score:
            return _show_score(as_json=json)
        if not 1 <= count <= MAX_COUNT:
            raise InputError(f"--count {count}: write 1 to {MAX_COUNT}")
        if grade is not None and seed is None:
            raise InputError("--grade needs the --seed of the sheet, which stands at its top")
        if print_to is not None and print_to.exists() and not overwrite:
            raise InputError(f"{print_to}: exists already: name another file, or add --overwrite")
        drawn = options.seed(seed)
        number = SystemRandom().randrange(1, MAX_SEED) if drawn is None else drawn
        kinds = [_kind(one) for one in kind or ()]
        asks_here = print_to is None and grade is None and not json
        material, exercises = _exercises(given, level, count, number, kinds, by_score=asks_here and drawn is None)
        how = _how(given, level, count, number, kinds)
        if print_to is not None:
            return _print_sheet(print_to, exercises, level, how)
        if grade is not None:
            return _grade(grade, exercises, level, how, as_json=json)
        if json:
            return _show_exercises(exercises, material, how)
        if plain or not has_terminal():
            return _run_plain(exercises, level, how)
        from rvsim.faces.screen.practice_app import show_practice

        return show_practice(exercises, level, how, light=light, date=_today())

    raise typer.Exit(run_command(command))


def _check_together(given: dict[str, bool], *, json: bool) -> None:
    """Raise an error for options of which one would do nothing."""
    names = [name for name, is_given in given.items() if is_given]
    if len(names) > 1:
        raise InputError(f"{names[0]} and {names[1]} do not go together: write one of them")
    if json and "--print" in names:
        raise InputError("--print and --json do not go together: a sheet is a page or plain text")


def _kind(text: str) -> "Kind":
    from rvsim.faces.practice.exercise import Kind

    wanted = text.strip().lower().replace("_", " ").replace("-", " ")
    for kind in Kind:
        if kind.lower().replace("-", " ").replace("_", " ") == wanted:
            return kind
    known = [str(kind) for kind in Kind]
    raise InputError(f"--kind {text} is unknown{did_you_mean(wanted, known)}: write one of {', '.join(known)}")


def _exercises(
    given: str | None, level: int, count: int, seed: int, kinds: "list[Kind]", *, by_score: bool
) -> "tuple[Material, list[Exercise]]":
    from rvsim.faces.practice.course import make_exercises
    from rvsim.faces.practice.exercise import LEVELS
    from rvsim.faces.practice.material import load_material
    from rvsim.faces.practice.score import load_score, score_file, weak_kinds
    from rvsim.wire.database import load_catalogue

    if level not in LEVELS:
        raise InputError(f"--level {level}: write 1 to {LEVELS[-1]}")
    weak = weak_kinds(load_score(score_file())) if by_score else []
    material = load_material(given, load_catalogue(), seed)
    if not material.statuses:
        say(f"{material.title}: no message in it has known fields; exercises are on identifiers and on the bus")
    return material, make_exercises(material, level, count, seed, weak, kinds)


def _how(given: str | None, level: int, count: int, seed: int, kinds: "list[Kind]") -> str:
    """Return the command that makes these exercises again."""
    parts = ["rvsim practice", *([given] if given else []), f"--level {level} --seed {seed}"]
    parts += [f"--count {count}"] if count != 10 else []
    return " ".join([*parts, *(f'--kind "{kind}"' for kind in kinds)])


def _print_sheet(path: Path, exercises: "list[Exercise]", level: int, how: str) -> int:
    from rvsim.faces.practice.course import LEVEL_TITLES
    from rvsim.faces.practice.sheet import sheet_page, sheet_text

    title = f"Level {level}: {LEVEL_TITLES[level]}"
    again = f"Made with: {how} --print {path.name}; graded with --grade ANSWERS --json in its place."
    is_page = path.suffix.lower() in (".html", ".htm")
    text = sheet_page(exercises, title, again) if is_page else "\n".join(sheet_text(exercises, title, again)) + "\n"
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror}): name another file") from None
    say(f"{path}: {len(exercises)} exercises, the answers on a page of their own")
    return ExitCode.GOOD


def _grade(path: Path, exercises: "list[Exercise]", level: int, how: str, *, as_json: bool) -> int:
    from rvsim.faces.practice.grading import graded, grades_json, load_answers
    from rvsim.faces.text.spell_fields import wrapped
    from rvsim.logs.formats.jsonl import SCHEMA, json_text

    sessions = {name: graded(exercises, level, answers, name) for name, answers in load_answers(path).items()}
    if as_json:
        print(json_text(grades_json(sessions, {"schema": SCHEMA, "made_with": how})))
    else:
        for name, session in sessions.items():
            print(f"{name}: {' '.join(session.summary()[:2])}")
            wrong = [number for number, one in enumerate(session.answered, 1) if not one.is_right]
            if wrong:
                print("\n".join(wrapped(f"wrong or left out: {', '.join(map(str, wrong))}", "  ")))
                weak = ", ".join(f"{kind} ({right} of {asked})" for kind, right, asked in session.weak)
                print("\n".join(wrapped(f"practise again: {weak}", "  ")))
    return ExitCode.GOOD if all(session.is_passed for session in sessions.values()) else ExitCode.NOT_GOOD


def _show_exercises(exercises: "list[Exercise]", material: "Material", how: str) -> int:
    """Print the exercises with their answers, for a program."""
    from rvsim.faces.practice.grading import as_data
    from rvsim.logs.formats.jsonl import SCHEMA, json_text

    listed = [as_data(number, one) for number, one in enumerate(exercises, 1)]
    print(json_text({"schema": SCHEMA, "made_with": how, "frames_from": material.title, "exercises": listed}))
    return ExitCode.GOOD


def _run_plain(exercises: "list[Exercise]", level: int, how: str) -> int:
    from rvsim.faces.practice.course import LEVEL_TITLES
    from rvsim.faces.practice.plain import opening, run_plain
    from rvsim.faces.practice.score import save_run, score_file
    from rvsim.faces.practice.session import Session

    session = Session(exercises, level)
    for line in opening(session, LEVEL_TITLES[level]):
        print(line)
    print(f"The same again: {how}")

    def read() -> str | None:
        sys.stdout.flush()
        line = "" if sys.stdin is None else sys.stdin.readline()
        return line.rstrip("\r\n") if line else None

    run_plain(session, read, print)
    if session.answered:
        try:
            save_run(score_file(), session, _today())
        except InputError as error:
            say(*error.problems)
    return ExitCode.GOOD if session.is_passed else ExitCode.NOT_GOOD


def _show_score(*, as_json: bool) -> int:
    from rvsim.faces.practice.score import load_score, score_file, score_lines
    from rvsim.logs.formats.jsonl import json_text

    path = score_file()
    kept = load_score(path)
    print(json_text(kept) if as_json else "\n".join(score_lines(kept, path)))
    return ExitCode.GOOD


def _today() -> str:
    return datetime.now(UTC).date().isoformat()
