"""What a captured log holds, entry by entry, and how its numbers are read from text.

Knows: the kinds of entries that no frame is made of, exact times, hexadecimal bytes. Does not know any format, nor
files.
"""

import re
from binascii import unhexlify
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from typing import ClassVar, NamedTuple, Protocol

from rvsim.wire.error_report import ErrorReport
from rvsim.wire.timing import remote_bits, standard_bits

IDENTIFIER_LIMIT = 1 << 29
ERROR_FLAG = 0x2000_0000
"""Bit of an identifier that marks an error frame in candump text (Linux, include/uapi/linux/can.h)."""
LONGEST_DATA = 8
"""Bytes of a classic frame at most (ISO 11898-1); a length code of 9 to 15 means 8 as well."""

_TIME = re.compile(rb"(-?\d{1,12})(?:\.(\d{1,24}))?(?:[eE][+-]?\d{1,2})?")
_TIME_LIMIT = 10**18
"""Microseconds; 31,700 years. What is beyond is no time but a spoilt line."""
_HEX = re.compile(rb"[0-9A-Fa-f]{1,8}")


class EntryKind(StrEnum):
    """Why an entry of a log is no frame for us."""

    STANDARD = "11-bit"
    """A data frame with an 11-bit identifier."""
    REMOTE = "remote"
    """A frame that asks for data and holds none."""
    ERROR = "error"
    """An error frame, as the adapter reported it."""
    FD = "FD"
    """A frame with flexible data rate."""
    EVENT = "event"
    """What the logging program noted beside the frames: statistics, states, comments with a time."""


class LogEntry(NamedTuple):
    """One classic data frame with a 29-bit identifier; time in microseconds as the log counts, None where untold."""

    time: int | None
    identifier: int
    data: bytes
    channel: bytes | None


class Skip(NamedTuple):
    """An entry that was understood and is no such frame; an event has no time, so that it never starts a log.

    ``bits`` is how many bits it takes, 0 where that is not known or told otherwise; ``report`` is what is told of
    errors.
    """

    time: int | None
    kind: EntryKind
    channel: bytes | None
    bits: int = 0
    report: ErrorReport | None = None


def error(time: int | None, channel: bytes | None, about: str = "") -> Skip:
    """Return an error frame of which the format tells no more than that it was there."""
    return Skip(time, EntryKind.ERROR, channel, report=ErrorReport(about=about))


def other(time: int | None, channel: bytes | None, identifier: int, extended: bool, content: bytes | int) -> Skip:
    """Return a frame with an 11-bit identifier, or a remote frame: its data, or how many bytes it asks for.

    Raises:
        UnreadableError: the identifier does not fit.
    """
    remote = isinstance(content, int)
    kind = EntryKind.REMOTE if remote else EntryKind.STANDARD
    asked = min(content, LONGEST_DATA) if isinstance(content, int) else None
    try:
        if extended:
            bits = remote_bits(identifier, asked or 0)
        else:
            bits = standard_bits(identifier, content if isinstance(content, bytes) else b"", asked)
    except ValueError as why:
        raise UnreadableError(str(why)) from None
    return Skip(time, kind, channel, bits)


Found = LogEntry | Skip | None
"""What one line held; None for headers, comments and blank lines."""


class UnreadableError(ValueError):
    """A piece of a log that could not be read; its text says why, in trade English."""


class LineReader(Protocol):
    """One text format. Made anew for each log, since some formats announce things in their first lines."""

    kind: ClassVar[str]
    """What the format is called in messages."""
    origin: int
    """Microseconds since the epoch at which the log's own times are zero; 0 where they count from the epoch."""

    def __init__(self) -> None: ...

    @classmethod
    def knows(cls, line: bytes) -> bool:
        """Tell whether the line is one that only this format has."""

    def read(self, line: bytes) -> Found:
        """Read one line, given with its line end.

        Raises:
            UnreadableError: it is not what the format allows.
        """


def microseconds(text: bytes, power: int = 6) -> int:
    """Return a decimal number as integer microseconds, rounded half up where it has more digits.

    ``power`` is 6 for a text in seconds, 3 for milliseconds.

    Raises:
        UnreadableError: it is not a number, or is too large to be a time.
    """
    match = _TIME.fullmatch(text)
    if not match:
        raise UnreadableError(f"{shown(text)} is not a time")
    whole, fraction = match.groups()
    if fraction and len(fraction) <= power and match.end(2) == len(text) and not whole.startswith(b"-"):
        return int(whole + fraction.ljust(power, b"0"))
    value = int(Decimal(text.decode()).scaleb(power).to_integral_value(ROUND_HALF_UP))
    if abs(value) >= _TIME_LIMIT:
        raise UnreadableError(f"{shown(text)} is too large to be a time")
    return value


def hexadecimal(text: bytes) -> int:
    """Return an identifier of one to eight hexadecimal digits; a sign, a blank or an underscore is none.

    Raises:
        UnreadableError: it is anything else.
    """
    if not _HEX.fullmatch(text):
        raise UnreadableError(f"identifier {shown(text)} is not hexadecimal")
    return int(text, 16)


def data_of(text: bytes) -> bytes:
    """Return the bytes that hexadecimal digits without blanks stand for.

    Raises:
        UnreadableError: odd number of digits, a sign that is no digit, or more than eight bytes.
    """
    if len(text) % 2:
        raise UnreadableError(f"odd number of data digits ({len(text)})")
    try:
        data = unhexlify(text)
    except ValueError:
        raise UnreadableError(f"data {shown(text)} is not hexadecimal") from None
    if len(data) > LONGEST_DATA:
        raise UnreadableError(f"{len(data)} data bytes, more than a classic frame holds")
    return data


def data_of_pairs(pairs: list[bytes], length_code: int) -> bytes:
    """Return as many bytes as the length code promises, written as two digits each.

    Raises:
        UnreadableError: too few, or one that is not two hexadecimal digits.
    """
    wanted = pairs[: promised(len(pairs), length_code)]
    if not {*map(len, wanted)} <= {2}:
        raise UnreadableError("a data byte is not two digits")
    return data_of(b"".join(wanted))


def promised(held: int, length_code: int) -> int:
    """Return how many data bytes a length code promises: eight at most.

    Raises:
        UnreadableError: fewer are there.
    """
    count = min(length_code, LONGEST_DATA)
    if held < count:
        raise UnreadableError(f"{held} data bytes where {count} were promised")
    return count


def within_29_bits(identifier: int) -> int:
    """Return the identifier.

    Raises:
        UnreadableError: it does not fit in 29 bits.
    """
    if identifier >= IDENTIFIER_LIMIT:
        raise UnreadableError(f"identifier {identifier:X} does not fit in 29 bits")
    return identifier


def shown(text: bytes) -> str:
    """Return a piece of a log as it can be shown in a message: short, and in plain ASCII signs."""
    piece = text.rstrip(b"\r\n")[:40].decode("ascii", "backslashreplace")
    return '"' + "".join(sign if sign.isprintable() else "?" for sign in piece) + '"'
