"""How commands open a log.

Knows: stdin, which can be read once, and where the columns of a table come from. Does not know formats of logs, nor
what is done with one.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from shutil import copyfileobj
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from rvsim.errors import InputError
from rvsim.logs.read import Log, open_log
from rvsim.rig.column_mapping import ColumnMapping, parse_mapping

if TYPE_CHECKING:
    from rvsim.rig.model import Rig


def opener(log: str, *, whole: bool = False, columns: ColumnMapping | None = None) -> Callable[[], Log]:
    """Return a function that opens a log, or stdin, for one pass; ``whole`` and ``columns`` as in ``open_log``.

    Raises:
        InputError: it is stdin, which was closed when the program started.
    """
    if log == "-" and sys.stdin is None:
        raise InputError("-: stdin is closed: give a log, or what writes one before a pipe")
    if log == "-":
        return lambda: open_log(sys.stdin.buffer, whole=whole, columns=columns)
    return lambda: open_log(Path(log), log, columns=columns)


def columns_of(option: str | None, plan: "Rig | None") -> ColumnMapping | None:
    """Return the columns of logs that are tables: those of the option, or else of the rig.

    Raises:
        InputError: the option is none.
    """
    if option is None:
        return plan.log.mapping if plan is not None else None
    try:
        return parse_mapping(option)
    except ValueError as why:
        raise InputError(f"--columns: {why}") from None


@contextmanager
def reopenable(log: str, *, twice: bool, columns: ColumnMapping | None = None) -> Iterator[Callable[[], Log]]:
    """Yield a function that opens a log; if it is read ``twice``, stdin is copied to a temporary file first."""
    if log != "-" or not twice:
        yield opener(log, whole=True, columns=columns)
        return
    opener(log)
    with ExitStack() as resources:
        copy = Path(resources.enter_context(TemporaryDirectory(prefix="rvsim")), "stdin")
        with copy.open("wb") as file:
            copyfileobj(sys.stdin.buffer, file)
        yield lambda: open_log(resources.enter_context(copy.open("rb")), columns=columns)
