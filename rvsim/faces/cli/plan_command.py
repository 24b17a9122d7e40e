"""The command `plan`: an installation is checked before power is on.

Knows: its options, which of them go together, and the exit code. Does not know any check (`plan`), nor how a plan is
shown (`faces.text`).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rvsim.errors import ExitCode, InputError, did_you_mean
from rvsim.faces.cli import completion, options
from rvsim.faces.cli.console import print_as
from rvsim.faces.cli.exits import run_command, say

if TYPE_CHECKING:
    from rvsim.plan.answer import Check
    from rvsim.plan.report import PlanInput
    from rvsim.rig.toml_file import TomlFile
    from rvsim.wire.catalogue import Catalogue

RigName = Annotated[
    str | None,
    typer.Argument(
        metavar="RIG", help="A shipped rig, or a TOML file.", show_default=False, autocompletion=completion.rigs
    ),
]
Checks = Annotated[
    list[str] | None,
    typer.Option(
        "--check",
        metavar="NAME",
        help="Make this check only: currents, conductors, fuses, ladder, harness, identity, providers, budget, "
        "endurance or spare. Repeatable.",
        autocompletion=completion.checks,
    ),
]
Every = Annotated[
    bool, typer.Option("--every", help="Show every answer, with its formula, its rule and its key, and every table.")
]
Tables = Annotated[
    list[str] | None,
    typer.Option(
        "--table",
        metavar="NAME",
        help="Show this table only, like wires or harness_ohms; the names are at the end of the plan. Repeatable.",
    ),
]
SimulateNight = Annotated[
    bool,
    typer.Option("--simulate-night", help="Hold the night by hand against the night as it is simulated with the rig."),
]
WhatIf = Annotated[
    list[str] | None,
    typer.Option(
        "--what-if",
        metavar="KEY=VALUE",
        help='Show what another figure changes, like "output.galley_light.length_m=8". Repeatable.',
    ),
]
ToCsv = Annotated[
    Path | None,
    typer.Option(
        "--to-csv", metavar="FILE", help="Write outputs, inputs, wires and devices to a spreadsheet; a new file."
    ),
]
FromCsv = Annotated[
    Path | None,
    typer.Option(
        "--from",
        metavar="FILE",
        help="Check a rig out of a spreadsheet (.csv) with a row for each output, input or device. With RIG: the rows "
        "replace or complete those of the rig.",
    ),
]
ToRig = Annotated[
    Path | None, typer.Option("--to-rig", metavar="FILE", help="With --from: also write the rig to FILE, a new file.")
]
Html = Annotated[
    Path | None,
    typer.Option("--html", metavar="FILE", help="Also write the sheet to print to FILE: one file, without a network."),
]
New = Annotated[
    Path | None,
    typer.Option("--new", metavar="FILE", help="Write a rig to start from, with comments, to FILE, a new file."),
]


@dataclass(frozen=True, kw_only=True)
class PlanOptions:
    """The options of a plan; ``what_if`` has figures as they were typed."""

    rig: str | None = None
    checks: Sequence[str] = ()
    every: bool = False
    tables: Sequence[str] = ()
    simulate_night: bool = False
    what_if: Sequence[str] = ()
    to_csv: Path | None = None
    from_csv: Path | None = None
    to_rig: Path | None = None
    new: Path | None = None
    json: bool = False
    html: Path | None = None
    overwrite: bool = False
    dbc: tuple[Path, ...] = ()


def plan(
    rig: RigName = None,
    check: Checks = None,
    every: Every = False,
    table: Tables = None,
    simulate_night: SimulateNight = False,
    what_if: WhatIf = None,
    from_csv: FromCsv = None,
    to_rig: ToRig = None,
    to_csv: ToCsv = None,
    new: New = None,
    json: options.JsonObject = False,
    html: Html = None,
    overwrite: options.OverwritePage = False,
    dbc: options.Dbc = None,
    ascii: options.Ascii = False,
) -> None:
    """Check an installation before power is on.

    Currents, conductors, fuses, the CAN pair, addresses, a night: what is wrong comes first, each with its formula and
    its rule. What the rig does not give is not checked, and said. The exit code is 1 if there is a warning or a fault.
    """
    print_as(json=json, ascii_only=ascii)

    def command() -> int:
        requested = PlanOptions(
            rig=rig,
            checks=tuple(check or ()),
            every=every,
            tables=tuple(table or ()),
            simulate_night=simulate_night,
            what_if=tuple(what_if or ()),
            to_csv=to_csv,
            from_csv=from_csv,
            to_rig=to_rig,
            new=new,
            json=json,
            html=html,
            overwrite=overwrite,
            dbc=tuple(dbc or ()),
        )
        return run_plan(requested)

    raise typer.Exit(run_command(command))


def add_to(app: typer.Typer) -> None:
    """Add the command to the program."""
    examples = options.examples(
        "rvsim plan brackenlow",
        "rvsim plan my_van.toml --check conductors --every",
        "rvsim plan my_van.toml --table wires --table fuses",
        'rvsim plan brackenlow --what-if "output.galley_light.amps=6"',
        "rvsim plan --from my_van.csv --to-rig my_van.toml",
        "rvsim plan my_van.toml --html my_van.html",
        "rvsim plan --new my_van.toml",
    )
    app.command(cls=options.Command, epilog=examples)(plan)


def run_plan(requested: PlanOptions) -> int:
    """Do what was asked for; GOOD if the plan has neither a warning nor a fault, or a file was written.

    Raises:
        InputError: options do not go together, or a file cannot be used or written.
    """
    _check_options(requested)
    if requested.new is not None:
        from rvsim.faces.cli.plan_files import write_starter

        return write_starter(requested.new)
    file = _file(requested)
    if requested.to_rig is not None:
        from rvsim.faces.cli.plan_files import write_rig

        write_rig(requested.to_rig, file)
    if requested.to_csv is not None:
        from rvsim.faces.cli.plan_files import write_csv

        return write_csv(requested.to_csv, file)
    if requested.what_if:
        return _print_change(file, requested)
    return _print_plan(file, requested)


def _check_options(requested: PlanOptions) -> None:
    """Check that the options go together.

    Raises:
        InputError: they do not.
    """
    if requested.overwrite and requested.html is None:
        raise InputError("--overwrite goes with --html FILE: nothing else is replaced")
    if requested.html is not None and (requested.what_if or requested.to_csv is not None):
        raise InputError("--html writes the sheet of the whole plan: leave --what-if and --to-csv out")
    if requested.new is not None:
        given = (
            requested.rig,
            requested.from_csv,
            requested.to_csv,
            requested.to_rig,
            requested.what_if,
            requested.html,
            requested.tables,
            requested.simulate_night,
        )
        if any(given) or requested.json or requested.checks:
            raise InputError("--new writes a rig to start from and checks nothing: leave the other options out")
        return
    if requested.rig is None and requested.from_csv is None:
        raise InputError(
            "name a rig, a shipped one or a TOML file; --new FILE writes one to start from, --from FILE.csv reads a "
            "spreadsheet"
        )
    if requested.to_rig is not None and requested.from_csv is None:
        raise InputError("--to-rig goes with --from FILE: a rig that is read from a TOML file is one already")
    if requested.to_csv is not None and (requested.what_if or requested.json or requested.checks or requested.every):
        raise InputError("--to-csv writes a spreadsheet and checks nothing: leave the other options out")
    if requested.tables and (requested.json or requested.every or requested.what_if or requested.to_csv is not None):
        raise InputError("--table shows tables only: leave --json, --every, --what-if and --to-csv out")
    if requested.what_if and requested.every:
        raise InputError("--what-if and --every cannot go together: with --what-if the answers that change are shown")


def _file(requested: PlanOptions) -> "TomlFile":
    """Return the file of the rig, or the spreadsheet with the rig that its rows were added to.

    Raises:
        InputError: it cannot be read.
    """
    from rvsim.plan.rig_file import read_rig_file

    file = None if requested.rig is None else read_rig_file(requested.rig)
    if requested.from_csv is None:
        assert file is not None
        return file
    from rvsim.faces.cli.plan_files import read_csv

    return read_csv(requested.from_csv, file)


def _input(
    file: "TomlFile", dbc: tuple[Path, ...], catalogue: "Catalogue | None" = None, *, simulate_night: bool = False
) -> "PlanInput":
    """Return what the checks are given.

    Raises:
        InputError: the rig or a definition cannot be used.
    """
    from rvsim.plan.report import PlanInput
    from rvsim.plan.rig_file import rig_of
    from rvsim.rig.field_names import check_fields
    from rvsim.wire.database import load_catalogue

    rig = rig_of(file)
    if catalogue is None:
        catalogue = load_catalogue([*rig.definitions, *dbc])
        say(*catalogue.left_out)
    check_fields(rig, catalogue)
    return PlanInput(rig, catalogue, simulate_night=simulate_night)


def checks_of(names: Sequence[str]) -> "tuple[Check, ...]":
    """Return the checks that options name.

    Raises:
        InputError: there is no check of a name.
    """
    from rvsim.plan.answer import Check

    known = [str(check) for check in Check]
    problems = [
        f"--check {name}: there is no such check{did_you_mean(name, known)}; the checks are {', '.join(known)}"
        for name in names
        if name not in known
    ]
    if problems:
        raise InputError(*problems)
    return tuple(Check(name) for name in names)


def _print_plan(file: "TomlFile", requested: PlanOptions) -> int:
    from rvsim.faces.text.plan_json import plan_json
    from rvsim.faces.text.plan_tables_text import check_table_names
    from rvsim.faces.text.plan_text import as_text
    from rvsim.plan.report import check_rig

    checks = checks_of(requested.checks)
    if requested.html is not None:
        from rvsim.faces.page.page import check_page_file

        if requested.html.exists() and file.path.exists() and requested.html.samefile(file.path):
            raise InputError(f"--html {requested.html}: this is the rig itself: name another file for the sheet")
        check_page_file(requested.html, overwrite=requested.overwrite)
    report = check_rig(_input(file, requested.dbc, simulate_night=requested.simulate_night), checks)
    check_table_names(requested.tables, report.tables)
    text = as_text(report, every=requested.every, only_tables=requested.tables)
    print(plan_json(report) if requested.json else "\n".join(text))
    if requested.html is not None:
        from rvsim.faces.page.page import write_rendered
        from rvsim.faces.page.plan_page import render_plan_page

        write_rendered(requested.html, render_plan_page(report), overwrite=requested.overwrite)
        say(f"the sheet is in {requested.html}; print it on A4 or letter, it needs no network")
    return ExitCode.GOOD if report.is_good else ExitCode.NOT_GOOD


def _print_change(file: "TomlFile", requested: PlanOptions) -> int:
    from rvsim.faces.text.plan_change_text import change_text
    from rvsim.faces.text.plan_json import change_json
    from rvsim.plan.report import check_rig
    from rvsim.plan.rig_file import own_figures, parse_figures, with_figures
    from rvsim.plan.what_if import compare_plans

    checks = checks_of(requested.checks)
    figures = parse_figures(requested.what_if)
    own = own_figures(file, figures)
    given = _input(file, requested.dbc, simulate_night=requested.simulate_night)
    try:
        other = _input(
            with_figures(file, figures), requested.dbc, given.catalogue, simulate_night=requested.simulate_night
        )
    except InputError as error:
        raise InputError(*(f"with --what-if: {problem}" for problem in error.problems)) from None
    change = compare_plans(check_rig(given, checks), check_rig(other, checks))
    print(change_json(change, figures) if requested.json else "\n".join(change_text(change, figures, own)))
    return ExitCode.GOOD if change.after.is_good else ExitCode.NOT_GOOD
