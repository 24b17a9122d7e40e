"""Writes a log in another form: its frames, error frames and controller states, with the times that it had.

Knows: how the writers of `formats.log_writers` are used for a log that was captured, and which forms can have several
channels. Does not know how a log is read, nor files' names. A log with a date keeps it; one without keeps its own
times, where they are not below zero.
"""

from datetime import UTC, datetime, timedelta
from typing import BinaryIO

from rvsim.logs.formats.jsonl import start_line, utc_text
from rvsim.logs.formats.log_writers import WRITERS, LogHead, LogWriter
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.error_report import report_of
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent, ListeningResumed, Marked

LOG_SUFFIXES = tuple(WRITERS)
WITH_CHANNELS = (".log", ".jsonl")
"""The forms that name the channel of each entry."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = 1000
_DEFAULT_CHANNEL = "can0"
"""The name of a channel that the log does not name, in forms that need one."""


class LogFile:
    """One log that is being written.

    Args:
        file: where its bytes go.
        suffix: one of `LOG_SUFFIXES`.
        name: the name of the log that it is made from, for the first line of JSON lines.
        started: the moment of its time 0 in microseconds since the epoch, None where it has no date.
        first: the log's own time at its time 0, in microseconds, for a log without a date.
    """

    def __init__(
        self, file: BinaryIO, suffix: str, catalogue: Catalogue, *, name: str, started: int | None, first: int
    ) -> None:
        self._file, self._suffix, self._catalogue = file, suffix, catalogue
        # Heads with a date have it in milliseconds at least; the rest is in the times.
        self._shift = max(0, first) if started is None else started % _MS
        self._started = None if started is None else started - self._shift
        date = None if self._started is None else utc_text(self._started)
        self._start = start_line("export", log=name, scenario=None, seed=None, started=date)
        self._writers: dict[str, LogWriter] = {}
        self._head = self._writer("")
        self._file.write(self._head.head())
        self.frames = 0
        """How many frames were written."""
        self.lost_marks = 0
        """For how many marked moments the form has no place."""

    def _writer(self, channel: str) -> LogWriter:
        """Return the writer for a channel; in forms that do not name channels it is the same for all."""
        key = channel if self._suffix in WITH_CHANNELS else ""
        if key not in self._writers:
            started = None if self._started is None else _EPOCH + timedelta(microseconds=self._started)
            head = LogHead(self._start, started, channel or _DEFAULT_CHANNEL, False, self._catalogue, dated=True)
            self._writers[key] = WRITERS[self._suffix](head)
        return self._writers[key]

    def write(self, channel: str, entry: Frame | LineEvent) -> None:
        """Write an entry of a channel, as far as the form has a place for it."""
        writer = self._writer(channel)
        moved = entry._replace(time=entry.time + self._shift)
        if isinstance(moved, Frame):
            self.frames += 1
            self._file.write(writer.frame(moved))
        elif isinstance(moved, ListeningResumed):
            self._file.write(writer.gap(moved._replace(since=moved.since + self._shift)))
        elif isinstance(moved, Marked):
            note = writer.marker(moved)
            self.lost_marks += not note
            self._file.write(note)
        elif (report := report_of(moved)) is not None:
            self._file.write(writer.report(moved.time, report))

    def close(self) -> None:
        """Write what was held back, and what belongs into the head of a complete log."""
        for writer in self._writers.values():
            self._file.write(writer.pending())
        final = self._head.final_head()
        if final:
            self._file.seek(0)
            self._file.write(final)
