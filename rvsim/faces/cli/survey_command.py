"""The command `survey`: which logs are surveyed, one after the other or in processes, and how they are printed.

Knows: options that do not go together, and what becomes of a log that cannot be read. Does not know option texts, nor
how a log is surveyed (`logs.survey`) or rendered (`faces.text`).
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from glob import glob
from multiprocessing import parent_process
from os.path import getsize
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from rvsim.errors import ExitCode, InputError, printable
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.load_plan import load_plan
from rvsim.faces.cli.log_opening import columns_of, reopenable
from rvsim.faces.text.answer import brief
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.survey_json import as_json
from rvsim.faces.text.survey_text import as_text
from rvsim.faces.text.together_text import together_brief, together_json, together_text
from rvsim.logs.read import Log, several_channels
from rvsim.logs.summary import EMPTY, LogSummary, recorded_log, summarize
from rvsim.logs.survey import SURVEYED_BLOCK_FRAMES, Survey, SurveyedTime, survey, survey_blocks
from rvsim.rig.column_mapping import ColumnMapping
from rvsim.runs.processes import in_processes, process_count
from rvsim.runs.progress import Progress, counted_blocks
from rvsim.runs.selection import LogSelection, check_selected, selection
from rvsim.wire.catalogue import Catalogue

if TYPE_CHECKING:
    from rvsim.logs.draft.rig_draft import RigDraft
    from rvsim.rig.model import Rig

MIN_BYTES_FOR_PROCESSES = 2_000_000
"""Logs that are smaller together are surveyed in this process: starting others takes about as long. Our decision."""
_PATTERN_SIGNS = frozenset("*?[")


@dataclass(frozen=True, kw_only=True)
class SurveyOptions:
    """The options of a survey; ``part`` is in microseconds since the log's first frame.

    ``processes`` is None for one per processor; ``together`` adds an object for all logs to the JSON form.
    """

    rig: str | None = None
    json: bool = False
    brief: bool = False
    signals: bool = False
    together: bool = False
    draft: Path | None = None
    dbc: Sequence[Path] = ()
    channel: str | None = None
    columns: str | None = None
    part: tuple[int, int | None] = (0, None)
    devices: Sequence[str] = ()
    messages: Sequence[str] = ()
    units: DisplayUnits = METRIC
    processes: int | None = None
    html: Path | None = None
    overwrite: bool = False
    """Whether the page replaces a file."""


class SurveyedLog(NamedTuple):
    """What one log gave: the text of each channel, its summary, and what cannot be used, which is nothing or all."""

    texts: tuple[str, ...] = ()
    summary: LogSummary = EMPTY
    problems: tuple[str, ...] = ()


def survey_logs(logs: Sequence[str], options: SurveyOptions) -> int:
    """Survey logs, each by itself and channel by channel, then all together; return the exit code.

    Raises:
        InputError: a log, the rig or a definition cannot be used, options do not go together, or a drafted rig cannot
            be written.
    """
    names = named_logs(logs)
    _check_options(names, options)
    _check_draft(names, options.draft)
    _check_page(names, options)
    load_once.cache_clear()
    plan, catalogue = load_once(options.rig, tuple(options.dbc))
    _selected(options, plan, catalogue)
    columns_of(options.columns, plan)
    problems: list[str] = []
    unread: list[str] = []
    together = EMPTY
    separator = "" if options.json else "\n"
    texts = 0
    for name, surveyed in zip(names, _survey_all(names, options), strict=True):
        if surveyed.problems:
            problems += surveyed.problems
            unread.append(name)
        for text in surveyed.texts:
            print(f"{separator if texts else ''}{text}", flush=True)
            texts += 1
        together = together.followed_by(surveyed.summary)
    if len(names) > 1 and together.logs:
        _print_together(together, unread, options)
    if problems:
        raise InputError(*problems)
    return ExitCode.GOOD


def named_logs(logs: Sequence[str]) -> list[str]:
    """Return the logs that are named; a pattern that no shell has replaced stands for the files that match it.

    Raises:
        InputError: no file matches a pattern.
    """
    names: list[str] = []
    for log in logs:
        if log == "-" or not _PATTERN_SIGNS.intersection(log) or Path(log).exists():
            names.append(log)
            continue
        matching = sorted(name for name in glob(log) if not Path(name).is_dir())
        if not matching:
            raise InputError(f"{log}: no file matches this pattern: check the name")
        names += matching
    return names


def _check_options(names: Sequence[str], options: SurveyOptions) -> None:
    """Check that the options go together.

    Raises:
        InputError: they do not.
    """
    if options.brief and options.json:
        raise InputError('--brief and --json cannot go together: the JSON form has the same parts in "answer"')
    if options.brief and options.signals:
        raise InputError("--brief and --signals cannot go together: a paragraph has no table; choose one")
    if options.together and not options.json:
        raise InputError("--together goes with --json: the text has all logs together at its end in any case")
    if names.count("-") > 1:
        raise InputError("-: stdin can be read once: name it once")


def _check_draft(logs: Sequence[str], draft: Path | None) -> None:
    """Check that a rig can be drafted.

    Raises:
        InputError: it cannot.
    """
    if draft is None:
        return
    if len(logs) > 1:
        raise InputError(f"--draft-rig learns from one log, and {len(logs)} are given: name one")
    if draft.suffix.lower() != ".toml":
        raise InputError(f"--draft-rig {draft}: a rig is a TOML file; give it a name that ends in .toml")
    if draft.exists():
        raise InputError(f"--draft-rig {draft}: the file exists; name another one, or move it away")


def _check_page(logs: Sequence[str], options: SurveyOptions) -> None:
    """Check that a page can be written.

    Raises:
        InputError: it cannot.
    """
    if options.html is None:
        return
    from rvsim.faces.page.page import check_page_file

    if len(logs) > 1:
        raise InputError(f"--html writes the page of one log, and {len(logs)} are given: name one")
    check_page_file(options.html, logs, overwrite=options.overwrite)


# One log or many.


def _survey_all(names: Sequence[str], options: SurveyOptions) -> Iterator[SurveyedLog]:
    """Yield what each log gave, in their order; many logs are read in processes."""
    progress = Progress(say)
    if not needs_processes(names, options.processes):
        return (_survey_one(name, options, progress) for name in names)

    def report(done: int) -> None:
        progress.update(lambda: f"{done} of {len(names)} logs")

    return in_processes(names, partial(_survey_one, options=options), options.processes, report)


def needs_processes(names: Sequence[str], processes: int | None) -> bool:
    """Return whether logs are read in processes: several files, if that was asked for or they are large together."""
    if len(names) == 1 or "-" in names or process_count(processes) == 1:
        return False
    return processes is not None or sum(map(_size, names)) >= MIN_BYTES_FOR_PROCESSES


def _size(name: str) -> int:
    try:
        return getsize(name)
    except (OSError, ValueError):  # the error comes when it is opened
        return 0


@cache
def load_once(rig: str | None, dbc: tuple[Path, ...]) -> "tuple[Rig | None, Catalogue]":
    """Return the rig and the definitions, which a process loads once; only the main process writes lines about them."""
    return load_plan(rig, dbc, say if parent_process() is None else lambda *_: None)


def _selected(options: SurveyOptions, plan: "Rig | None", catalogue: Catalogue) -> LogSelection:
    return selection(SurveyedTime(*options.part), options.devices, options.messages, plan, catalogue)


def _survey_one(log: str, options: SurveyOptions, progress: Progress | None = None) -> SurveyedLog:
    """Survey one log; an error of it is among its problems."""
    plan, catalogue = load_once(options.rig, tuple(options.dbc))
    selected = _selected(options, plan, catalogue)
    columns = columns_of(options.columns, plan)
    try:
        twice = options.draft is not None or options.html is not None
        with reopenable(log, twice=twice, columns=columns) as open_again:
            opened, found = surveyed_channels(
                open_again,
                options.channel,
                plan,
                catalogue,
                selected.part,
                progress,
                signals=_needs_signals(options),
            )
            if options.draft is not None:
                _draft(options.draft, open_again, opened, options.channel, catalogue, columns)
            if options.html is not None:
                _write_page(options.html, open_again, opened, found, catalogue, selected, options)
    except InputError as error:
        return SurveyedLog(problems=tuple(error.problems))
    texts, summary = [], EMPTY
    for channel, whole in found.items():
        texts.append(_rendered(opened, whole, catalogue, channel, selected, options))
        name = f"{opened.name}, channel {channel}" if len(found) > 1 else opened.name
        shown = selected.of(whole)
        counts = opened.statistics_of(channel)
        is_known = len(found) == 1 and not (counts.clock_set_count or counts.jump_count)
        recorded = recorded_log(name, shown, counts.first, counts.started) if is_known else None
        summary = summary.followed_by(summarize(name, shown, counts.unreadable_count, recorded))
    return SurveyedLog(tuple(texts), summary)


def _rendered(
    log: Log, whole: Survey, catalogue: Catalogue, channel: str, selected: LogSelection, options: SurveyOptions
) -> str:
    if options.json:
        return as_json(log, whole, catalogue, channel, selected)
    if options.brief:
        return brief(log, whole, channel, selected, options.units)
    return "\n".join(as_text(log, whole, catalogue, channel, selected, options.units))


def _print_together(found: LogSummary, unread: Sequence[str], options: SurveyOptions) -> None:
    """Print all logs together."""
    if options.json:
        if options.together:
            print(together_json(found, unread))
        return
    print()
    print(together_brief(found, unread) if options.brief else "\n".join(together_text(found, unread)))


def surveyed_channels(
    open_again: Callable[[], Log],
    channel: str | None,
    plan: "Rig | None",
    catalogue: Catalogue,
    part: SurveyedTime,
    progress: Progress | None,
    *,
    signals: bool,
) -> tuple[Log, dict[str, Survey]]:
    """Return a log that was read, and the surveys of its channels, or of the requested one.

    Raises:
        InputError: it cannot be read, or has no such channel or part.
    """
    with open_again() as opened:
        blocks = opened.blocks(SURVEYED_BLOCK_FRAMES)
        if progress is not None:
            blocks = counted_blocks(blocks, f"frames of {opened.name} read", progress)
        if channel is not None:
            blocks = (block for block in blocks if block[0] == channel)
        found = survey_blocks(blocks, catalogue, plan, part, signals=signals)
    check_selected(opened, channel, part, max((one.end for one in found.values()), default=0))
    return opened, found or {channel or "": survey((), catalogue, plan, part)}


def _needs_signals(options: SurveyOptions) -> bool:
    """Return whether every field is summarized: for JSON, with --signals, and for chosen devices or messages."""
    return not options.brief and bool(options.json or options.signals or options.devices or options.messages)


def _write_page(
    path: Path,
    open_again: Callable[[], Log],
    opened: Log,
    found: Mapping[str, Survey],
    catalogue: Catalogue,
    selected: LogSelection,
    options: SurveyOptions,
) -> None:
    from rvsim.faces.page.page import write_page
    from rvsim.faces.page.survey_page import SurveyedChannel, survey_page
    from rvsim.logs.plotted import PlottedChannel, plot_channels

    with open_again() as log:
        drawn = plot_channels(log.blocks(), catalogue, selected.part)
    channels = [
        SurveyedChannel(opened, name, whole, drawn.get(name, PlottedChannel()), catalogue, selected, options.units)
        for name, whole in found.items()
    ]
    write_page(path, survey_page(f"{printable(Path(opened.name).name)}: survey", channels), overwrite=options.overwrite)
    say(f"the page is in {path}; it needs no network")


def _draft(
    path: Path,
    open_again: Callable[[], Log],
    log: Log,
    channel: str | None,
    catalogue: Catalogue,
    columns: ColumnMapping | None,
) -> None:
    from rvsim.logs.draft.rig_draft import learn_rig

    if channel is None and len(log.channels) > 1:
        raise several_channels(log)
    text = None if columns is None else columns.text
    _write(path, learn_rig(lambda: open_again().contents(channel), catalogue, log.name, text))


def _write(path: Path, learnt: "RigDraft") -> None:
    try:
        path.write_text(learnt.text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"--draft-rig {path}: cannot be written ({error.strerror}): name another file") from None
    say(f"a rig learnt from the log is in {path}; read its comments, then compare logs with it: --rig {path}")
    if learnt.accepted:
        faults = f", {learnt.faults} of them about faults" if learnt.faults else ""
        entries = "entry" if learnt.accepted == 1 else "entries"
        say(f"the flags of this log are listed there as accepted, in {learnt.accepted} {entries}{faults}")
