"""Readers of text logs whose first lines describe the format of the others: .asc and .trc.

Knows: both formats as text. Does not know files. Layouts: the readers and writers of python-can 4.6 (can/io/asc.py,
can/io/trc.py). From memory, with no published source at hand: that "timestamps relative" counts from the line before,
and the types of .trc lines that python-can skips.
"""

import re
from collections.abc import Mapping
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal
from typing import ClassVar

from rvsim.logs.formats.dates import parse_date_us
from rvsim.logs.formats.entry import (
    EntryKind,
    LogEntry,
    ReadEntry,
    SkippedEntry,
    UnreadableError,
    checked_identifier,
    data_length,
    error_entry,
    joined_data,
    joined_message,
    other_frame,
    parse_data_pairs,
    parse_hex,
    parse_time_us,
    quoted,
)
from rvsim.wire.error_report import ErrorReport
from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import ErrorState

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_GERMAN_MONTHS = {"mär": 3, "mai": 5, "okt": 10, "dez": 12}
_DATE = re.compile(
    r"(?:\S+\s+)?(\w{3})\s+(\d{1,2})\s+(\d\d?):(\d\d):(\d\d)(?:\.(\d{1,6}))?(?:\s+([ap])m)?\s+(\d{4})", re.I
)

_STATES = {
    b"error active": ErrorState.ACTIVE,
    b"warning level": ErrorState.ACTIVE,
    b"error passive": ErrorState.PASSIVE,
    b"bus off": ErrorState.BUS_OFF,
    b"busoff": ErrorState.BUS_OFF,
}
"""The states in .asc lines of a chip status: the first as in python-can's test data (test/data/logfile.asc of the 4.6.1
sources), the others, and the counters TxErr and RxErr behind them, from memory."""
_LENGTHS = tuple(b"%x" % number for number in range(16))
_MAX_DESCRIPTION = 80
"""Characters of an error's description that are kept."""


