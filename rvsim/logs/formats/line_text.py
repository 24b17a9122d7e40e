"""Captured logs with one whole entry in each line: candump text, comma-separated values, our own JSON lines.

Knows: the three formats, candump's in both its forms. Does not know files. Layouts: can-utils (lib.c and candump.c) for
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
    EntryKind,
    Found,
    LogEntry,
    Skip,
    UnreadableError,
    data_of,
    data_of_pairs,
    error,
    hexadecimal,
    microseconds,
    other,
    shown,
    within_29_bits,
)
from rvsim.wire.error_report import ErrorReport, linux_report
from rvsim.wire.line_events import ErrorState

_EXTENDED_DIGITS = 4
"""Digits from which on an identifier has 29 bits; writers use three and eight."""
_DIGITS = tuple(b"%X" % number for number in range(16))


class Candump:
    """Text of candump: `(seconds) channel identifier#data`, or with blanks and a length as on the screen.

    The screen form may have no times at all, or local dates.
    """

    kind: ClassVar[str] = "candump text"
    origin = 0

    # The shape of nearly every line; all others take the careful way.
    _usual = re.compile(rb"\((\d{1,12})\.(\d{6})\) (\S+) ([01][0-9A-Fa-f]{7})#([0-9A-Fa-f]{0,16})(?: [RT])?\r?\n")
    _compact = re.compile(rb"\s*\(([^()]*)\)\s+(\S+)\s+(\w+)#(\S*)(\s*)(?:[RTrt]\s*)?")
    _screen = re.compile(
        rb"\s*(?:\(([^()]*)\)\s+)?(\S+)\s+(?:[RT]X\s+\S\s+\S\s+)?([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})\s+\[(\d{1,2})\](.*)",
        re.DOTALL,
    )
    _date = re.compile(rb"(\d{4}-\d\d-\d\d \d\d:\d\d:\d\d)\.(\d{6})")

    @classmethod
    def knows(cls, line: bytes) -> bool:
        """Tell whether the line can be read in one of the two forms."""
        try:
            return cls().read(line) is not None
        except UnreadableError:
            return False

    def read(self, line: bytes) -> Found:
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
        raise UnreadableError(f"{shown(line)} is not a line of {self.kind}")

    def _read_compact(self, time: bytes, channel: bytes, identifier: bytes, body: bytes, after: bytes) -> Found:
        at, number = self._time(time), hexadecimal(identifier)
        if body.startswith(b"#"):
            return Skip(at, EntryKind.FD, channel)
        extended = len(identifier) >= _EXTENDED_DIGITS
        if body[:1] in (b"R", b"r"):
            return other(at, channel, number, extended, _digit(body[1:2]))
        data = data_of(body.partition(b"_")[0])  # behind the underscore: a length code above 8
        if number & ERROR_FLAG:
            return Skip(at, EntryKind.ERROR, channel, report=linux_report(number, data))
        if not extended:
            return other(at, channel, number, extended, data)
        if not after and len(data) < 8:
            raise UnreadableError("the last line has no line end: its frame may be cut off")
        return LogEntry(at, within_29_bits(number), data, channel)

    def _read_screen(self, time: bytes | None, channel: bytes, identifier: bytes, length: bytes, rest: bytes) -> Found:
        at, number = None if time is None else self._time(time), int(identifier, 16)
        if len(length) == 2 and not number & ERROR_FLAG:  # [08]: two digits are written for FD frames only
            return Skip(at, EntryKind.FD, channel)
        extended = len(identifier) >= _EXTENDED_DIGITS
        if rest.split()[:1] == [b"remote"]:
            return other(at, channel, number, extended, int(length))
        # candump can add the bytes as letters, in quotes, and says an error in words behind them
        held = rest.split(b"'")[0].split()
        if number & ERROR_FLAG:
            return Skip(at, EntryKind.ERROR, channel, report=linux_report(number, _bytes_in(held[: int(length)])))
        if len(held) > int(length):
            raise UnreadableError(f"{len(held)} data bytes where {int(length)} were promised")
        data = data_of_pairs(held, int(length))
        return (
            LogEntry(at, within_29_bits(number), data, channel) if extended else other(at, channel, number, False, data)
        )

    def _time(self, text: bytes) -> int:
        date = self._date.fullmatch(text)
        if not date:
            return microseconds(text)
        try:
            return int(datetime.fromisoformat(date[1].decode()).timestamp()) * 1_000_000 + int(date[2])
        except (ValueError, OverflowError, OSError):
            raise UnreadableError(f"{shown(text)} is not a date") from None


class CommaSeparated:
    """Comma-separated values in python-can's seven columns, the data in base 64."""

    kind: ClassVar[str] = "comma-separated values (.csv)"
    origin = 0

    _header = b"timestamp,arbitration_id,extended,remote,error,dlc,data"
    _row = re.compile(rb"([^,\s]+),(?:0x)?([0-9A-Fa-f]+),([01]),([01]),([01]),(\d{1,2}),([0-9A-Za-z+/=]*)\s*")

    @classmethod
    def knows(cls, line: bytes) -> bool:
        """Tell whether the line is the header or has seven such columns."""
        return line.strip() == cls._header or bool(cls._row.fullmatch(line))

    def read(self, line: bytes) -> Found:
        """Read one row; the header may come again where files were joined."""
        if line.strip() in (b"", self._header):
            return None
        row = self._row.fullmatch(line)
        if not row:
            raise UnreadableError(f"{shown(line)} does not have the seven columns")
        time, identifier, extended, remote, spoilt, length, text = row.groups()
        at = microseconds(time)
        if spoilt == b"1":
            return error(at, None)
        if int(length) > 8:  # the format has no other mark of an FD frame
            return Skip(at, EntryKind.FD, None)
        number = hexadecimal(identifier)
        if remote == b"1":
            return other(at, None, number, extended == b"1", int(length))
        data = self._data(text, int(length))
        return (
            other(at, None, number, False, data)
            if extended == b"0"
            else LogEntry(at, within_29_bits(number), data, None)
        )

    @staticmethod
    def _data(text: bytes, length: int) -> bytes:
        try:
            data = a2b_base64(text, strict_mode=True) if text else b""
        except ValueError:
            raise UnreadableError(f"data {shown(text)} is not in base 64") from None
        if len(data) != length:
            raise UnreadableError(f"{len(data)} data bytes where {length} were promised")
        return data


