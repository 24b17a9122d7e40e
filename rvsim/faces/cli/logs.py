"""Surveying and replaying put together from their options: rig, definitions, watch, the form to show it in.

Knows: what the commands that read a log have in common. Does not know option texts, nor how a log is gone through
(`survey`, `replay`).
"""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from shutil import copyfileobj
from tempfile import TemporaryDirectory

from rvsim.errors import ExitCode, InputError, printable
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.load_plan import against, planned
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.output import JsonLinesSink
from rvsim.faces.text.sentences import Sentences
from rvsim.faces.text.survey_text import as_json, as_text, left_out
from rvsim.logs.draft.rig_draft import RigDraft, learn_rig
from rvsim.logs.formats.jsonl import start_line, utc_text
from rvsim.logs.read import Log, no_channel, open_log, several_channels
from rvsim.logs.survey import Survey, SurveyedTime, survey, survey_channels
from rvsim.rig.model import Rig
from rvsim.runs.control import Control
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.progress import Progress, counted
from rvsim.runs.replay import LogRounds, ReplayRun
from rvsim.runs.selection import selection
from rvsim.runs.sink import Sink
from rvsim.watch.watch import Watch
from rvsim.wire.catalogue import Catalogue

MAX_LOOKED_AT = 100_000
"""Entries of a log that are looked at for several channels before it is replayed. Our decision."""


def opener(log: str, whole: bool = False) -> Callable[[], Log]:
    """Return what opens a log, or stdin, once for each time it is gone through; ``whole`` as in ``open_log``.

    Raises:
        InputError: it is stdin, which was closed before we began.
    """
    if log == "-" and sys.stdin is None:
        raise InputError("-: stdin is closed: give a log, or what writes one before a pipe")
    return (lambda: open_log(sys.stdin.buffer, whole=whole)) if log == "-" else lambda: open_log(Path(log), log)


@dataclass(frozen=True)
class SurveyOptions:
    """What a survey is asked for, as it was typed."""

    rig: str | None = None
    json: bool = False
    draft: Path | None = None
    dbc: Sequence[Path] = ()
    channel: str | None = None
    part: tuple[int, int | None] = (0, None)
    devices: Sequence[str] = ()
    messages: Sequence[str] = ()
    units: DisplayUnits = METRIC


def survey_logs(logs: list[str], options: SurveyOptions) -> int:
    """Survey logs, each for itself and channel by channel; return the exit code.

    Raises:
        InputError: a log, the rig or a definition cannot be used, or a drafted rig cannot be written.
    """
    draft = options.draft
    _check_draft(logs, draft)
    plan, catalogue = planned(options.rig, list(options.dbc))
    selected = selection(SurveyedTime(*options.part), options.devices, options.messages, plan, catalogue)
    problems: list[str] = []
    printed = False
    for log in logs:
        try:
            with again(log, twice=draft is not None) as open_again:
                opened, found = _surveyed(open_again, options.channel, plan, catalogue, selected.part)
                if draft is not None:
                    _draft(draft, open_again, opened, options.channel, catalogue)
        except InputError as error:
            if len(logs) == 1:
                raise
            problems += error.problems
            continue
        for channel, one in found.items():
            if printed and not options.json:
                print()
            printed = True
            told_of = selected.of(one)
            print(
                as_json(opened, told_of, channel, selected)
                if options.json
                else "\n".join(as_text(opened, told_of, catalogue, channel, selected, options.units))
            )
    if problems:
        raise InputError(*problems)
    return ExitCode.GOOD


