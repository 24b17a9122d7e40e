"""Writers of the text formats of logs: JSON lines, candump text, .asc, .csv and .trc, a line for each entry.

Knows: the layouts, as the readers here and those of python-can 4.6 read them. Does not know files, nor when to write.
Only JSON lines keep everything: the others have no place for a time in which nobody listened, .csv and .trc none for a
controller's state or for what an error frame was about.
"""

from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Protocol

from rvsim.logs.formats import asc_lines
from rvsim.logs.formats.blf_writer import BlfWriter
from rvsim.logs.formats.jsonl import error_fields, frame_fields, gap_fields, line, marker_fields
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.error_report import ErrorReport, linux_message
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ListeningResumed, Marked

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAY_ZERO = datetime(1899, 12, 30, tzinfo=UTC)
"""Day 0 of the dates in .trc."""


@dataclass(frozen=True)
class LogHead:
    """What a writer has to know of a recording."""

    start: str
    """The first line of JSON lines, with its line end; empty for none."""
    started: datetime | None
    """The moment of time 0, None where it has no date."""
    channel: str
    """The name of the bus, for the formats that name it."""
    sent: bool
    """Whether the frames were sent by this program, not received."""
    catalogue: Catalogue
    """The message definitions, for the names in JSON lines."""
    dated: bool = False
    """Whether the formats without a head, .log and .csv, have times since 1970, not since the start."""

    @property
    def offset(self) -> int:
        """What is added to the times of formats without a head, in microseconds."""
        if not self.dated or self.started is None:
            return 0
        return (self.started - _EPOCH) // timedelta(microseconds=1)


class LogWriter(Protocol):
    """Returns the bytes of one log; some are due only with ``pending``."""

    keeps_gaps: bool
    """Whether the format has a place for a time in which nobody listened, and for a marked moment."""

    def head(self) -> bytes:
        """Return the bytes before the first entry."""

    def frame(self, frame: Frame) -> bytes:
        """Return the bytes of a frame."""

    def report(self, time: int, report: ErrorReport) -> bytes:
        """Return the bytes of an error frame, a controller's state, or both, as far as the format has a place."""

    def gap(self, gap: ListeningResumed) -> bytes:
        """Return the bytes about a time in which nobody listened, none where the format has no place for it."""

    def marker(self, marked: Marked) -> bytes:
        """Return the bytes about a marked moment, none where the format has no place for it."""

    def pending(self) -> bytes:
        """Return the bytes that were held back so far."""

    @property
    def pending_size(self) -> int:
        """How many bytes are held back, at most."""

    def final_head(self) -> bytes:
        """Return the bytes that replace those of the head when the log is complete; none where it stays."""


class _LineWriter:
    """What the writers of text have in common: nothing is held back, and the head stays."""

    keeps_gaps = False
    pending_size = 0

    def __init__(self, head: LogHead) -> None:
        self._head = head

    def head(self) -> bytes:
        """Return nothing: a format without a head."""
        return b""

    def gap(self, gap: ListeningResumed) -> bytes:  # noqa: ARG002 - for the formats that have a place for it
        """Return nothing: most formats have no place for it."""
        return b""

    def marker(self, marked: Marked) -> bytes:  # noqa: ARG002 - for the formats that have a place for it
        """Return nothing: most formats have no place for it."""
        return b""

    def pending(self) -> bytes:
        """Return nothing."""
        return b""

    def final_head(self) -> bytes:
        """Return nothing."""
        return b""


class JsonLinesWriter(_LineWriter):
    """JSON lines of rvsim."""

    keeps_gaps = True

    def head(self) -> bytes:
        """Return the first line."""
        return self._head.start.encode()

    def frame(self, frame: Frame) -> bytes:
        """Return the line of a frame."""
        head = self._head
        return line(frame.time, frame_fields(frame, head.catalogue, head.channel, sent=head.sent)).encode()

    def report(self, time: int, report: ErrorReport) -> bytes:
        """Return an error line."""
        return line(time, error_fields(report, self._head.channel)).encode()

    def gap(self, gap: ListeningResumed) -> bytes:
        """Return the line of a gap."""
        return line(gap.time, gap_fields(gap.since, gap.about, self._head.channel)).encode()

    def marker(self, marked: Marked) -> bytes:
        """Return the line of a marked moment."""
        return line(marked.time, marker_fields(marked.note, self._head.channel)).encode()


