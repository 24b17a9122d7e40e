"""Stdin, stdout and stderr made fit for what we print, on any system and in any encoding.

Knows: Python's streams, and what may be wrong with them when a command starts. Does not know what is printed.
"""

import codecs
import errno
import os
import sys
from typing import TextIO

from rvsim.faces.text.signs import readable

REPLACE = "rvsim.readable"
"""The name of our way with signs that an encoding does not have."""


def _replaced(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text, end = error.object, error.end
    return "".join(readable(text[at], text[at + 1 : at + 2].isalpha()) for at in range(error.start, end)), end


codecs.register_error(REPLACE, _replaced)


def prepare() -> None:
    """Make the streams such that printing never fails for what is printed; to be called once, at the start.

    A sign that an encoding does not have is replaced by one that it has. What was closed when we were started is
    opened to nowhere, so that no other file gets its number; stdin stays None then.
    """
    _occupy()
    if sys.stdout is None:
        sys.stdout = _nowhere()
    if sys.stderr is None:
        sys.stderr = _nowhere()
    for stream in (sys.stdout, sys.stderr):
        _reconfigure(stream, errors=REPLACE)


def print_as(*, json: bool, ascii_only: bool) -> None:
    """Have stdout as a program reads it, whatever the console says, or a person whose terminal has ASCII alone."""
    if json:
        _reconfigure(sys.stdout, encoding="utf-8", errors=REPLACE, newline="\n")
    if ascii_only:
        for stream in (sys.stdout, sys.stderr):
            _reconfigure(stream, encoding="ascii", errors=REPLACE)


def has_terminal() -> bool:
    """Tell whether there is a terminal to draw on and to take keys from."""
    streams = (sys.__stdin__, sys.__stdout__, sys.__stderr__)
    return sys.stdout.isatty() and all(stream is not None for stream in streams)


def reader_left(error: OSError) -> bool:
    """Tell whether writing failed since whoever read has gone, as with ``| head``."""
    return isinstance(error, BrokenPipeError) or (sys.platform == "win32" and error.errno == errno.EINVAL)


def _occupy() -> None:
    """Open what is closed of the first three files."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest number that is free: this one


def _nowhere() -> TextIO:
    return open(os.devnull, "w", encoding="utf-8")


def _reconfigure(stream: TextIO, **how: str) -> None:
    change = getattr(stream, "reconfigure", None)  # a stand-in for a stream may have none
    if change is not None:
        change(**how)
