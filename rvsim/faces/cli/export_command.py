"""The command `export`: logs to tables, or a log to another form.

Knows: its options, how they go together, and what it says at the end. Does not know how tables are written
(`logs.export`).
"""

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from rvsim.errors import ExitCode, InputError
from rvsim.faces.cli import options
from rvsim.faces.cli.console import print_as
from rvsim.faces.cli.exits import run_command, say

Output = Annotated[
    str,
    typer.Option(
        "--output",
        metavar="PATH",
        help="The file to write: .parquet, .csv, .jsonl or .arrow; a name without a suffix is a folder of tables.",
    ),
]
TableNames = Annotated[
    list[str] | None,
    typer.Option(
        "--table",
        metavar="TABLE",
        help="readings, messages (a folder with one table for each), long_messages, frames, flags or devices. A file "
        "has one, readings if omitted; a folder has several, all but readings if omitted. Repeatable.",
    ),
]
FormName = Annotated[
    str | None,
    typer.Option(
        "--format", metavar="FORM", help="The form of the files in a folder: parquet (if omitted), csv, jsonl, arrow."
    ),
]
Redact = Annotated[
    bool,
    typer.Option(
        "--redact",
        help="With --frames: without serial numbers, NAMEs, texts, VIN and positions; each is replaced by the same "
        "other one. What may remain is said.",
    ),
]
Frames = Annotated[
    bool,
    typer.Option(
        "--frames",
        help="Write the frames themselves as a log: .log, .asc, .csv, .trc, .blf or .jsonl. Cuts and converts a log.",
    ),
]
Offsets = Annotated[
    list[float] | None,
    typer.Option(
        "--offset",
        metavar="S",
        help="With --frames: add S seconds to the times of a log, once for each LOG in their order; S may be negative. "
        "Several logs become one in the order of time.",
    ),
]
InOrder = Annotated[
    bool,
    typer.Option(
        "--sort",
        help="With --frames: put the lines of a log in the order of their times. Do not use it for two recordings, one "
        "after the other, between which the clock was set back: cut those.",
    ),
]
Replace = Annotated[bool, typer.Option("--overwrite", help="Replace files that exist.")]

MAX_OFFSET_S = 100 * 366 * 86_400.0
"""The bound only finds typing mistakes. Our choice."""


@dataclass(frozen=True, kw_only=True)
class ExportOptions:
    """The options of an export; ``part`` is in microseconds since the log's first frame."""

    output: str
    tables: tuple[str, ...] = ()
    form: str | None = None
    overwrite: bool = False
    rig: str | None = None
    part: tuple[int, int | None] = (0, None)
    devices: tuple[str, ...] = ()
    messages: tuple[str, ...] = ()
    channel: str | None = None
    columns: str | None = None
    dbc: tuple[Path, ...] = ()
    redact: bool = False
    keep_unknown: bool = False
    offsets: tuple[float, ...] = ()
    sort: bool = False


def export(
    logs: Annotated[list[str], typer.Argument(metavar="LOG...", help='Captured logs; "-" is stdin.')],
    output: Output,
    table: TableNames = None,
    form: FormName = None,
    frames: Frames = False,
    redact: Redact = False,
    keep_unknown: options.KeepUnknown = False,
    offset: Offsets = None,
    sort: InOrder = False,
    overwrite: Replace = False,
    rig: options.Rig = None,
    channel: options.LogChannel = None,
    columns: options.Columns = None,
    start: options.From = None,
    end: options.To = None,
    device: options.Devices = None,
    message: options.Messages = None,
    dbc: options.Dbc = None,
    ascii: options.Ascii = False,
) -> None:
    """Write captured logs as tables, or a log in another form.

    Names of devices come from a rig (--rig). Values are metric. Clock times are kept where the log has a date.
    """
    print_as(json=False, ascii_only=ascii)

    def command() -> int:
        requested = ExportOptions(
            output=output,
            tables=tuple(table or ()),
            form=form,
            overwrite=overwrite,
            rig=rig,
            part=options.log_part(start, end),
            devices=tuple(device or ()),
            messages=tuple(message or ()),
            channel=channel,
            columns=columns,
            dbc=tuple(dbc or ()),
            redact=redact,
            keep_unknown=keep_unknown,
            offsets=tuple(offset or ()),
            sort=sort,
        )
        return export_log(logs, requested) if frames else export_tables(logs, requested)

    raise typer.Exit(run_command(command))


