"""Surveying and replaying put together from their options: rig, definitions, watch, the form to show it in.

Knows: what the commands that read a log have in common. Does not know option texts, nor how a log is gone through
(`survey`, `replay`).
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from shutil import copyfileobj
from tempfile import TemporaryDirectory

from rvsim.errors import Exit, InputError, printable
from rvsim.faces.control import Control
from rvsim.faces.exits import say
from rvsim.faces.hearing import Hearing
from rvsim.faces.output import JsonLines, Sink
from rvsim.faces.planned import against, planned
from rvsim.faces.progress import told
from rvsim.faces.replay import Replay, Rounds
from rvsim.faces.sentences import Sentences
from rvsim.faces.survey import as_json, as_text, left_out
from rvsim.logs.draft import Draft, learn_rig
from rvsim.logs.jsonl import start_line, utc_text
from rvsim.logs.read import Log, open_log
from rvsim.logs.survey import survey
from rvsim.rig.model import Rig
from rvsim.watch.watch import Watch
from rvsim.wire.catalogue import Catalogue


def opener(log: str) -> Callable[[], Log]:
    """Return what opens a log, or stdin, once for each time it is gone through.

    Raises:
        InputError: it is stdin, which was closed before we began.
    """
    if log == "-" and sys.stdin is None:
        raise InputError("-: stdin is closed: give a log, or what writes one before a pipe")
    return (lambda: open_log(sys.stdin.buffer)) if log == "-" else lambda: open_log(Path(log), log)


def survey_logs(logs: list[str], rig: str | None, json: bool, draft: Path | None, dbc: list[Path]) -> int:
    """Survey logs, each for itself; return the exit code.

    Raises:
        InputError: a log, the rig or a definition cannot be used, or a drafted rig cannot be written.
    """
    if draft is not None and len(logs) > 1:
        raise InputError(f"--draft-rig learns from one log, and {len(logs)} are given: name one")
    if draft is not None and draft.suffix.lower() != ".toml":
        raise InputError(f"--draft-rig {draft}: a rig is a TOML file; give it a name that ends in .toml")
    if draft is not None and draft.exists():
        raise InputError(f"--draft-rig {draft}: the file is there already; name another, or move it away")
    plan, catalogue = planned(rig, dbc)
    problems: list[str] = []
    for number, log in enumerate(logs):
        try:
            with again(log, twice=draft is not None) as open_again:
                with open_again() as opened:
                    found = survey(told(opened.contents(), f"frames of {opened.name} read"), catalogue, plan)
                if draft is not None:
                    _write(draft, learn_rig(lambda: open_again().contents(), catalogue, opened.name))
        except InputError as error:
            if len(logs) == 1:
                raise
            problems += error.problems
            continue
        if number and not json:
            print()
        print(as_json(opened, found) if json else "\n".join(as_text(opened, found, catalogue)))
    if problems:
        raise InputError(*problems)
    return Exit.GOOD


@contextmanager
def again(log: str, twice: bool) -> Iterator[Callable[[], Log]]:
    """Give what opens a log as often as it is wanted; for more than once stdin is kept in a file meanwhile."""
    if log != "-" or not twice:
        yield opener(log)
        return
    opener(log)
    with ExitStack() as open_things:
        copy = Path(open_things.enter_context(TemporaryDirectory(prefix="rvsim")), "stdin")
        with copy.open("wb") as file:
            copyfileobj(sys.stdin.buffer, file)
        yield lambda: open_log(open_things.enter_context(copy.open("rb")))


def _write(path: Path, learnt: Draft) -> None:
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
    with Rounds(opener(log), *part, loop) as rounds:
        if form == "screen" and speed is not None:
            from rvsim.faces.screen.show import LookIn, show_replay

            code = show_replay(printable(Path(log).name), Replay(rounds, Hearing(watch, LookIn())), plan, speed)
        else:
            sentences = _log_sink(rounds.log, catalogue, plan, form, every, speed)
            replay = Replay(rounds, Hearing(watch, sentences, every=every))
            if speed is None:
                replay.virtual()
            else:
                replay.paced(Control(speed))
            code = Exit.GOOD
        say(*(f"{rounds.log.name}: {text.strip()}" for text in left_out(rounds.log)))
    return code


def _log_sink(log: Log, catalogue: Catalogue, plan: Rig | None, form: str, every: bool, speed: float | None) -> Sink:
    """Return what shows a log: JSON lines or sentences."""
    if form == "json":
        begun = log.statistics.started
        started = None if begun is None else utc_text(begun)
        channel = next(iter(log.statistics.channels), "")
        start = start_line("replay", log=printable(log.name), scenario=None, seed=None, started=started)
        return JsonLines(sys.stdout, catalogue, channel, start, every, sent=False)
    how = "as fast as it can be read" if speed is None else f"{speed:g} x real time"
    return Sentences(sys.stdout, (f"{log.name}, {log.kind}, {how}; {against(plan)}. Nothing is sent.",))
