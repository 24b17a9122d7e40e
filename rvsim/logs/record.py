"""Records a run: writes frames, error frames and controller states to a file as they come.

Knows: three formats, chosen by the suffix: JSON lines of rvsim (.jsonl); the text log that python-can writes, with
errors as candump writes them (.log); and text with a dated head (.asc, `formats.asc_lines`). Only JSON lines have the
node of a controller state. Does not know what frames mean. Times are seconds since the start of the run, so that one
seed gives one file. An existing recording is replaced when the first frame comes and not before. Two runs never write
one file, and a file that was deleted or replaced while it is written is reported as soon as that is noticed.
"""

import os
import stat
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import TextIO

import can

from rvsim.errors import InputError, write_problem
from rvsim.logs.formats import asc_lines as record_asc
from rvsim.logs.formats.jsonl import error_fields, frame_fields, line
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.error_report import ErrorReport, linux_message, report_of
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import LineEvent

try:
    import fcntl
except ImportError:  # a system without fcntl has no locks that end with their process
    fcntl = None  # type: ignore[assignment]

RECORDING_SUFFIXES = (".jsonl", ".log", ".asc")
"""The suffixes of a recording's name, each a format."""


class Recorder:
    """Writes each frame to one file; close it, or use it in a ``with`` block.

    A run that ends without a frame leaves a recording without frames. A run that is stopped by an error before its
    first frame leaves the file as it was before.

    Raises:
        InputError: the suffix is not known, the file cannot be written, or another run is writing it.
    """

    def __init__(self, path: Path, catalogue: Catalogue, *, start: str, channel: str, sent: bool) -> None:
        suffix = path.suffix.lower()
        if suffix not in RECORDING_SUFFIXES:
            raise InputError(
                f"--record {path}: the name decides the format and has to end in {_either(RECORDING_SUFFIXES)}"
            )
        self._path = path
        self._catalogue, self._channel, self._sent = catalogue, channel, sent
        try:
            self._file, self._new = _opened(path)
        except (OSError, ValueError) as error:  # a ValueError: a character that no name can have
            why = getattr(error, "strerror", None) or error
            raise InputError(f"--record {path}: cannot be written ({why}): name another file") from None
        self._is_file = stat.S_ISREG(os.fstat(self._file.fileno()).st_mode)  # a pipe or a device keeps nothing
        if self._is_file and not _locked(self._file):
            self._file.close()
            raise InputError(f"--record {path}: another run is writing this file: name another file, or stop that run")
        self._has_started = False
        self._start = ""
        self._write: Callable[[Frame], None] = self._write_json
        self._write_report: Callable[[int, ErrorReport], None] = self._write_json_report
        if suffix == ".jsonl":
            self._start = start
        elif suffix == ".asc":
            self._start = record_asc.head(start)
            self._write, self._write_report = self._write_asc, self._write_asc_report
        else:
            self._write_report = self._write_log_report
            self._log = can.CanutilsLogWriter(self._file)
            self._write = self._write_log

    def write(self, frame: Frame) -> None:
        """Write one frame.

        Raises:
            InputError: the disk is full, or the file was deleted or replaced.
        """
        with self._reworded_errors():
            self._start_file()
            self._write(frame)

    def write_event(self, event: LineEvent) -> None:
        """Write an error frame or a change of a controller's state; all other events are left out.

        Raises:
            InputError: as ``write`` does.
        """
        report = report_of(event)
        if report is not None:
            with self._reworded_errors():
                self._start_file()
                self._write_report(event.time, report)

    def _start_file(self) -> None:
        """Replace the previous content of the file, once."""
        if not self._has_started:
            self._has_started = True
            if self._is_file:
                self._file.truncate(0)
            self._file.write(self._start)

    def _write_json(self, frame: Frame) -> None:
        self._file.write(line(frame.time, frame_fields(frame, self._catalogue, self._channel, sent=self._sent)))

    def _write_log(self, frame: Frame) -> None:
        self._log.on_message_received(
            can.Message(
                timestamp=frame.time / SECOND_US,
                arbitration_id=frame.identifier,
                data=frame.data,
                channel=self._channel,
                is_rx=not self._sent,
            )
        )

    def _write_asc(self, frame: Frame) -> None:
        self._file.write(record_asc.frame_line(frame, sent=self._sent))

    def _write_json_report(self, time: int, report: ErrorReport) -> None:
        self._file.write(line(time, error_fields(report, self._channel)))

    def _write_asc_report(self, time: int, report: ErrorReport) -> None:
        self._file.write(record_asc.report_lines(time, report))

    def _write_log_report(self, time: int, report: ErrorReport) -> None:
        identifier, data = linux_message(report)
        stamp = f"{time // SECOND_US}.{time % SECOND_US:06d}"
        self._file.write(f"({stamp}) {self._channel} {identifier:08X}#{data.hex().upper()} {'RT'[self._sent]}\n")

    def flush(self) -> None:
        """Pass everything written so far to the operating system.

        Raises:
            InputError: the disk is full, or the file was deleted or replaced.
        """
        with self._reworded_errors():
            self._file.flush()
            self._check_place()

    def close(self) -> None:
        """Write what is left and close the file; raises as ``flush`` does. It may be called twice."""
        if self._file.closed:
            return
        with self._reworded_errors():
            try:
                self._start_file()
                self._file.flush()
                self._check_place()
            finally:
                self._file.close()

    def _check_place(self) -> None:
        """Refuse to go on with a file that can no longer be found by its name."""
        if not self._is_file:
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

    def _discard(self) -> None:
        """Close the file and leave it as it was before."""
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
            self._discard()


def _either(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} or {names[-1]}"


def _opened(path: Path) -> tuple[TextIO, bool]:
    """Open a file for writing without changing its content; return it, and whether it is new."""
    try:
        return path.open("x", encoding="utf-8", newline="\n"), True
    except FileExistsError:
        return path.open("a", encoding="utf-8", newline="\n"), False


def _locked(file: TextIO) -> bool:
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