def add_to(app: typer.Typer) -> None:
    """Add the command to the program."""
    examples = options.examples(
        "rvsim export night.log --rig ottersby --output night.parquet",
        "rvsim export night.log --rig ottersby --output night_tables",
        "rvsim export night.log --message TANK_STATUS --output tanks.csv",
        "rvsim export --frames night.blf --from 600 --to 900 --output part.log",
        "rvsim export --frames night.log --redact --output to_hand_on.log",
        "rvsim export --frames a.log b.log --offset 0 --offset -2.5 --output ab.log",
    )
    app.command(cls=options.Command, epilog=examples)(export)


def export_tables(logs: list[str], requested: ExportOptions) -> int:
    """Write tables of logs; return the exit code.

    Raises:
        InputError: a log, the rig or a definition cannot be used, options do not go together, or nothing can be
            written there.
    """
    from rvsim.faces.cli.load_plan import load_plan
    from rvsim.faces.cli.log_opening import columns_of, reopenable
    from rvsim.faces.text.survey_text import left_out
    from rvsim.logs.export.destination import Destination
    from rvsim.logs.survey import SurveyedTime
    from rvsim.runs.export import Export, ExportRequest
    from rvsim.runs.selection import selection

    if requested.redact or requested.keep_unknown:
        raise InputError("--redact goes with --frames: it makes a log anonymous, not tables")
    if requested.offsets or requested.sort:
        option = "--offset" if requested.offsets else "--sort"
        raise InputError(f"{option} goes with --frames: write the log first, then export that as tables")
    form, is_folder = _form(requested.output, requested.form)
    _check_logs_are_kept(logs, requested.output)
    tables = _tables(requested.tables, requested.output, is_folder=is_folder)
    plan, catalogue = load_plan(requested.rig, requested.dbc)
    columns = columns_of(requested.columns, plan)
    selected = selection(SurveyedTime(*requested.part), requested.devices, requested.messages, plan, catalogue)
    request = ExportRequest(tables=tables, selected=selected, channel=requested.channel)
    place = Destination(Path(requested.output), form, is_folder=is_folder, overwrite=requested.overwrite)
    with place as destination:
        export = Export(request, catalogue, plan, destination, logs=len(logs))
        for log in logs:
            with ExitStack() as resources:
                open_again = resources.enter_context(reopenable(log, twice=export.reads_twice, columns=columns))
                read = export.add(open_again, say)
            say(*(f"{read.name}: {text.strip()}" for text in left_out(read, requested.channel)))
        export.finish()
    say(f"{_written(destination.written, folder=is_folder)}: {requested.output}")
    return ExitCode.GOOD


def export_log(logs: list[str], requested: ExportOptions) -> int:
    """Write one log in another form, a part of it, or several as one; return the exit code.

    Raises:
        InputError: a log, the rig or a definition cannot be used, options do not go together, or nothing can be
            written there.
    """
    from rvsim.faces.cli.load_plan import load_plan
    from rvsim.faces.cli.log_opening import columns_of, reopenable
    from rvsim.faces.text.survey_text import left_out
    from rvsim.logs.merged import MergedLogs
    from rvsim.logs.redact import Redactor
    from rvsim.logs.survey import SurveyedTime
    from rvsim.runs.convert import ConvertRequest, check_log_name, convert
    from rvsim.runs.export import planned_devices, surveyed
    from rvsim.runs.selection import selection

    if requested.keep_unknown and not requested.redact:
        raise InputError("--keep-unknown goes with --redact: add it, or leave --keep-unknown out")
    if requested.tables or requested.form:
        raise InputError("--frames writes a log, not tables: leave --table and --format out")
    offsets_us = _offsets_us(requested.offsets, logs)
    output = Path(requested.output)
    check_log_name(output)
    _check_logs_are_kept(logs, requested.output)
    plan, catalogue = load_plan(requested.rig, requested.dbc)
    columns = columns_of(requested.columns, plan)
    part, channel = SurveyedTime(*requested.part), requested.channel
    selected = selection(part, requested.devices, requested.messages, plan, catalogue)
    is_one = len(logs) == 1 and not offsets_us[0]
    needs_names = plan is not None and bool(selected.devices)
    if needs_names and not (is_one and not requested.sort):
        raise InputError("--device with --rig needs one log that is in order: merge or sort first, then choose devices")
    redactor = Redactor(catalogue, keep_unknown=requested.keep_unknown) if requested.redact else None
    with ExitStack() as resources:
        opened = [resources.enter_context(reopenable(log, twice=True, columns=columns)) for log in logs]
        surveys = surveyed(opened[0], catalogue, plan, part, channel, say) if plan and needs_names else {}
        devices = {name: planned_devices(found) for name, found in surveys.items()}
        request = ConvertRequest(
            selected=selected, channel=channel, devices=devices, redactor=redactor, in_order_of_time=requested.sort
        )
        if is_one:
            count, log = convert(opened[0], output, request, catalogue, say, overwrite=requested.overwrite)
            read = [log]
        else:
            count, merged = convert(
                lambda: MergedLogs([open_again() for open_again in opened], offsets_us),
                output, request, catalogue, say, overwrite=requested.overwrite,
            )  # fmt: skip
            read = [*merged.logs]
    for log in read:
        say(*(f"{log.name}: {text.strip()}" for text in left_out(log, channel if channel in log.channels else None)))
    say(f"{count} frame{'s' if count != 1 else ''} written: {requested.output}")
    if redactor is not None:
        say(*redactor.closing_lines())
    return ExitCode.GOOD


