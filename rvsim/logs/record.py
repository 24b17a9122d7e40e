"""Records a run: writes frames, error frames and controller states to a file as they come.

Knows: when a file is written, flushed and synchronised with the disk, that two runs never write one file, and that a
file which was deleted or replaced while it is written is reported as soon as that is noticed. The suffix decides the
format (`formats.log_writers`, `formats.blf_writer`). Does not know what frames mean. Times are seconds since the start
of the run, so that one seed gives one file; only a ``dated`` recording of a format without a head has dates. An
existing recording is replaced when the first frame comes and not before.

What was flushed is with the operating system: it survives the death of this program, not that of the machine. A binary
log is flushed in containers, one a second at most.
"""

import json
import os
import stat
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from rvsim.errors import InputError, write_problem
from rvsim.logs.formats.log_writers import WRITERS, LogHead
from rvsim.sim.clock import machine_ns
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.error_report import ErrorReport, report_of
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent, ListeningResumed, Marked

try:
    import fcntl
except ImportError:  # a system without fcntl has no locks that end with their process
    fcntl = None  # type: ignore[assignment]

RECORDING_SUFFIXES = tuple(WRITERS)
"""The suffixes of a recording's name, each a format."""
CONTAINER_NS = 800_000_000
"""The time after which what a format holds back is written: together with the time between two flushes, a second at
most. Our decision."""
SYNC_NS = 5_000_000_000
"""The time after which a file is synchronised with the disk, where that is wanted: so much is lost at most when the
power fails. Our decision: each time is a wait, and wears flash memory."""


