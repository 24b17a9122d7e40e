"""What a command ends with: its exit code, and the clear line where something was wrong.

Knows: errors to exit codes, an interrupted run, and a reader that went away (`| head`). Does not know commands.
"""

import os
import sys
from collections.abc import Callable
from contextlib import suppress

from rvsim.errors import Exit, RvsimError
from rvsim.faces.console import reader_left


def say(*lines: str) -> None:
    """Write lines for the person to stderr, behind what stdout has so far; stdout is for data."""
    with suppress(OSError, ValueError):
        sys.stdout.flush()
    for text in lines:
        print(f"rvsim: {text}", file=sys.stderr)


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
    except OSError as error:
        _drop_stdout()
        if reader_left(error):
            return Exit.GOOD
        say(f"the output could not be written ({error.strerror or error}): free space where it goes")
        return Exit.USAGE


def _drop_stdout() -> None:
    """Point stdout elsewhere, or the interpreter complains at exit about what it could not write."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
