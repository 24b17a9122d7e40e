"""The errors a user can meet, and the exit code each one ends a command with.

Knows: the difference between a mistake in what the user gave us (a file, an option) and a bus that
cannot be used, and how a name from outside is made safe to print. Does not know: how a message is shown; `faces`
prints them. Something odd seen on a bus is never an error but a flag.

Every class can be rebuilt from its ``args``, so an error survives a trip through another process.
"""

import errno
import re
from collections.abc import Iterable
from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of every command."""

    GOOD = 0
    """The command did what it was asked."""
    NOT_GOOD = 1
    """It ran, and the answer is "not good" (a verdict that did not pass)."""
    USAGE = 2
    """Usage, or input that cannot be read."""
    BUS = 3
    """The bus could not be opened, or was lost."""
    INTERRUPTED = 130
    """Interrupted by the user (Ctrl-C)."""


class RvsimError(Exception):
    """Any error that ends a command with a clear line instead of a traceback."""

    exit_code = ExitCode.USAGE

    @property
    def problems(self) -> tuple[str, ...]:
        """What there is to say, a line each."""
        return (str(self),)


class InputError(RvsimError):
    """What the user gave cannot be used: each argument is one line saying what, where and what to do next."""

    def __init__(self, *problems: str) -> None:
        super().__init__(*problems)

    @property
    def problems(self) -> tuple[str, ...]:
        """One line for each mistake, in the order in which they stand in the input."""
        return self.args

    def __str__(self) -> str:
        return "\n".join(self.args)


class BusError(RvsimError):
    """The bus could not be opened, or was lost while in use."""

    exit_code = ExitCode.BUS


_UNSAFE = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\udfff]")
"""What changes a terminal or the order of signs, and halves of signs, by which Python keeps bytes that are no UTF-8."""
_DISK_FULL = frozenset((errno.ENOSPC, errno.EDQUOT))


def printable(text: str) -> str:
    r"""Return a text that is safe on a terminal: control characters but line ends are written as ``\u001b``.

    That is how JSON writes them too, so a line of JSON stays what it was.
    """
    return _UNSAFE.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def write_problem(error: OSError) -> str:
    """Return why something could not be written, as the system says it, and what to do next."""
    advice = "free space there" if error.errno in _DISK_FULL else "write it to another place"
    return f"({error.strerror or error}): {advice}"


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return ``' (did you mean "x"?)'`` for the closest of ``known``, or an empty text where nothing is close."""
    from difflib import get_close_matches

    spelled = {name.lower(): name for name in known}
    close = get_close_matches(word.lower(), spelled, n=1, cutoff=0.6)
    return f' (did you mean "{spelled[close[0]]}"?)' if close else ""