class JsonLinesReader:
    """Our own JSON lines; whatever else they say beside frames is passed over."""

    kind: ClassVar[str] = "JSON lines of rvsim (.jsonl)"

    def __init__(self) -> None:
        self.origin = 0

    @classmethod
    def knows(cls, line: bytes) -> bool:
        """Tell whether the line starts as ours do."""
        return line.startswith((b'{"t": ', b'{"type": "start"'))

    def read(self, line: bytes) -> Found:
        """Read one object; times stay texts, so that none passes through a float."""
        if not line.strip():
            return None
        try:
            said = json.loads(line.decode(), parse_float=str)
            kind = said["type"]
        except (ValueError, KeyError, TypeError, RecursionError):
            raise UnreadableError(f"{shown(line)} is not a JSON object with a type") from None
        if kind == "start":
            self.origin = _epoch(said.get("started"))
        if kind == "error":
            return self._error(said)
        return self._frame(said) if kind == "frame" else None

    @staticmethod
    def _error(said: dict[str, Any]) -> Skip:
        """Read an error line, as `jsonl.error_fields` writes it."""
        told = (said.get("about") or "", said.get("node"), said.get("channel"))
        counters = [said.get("transmit_errors"), said.get("receive_errors")]
        good = all(isinstance(each, str | None) for each in told) and all(isinstance(n, int | None) for n in counters)
        try:
            state = None if said.get("state") is None else ErrorState(said["state"])
        except ValueError:
            good, state = False, None
        if "t" not in said or not good:
            raise UnreadableError("an error line without its time, or with a state, a counter or a name that is none")
        about, node, channel = told
        report = ErrorReport(bool(said.get("error_frame")), about, state, counters[0], counters[1], node)
        kind = EntryKind.ERROR if report.on_wires else EntryKind.EVENT
        named = None if channel is None else channel.encode("utf-8", "replace")
        return Skip(microseconds(str(said["t"]).encode()), kind, named, report=report)

    @staticmethod
    def _frame(said: dict[str, Any]) -> LogEntry:
        parts = [said.get(key) for key in ("t", "identifier", "bytes", "channel")]
        time, identifier, data, channel = (str(part).encode("utf-8", "replace") for part in parts)
        if None in parts[:3]:
            raise UnreadableError("a frame without its time, identifier or bytes")
        return LogEntry(
            microseconds(time),
            within_29_bits(hexadecimal(identifier)),
            data_of(data),
            None if parts[3] is None else channel,
        )


def _digit(text: bytes) -> int:
    """Return how many bytes a remote frame asks for; none where it does not say."""
    return int(text, 16) if text in _DIGITS else 0


def _bytes_in(pairs: list[bytes]) -> bytes:
    """Return the bytes that stand at the beginning; behind an error message follow words."""
    told = takewhile(lambda pair: len(pair) == 2 and not pair.strip(b"0123456789ABCDEFabcdef"), pairs)
    return unhexlify(b"".join(told))


def _epoch(started: object) -> int:
    """Return a start as our JSON lines write it, in microseconds since the epoch; 0 in virtual time."""
    try:
        start = datetime.fromisoformat(str(started))
        return int(start.replace(microsecond=0).timestamp()) * 1_000_000 + start.microsecond
    except (ValueError, OverflowError, OSError):
        return 0
