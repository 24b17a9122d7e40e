"""The entries of a captured log, and the parsing of their numbers.

Knows: the kinds of entries, exact times, hexadecimal data. Does not know any format, nor files.
"""

import re
from abc import ABC, abstractmethod
from binascii import unhexlify
from collections.abc import Iterator
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from itertools import islice, takewhile
from typing import ClassVar, NamedTuple, Protocol

from rvsim.wire.error_report import ErrorReport
from rvsim.wire.line_events import JoinedMessage, LineEvent, ListeningResumed, Marked, OtherFrame, OtherKind
from rvsim.wire.timing import remote_bits, standard_bits

IDENTIFIER_LIMIT = 1 << 29
"""The first number that does not fit in 29 bits."""
ERROR_FLAG = 0x2000_0000
"""Bit of an identifier that marks an error frame in candump text (Linux, include/uapi/linux/can.h)."""
MAX_DATA_BYTES = 8
"""Data bytes of a classic frame at most (ISO 11898-1); a length code of 9 to 15 means 8 as well."""

MAX_MESSAGE_BYTES = 1785
"""Bytes of a long message at most: 255 packets of 7 bytes (SAE J1939-21)."""

_TIME = re.compile(rb"(-?\d{1,12})(?:\.(\d{1,24}))?(?:[eE][+-]?\d{1,2})?")
TIME_LIMIT_US = 10**18
"""31,700 years; a larger number is not a time but a damaged line."""
_HEX = re.compile(rb"[0-9A-Fa-f]{1,8}")


class EntryKind(StrEnum):
    """The kinds of entries that are not data frames with a 29-bit identifier."""

    STANDARD = "11-bit"
    """A data frame with an 11-bit identifier."""
    REMOTE = "remote"
    """A remote frame, which requests data and has none."""
    ERROR = "error"
    """An error frame, as the adapter reported it."""
    FD = "FD"
    """A frame with flexible data rate."""
    EVENT = "event"
    """Other notes of the logging program: statistics, states, comments with a time."""
    JOINED = "long message"
    """A message of more than eight bytes that the writer has put together from its packets."""


class LogEntry(NamedTuple):
    """One classic data frame with a 29-bit identifier; the log's own time in microseconds, None where it has none."""

    time: int | None
    identifier: int
    data: bytes
    channel: bytes | None


class SkippedEntry(NamedTuple):
    """An entry of another kind; an event has no time, so that it never starts a log.

    ``bits`` is how many bits it takes on the bus, 0 where that is not known or is counted by its report; ``report`` is
    what it reports of errors; ``joined`` are the identifier and the data of a long message; ``gap`` is a time in which
    nobody listened.
    """

    time: int | None
    kind: EntryKind
    channel: bytes | None
    bits: int = 0
    report: ErrorReport | None = None
    joined: tuple[int, bytes] | None = None
    gap: "ListeningPause | None" = None
    note: str | None = None
    """What was written to a moment that the person who listened marked."""

    @property
    def is_note(self) -> bool:
        """Whether it is a note of the logging program, of no channel, which says nothing of the bus."""
        return self.kind is EntryKind.EVENT and self.channel is None and not self._says_something

    @property
    def _says_something(self) -> bool:
        return self.report is not None or self.gap is not None or self.note is not None

    def events(self, time: int, recorder: str) -> Iterator[LineEvent]:
        """Yield the events that it stands for, at a time of the log; ``recorder`` has the states that it reports."""
        if self.bits:
            yield OtherFrame(time, OtherKind(self.kind), self.bits)
        if self.joined:
            yield JoinedMessage(time, *self.joined)
        if self.gap is not None:
            yield ListeningResumed(time, time - self.gap.length, self.gap.about)
        if self.note is not None:
            yield Marked(time, self.note)
        if self.report is not None:
            yield from self.report.events(time, recorder)


class ListeningPause(NamedTuple):
    """How long nobody listened before the time of an entry, in microseconds, and why."""

    length: int
    about: str = ""