def _check_draft(logs: list[str], draft: Path | None) -> None:
    """Complain where a rig cannot be drafted.

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
        raise InputError(f"--draft-rig {draft}: the file is there already; name another, or move it away")


def _surveyed(
    open_again: Callable[[], Log], channel: str | None, plan: Rig | None, catalogue: Catalogue, part: SurveyedTime
) -> tuple[Log, dict[str, Survey]]:
    """Return a log that was gone through, and what was found on its channels, or on the one that is asked for."""
    with open_again() as opened:
        contents = counted(opened.by_channel(), f"frames of {opened.name} read", Progress(say))
        if channel is not None:
            contents = (one for one in contents if one[0] == channel)
        found = survey_channels(contents, catalogue, plan, part)
    if channel is not None and channel not in opened.channels:
        raise no_channel(opened, channel)
    if part.start and all(part.start > one.end for one in found.values()):
        ends = max((one.end for one in found.values()), default=0)
        raise InputError(f"--from {part.start / 1e6:g}: {opened.name} ends {ends / 1e6:.1f} s after its first frame")
    return opened, found or {channel or "": survey((), catalogue, plan, part)}


def _draft(path: Path, open_again: Callable[[], Log], log: Log, channel: str | None, catalogue: Catalogue) -> None:
    if channel is None and len(log.channels) > 1:
        raise several_channels(log)
    _write(path, learn_rig(lambda: open_again().contents(channel), catalogue, log.name))


@contextmanager
def again(log: str, twice: bool) -> Iterator[Callable[[], Log]]:
    """Give what opens a log as often as it is wanted; for more than once stdin is kept in a file meanwhile."""
    if log != "-" or not twice:
        yield opener(log, whole=True)
        return
    opener(log)
    with ExitStack() as open_things:
        copy = Path(open_things.enter_context(TemporaryDirectory(prefix="rvsim")), "stdin")
        with copy.open("wb") as file:
            copyfileobj(sys.stdin.buffer, file)
        yield lambda: open_log(open_things.enter_context(copy.open("rb")))


def _write(path: Path, learnt: RigDraft) -> None:
    try:
        path.write_text(learnt.text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"--draft-rig {path}: cannot be written ({error.strerror}): name another file") from None
    say(f"a rig learnt from the log is in {path}; read its comments, then hold logs against it: --rig {path}")
    if learnt.accepted:
        faults = f", {learnt.faults} of them to do with faults" if learnt.faults else ""
        say(f"what was noticed in this log stands there as accepted, in {learnt.accepted} entries{faults}")


def replay_log(
    log: str,
    form: str,
    every: bool,
    rig: str | None,
    speed: float | None,
    part: tuple[int, int | None],
    loop: bool,
    dbc: list[Path],
    channel: str | None = None,
    *,
    units: DisplayUnits = METRIC,
    light: bool = False,
) -> int:
    """Go through a log in front of a watch; return the exit code.

    Raises:
        InputError: the log, the rig or a definition cannot be used, or options do not go together.
    """
    if log == "-" and form == "screen":
        form = "plain"  # the keys of a screen would come from the log
    if loop and (log == "-" or speed is None):
        other = "stdin, which can be read once" if log == "-" else "--speed max, which would never end"
        raise InputError(f"--loop does not go with {other}: leave one of them out")
    plan, catalogue = planned(rig, dbc)
    watch = Watch(catalogue, plan)
    if channel is None and log != "-":
        _check_channels(opener(log))
    with LogRounds(opener(log), *part, loop, channel) as rounds:
        if form == "screen" and speed is not None:
            from rvsim.faces.screen.show import ScreenSink, show_replay

            name, replay = printable(Path(log).name), ReplayRun(rounds, Pipeline(watch, ScreenSink()))
            code = show_replay(name, replay, plan, speed, units=units, light=light)
        else:
            sentences = _log_sink(rounds.log, catalogue, plan, form, every, speed, channel, units)
            replay = ReplayRun(rounds, Pipeline(watch, sentences, every=every))
            if speed is None:
                replay.virtual()
            else:
                replay.paced(Control(speed))
            code = ExitCode.GOOD
        say(*(f"{rounds.log.name}: {text.strip()}" for text in left_out(rounds.log, channel)))
    return code


def _check_channels(open_log: Callable[[], Log]) -> None:
    """Look at the beginning of a log for several channels, so that this is said before anything is shown.

    Raises:
        InputError: there are several.
    """
    with open_log() as log:
        for _ in islice(log.by_channel(), MAX_LOOKED_AT):
            pass
        if len(log.channels) > 1:
            raise several_channels(log)


def _log_sink(
    log: Log,
    catalogue: Catalogue,
    plan: Rig | None,
    form: str,
    every: bool,
    speed: float | None,
    channel: str | None = None,
    units: DisplayUnits = METRIC,
) -> Sink:
    """Return what shows a log: JSON lines or sentences."""
    if form == "json":
        begun = log.statistics.started
        started = None if begun is None else utc_text(begun)
        channel = channel or next(iter(log.statistics.channels), "")
        start = start_line("replay", log=printable(log.name), scenario=None, seed=None, started=started)
        return JsonLinesSink(sys.stdout, catalogue, channel, start, every, sent=False)
    how = "as fast as it can be read" if speed is None else f"{speed:g} x real time"
    return Sentences(sys.stdout, (f"{log.name}, {log.kind}, {how}; {against(plan)}. Nothing is sent.",), units)
