"""Work that goes on in a second process while this one takes what it sends, in order.

Knows: how the process starts and ends, its signals, what waits between both, and an error on either side. Does not know
what the work is. Prints nothing.

The process is a fork of this one, so that nothing has to be made again or passed to it. Where a fork is not safe, or
would have no processor of its own, ``is_possible`` says no, and the work is better done here.
"""

import gc
import multiprocessing
import pickle
import sys
import threading
import warnings
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from traceback import format_exc
from types import TracebackType
from typing import Any, NamedTuple, Self

from rvsim.errors import RvsimError
from rvsim.processors import usable_processors
from rvsim.runs.processes import reset_signals, sigint_blocked

MAX_WAITING_BYTES = 1 << 20
"""How much may wait to be taken: the most that Linux gives a user without rights by default (fs.pipe-max-size, from
memory). The work stands still while so much waits, so memory is bounded."""
Send = Callable[[object], None]
"""Sends an object to the first process; it waits while too much waits there."""


class _Raised(NamedTuple):
    """An error that the work has raised, and its traceback as text."""

    error: Exception
    trace: str


class _OtherTraceback(Exception):  # noqa: N818 - it is shown as the cause of an error, and is none itself
    """The traceback of the second process, shown before that of the first."""

    def __str__(self) -> str:
        return f'\n"""\n{self.args[0]}"""'


def is_possible() -> bool:
    """Tell whether a second process can be started safely and has a processor of its own.

    A fork of a process with several threads is not safe, nor one on macOS, where system libraries use threads. A
    process that is one of several has no processor to spare.
    """
    return (
        sys.platform == "linux"
        and usable_processors() > 1
        and threading.active_count() == 1
        and multiprocessing.parent_process() is None
    )


class ProcessLostError(RvsimError):
    """The second process was ended from outside, so that nothing can be said of its work."""


class SecondProcess:
    """A second process that does ``work``; use it in a ``with`` statement, which ends it.

    Args:
        work: is called in the second process with a function that sends; what it raises is raised by ``receive``.
        what: what the process does, for the message about its end: ``the process that WHAT``.

    Raises:
        OSError: the system gives no further process, or no pipe to it.
    """

    def __init__(self, work: Callable[[Send], None], what: str) -> None:
        self._what = what
        context = multiprocessing.get_context("fork")
        self._receiver, sender = context.Pipe(duplex=False)
        _enlarge(sender)
        self._process = context.Process(target=_do, args=(work, self._receiver, sender), name=what, daemon=True)
        try:
            with sigint_blocked(), warnings.catch_warnings():
                # Python 3.12 and later warn of threads of libraries, such as numpy's: the work does not use them.
                warnings.simplefilter("ignore", DeprecationWarning)
                self._process.start()
        except OSError:
            self._receiver.close()
            raise
        finally:
            sender.close()  # the end of the process is the end of the pipe

    def __enter__(self) -> Self:
        return self

    def receive(self) -> Any:
        """Return the next object that the work has sent; wait for it.

        Raises:
            ProcessLostError: the process was ended from outside.
            Exception: whatever the work has raised.
        """
        try:
            received = self._receiver.recv()
        except (EOFError, OSError):
            raise ProcessLostError(
                f"the process that {self._what} was ended from outside; the system may be out of memory: "
                "close other programs and run it again"
            ) from None
        if isinstance(received, _Raised):
            raise received.error from _OtherTraceback(received.trace)
        return received

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._receiver.close()  # a process that still sends notices that nobody takes it
        if kind is not None:
            self._process.kill()  # it has nothing to tidy up; a stopped process would not heed SIGTERM
        self._process.join()
        self._process.close()


def _enlarge(sender: Connection) -> None:
    """Have the pipe hold more, where the system allows it; else it holds what it does by default."""
    if sys.platform == "linux":
        import fcntl

        with suppress(OSError):
            fcntl.fcntl(sender.fileno(), fcntl.F_SETPIPE_SZ, MAX_WAITING_BYTES)


def _do(work: Callable[[Send], None], receiver: Connection, sender: Connection) -> None:
    """Do the work: the second process begins here, and never returns to what the first one was doing."""
    reset_signals(ignored_interrupt=True)  # Ctrl-C reaches both: the first process decides
    gc.freeze()  # what was there before is never garbage here, and searching it would copy its memory
    receiver.close()  # or the pipe would stay open when the first process has gone
    try:
        work(sender.send)
    except BrokenPipeError:
        pass  # the first process takes no more
    except Exception as error:  # it is raised there
        with suppress(OSError):
            sender.send(_Raised(_sendable(error), format_exc()))


def _sendable(error: Exception) -> Exception:
    """Return an error as it can be passed to another process: itself, or its text if it cannot."""
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return RuntimeError(f"{type(error).__name__}: {error}")
    return error