class AscReader:
    """Text with a date at the top and times in seconds from there; identifiers with 29 bits end in x."""

    kind: ClassVar[str] = "text with a dated head (.asc)"

    _head = re.compile(
        rb"(?:date\s+(?P<date>.+)|begin\s+triggerblock(?:\s+(?P<trigger>.+))?|end\s+triggerblock"
        rb"|base\s+(?P<base>hex|dec)[a-z]*(?P<more>\s.*)?"
        rb"|(?:no\s+)?internal\s+events\s+logged|//.*)\s*",
        re.I | re.DOTALL,
    )
    _time = re.compile(rb"-?\d{1,12}\.\d{1,9}")
    _frame_start = re.compile(rb"\s*-?\d{1,12}\.\d{1,9}\s+\d+\s+[0-9A-Fa-f]+x?\s+[rt]x\s+[dr]\s", re.I)
    _decimal = re.compile(rb"\d{1,10}")
    _status = re.compile(
        rb"chip\s+status\s+(error\s+active|error\s+passive|warning\s+level|bus\s*off)"
        rb"(?:.*?TxErr:\s*(\d{1,4}).*?RxErr:\s*(\d{1,4}))?",
        re.I,
    )

    def __init__(self) -> None:
        self.origin = 0
        self._is_decimal = False
        self._is_relative = False
        self._has_frames = False
        self._now = 0

    @classmethod
    def recognizes(cls, line: bytes) -> bool:
        """Tell whether the line belongs to the head or is a frame."""
        return bool((not line.startswith(b"//") and cls._head.fullmatch(line)) or cls._frame_start.match(line))

    def read(self, line: bytes) -> ReadEntry:
        """Read one line of the head, one frame or one event."""
        parts = line.split()
        if not parts:
            return None
        if not self._time.fullmatch(parts[0]):
            self._read_head(line)
            return None
        time = parse_time_us(parts[0])
        self._now = time = time + self._now if self._is_relative else time
        channel, what, direction = (*parts[1:4], b"", b"", b"")[:3]
        has_frames, self._has_frames = self._has_frames, True
        if channel.upper() == b"CANFD" and what.isdigit():
            return error_entry(time, what) if b"errorframe" in line.lower() else SkippedEntry(time, EntryKind.FD, what)
        if channel.isdigit() and what.lower() == b"errorframe":
            return error_entry(time, channel, b" ".join(parts[3:]).decode("ascii", "replace")[:_MAX_DESCRIPTION])
        if channel.isdigit() and direction.lower() in (b"rx", b"tx"):
            return self._frame(time, channel, what, parts[4:])
        self._has_frames = has_frames
        report = self._chip_status(line)
        of_channel = what if report is not None and channel.upper() == b"CAN" and what.isdigit() else None
        return SkippedEntry(None, EntryKind.EVENT, of_channel, report=report)

    def continue_from(self, line: bytes) -> bool:
        """Count later times from a line, where they are counted from the line before; return whether it has a time."""
        time = line.split(None, 1)[:1]
        if not time or not self._time.fullmatch(time[0]):
            return False
        try:
            self._now = parse_time_us(time[0])
        except UnreadableError:
            return False
        return True

    @property
    def head(self) -> tuple[int, bool, bool]:
        """What the head says: the origin, whether numbers are decimal, whether times count from the line before."""
        return self.origin, self._is_decimal, self._is_relative

    def _chip_status(self, line: bytes) -> ErrorReport | None:
        """Return the state of the recording controller that an event reports, None where it reports none."""
        found = self._status.search(line)
        if not found:
            return None
        sent, received = (None if text is None else int(text) for text in found.groups()[1:])
        return ErrorReport(False, "", _STATES[b" ".join(found[1].lower().split())], sent, received)

    def _read_head(self, line: bytes) -> None:
        head = self._head.fullmatch(line.strip())
        if not head:
            raise UnreadableError(f"{quoted(line)} is neither a frame nor a line of the head")
        date = head["trigger"] or head["date"]
        if date and not self._has_frames:
            self.origin = _local(date.decode("utf-8", "replace")) or self.origin
        if head["base"]:
            self._is_decimal = head["base"].lower() == b"dec"
            self._is_relative = b"relative" in (head["more"] or b"").lower()

    def _frame(self, time: int, channel: bytes, identifier: bytes, rest: list[bytes]) -> ReadEntry:
        what = rest[0].lower() if rest else b""
        if what not in (b"d", b"r"):
            raise UnreadableError("a frame that is neither d (data) nor r (remote)")
        number, extended = self._number(identifier.rstrip(b"xX")), identifier[-1:] in (b"x", b"X")
        if what == b"r":  # its length is optional
            return other_frame(
                time, channel, number, extended, int(rest[1], 16) if rest[1:2] and rest[1] in _LENGTHS else 0
            )
        if len(rest) < 2:
            raise UnreadableError("a frame that is cut off before its length")
        if extended and not self._is_decimal and (joined := joined_data(rest[2:], rest[1])) is not None:
            return joined_message(time, channel, checked_identifier(number), joined)
        data = self._data(rest[2:], parse_hex(rest[1]))
        return (
            LogEntry(time, checked_identifier(number), data, channel)
            if extended
            else other_frame(time, channel, number, False, data)
        )

    def _number(self, text: bytes) -> int:
        if not self._is_decimal:
            return parse_hex(text)
        if not self._decimal.fullmatch(text):
            raise UnreadableError(f"{quoted(text)} is not a decimal number")
        return int(text)

    def _data(self, texts: list[bytes], length: int) -> bytes:
        if not self._is_decimal:
            return parse_data_pairs(texts, length)
        numbers = [self._number(text) for text in texts[: data_length(len(texts), length)]]
        if any(number > 255 for number in numbers):
            raise UnreadableError("a data byte above 255")
        return bytes(numbers)