def error_entry(time: int | None, channel: bytes | None, about: str = "") -> SkippedEntry:
    """Return an error frame; ``about`` is its description, empty where the format has none."""
    return SkippedEntry(time, EntryKind.ERROR, channel, report=ErrorReport(about=about))


def joined_message(time: int | None, channel: bytes | None, identifier: int, data: bytes) -> SkippedEntry:
    """Return a message of more than eight bytes that the writer has put together from its packets.

    Raises:
        UnreadableError: it is longer than a message can be.
    """
    if len(data) > MAX_MESSAGE_BYTES:
        raise UnreadableError(f"{len(data)} data bytes, more than the {MAX_MESSAGE_BYTES} of the longest message")
    return SkippedEntry(time, EntryKind.JOINED, channel, joined=(identifier, data))


def data_entry(time: int | None, channel: bytes | None, identifier: int, data: bytes) -> "LogEntry | SkippedEntry":
    """Return a data frame with a 29-bit identifier, or a long message if it has more than eight bytes.

    Raises:
        UnreadableError: the identifier does not fit, or there are too many bytes.
    """
    number = checked_identifier(identifier)
    if len(data) > MAX_DATA_BYTES:
        return joined_message(time, channel, number, data)
    return LogEntry(time, number, data, channel)


def other_frame(
    time: int | None, channel: bytes | None, identifier: int, extended: bool, content: bytes | int
) -> SkippedEntry:
    """Return a frame with an 11-bit identifier, or a remote frame.

    ``content`` is the data of a data frame, or the number of bytes that a remote frame requests.

    Raises:
        UnreadableError: the identifier does not fit.
    """
    remote = isinstance(content, int)
    kind = EntryKind.REMOTE if remote else EntryKind.STANDARD
    requested = min(content, MAX_DATA_BYTES) if isinstance(content, int) else None
    try:
        if extended:
            bits = remote_bits(identifier, requested or 0)
        else:
            bits = standard_bits(identifier, content if isinstance(content, bytes) else b"", requested)
    except ValueError as why:
        raise UnreadableError(str(why)) from None
    return SkippedEntry(time, kind, channel, bits)


ReadEntry = LogEntry | SkippedEntry | None
"""What was read from one line; None for headers, comments and blank lines."""


class UnreadableError(ValueError):
    """A part of a log that could not be read; its text says why."""


class CutOffError(UnreadableError):
    """The end of a log in the middle of an entry."""


class LineReader(Protocol):
    """A reader of one text format; a new one for each log, since some formats have settings in their first lines."""

    kind: ClassVar[str]
    """The name of the format in messages."""
    origin: int
    """When the log's own time is zero, in microseconds since the epoch; 0 where its times count from the epoch."""

    def read(self, line: bytes) -> ReadEntry:
        """Read one line, given with its line end.

        Raises:
            UnreadableError: the format does not allow such a line.
        """


class KnownLineReader(LineReader, Protocol):
    """A reader of a text format that is recognised by its lines."""

    def __init__(self) -> None: ...

    @classmethod
    def recognizes(cls, line: bytes) -> bool:
        """Tell whether only this format has such a line."""


class BinaryReader(ABC):
    """A reader of one binary format; a new one for each log."""

    kind: ClassVar[str]
    """The name of the format in messages."""
    marks: ClassVar[tuple[bytes, ...]]
    """How such logs begin."""
    origin = 0
    """As in ``LineReader``."""
    needs = ""
    """What has to be installed before such a log can be read, empty if nothing has."""

    @abstractmethod
    def entries(self, blocks: Iterator[bytes]) -> "Iterator[tuple[int, ReadEntry | UnreadableError]]":
        """Yield each entry and each damaged part of the log with its position in bytes."""


