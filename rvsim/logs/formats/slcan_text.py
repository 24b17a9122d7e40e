"""The reader of what an adapter with the slcan protocol writes: `T19FFE45E80102030405060708`, kept as it came.

Knows: data and remote frames with 11 and 29 bits, an adapter's own times, and a time that a terminal program has put in
front. Does not know files. Layout: the LAWICEL CAN232 manual (commands t, T, r, R and Z), from memory, with no copy at
hand; letters of FD frames as python-can 4.6 has them (can/interfaces/slcan.py).
"""

import re
from typing import ClassVar

from rvsim.logs.formats.dates import parse_date_us, parse_time_of_day_us
from rvsim.logs.formats.entry import (
    EntryKind,
    LogEntry,
    ReadEntry,
    SkippedEntry,
    UnreadableError,
    checked_identifier,
    other_frame,
    parse_data,
    parse_time_us,
    quoted,
)

MILLISECONDS_IN_MINUTE = 60_000
"""An adapter's times count milliseconds and start again after a minute."""
_PREFIX = rb"(?:[(\[]?([-\d.,:TZ+ /]{3,40}?)[)\]]?[\s:,;]+)?"


class SlcanReader:
    """Reads one capture of an adapter's lines.

    Without a time in front, its times are those of the adapter. If nothing comes for more than a minute, the minutes
    in between are not known.
    """

    kind: ClassVar[str] = "slcan text"
    origin = 0

    _frame = re.compile(_PREFIX + rb"(?:([tr])([0-9A-Fa-f]{3})|([TR])([0-9A-Fa-f]{8}))([0-8])([0-9A-Fa-f]*)\s*")
    _fd = re.compile(_PREFIX + rb"(?:[db][0-9A-Fa-f]{3}|[DB][0-9A-Fa-f]{8})[0-9A-Fa-f]+\s*")
    _answer = re.compile(rb"[\x07\r\n\s]*(?:[zZ]|[VvNFOCLSsZMmWXQ][0-9A-Za-z]{0,16})?[\x07\r\n\s]*")

    def __init__(self) -> None:
        self._minutes = 0
        self._last: int | None = None

    @classmethod
    def recognizes(cls, line: bytes) -> bool:
        """Tell whether the line is a data frame with data, complete to its last digit."""
        frame = cls._frame.fullmatch(line)
        try:
            return frame is not None and len(frame[7]) > 1 and b"t" in line.lower() and cls().read(line) is not None
        except UnreadableError:
            return False

    def read(self, line: bytes) -> ReadEntry:
        """Read one line: a frame, or an answer to a command, which is left out."""
        line = line.strip(b"\x07\r\n\t zZ") if line[:1] in b"zZ\x07" else line
        frame = self._frame.fullmatch(line)
        if not frame:
            if self._answer.fullmatch(line):
                return None
            if fd := self._fd.fullmatch(line):
                return SkippedEntry(self._time_before(fd[1]), EntryKind.FD, None)
            raise UnreadableError(f"{quoted(line)} is not a line of {self.kind}")
        before, short, standard, long, extended, length, digits = frame.groups()
        is_remote = (short or long) in (b"r", b"R")
        size = 0 if is_remote else 2 * int(length)
        stamp = digits[size:]
        if len(digits) < size or len(stamp) not in (0, 4):
            raise UnreadableError(f"{len(digits)} digits where the length is {int(length)}")
        time = self._adapter_time(stamp) if stamp else None
        time = time if before is None else self._time_before(before)
        if extended is None:
            content = int(length) if is_remote else parse_data(digits[:size])
            return other_frame(time, None, int(standard, 16), False, content)
        number = checked_identifier(int(extended, 16))
        if is_remote:
            return other_frame(time, None, number, True, int(length))
        return LogEntry(time, number, parse_data(digits[:size]), None)

    def _adapter_time(self, stamp: bytes) -> int:
        """Return an adapter's time in microseconds; it has started again where it goes back."""
        now = int(stamp, 16)
        if self._last is not None and now < self._last:
            self._minutes += 1
        self._last = now
        return (self._minutes * MILLISECONDS_IN_MINUTE + now) * 1000

    @staticmethod
    def _time_before(text: bytes | None) -> int | None:
        """Return the time in front of a line: seconds, a date or a time of day; None if there is none."""
        if text is None:
            return None
        written = text.decode().strip()
        date = parse_date_us(written)
        date = parse_time_of_day_us(written) if date is None else date
        return parse_time_us(text.strip()) if date is None else date
