"""Readers of text logs with one complete entry in each line: candump text, comma-separated values, rvsim's JSON lines.

Knows: the three formats, and both forms of candump's. Does not know files. Layouts: can-utils (lib.c and candump.c) for
candump text, the writers of python-can 4.6 for the suffix R or T and for comma-separated values, `jsonl.py` for ours.
"""

import json
import re
from binascii import a2b_base64, unhexlify
from datetime import datetime
from itertools import takewhile
from typing import Any, ClassVar

from rvsim.logs.formats.entry import (
    ERROR_FLAG,
    MAX_DATA_BYTES,
    MAX_MESSAGE_BYTES,
    EntryKind,
    ListeningPause,
    LogEntry,
    ReadEntry,
    SkippedEntry,
    UnreadableError,
    checked_identifier,
    data_entry,
    error_entry,
    other_frame,
    parse_data,
    parse_data_pairs,
    parse_hex,
    parse_time_us,
    quoted,
)
from rvsim.wire.error_report import ErrorReport, linux_report
from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import ErrorState

_EXTENDED_DIGITS = 4
"""An identifier of so many digits or more has 29 bits; writers use three and eight."""
_DIGITS = tuple(b"%X" % number for number in range(16))


class CandumpReader:
    """Text of candump: `(seconds) channel identifier#data`, or with blanks and a length as on the screen.

    The screen form may have no times at all, or local dates.
    """

    kind: ClassVar[str] = "candump text"
    origin = 0

    # The form of nearly every line; all other lines are read by the slower patterns below.
    _usual = re.compile(rb"\((\d{1,12})\.(\d{6})\) (\S+) ([01][0-9A-Fa-f]{7})#([0-9A-Fa-f]{0,16})(?: [RT])?\r?\n")
    _compact = re.compile(rb"\s*\(([^()]*)\)\s+(\S+)\s+(\w+)#(\S*)(\s*)(?:[RTrt]\s*)?")
    _screen = re.compile(
        rb"\s*(?:\(([^()]*)\)\s+)?(\S+)\s+(?:[RT]X\s+\S\s+\S\s+)?([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})\s+\[(\d{1,2})\](.*)",
        re.DOTALL,
    )
    _date = re.compile(rb"(\d{4}-\d\d-\d\d \d\d:\d\d:\d\d)\.(\d{6})")

    @classmethod
    def recognizes(cls, line: bytes) -> bool:
        """Tell whether the line can be read in one of the two forms."""
        try:
            return cls().read(line) is not None
        except UnreadableError:
            return False

    def read(self, line: bytes) -> ReadEntry:
        """Read one line of either form."""
        usual = self._usual.fullmatch(line)
        if usual:
            whole, fraction, channel, identifier, digits = usual.groups()
            if not len(digits) & 1:
                return LogEntry(int(whole + fraction), int(identifier, 16), unhexlify(digits), channel)
        if not line.strip() or line.startswith(b"#"):
            return None
        if compact := self._compact.fullmatch(line):
            return self._read_compact(*compact.groups())
        if screen := self._screen.fullmatch(line):
            return self._read_screen(*screen.groups())
        raise UnreadableError(f"{quoted(line)} is not a line of {self.kind}")

    def _read_compact(self, time: bytes, channel: bytes, identifier: bytes, body: bytes, after: bytes) -> ReadEntry:
        at, number = self._time(time), parse_hex(identifier)
        if body.startswith(b"#"):
            return SkippedEntry(at, EntryKind.FD, channel)
        extended = len(identifier) >= _EXTENDED_DIGITS
        if body[:1] in (b"R", b"r"):
            return other_frame(at, channel, number, extended, _digit(body[1:2]))
        is_message = extended and not number & ERROR_FLAG
        # after the underscore: a length code above 8
        data = parse_data(body.partition(b"_")[0], MAX_MESSAGE_BYTES if is_message else MAX_DATA_BYTES)
        if number & ERROR_FLAG:
            return SkippedEntry(at, EntryKind.ERROR, channel, report=linux_report(number, data))
        if not extended:
            return other_frame(at, channel, number, extended, data)
        if not after and len(data) < 8:
            raise UnreadableError("the last line has no line end: its frame may be cut off")
        return data_entry(at, channel, number, data)

    def _read_screen(
        self, time: bytes | None, channel: bytes, identifier: bytes, length: bytes, rest: bytes
    ) -> ReadEntry:
        at, number = None if time is None else self._time(time), int(identifier, 16)
        if len(length) == 2 and not number & ERROR_FLAG:  # [08]: two digits are written for FD frames only
            return SkippedEntry(at, EntryKind.FD, channel)
        extended = len(identifier) >= _EXTENDED_DIGITS
        if rest.split()[:1] == [b"remote"]:
            return other_frame(at, channel, number, extended, int(length))
        # candump can append the bytes as characters in quotes, and then the description of an error
        data_bytes = rest.split(b"'")[0].split()
        if number & ERROR_FLAG:
            return SkippedEntry(
                at,
                EntryKind.ERROR,
                channel,
                report=linux_report(number, _parse_leading_bytes(data_bytes[: int(length)])),
            )
        if len(data_bytes) > int(length):
            raise UnreadableError(f"{len(data_bytes)} data bytes where the length is {int(length)}")
        data = parse_data_pairs(data_bytes, int(length))
        return (
            LogEntry(at, checked_identifier(number), data, channel)
            if extended
            else other_frame(at, channel, number, False, data)
        )

    def _time(self, text: bytes) -> int:
        date = self._date.fullmatch(text)
        if not date:
            return parse_time_us(text)
        try:
            return int(datetime.fromisoformat(date[1].decode()).timestamp()) * SECOND_US + int(date[2])
        except (ValueError, OverflowError, OSError):
            raise UnreadableError(f"{quoted(text)} is not a date") from None