def _offsets_us(offsets: tuple[float, ...], logs: list[str]) -> list[int]:
    """Return what is added to the times of each log, in microseconds.

    Raises:
        InputError: there is not one for each log, one is no number of seconds, or a log is given twice.
    """
    if logs.count("-") > 1:
        raise InputError("-: stdin is one log: name it once")
    if not offsets:
        return [0] * len(logs)
    if len(offsets) != len(logs):
        number = f"{len(logs)} logs" if len(logs) > 1 else "1 log"
        raise InputError(
            f"--offset: {number} and {len(offsets)} offsets: give one for each log in their order, 0 where its clock "
            "is right"
        )
    for offset in offsets:
        if not abs(offset) <= MAX_OFFSET_S:
            raise InputError(
                f"--offset {offset:g}: give seconds, at most {MAX_OFFSET_S:.0f} (a hundred years) either way"
            )
    return [round(offset * 1e6) for offset in offsets]


def _check_logs_are_kept(logs: list[str], output: str) -> None:
    """Refuse to replace a log by what is exported from it.

    Raises:
        InputError: the output is one of the logs.
    """
    for log in logs:
        if log != "-" and Path(log).exists() and Path(output).exists() and Path(log).samefile(output):
            raise InputError(f"--output {output}: this is the log that is exported: name another file")


def _form(output: str, form: str | None) -> tuple[str, bool]:
    """Return the form of the files, and whether the output is a folder.

    Raises:
        InputError: the form is not known, or the name says another one.
    """
    from rvsim.logs.export.destination import TABLE_FORMS

    if form is not None and form not in TABLE_FORMS:
        raise InputError(f"--format {form}: give one of {', '.join(TABLE_FORMS)}")
    path = Path(output)
    suffix = path.suffix.lower().removeprefix(".")
    if path.is_dir() or output.endswith(("/", "\\")) or not suffix:
        return form or "parquet", True
    if suffix not in TABLE_FORMS:
        known = ", ".join(f".{each}" for each in TABLE_FORMS)
        raise InputError(
            f"--output {output}: the name decides the form: end it in one of {known}, or in / for a folder of tables"
        )
    if form is not None and form != suffix:
        raise InputError(f"--format {form} is for a folder; {output} is a {suffix} file: leave one of them out")
    return suffix, False


def _tables(names: tuple[str, ...], output: str, *, is_folder: bool) -> tuple[str, ...]:
    """Return the tables to write.

    Raises:
        InputError: one is not known, or a file would have several.
    """
    from rvsim.runs.export import MESSAGES, READINGS, TABLES

    for name in names:
        if name not in TABLES:
            raise InputError(f"--table {name}: give one of {', '.join(TABLES)}")
    if is_folder:
        return tuple(dict.fromkeys(names)) or tuple(name for name in TABLES if name != READINGS)
    if len(set(names)) > 1:
        raise InputError(
            f"--output {output}: a file has one table; name a folder for several, like {Path(output).stem}/"
        )
    if MESSAGES in names:
        raise InputError(f"--table messages needs a folder: --output {Path(output).stem}/")
    return names[:1] or (READINGS,)


def _written(rows: dict[str, int], *, folder: bool) -> str:
    """Return how many rows were written."""
    if not folder:
        ((name, count),) = rows.items()
        name = name.replace("_", " ")
        return f"{count} {name if count != 1 else name.removesuffix('s')} written"
    tables, total = len(rows), sum(rows.values())
    return f"{tables} table{'s' if tables != 1 else ''} with {total} row{'s' if total != 1 else ''} written"
