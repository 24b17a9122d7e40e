"""The command `compare`: two logs, and what is different between them.

Knows: which channel of each log is compared. Does not know option texts, what counts as a difference (`logs.compare`),
nor how it is rendered.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import NamedTuple

from rvsim.errors import ExitCode, InputError
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.log_opening import columns_of, reopenable
from rvsim.faces.cli.survey_command import load_once, needs_processes, surveyed_channels
from rvsim.faces.text.compare_text import compare_json, compare_text
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.logs.compare import compare
from rvsim.logs.read import several_channels
from rvsim.logs.summary import EMPTY, LogSummary, summarize
from rvsim.logs.survey import SurveyedTime
from rvsim.runs.processes import in_processes
from rvsim.runs.progress import Progress


@dataclass(frozen=True, kw_only=True)
class CompareOptions:
    """The options of a comparison; ``part`` is in microseconds since the first frame of each log.

    ``channels`` has none, one for both logs, or one for each.
    """

    rig: str | None = None
    json: bool = False
    dbc: Sequence[Path] = ()
    channels: Sequence[str] = ()
    columns: str | None = None
    part: tuple[int, int | None] = (0, None)
    units: DisplayUnits = METRIC
    html: Path | None = None
    overwrite: bool = False
    """Whether the page replaces a file."""


class _Read(NamedTuple):
    """The summary of a log, or why it has none."""

    summary: LogSummary = EMPTY
    problems: tuple[str, ...] = ()


def compare_logs(before: str, after: str, options: CompareOptions) -> int:
    """Compare two logs; GOOD if nothing differs by the thresholds, else NOT_GOOD.

    Raises:
        InputError: a log, the rig or a definition cannot be used, or a channel has to be named.
    """
    if before == after == "-":
        raise InputError("-: stdin can be read once: name a file for one of the logs")
    if len(options.channels) > 2:
        raise InputError(f"--channel is given {len(options.channels)} times: give one for both logs, or one for each")
    if options.html is not None:
        from rvsim.faces.page.page import check_page_file

        check_page_file(options.html, (before, after), overwrite=options.overwrite)
    load_once.cache_clear()
    columns_of(options.columns, load_once(options.rig, tuple(options.dbc))[0])
    channels: list[str | None] = [*options.channels] or [None]
    jobs = [(before, channels[0]), (after, channels[-1])]
    if needs_processes([before, after], None):
        found = list(in_processes(jobs, partial(_read, options=options), None))
    else:
        progress = Progress(say)
        found = [_read(job, options, progress) for job in jobs]
    problems = [problem for read in found for problem in read.problems]
    if problems:
        raise InputError(*dict.fromkeys(problems))
    comparison = compare(found[0].summary, found[1].summary)
    print(compare_json(comparison) if options.json else "\n".join(compare_text(comparison, options.units)))
    if options.html is not None:
        from rvsim.faces.page.compare_page import compare_page
        from rvsim.faces.page.page import write_page

        write_page(options.html, compare_page(comparison, options.units), overwrite=options.overwrite)
        say(f"the page is in {options.html}; it needs no network")
    return ExitCode.GOOD if comparison.is_same else ExitCode.NOT_GOOD


def _read(job: tuple[str, str | None], options: CompareOptions, progress: Progress | None = None) -> _Read:
    """Return the summary of one log."""
    log, channel = job
    plan, catalogue = load_once(options.rig, tuple(options.dbc))
    try:
        with reopenable(log, twice=False, columns=columns_of(options.columns, plan)) as open_again:
            part = SurveyedTime(*options.part)
            opened, found = surveyed_channels(open_again, channel, plan, catalogue, part, progress, signals=True)
        if len(found) > 1:
            raise several_channels(opened)
    except InputError as error:
        return _Read(problems=tuple(error.problems))
    name, survey = next(iter(found.items()))
    named = f"{opened.name}, channel {name}" if len(opened.channels) > 1 else opened.name
    return _Read(summarize(named, survey, opened.statistics_of(name).unreadable_count))