class CsvReader:
    """Comma-separated values in python-can's seven columns, the data in base 64."""

    kind: ClassVar[str] = "comma-separated values (.csv)"
    origin = 0

    _header = b"timestamp,arbitration_id,extended,remote,error,dlc,data"
    _row = re.compile(rb"([^,\s]+),(?:0x)?([0-9A-Fa-f]+),([01]),([01]),([01]),(\d{1,2}),([0-9A-Za-z+/=]*)\s*")

    @classmethod
    def recognizes(cls, line: bytes) -> bool:
        """Tell whether the line is the header or has seven such columns."""
        return line.strip() == cls._header or bool(cls._row.fullmatch(line))

    def read(self, line: bytes) -> ReadEntry:
        """Read one row; the header may come again where files were joined."""
        if line.strip() in (b"", self._header):
            return None
        row = self._row.fullmatch(line)
        if not row:
            raise UnreadableError(f"{quoted(line)} does not have the seven columns")
        time, identifier, extended, remote, spoilt, length, text = row.groups()
        at = parse_time_us(time)
        if spoilt == b"1":
            return error_entry(at, None)
        if int(length) > 8:  # the format has no other mark of an FD frame
            return SkippedEntry(at, EntryKind.FD, None)
        number = parse_hex(identifier)
        if remote == b"1":
            return other_frame(at, None, number, extended == b"1", int(length))
        data = self._data(text, int(length))
        return (
            other_frame(at, None, number, False, data)
            if extended == b"0"
            else LogEntry(at, checked_identifier(number), data, None)
        )

    @staticmethod
    def _data(text: bytes, length: int) -> bytes:
        try:
            data = a2b_base64(text, strict_mode=True) if text else b""
        except ValueError:
            raise UnreadableError(f"data {quoted(text)} is not in base 64") from None
        if len(data) != length:
            raise UnreadableError(f"{len(data)} data bytes where the length is {length}")
        return data


