"""What a command ends with: its exit code, and the clear line where something was wrong.

Knows: errors to exit codes, an interrupted run, a reader that went away (`| head`), and that names from outside may
hold what changes a terminal or what the output cannot take. Does not know commands.
"""

import codecs
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from typing import Any, TextIO, cast

from rvsim.errors import Exit, RvsimError, not_written, printable


class _Safe:
    """A text stream that control characters do not pass; everything else is the stream's own."""

    def __init__(self, out: TextIO) -> None:
        self._out = out

    def write(self, text: str) -> int:
        return self._out.write(printable(text))

    def writelines(self, lines: Iterable[str]) -> None:
        self._out.writelines(map(printable, lines))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._out, name)


def _escaped(error: UnicodeError) -> tuple[str, int]:
    """Write what an encoding lacks as JSON escapes it, so that a line of JSON stays one."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return json.dumps(error.object[error.start : error.end])[1:-1], error.end


@contextmanager
def safe_output() -> Iterator[None]:
    """Have stdout and stderr take every text, and hand no control character of a name on to the terminal."""
    codecs.register_error("rvsim.escaped", _escaped)
    with open(os.devnull, "w", encoding="utf-8") as nowhere:
        out, err = sys.stdout or nowhere, sys.stderr or nowhere  # a closed one is None
        for stream in (out, err):
            with suppress(AttributeError, ValueError, OSError):
                cast(Any, stream).reconfigure(errors="rvsim.escaped")
        with redirect_stdout(cast(TextIO, _Safe(out))), redirect_stderr(cast(TextIO, _Safe(err))):
            yield


def say(*lines: str) -> None:
    """Write lines for the person to stderr, behind what stdout has so far; stdout is for data."""
    with suppress(OSError, ValueError):
        sys.stdout.flush()
    for text in lines:
        print(f"rvsim: {printable(text).replace(chr(10), ' ')}", file=sys.stderr)


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
        return Exit.INTERRUPTED
    except BrokenPipeError:
        _drop_stdout()  # whoever read our output has gone
        return Exit.GOOD
    except OSError as error:
        _drop_stdout()
        say(f"the output could not be written {not_written(error)}")
        return Exit.USAGE


def _drop_stdout() -> None:
    """Point stdout elsewhere, or the interpreter complains at exit about what it could not write."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