class Recorder:
    """Writes each frame to one file; close it, or use it in a ``with`` block.

    A run that ends without a frame leaves a recording without frames. A run that is stopped by an error before its
    first frame leaves the file as it was before.

    Args:
        path: the file; its suffix decides the format.
        catalogue: the message definitions, for the names in JSON lines.
        start: the first line of JSON lines; its ``started`` is the date of the other formats.
        channel: the name of the bus.
        sent: whether the frames were sent by this program.
        dated: whether the formats without a head, .log and .csv, have times since 1970.
        new: whether the file must not exist.
        syncs: whether the file is synchronised with the disk now and then.
        clock: monotonic nanoseconds.

    Raises:
        InputError: the suffix is not known, the file cannot be written, or another run is writing it.
        FileExistsError: it exists, and must not.
    """

    def __init__(
        self,
        path: Path,
        catalogue: Catalogue,
        *,
        start: str,
        channel: str,
        sent: bool,
        dated: bool = False,
        new: bool = False,
        syncs: bool = False,
        clock: Callable[[], int] = machine_ns,
    ) -> None:
        suffix = path.suffix.lower()
        if suffix not in RECORDING_SUFFIXES:
            raise InputError(
                f"--record {path}: the name decides the format and has to end in {_either(RECORDING_SUFFIXES)}"
            )
        self._path = path
        self._writer = WRITERS[suffix](LogHead(start, _started(start), channel, sent, catalogue, dated))
        try:
            self._file, self._new = _opened(path, new=new)
        except FileExistsError:
            raise
        except (OSError, ValueError) as error:  # a ValueError: a character that no name can have
            why = getattr(error, "strerror", None) or error
            raise InputError(f"--record {path}: cannot be written ({why}): name another file") from None
        self.is_file = stat.S_ISREG(os.fstat(self._file.fileno()).st_mode)
        """Whether it is a file; a pipe or a device keeps nothing."""
        if self.is_file and not _locked(self._file):
            self._file.close()
            raise InputError(f"--record {path}: another run is writing this file: name another file, or stop that run")
        self._has_started = False
        self._syncs, self._clock = syncs and self.is_file, clock
        self._last_container = self._last_sync = clock()
        self._written = 0

    @property
    def path(self) -> Path:
        """The file."""
        return self._path

    @property
    def size(self) -> int:
        """How many bytes were written so far; of what is held back, how many they are at most."""
        return self._written + self._writer.pending_size

    @property
    def keeps_gaps(self) -> bool:
        """Whether the format has a place for a time in which nobody listened, and for a marked moment."""
        return self._writer.keeps_gaps

    def write(self, frame: Frame) -> None:
        """Write one frame.

        Raises:
            InputError: the disk is full, or the file was deleted or replaced.
        """
        with self._reworded_errors():
            self._start_file()
            self._write(frame)

    def write_event(self, event: LineEvent) -> None:
        """Write an error frame, a change of a controller's state, a time in which nobody listened or a marked
        moment, as far as the format has a place for them; all other events are left out.

        Raises:
            InputError: as ``write`` does.
        """
        report = report_of(event)
        if report is not None:
            with self._reworded_errors():
                self._start_file()
                self._write_report(event.time, report)
        elif isinstance(event, ListeningResumed):
            with self._reworded_errors():
                self._start_file()
                self._put(self._writer.gap(event))
        elif isinstance(event, Marked):
            with self._reworded_errors():
                self._start_file()
                self._put(self._writer.marker(event))

    def _start_file(self) -> None:
        """Replace the previous content of the file, once."""
        if not self._has_started:
            self._has_started = True
            if self.is_file:
                self._file.truncate(0)
            self._put(self._writer.head())

    def _write(self, frame: Frame) -> None:
        self._put(self._writer.frame(frame))

    def _write_report(self, time: int, report: ErrorReport) -> None:
        self._put(self._writer.report(time, report))

    def _put(self, data: bytes) -> None:
        self._file.write(data)
        self._written += len(data)

    def flush(self) -> None:
        """Pass everything written so far to the operating system; of a binary log, what was held back for a second.

        Raises:
            InputError: the disk is full, or the file was deleted or replaced.
        """
        now = self._clock()
        with self._reworded_errors():
            if now - self._last_container >= CONTAINER_NS:
                self._last_container = now
                self._put(self._writer.pending())
            self._file.flush()
            if self._syncs and now - self._last_sync >= SYNC_NS:
                self._last_sync = now
                os.fsync(self._file.fileno())
            self._check_place()

    def close(self) -> None:
        """Write what is left and close the file; raises as ``flush`` does. It may be called twice."""
        if self._file.closed:
            return
        with self._reworded_errors():
            try:
                self._start_file()
                self._put(self._writer.pending())
                self._file.flush()
                if self._syncs:
                    os.fsync(self._file.fileno())
                self._check_place()
                self._complete_head()
            finally:
                self._file.close()

    def _complete_head(self) -> None:
        """Replace the head of a format that says how large the log is; the file itself is only appended to."""
        head = self._writer.final_head()
        if head and self.is_file:
            with self._path.open("r+b") as file:
                file.write(head)

    def _check_place(self) -> None:
        """Refuse to go on with a file that can no longer be found by its name."""
        if not self.is_file:
            return
        try:
            is_there = os.path.samestat(os.stat(self._path), os.fstat(self._file.fileno()))
            what = "another file has taken its place"
        except FileNotFoundError:
            is_there, what = False, "it was deleted or moved away"
        if not is_there:
            raise InputError(
                f"--record {self._path}: {what} while it was written, so the recording is lost: record again"
            )

    def discard(self) -> None:
        """Close a file without an entry, and leave it as it was before."""
        self._has_started = True
        self._file.close()
        if self._new:
            self._path.unlink(missing_ok=True)

    @contextmanager
    def _reworded_errors(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise InputError(f"--record {self._path}: writing stopped {write_problem(error)}") from None

    def __enter__(self) -> "Recorder":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        # Without a time limit, Ctrl-C is the way to stop a run.
        if kind is None or issubclass(kind, KeyboardInterrupt):
            self.close()
        elif self._has_started:
            with suppress(InputError):  # the error that stopped the run is reported
                self.close()
        else:
            self.discard()


def _either(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} or {names[-1]}"


def _started(start: str) -> datetime | None:
    """Return the moment of time 0, from the first line of JSON lines; None where it has no date."""
    started = json.loads(start).get("started") if start else None
    return None if started is None else datetime.fromisoformat(started)


def _opened(path: Path, *, new: bool) -> tuple[BinaryIO, bool]:
    """Open a file for writing without changing its content; return it, and whether it is new.

    Raises:
        FileExistsError: it exists, and has to be new.
    """
    try:
        return path.open("xb"), True
    except FileExistsError:
        if new:
            raise
        return path.open("ab"), False


def _locked(file: BinaryIO) -> bool:
    """Lock a file for this run; return whether that succeeded. The lock ends with the file, or the process."""
    if fcntl is None:
        return True
    try:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return True
    return True