class JsonLinesReader:
    """rvsim's own JSON lines; lines other than frames and errors are skipped."""

    kind: ClassVar[str] = "JSON lines of rvsim (.jsonl)"

    def __init__(self) -> None:
        self.origin = 0

    @classmethod
    def recognizes(cls, line: bytes) -> bool:
        """Tell whether the line starts like a line of rvsim."""
        return line.startswith((b'{"t": ', b'{"type": "start"'))

    def read(self, line: bytes) -> ReadEntry:
        """Read one object; times stay text, so that none is rounded as a float."""
        if not line.strip():
            return None
        try:
            fields = json.loads(line.decode(), parse_float=str)
            kind = fields["type"]
        except (ValueError, KeyError, TypeError, RecursionError):
            raise UnreadableError(f"{quoted(line)} is not a JSON object with a type") from None
        if kind == "start":
            self.origin = _epoch(fields.get("started"))
        if kind == "error":
            return self._error(fields)
        if kind == "gap":
            return self._gap(fields)
        if kind == "marker":
            return self._marker(fields)
        return self._frame(fields) if kind == "frame" else None

    @staticmethod
    def _error(fields: dict[str, Any]) -> SkippedEntry:
        """Read an error line, as `jsonl.error_fields` makes it."""
        texts = (fields.get("about") or "", fields.get("node"), fields.get("channel"))
        counters = [fields.get("transmit_errors"), fields.get("receive_errors")]
        is_valid = all(isinstance(text, str | None) for text in texts)
        is_valid = is_valid and all(isinstance(counter, int | None) for counter in counters)
        try:
            state = None if fields.get("state") is None else ErrorState(fields["state"])
        except ValueError:
            is_valid, state = False, None
        if "t" not in fields or not is_valid:
            raise UnreadableError("an error line without its time, or with an impossible state, counter or name")
        about, node, channel = texts
        report = ErrorReport(bool(fields.get("error_frame")), about, state, counters[0], counters[1], node)
        kind = EntryKind.ERROR if report.on_wires else EntryKind.EVENT
        channel_name = None if channel is None else channel.encode("utf-8", "replace")
        return SkippedEntry(parse_time_us(str(fields["t"]).encode()), kind, channel_name, report=report)

    @staticmethod
    def _gap(fields: dict[str, Any]) -> SkippedEntry:
        """Read a line about a time in which nobody listened, as `jsonl.gap_fields` makes it."""
        since, until, channel, about = (fields.get(key) for key in ("since", "t", "channel", "about"))
        texts_are_valid = isinstance(channel, str | None) and isinstance(about, str | None)
        if since is None or until is None or not texts_are_valid:
            raise UnreadableError("a gap without its beginning or its end, or with an impossible name")
        time = parse_time_us(str(until).encode())
        pause = ListeningPause(max(0, time - parse_time_us(str(since).encode())), about or "")
        name = None if channel is None else channel.encode("utf-8", "replace")
        return SkippedEntry(time, EntryKind.EVENT, name, gap=pause)

    @staticmethod
    def _marker(fields: dict[str, Any]) -> SkippedEntry:
        """Read a line about a marked moment, as `jsonl.marker_fields` makes it."""
        time, note, channel = (fields.get(key) for key in ("t", "note", "channel"))
        if time is None or not isinstance(note, str) or not isinstance(channel, str | None):
            raise UnreadableError("a marker without its time or its note, or with an impossible name")
        name = None if channel is None else channel.encode("utf-8", "replace")
        return SkippedEntry(parse_time_us(str(time).encode()), EntryKind.EVENT, name, note=note)

    @staticmethod
    def _frame(fields: dict[str, Any]) -> LogEntry | SkippedEntry:
        values = [fields.get(key) for key in ("t", "identifier", "bytes", "channel")]
        time, identifier, data, channel = (str(value).encode("utf-8", "replace") for value in values)
        if None in values[:3]:
            raise UnreadableError("a frame without its time, identifier or bytes")
        return data_entry(
            parse_time_us(time),
            None if values[3] is None else channel,
            parse_hex(identifier),
            parse_data(data, MAX_MESSAGE_BYTES),
        )


def _digit(text: bytes) -> int:
    """Return how many bytes a remote frame requests; 0 where that is not written."""
    return int(text, 16) if text in _DIGITS else 0


def _parse_leading_bytes(texts: list[bytes]) -> bytes:
    """Return the data bytes at the beginning of some texts; in an error message a description follows them."""
    pairs = takewhile(lambda text: len(text) == 2 and not text.strip(b"0123456789ABCDEFabcdef"), texts)
    return unhexlify(b"".join(pairs))


def _epoch(started: object) -> int:
    """Return the start in the first line of a log in microseconds since the epoch; 0 for a run in virtual time."""
    try:
        start = datetime.fromisoformat(str(started))
        return int(start.replace(microsecond=0).timestamp()) * SECOND_US + start.microsecond
    except (ValueError, OverflowError, OSError):
        return 0
