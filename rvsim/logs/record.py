"""Writes what was on the bus to a file, as it comes.

Knows: our own JSON lines and the text log that python-can writes; the suffix decides. Does not know what frames
mean. Times are seconds since the start of the run, so that one seed gives one file. A recording that is there already
is replaced by the first frame and not before.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import TextIO

import can

from rvsim.errors import InputError, not_written
from rvsim.logs.jsonl import frame_fields, line
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame

SUFFIXES = (".jsonl", ".log")


class Recorder:
    """Writes each frame to one file; close it, or use it in a ``with`` block.

    A run that ends without a frame leaves a recording without frames. One that is broken off by an error before its
    first frame leaves what was there before.

    Raises:
        InputError: the suffix is not known, or the file cannot be written.
    """

    def __init__(self, path: Path, catalogue: Catalogue, *, start: str, channel: str, sent: bool) -> None:
        suffix = path.suffix.lower()
        if suffix not in SUFFIXES:
            raise InputError(f"--record {path}: the name decides the format and has to end in {' or '.join(SUFFIXES)}")
        self._path = path
        self._catalogue, self._channel, self._sent = catalogue, channel, sent
        try:
            self._file, self._new = _opened(path)
        except (OSError, ValueError) as error:  # a ValueError: a sign that no name can have
            why = getattr(error, "strerror", None) or error
            raise InputError(f"--record {path}: cannot be written ({why}): name another file") from None
        self._begun = False
        self._start = ""
        self._write: Callable[[Frame], None] = self._write_json
        if suffix == ".jsonl":
            self._start = start
        else:
            self._log = can.CanutilsLogWriter(self._file)
            self._write = self._write_log

    def write(self, frame: Frame) -> None:
        """Write one frame.

        Raises:
            InputError: the disk is full, or the file went away.
        """
        with self._told():
            self._begin()
            self._write(frame)

    def _begin(self) -> None:
        """Replace what was there before, once."""
        if not self._begun:
            self._begun = True
            if self._path.is_file():  # a pipe or a device holds nothing
                self._file.truncate(0)
            self._file.write(self._start)

    def _write_json(self, frame: Frame) -> None:
        self._file.write(line(frame.time, frame_fields(frame, self._catalogue, self._channel, self._sent)))

    def _write_log(self, frame: Frame) -> None:
        self._log.on_message_received(
            can.Message(
                timestamp=frame.time / 1e6,
                arbitration_id=frame.identifier,
                data=frame.data,
                channel=self._channel,
                is_rx=not self._sent,
            )
        )

    def flush(self) -> None:
        """Hand everything written so far to the operating system; raises as ``write`` does."""
        with self._told():
            self._file.flush()

    def close(self) -> None:
        """Write out what is left and close the file; raises as ``write`` does. May be called twice."""
        with self._told():
            self._begin()
            self._file.close()

    def _leave(self) -> None:
        """Close the file and leave what was there before."""
        self._begun = True
        self._file.close()
        if self._new:
            self._path.unlink(missing_ok=True)

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise InputError(f"--record {self._path}: writing stopped {not_written(error)}") from None

    def __enter__(self) -> "Recorder":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        # Without a time limit Ctrl-C is how a run is ended.
        if self._begun or kind is None or issubclass(kind, KeyboardInterrupt):
            self.close()
        else:
            self._leave()


def _opened(path: Path) -> tuple[TextIO, bool]:
    """Open a file to write, what it holds untouched; tell whether it is new."""
    try:
        return path.open("x", encoding="utf-8", newline="\n"), True
    except FileExistsError:
        return path.open("a", encoding="utf-8", newline="\n"), False
