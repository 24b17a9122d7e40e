"""A recording that may last for days: in one file or in one after the other, and never to a full disk.

Knows: when the next file is due, by the time of the run or by size, how files are named, and how much of the disk stays
free. Does not know formats, nor how a file is written (`record`). A file of a row has the name given, the moment at
which it was begun, in UTC, and a number; it is always a new one, and none is ever deleted. When too little of the disk
is free the recording stops, and the run goes on.
"""

import shutil
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Protocol

from rvsim.errors import InputError
from rvsim.logs.record import Recorder
from rvsim.sim.clock import machine_ns
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent

MIN_FREE_BYTES = 200_000_000
"""So much of a disk stays free: with a full disk the machine that records may no longer start. Our decision."""
CHECK_NS = 1_000_000_000
"""How often the free space is looked at. A full bus writes half a megabyte in that time."""
MAX_ENTRY_BYTES = 600
"""How many bytes an entry takes at most: an error line with a long description. Our estimate."""
MIN_FILE_BYTES = 100_000
"""The least size at which a new file may begin. Our decision."""
MIN_FILE_US = 10_000_000
"""The least time after which a new file may begin. Our decision."""


class MakeRecorder(Protocol):
    """Opens the recorder of a file; raises a FileExistsError where a ``new`` one exists."""

    def __call__(self, path: Path, *, new: bool) -> Recorder:
        """Open it."""


def free_bytes_of(path: Path) -> int:
    """Return how much is free on the disk of a file."""
    return shutil.disk_usage(path.resolve().parent).free


class LongRecording:
    """Writes frames and events; use it in a ``with`` block.

    Args:
        path: the file; for a row of files what their names begin and end with.
        make: opens the recorder of a file.
        started: the moment of time 0.
        say: takes the line that tells that the recording stopped.
        every_us: the time after which the next file begins, None for no limit.
        max_bytes: the size that no file exceeds, None for no limit.
        free_bytes: returns how much is free on the disk of a file.
        clock: monotonic nanoseconds.

    Raises:
        InputError: a file cannot be written, or too little of the disk is free.
    """

    def __init__(
        self,
        path: Path,
        make: MakeRecorder,
        *,
        started: datetime,
        say: Callable[[str], None],
        every_us: int | None = None,
        max_bytes: int | None = None,
        free_bytes: Callable[[Path], int] = free_bytes_of,
        clock: Callable[[], int] = machine_ns,
    ) -> None:
        self._path, self._make, self._started, self._say = path, make, started, say
        self._every_us, self._max_bytes = every_us, max_bytes
        self._free_bytes, self._clock = free_bytes, clock
        self._number = 0
        self._next_at = every_us
        self._checked = clock()
        self.has_stopped = False
        """Whether the recording ended before the run, since the disk has too little space."""
        self.paths: list[Path] = []
        """The files so far."""
        self._recorder = self._open(0)
        if self._recorder.is_file and self._free() < MIN_FREE_BYTES:
            self._recorder.discard()
            raise InputError(
                f"--record {path}: {_megabytes(self._free())} are free on its disk, and {_megabytes(MIN_FREE_BYTES)} "
                "are kept free: free space there, or record to another disk"
            )

    @property
    def keeps_gaps(self) -> bool:
        """Whether the format has a place for a time in which nobody listened, and for a marked moment."""
        return self._recorder.keeps_gaps

    def write(self, frame: Frame) -> None:
        """Write a frame, in the next file if that is due.

        Raises:
            InputError: it cannot be written.
        """
        if not self.has_stopped:
            self._begin_next(frame.time)
            self._recorder.write(frame)

    def write_event(self, event: LineEvent) -> None:
        """Write an event that is not a frame, if the format has a place for it; raises as ``write`` does."""
        if not self.has_stopped:
            self._begin_next(event.time)
            self._recorder.write_event(event)

    def flush(self) -> None:
        """Write everything that is buffered; stop where too little of the disk is free. It raises as ``write`` does."""
        if self.has_stopped:
            return
        self._recorder.flush()
        now = self._clock()
        if self._recorder.is_file and now - self._checked >= CHECK_NS:
            self._checked = now
            if (free := self._free()) < MIN_FREE_BYTES:
                self._stop(free)

    def _stop(self, free: int) -> None:
        self.has_stopped = True
        self._recorder.close()
        self._say(
            f"--record {self._recorder.path}: the recording stopped: {_megabytes(free)} are free on its disk, and "
            f"{_megabytes(MIN_FREE_BYTES)} are kept free. What was recorded is whole; free space there to record again"
        )

    def _free(self) -> int:
        try:
            return self._free_bytes(self._path)
        except OSError:  # the folder is gone, which the recorder reports, or the system does not tell
            return MIN_FREE_BYTES

    def _begin_next(self, time: int) -> None:
        """Go on with the next file if the present one has reached its time or its size."""
        is_late = self._next_at is not None and time >= self._next_at
        is_full = self._max_bytes is not None and self._recorder.size + MAX_ENTRY_BYTES > self._max_bytes
        if is_late and self._every_us is not None:
            self._next_at = time - time % self._every_us + self._every_us
        if (is_late or is_full) and self._recorder.size:  # nothing was written to it yet: it goes on
            self._recorder.close()
            self._recorder = self._open(time)

    def _open(self, time: int) -> Recorder:
        if self._every_us is None and self._max_bytes is None:
            self.paths.append(self._path)
            return self._make(self._path, new=False)
        while True:
            self._number += 1
            path = self._numbered(time)
            try:
                recorder = self._make(path, new=True)
            except FileExistsError:
                continue
            self.paths.append(path)
            return recorder

    def _numbered(self, time: int) -> Path:
        moment = self._started + timedelta(microseconds=time)
        return self._path.with_name(f"{self._path.stem}-{moment:%Y%m%dT%H%M%SZ}-{self._number:04d}{self._path.suffix}")

    def __enter__(self) -> "LongRecording":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if not self.has_stopped:
            self._recorder.__exit__(kind, error, at)


def _megabytes(size: int) -> str:
    return f"{size // 10**6} MB"