def parse_time_us(text: bytes, power: int = 6) -> int:
    """Parse a decimal number as integer microseconds, rounded half up where it has more digits.

    ``power`` is 6 for a text in seconds, 3 for milliseconds.

    Raises:
        UnreadableError: it is not a number, or too large to be a time.
    """
    match = _TIME.fullmatch(text)
    if not match:
        raise UnreadableError(f"{quoted(text)} is not a time")
    whole, fraction = match.groups()
    if fraction and len(fraction) <= power and match.end(2) == len(text) and not whole.startswith(b"-"):
        return int(whole + fraction.ljust(power, b"0"))
    value = int(Decimal(text.decode()).scaleb(power).to_integral_value(ROUND_HALF_UP))
    if abs(value) >= TIME_LIMIT_US:
        raise UnreadableError(f"{quoted(text)} is too large to be a time")
    return value


def checked_time(time: int) -> int:
    """Return a time in microseconds after checking its size.

    Raises:
        UnreadableError: it is too large to be a time.
    """
    if abs(time) >= TIME_LIMIT_US:
        raise UnreadableError("a time that is too large to be one")
    return time


def parse_hex(text: bytes) -> int:
    """Parse an identifier of one to eight hexadecimal digits, without sign, blank or underscore.

    Raises:
        UnreadableError: it is anything else.
    """
    if not _HEX.fullmatch(text):
        raise UnreadableError(f"identifier {quoted(text)} is not hexadecimal")
    return int(text, 16)


def parse_data(text: bytes, most: int = MAX_DATA_BYTES) -> bytes:
    """Parse data bytes written as hexadecimal digits without blanks.

    Raises:
        UnreadableError: odd number of digits, a character that is not a digit, or more bytes than ``most``.
    """
    if len(text) % 2:
        raise UnreadableError(f"odd number of data digits ({len(text)})")
    try:
        data = unhexlify(text)
    except ValueError:
        raise UnreadableError(f"data {quoted(text)} is not hexadecimal") from None
    if len(data) > most:
        raise UnreadableError(f"{len(data)} data bytes, more than a classic frame holds")
    return data


def parse_data_pairs(pairs: list[bytes], length_code: int) -> bytes:
    """Parse as many data bytes as the length code says, written as two digits each.

    Raises:
        UnreadableError: there are too few bytes, or one that is not two hexadecimal digits.
    """
    expected = pairs[: data_length(len(pairs), length_code)]
    if not {*map(len, expected)} <= {2}:
        raise UnreadableError("a data byte is not two digits")
    return parse_data(b"".join(expected))


def joined_data(pairs: list[bytes], length: bytes) -> bytes | None:
    """Return the data of a long message: more than eight bytes, as many as its length says, which may be hexadecimal.

    None where it is a frame: there a length above eight is a code, and means eight.
    """
    found = takewhile(lambda pair: len(pair) == 2 and not pair.strip(b"0123456789ABCDEFabcdef"), pairs)
    data = unhexlify(b"".join(islice(found, MAX_MESSAGE_BYTES)))
    return data if len(data) > MAX_DATA_BYTES and length.lower() in (b"%d" % len(data), b"%x" % len(data)) else None


def data_length(available: int, length_code: int) -> int:
    """Return how many data bytes a length code means: eight at most.

    Raises:
        UnreadableError: fewer are available.
    """
    count = min(length_code, MAX_DATA_BYTES)
    if available < count:
        raise UnreadableError(f"{available} data bytes where the length is {count}")
    return count


def checked_identifier(identifier: int) -> int:
    """Return an identifier after checking its size.

    Raises:
        UnreadableError: it does not fit in 29 bits.
    """
    if identifier >= IDENTIFIER_LIMIT:
        raise UnreadableError(f"identifier {identifier:X} does not fit in 29 bits")
    return identifier


def quoted(text: bytes) -> str:
    """Return a part of a log in quotes for a message: short, and in printable ASCII characters."""
    piece = text.rstrip(b"\r\n")[:40].decode("ascii", "backslashreplace")
    return '"' + "".join(character if character.isprintable() else "?" for character in piece) + '"'
