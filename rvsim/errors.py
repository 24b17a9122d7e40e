"""The errors that end a command, and the exit code of each.

Knows: the difference between a mistake in the user's input (a file, an option) and a bus that cannot be used, and how
text from outside is made safe to print. Does not know how a message is shown; `faces` prints them. An irregularity
observed on a bus is never an error but a flag.

Every class can be rebuilt from its ``args``, so that an error can be passed between processes.
"""

import errno
import re
import signal
from collections.abc import Iterable
from enum import IntEnum

ENDING_SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
"""What asks the program to end; not every system has all of them."""


class ExitCode(IntEnum):
    """Exit codes of every command."""

    GOOD = 0
    """The command succeeded."""
    NOT_GOOD = 1
    """The command ran, and its result is negative (a verdict that did not pass)."""
    USAGE = 2
    """Wrong usage, or input that cannot be read."""
    BUS = 3
    """The bus could not be opened, or was lost."""
    INTERRUPTED = 130
    """Interrupted by the user (Ctrl-C)."""


class RvsimError(Exception):
    """Any error that ends a command with a clear line instead of a traceback."""

    exit_code = ExitCode.USAGE

    @property
    def problems(self) -> tuple[str, ...]:
        """The messages, one line each."""
        return (str(self),)


class InputError(RvsimError):
    """The user's input cannot be used; each argument is one line: what is wrong, where, and what to do next."""

    def __init__(self, *problems: str) -> None:
        super().__init__(*problems)

    @property
    def problems(self) -> tuple[str, ...]:
        """One line for each mistake, in the order of the input."""
        return self.args

    def __str__(self) -> str:
        return "\n".join(self.args)


class BusError(RvsimError):
    """The bus could not be opened, or was lost while in use."""

    exit_code = ExitCode.BUS


_UNSAFE = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\udfff]")
"""Control characters, characters that change the direction of text or are invisible, and lone surrogates, in which
Python keeps bytes that are not UTF-8."""
_DISK_FULL = frozenset((errno.ENOSPC, errno.EDQUOT))


def printable(text: str) -> str:
    r"""Return a text that is safe on a terminal: control characters other than line ends are written as ``\u001b``.

    JSON writes them in the same way, so a line of JSON does not change.
    """
    return _UNSAFE.sub(lambda match: f"\\u{ord(match[0]):04x}", text)


def write_problem(error: OSError) -> str:
    """Return why a file could not be written, in the system's words, and what to do next."""
    advice = "free space there" if error.errno in _DISK_FULL else "write it to another place"
    return f"({error.strerror or error}): {advice}"


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return ``' (did you mean "x"?)'`` for the closest of ``known``, or an empty text where nothing is close."""
    from difflib import get_close_matches

    spelled = {name.lower(): name for name in known}
    close = get_close_matches(word.lower(), spelled, n=1, cutoff=0.6)
    return f' (did you mean "{spelled[close[0]]}"?)' if close else ""
