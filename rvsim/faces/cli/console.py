"""Stdin, stdout and stderr prepared so that any text can be printed, on any system and in any encoding.

Knows: Python's streams, and what may be wrong with them when a command starts. Does not know what is printed.
"""

import codecs
import errno
import os
import sys
from typing import TextIO

from rvsim.faces.text.signs import readable

REPLACE_HANDLER = "rvsim.readable"
"""The name of the codec error handler that replaces signs which an encoding does not have."""


def _replaced(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text, end = error.object, error.end
    places = range(error.start, end)
    return "".join(readable(text[at], before_a_letter=text[at + 1 : at + 2].isalpha()) for at in places), end


codecs.register_error(REPLACE_HANDLER, _replaced)


def prepare() -> None:
    """Prepare the streams so that printing fails for no text; to be called once, at the start.

    A sign that an encoding does not have is replaced. A stream that was closed when the program started is opened to
    the null device, so that no other file gets its number; stdin stays None then.
    """
    _open_closed_streams()
    if sys.stdout is None:
        sys.stdout = _null_stream()
    if sys.stderr is None:
        sys.stderr = _null_stream()
    for stream in (sys.stdout, sys.stderr):
        _reconfigure(stream, errors=REPLACE_HANDLER)


def print_as(*, json: bool, ascii_only: bool) -> None:
    """Set the encoding of stdout for a program that reads JSON, or of both streams for a terminal with ASCII only."""
    if json:
        _reconfigure(sys.stdout, encoding="utf-8", errors=REPLACE_HANDLER, newline="\n")
    if ascii_only:
        for stream in (sys.stdout, sys.stderr):
            _reconfigure(stream, encoding="ascii", errors=REPLACE_HANDLER)


def has_terminal() -> bool:
    """Tell whether there is a terminal for output and keys."""
    streams = (sys.__stdin__, sys.__stdout__, sys.__stderr__)
    return sys.stdout.isatty() and all(stream is not None for stream in streams)


def reader_left(error: OSError) -> bool:
    """Tell whether writing failed because the reader has closed the pipe, as with ``| head``."""
    return isinstance(error, BrokenPipeError) or (sys.platform == "win32" and error.errno == errno.EINVAL)


def _open_closed_streams() -> None:
    """Open those of the first three file descriptors that are closed."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # gets the lowest free number: this one


def _null_stream() -> TextIO:
    return open(os.devnull, "w", encoding="utf-8")


def _reconfigure(stream: TextIO, **how: str) -> None:
    change = getattr(stream, "reconfigure", None)  # a stand-in for a stream may have none
    if change is not None:
        change(**how)