class TrcReader:
    """Text with numbered lines and times in milliseconds, in one of five versions with different columns."""

    kind: ClassVar[str] = "text with numbered lines (.trc)"

    # N number, O time, T type, B bus, I identifier, d direction, R reserved, L length, D data
    _columns_of: ClassVar[dict[bytes, bytes | None]] = {
        b"1.0": b"N,O,I,L,D",
        b"1.1": b"N,O,d,I,L,D",
        b"1.3": b"N,O,B,d,I,R,L,D",
        b"2.0": None,
        b"2.1": None,
    }
    """The columns of each version; logs of the last two versions name theirs."""
    _data_types = (b"DT", b"Rx", b"Tx")
    _events: ClassVar[dict[bytes, EntryKind]] = {
        b"FD": EntryKind.FD, b"FB": EntryKind.FD, b"FE": EntryKind.FD, b"BI": EntryKind.FD, b"RR": EntryKind.REMOTE,
        b"ER": EntryKind.ERROR, b"Error": EntryKind.ERROR,
        b"ST": EntryKind.EVENT, b"EC": EntryKind.EVENT, b"EV": EntryKind.EVENT, b"Warng": EntryKind.EVENT,
    }  # fmt: skip
    _head = re.compile(rb";\$(FILEVERSION|STARTTIME|COLUMNS)=(\S+)\s*")
    _line_start = re.compile(rb"\s*\d+\)\s+-?\d+(?:\.\d+)?\s")
    _number = re.compile(rb"\d+\)?")
    _days = re.compile(rb"\d{1,6}(?:\.\d{1,20})?")
    _epoch_day = 25569
    """Days from 1899-12-30, day 0 of the format, to 1970-01-01."""

    def __init__(self) -> None:
        self.origin = 0
        self._version = b"1.0"  # logs of the first version do not name it
        self._set_columns(b"N,O,I,L,D")

    @classmethod
    def recognizes(cls, line: bytes) -> bool:
        """Tell whether the line belongs to the head or is numbered as in versions below 2."""
        return bool(cls._head.fullmatch(line) or cls._line_start.match(line))

    def read(self, line: bytes) -> ReadEntry:
        """Read one line of the head or one numbered line."""
        if line.startswith(b";"):
            if head := self._head.fullmatch(line):
                self._read_head(head[1], head[2])
            return None
        parts = line.split()
        if not parts:
            return None
        if not self._column:
            raise UnreadableError(f"no columns are known for version {self._version.decode('ascii', 'replace')}")
        if not self._number.fullmatch(parts[0]):
            raise UnreadableError(f"{quoted(line)} does not start with a number")
        try:
            return self._numbered(parts)
        except IndexError:
            raise UnreadableError(f"{quoted(line)} is cut off") from None

    @property
    def columns(self) -> Mapping[str, int]:
        """The position of each column by its letter; empty where the columns are not known."""
        return self._column

    @property
    def length_column(self) -> int:
        """The position of the length."""
        return self._length

    @classmethod
    def is_data_type(cls, type_: bytes) -> bool:
        """Return whether lines of a type are classic data frames."""
        return type_ in cls._data_types

    def _read_head(self, name: bytes, value: bytes) -> None:
        if name == b"FILEVERSION":
            self._version = value
            self._set_columns(self._columns_of.get(value))
        elif name == b"COLUMNS":
            self._set_columns(value)
        elif self._days.fullmatch(value):
            days = Decimal(value.decode()) - self._epoch_day
            self.origin = int((days * 86_400_000_000).to_integral_value(ROUND_HALF_UP))

    def _set_columns(self, names: bytes | None) -> None:
        """Set the position of each column; the length may be L, a code, or l, a count: the same up to eight."""
        self._column = {name.decode("ascii", "replace"): place for place, name in enumerate((names or b"").split(b","))}
        self._column = {} if not {"O", "I", "D"} <= self._column.keys() else self._column
        self._length = self._column.get("L", self._column.get("l", 0))

    def _numbered(self, parts: list[bytes]) -> ReadEntry:
        column = self._column
        time = parse_time_us(parts[column["O"]], power=3)
        bus = parts[column["B"]] if "B" in column else None
        kind = self._kind(parts[column["T"]] if "T" in column else parts[column["d"]] if "d" in column else b"DT")
        if kind is EntryKind.EVENT:
            return SkippedEntry(None, kind, None)
        if kind is EntryKind.ERROR:
            return error_entry(time, bus)
        if kind is EntryKind.FD:
            return SkippedEntry(time, kind, bus)
        identifier = parts[column["I"]]
        if identifier == b"FFFFFFFF":  # a bus event, in version 1.0
            return SkippedEntry(None, EntryKind.EVENT, None)
        length, data = parts[self._length], parts[column["D"] :]
        number, extended = parse_hex(identifier), len(identifier) > 4
        if extended and not kind and (joined := joined_data(data, length)) is not None:
            return joined_message(time, bus, checked_identifier(number), joined)
        if not length.isdigit() or len(length) > 2:
            raise UnreadableError(f"{quoted(length)} is not a length")
        if kind or data[:1] == [b"RTR"]:
            return other_frame(time, bus, number, extended, int(length))
        content = parse_data_pairs(data, int(length))
        return (
            LogEntry(time, checked_identifier(number), content, bus)
            if extended
            else other_frame(time, bus, number, False, content)
        )

    def _kind(self, type_: bytes) -> EntryKind | None:
        """Return why a line of this type is no data frame; None where it is one."""
        if type_ in self._data_types:
            return None
        if type_ not in self._events:
            raise UnreadableError(f"{quoted(type_)} is not a known type of line")
        return self._events[type_]


def _local(text: str) -> int | None:
    """Parse an English, German or numeric date of an .asc file as microseconds since the epoch; None if it is none.

    The files have no time zone; that of this machine is used. Up to three digits after the second are milliseconds and
    not a fraction: python-can writes 5 ms as ".5".
    """
    date = _DATE.fullmatch(text.strip())
    if not date:
        return parse_date_us(text)
    name, day, hour, minute, second, fraction, half, year = date.groups()
    month = _GERMAN_MONTHS.get(name.lower()) or (_MONTHS.index(name.lower()) + 1 if name.lower() in _MONTHS else 0)
    hours = int(hour) % 12 + 12 * (half.lower() == "p") if half else int(hour)
    try:
        seconds = datetime(int(year), month, int(day), hours, int(minute), int(second)).timestamp()
    except (ValueError, OverflowError, OSError):
        return None
    digits = fraction or "0"
    return int(seconds) * SECOND_US + (int(digits) * 1000 if len(digits) <= 3 else int(digits.ljust(6, "0")))