class CandumpWriter(_LineWriter):
    """Text of candump as python-can writes it, with the direction; errors as Linux reports them."""

    def __init__(self, head: LogHead) -> None:
        super().__init__(head)
        self._channel = f"can{head.channel}" if head.channel.isdigit() else head.channel.replace(" ", "_")

    def frame(self, frame: Frame) -> bytes:
        """Return the line of a frame."""
        return self._line(frame.time, frame.identifier, frame.data)

    def report(self, time: int, report: ErrorReport) -> bytes:
        """Return the line of an error message."""
        return self._line(time, *linux_message(report))

    def _line(self, time: int, identifier: int, data: bytes) -> bytes:
        stamp = _seconds(time + self._head.offset)
        direction = "RT"[self._head.sent]
        return f"({stamp}) {self._channel} {identifier:08X}#{data.hex().upper()} {direction}\n".encode()


class AscWriter(_LineWriter):
    """Text with a dated head."""

    def head(self) -> bytes:
        """Return the head."""
        return asc_lines.head(self._head.start).encode()

    def frame(self, frame: Frame) -> bytes:
        """Return the line of a frame."""
        return asc_lines.frame_line(frame, sent=self._head.sent).encode()

    def report(self, time: int, report: ErrorReport) -> bytes:
        """Return the lines of an error frame and of a state."""
        return asc_lines.report_lines(time, report).encode()


class CsvWriter(_LineWriter):
    """Comma-separated values in python-can's seven columns."""

    def head(self) -> bytes:
        """Return the names of the columns."""
        return b"timestamp,arbitration_id,extended,remote,error,dlc,data\n"

    def frame(self, frame: Frame) -> bytes:
        """Return the row of a frame."""
        data = b64encode(frame.data).decode()
        return f"{self._time(frame.time)},{frame.identifier:#x},1,0,0,{len(frame.data)},{data}\n".encode()

    def report(self, time: int, report: ErrorReport) -> bytes:
        """Return the row of an error frame; a state has none."""
        return f"{self._time(time)},0x0,1,0,1,0,\n".encode() if report.on_wires else b""

    def _time(self, time: int) -> str:
        return _seconds(time + self._head.offset)


class TrcWriter(_LineWriter):
    """Text with numbered lines, in version 2.1."""

    def __init__(self, head: LogHead) -> None:
        super().__init__(head)
        self._number = 0

    def head(self) -> bytes:
        """Return the head with the columns and, where there is one, the date."""
        lines = [";$FILEVERSION=2.1"]
        if self._head.started is not None:
            days, rest = divmod((self._head.started - _DAY_ZERO) // timedelta(microseconds=1), 86_400 * SECOND_US)
            lines.append(f";$STARTTIME={days}.{rest * 10**10 // (864 * SECOND_US):012d}")
        lines += [
            ";$COLUMNS=N,O,T,B,I,d,R,L,D",
            ";   number, time in ms, type, bus, identifier, direction, reserved, length, data in hex",
        ]
        return "".join(f"{one}\r\n" for one in lines).encode()

    def frame(self, frame: Frame) -> bytes:
        """Return the line of a frame."""
        return self._line(frame.time, "DT", f"{frame.identifier:08X}", frame.data)

    def report(self, time: int, report: ErrorReport) -> bytes:
        """Return the line of an error frame; a state has none."""
        return self._line(time, "ER", "-", b"") if report.on_wires else b""

    def _line(self, time: int, kind: str, identifier: str, data: bytes) -> bytes:
        self._number += 1
        stamp = f"{time // 1000}.{time % 1000:03d}"
        direction = "Tx" if self._head.sent else "Rx"
        content = f"{kind}  1 {identifier:>8} {direction} -  {len(data):<4} {data.hex(' ').upper()}".rstrip()
        return f"{self._number:>7} {stamp:>13} {content}\r\n".encode()


def _binary_writer(head: LogHead) -> BlfWriter:
    return BlfWriter(head.started, sent=head.sent)


WRITERS: dict[str, Callable[[LogHead], LogWriter]] = {
    ".jsonl": JsonLinesWriter,
    ".log": CandumpWriter,
    ".asc": AscWriter,
    ".csv": CsvWriter,
    ".trc": TrcWriter,
    ".blf": _binary_writer,
}
"""The writers by the suffix of a log's name."""


def _seconds(time: int) -> str:
    return f"{time // SECOND_US}.{time % SECOND_US:06d}"
