"""The end of a command: its exit code, and one clear line for each error.

Knows: the exit code of each error, an interrupted run, a reader that has closed the pipe (`| head`), and that names
from outside may hold control characters. Does not know commands, nor encodings (`console`).
Ctrl-C, SIGTERM and a terminal that is closed (SIGHUP) all end the program in one way: with its summary, a complete
recording, and the exit code of an interruption.
"""

import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from typing import Any, TextIO, cast

from rvsim.errors import ENDING_SIGNALS, ExitCode, RvsimError, printable, write_problem
from rvsim.faces.cli.console import prepare, reader_left


class _PrintableStream:
    """A text stream that replaces control characters; everything else is passed on to the stream behind it."""

    def __init__(self, out: TextIO) -> None:
        self._out = out

    def write(self, text: str) -> int:
        return self._out.write(printable(text))

    def writelines(self, lines: Iterable[str]) -> None:
        self._out.writelines(map(printable, lines))

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":  # a library would write UTF-8 through it, past this stream
            raise AttributeError(name)
        return getattr(self._out, name)


@contextmanager
def safe_output() -> Iterator[None]:
    """Make stdout and stderr accept every text, and replace the control characters in it."""
    prepare()
    with (
        redirect_stdout(cast(TextIO, _PrintableStream(sys.stdout))),
        redirect_stderr(cast(TextIO, _PrintableStream(sys.stderr))),
    ):
        yield


def say(*lines: str) -> None:
    """Write lines for the person to stderr, after flushing stdout; stdout is for data."""
    with suppress(OSError, ValueError):
        sys.stdout.flush()
    with suppress(OSError, ValueError):  # the terminal may have been closed
        for text in lines:
            print(f"rvsim: {printable(text).replace(chr(10), ' ')}", file=sys.stderr)


def handle_ending_signals() -> None:
    """Make SIGTERM and SIGHUP end the program as Ctrl-C does; one that is ignored, as under nohup, stays ignored.

    They are raised again as SIGINT, so code with its own handler for that, like the screen, gets them as well. A shell
    without a terminal starts what runs behind it with SIGINT ignored; SIGTERM ends that, too.
    """

    def end(*_: object) -> None:
        if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        signal.raise_signal(signal.SIGINT)

    for number in ENDING_SIGNALS:
        if number != signal.SIGINT and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, end)


def run_command(command: Callable[[], int]) -> int:
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
        if _was_interrupted(error):  # the terminal was closed, so the summary could not be written
            say("interrupted")
            return ExitCode.INTERRUPTED
        say(f"the output could not be written {write_problem(error)}")
        return ExitCode.USAGE


def _was_interrupted(error: BaseException | None) -> bool:
    """Tell whether an error was raised while an interruption was being handled."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__context__
    return error is not None


def _drop_stdout() -> None:
    """Redirect stdout to nowhere, or the interpreter reports at exit what it could not write."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
