"""What a command ends with: its exit code, and the clear line where something was wrong.

Knows: errors to exit codes, an interrupted run, a reader that went away (`| head`), and that names from outside may
hold what changes a terminal. Does not know commands, nor encodings (`console`).
Whatever asks the program to end, Ctrl-C, SIGTERM or a terminal that goes away (SIGHUP), ends it in one way: with its
closing words, its recording whole, and the exit code of an interruption.
"""

import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from typing import Any, TextIO, cast

from rvsim.errors import ENDING_SIGNALS, ExitCode, RvsimError, printable, write_problem
from rvsim.faces.cli.console import prepare, reader_left


class _Safe:
    """A text stream that control characters do not pass; everything else is the stream's own."""

    def __init__(self, out: TextIO) -> None:
        self._out = out

    def write(self, text: str) -> int:
        return self._out.write(printable(text))

    def writelines(self, lines: Iterable[str]) -> None:
        self._out.writelines(map(printable, lines))

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":  # through which a library writes UTF-8 wherever it finds ASCII, and past us
            raise AttributeError(name)
        return getattr(self._out, name)


@contextmanager
def safe_output() -> Iterator[None]:
    """Have stdout and stderr take every text, and hand no control character of a name on to the terminal."""
    prepare()
    with redirect_stdout(cast(TextIO, _Safe(sys.stdout))), redirect_stderr(cast(TextIO, _Safe(sys.stderr))):
        yield


def say(*lines: str) -> None:
    """Write lines for the person to stderr, behind what stdout has so far; stdout is for data."""
    with suppress(OSError, ValueError):
        sys.stdout.flush()
    with suppress(OSError, ValueError):  # a terminal that has gone hears nothing any more
        for text in lines:
            print(f"rvsim: {printable(text).replace(chr(10), ' ')}", file=sys.stderr)


def end_like_ctrl_c() -> None:
    """Have SIGTERM and SIGHUP end the program as Ctrl-C does; one that is ignored, as under nohup, stays ignored.

    They are passed on as SIGINT, so whoever treats that in a way of its own, as the screen does, has them as well.
    """
    for number in ENDING_SIGNALS:
        if number != signal.SIGINT and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, lambda *_: signal.raise_signal(signal.SIGINT))


def ending(command: Callable[[], int]) -> int:
    """Run a command and return its exit code; every expected error becomes one clear line on stderr."""
    try:
        code = command()
        sys.stdout.flush()
        return code
    except RvsimError as error:
        say(*error.problems)
        return error.exit_code
    except KeyboardInterrupt:
        say("interrupted")
        return ExitCode.INTERRUPTED
    except OSError as error:
        _drop_stdout()
        if reader_left(error):
            return ExitCode.GOOD
        if _was_interrupted(error):  # the terminal has gone, and the closing words could not be written to it
            say("interrupted")
            return ExitCode.INTERRUPTED
        say(f"the output could not be written {write_problem(error)}")
        return ExitCode.USAGE


def _was_interrupted(error: BaseException | None) -> bool:
    """Tell whether an error came up only while an interruption was dealt with."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__context__
    return error is not None


def _drop_stdout() -> None:
    """Point stdout elsewhere, or the interpreter complains at exit about what it could not write."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
