"""Captured logs in the binary format .blf: objects in containers that are packed one by one.

Knows: the objects that hold frames, and how to find the next object behind a damaged one. Does not know files.
Layout: the reader of python-can 4.6 (can/io/blf.py); the format has no published description. Numbers are
little-endian.
"""

import struct
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime

from rvsim.logs.formats.entry import LONGEST_DATA, EntryKind, Found, LogEntry, Skip, UnreadableError, error, other

KIND = "binary log (.blf)"
MAGIC = b"LOGG"
LARGEST = 1 << 24
"""Bytes of an object at most; writers fill containers with about 128 KiB. A larger size is taken for damage."""

_START = struct.Struct("<4xL32x8H")
"""File header: its size; start as year, month, weekday, day, hour, minute, second, millisecond in UTC."""
_MARK = b"LOBJ"
_BASE = struct.Struct("<4x2xHLL")
"""Header of an object: its version, size of the object, type."""
_PADDING = 4
"""Bytes between two objects at most."""
_TIMES = {1: struct.Struct("<16xL4xQ"), 2: struct.Struct("<16xL4xQ8x")}
"""Header by version: flags and time; the second version ends with an original time."""
_TEN_MICROSECONDS = 1
"""Flag of an object whose time counts in 10 µs; all others count in nanoseconds."""
_CONTAINER, _STORED, _DEFLATED = 10, 0, 2
_PACKING = struct.Struct("<16xH14x")
"""How the content of a container, which follows, is packed."""
_CAN = struct.Struct("<HBBL8s")
"""Channel, flags, length code, identifier, data."""
_CAN_TYPES = (1, 86)
_ERROR, _ERROR_TYPES = struct.Struct("<H"), (2, 73)
"""Channel; what follows of an error is not read. Type 2 from memory, with no published source at hand."""
_FD = struct.Struct("<HBxL5xBB5x64s")
"""Channel, flags, identifier, FD flags, bytes that count, data. Without its flag FD it is a classic frame."""
_FD_TYPE, _FD_FLAG = 100, 0x1
_FD64 = struct.Struct("<BxBxL4xL24x")
"""Channel, bytes that count, identifier, flags; the data follows. Without its flag FD it is a classic frame."""
_FD64_TYPE, _FD64_FLAG, _FD64_REMOTE = 101, 0x1000, 0x10
_EXTENDED, _IDENTIFIER, _STANDARD = 0x8000_0000, 0x1FFF_FFFF, 0x7FF
_REMOTE = 0x80
_CUT = "an object that is cut off"


class Blf:
    """Reads one log; ``origin`` is its start in microseconds since the epoch, 0 where it says none."""

    def __init__(self) -> None:
        self.origin = 0

    def entries(self, blocks: Iterator[bytes]) -> Iterator[tuple[int, Found | UnreadableError]]:
        """Go through the log: each entry or piece of damage with its position, that of its container, in bytes."""
        held = b""
        while len(held) < _START.size and (block := next(blocks, None)) is not None:
            held += block
        if len(held) < _START.size:
            yield 0, UnreadableError("cut off in the first bytes")
            return
        size, *start = _START.unpack_from(held)
        self.origin = _epoch(*start)
        outer, inner = _Scan(min(size, len(held))), _Scan()
        for block in _with_end(blocks, held[size:]):
            for position, found in outer.feed(block):
                yield from self._outer(position, found, inner)
        yield from ((outer.position, self._read(found)) for _, found in inner.feed(None))

    def _outer(
        self, position: int, found: bytes | UnreadableError, inner: "_Scan"
    ) -> Iterator[tuple[int, Found | UnreadableError]]:
        """Read one object of the file: nearly always a container, in which objects go on from the one before it."""
        if isinstance(found, UnreadableError) or _type(found) != _CONTAINER:
            yield position, self._read(found)
            return
        content, why = _unpacked(found)
        yield from ((position, self._read(each)) for _, each in inner.feed(content))
        if why:
            yield position, UnreadableError(why)
            yield from ((position, self._read(each)) for _, each in inner.feed(None))

    def _read(self, found: bytes | UnreadableError) -> Found | UnreadableError:
        if isinstance(found, UnreadableError):
            return found
        try:
            return UnreadableError(_CUT) if _is_short(found) else _frame(found)
        except struct.error:
            return UnreadableError(_CUT)


class _Scan:
    """Finds the objects in bytes that come in pieces, also behind damage."""

    def __init__(self, position: int = 0) -> None:
        self.position = position
        self._held = b""
        self._lost = False

    def feed(self, data: bytes | None) -> Iterator[tuple[int, bytes | UnreadableError]]:
        """Yield each object with its position; None says that nothing follows: the last object may be too short."""
        final = data is None
        held = self._held + (data or b"")
        place = 0
        while True:
            mark = held.find(_MARK, place)
            if mark < 0:
                mark = len(held) if final else max(place, len(held) - len(_MARK) + 1)
            if mark > place:
                self._lost |= bool(held[place:mark].strip(b"\0"))
            place = mark
            found = held.startswith(_MARK, mark)
            if self._lost and (found or final):
                yield self.position + mark, UnreadableError("bytes that belong to no object: damaged before here")
                self._lost = False
            if not found:
                break
            end = _end(held, mark, final)
            if end is None and not final:
                break
            if end == mark:  # a mark without an object
                self._lost, place = True, mark + len(_MARK)
                continue
            yield self.position + mark, held[mark:end]
            place = end or _behind_short(held, mark)
        self.position += place
        self._held = held[place:]


def _end(held: bytes, mark: int, final: bool) -> int | None:
    """Return where the object at a mark ends; the mark itself if its size cannot be, None if more has to be read."""
    if len(held) < mark + _BASE.size:
        return None
    size = int(_BASE.unpack_from(held, mark)[1])
    if not _BASE.size <= size <= LARGEST:
        return mark
    end = mark + size
    if held.startswith(_MARK, end):
        return end
    after = held[end : end + _PADDING + len(_MARK)]
    if end > len(held) or (len(after) < _PADDING + len(_MARK) and not final):
        return None
    if _MARK in after or not after.strip(b"\0"):
        return end
    return mark if _MARK in held[mark + 1 : end] else end  # a size that is too large takes in the next object


def _is_short(found: bytes) -> bool:
    """Tell whether an object ends before its size says so."""
    return len(found) < _BASE.size or len(found) < int(_BASE.unpack_from(found)[1])


def _behind_short(held: bytes, mark: int) -> int:
    """Return where to go on behind an object that claims more than there is: at the next mark, if its size is wrong."""
    short = held[mark : mark + _PACKING.size]
    if _type(short) == _CONTAINER and short[_BASE.size :].startswith(b"\0"):  # stored: its content has marks too
        return len(held)
    place = held.find(_MARK, mark + 1)
    return place if place >= 0 else len(held)


def _with_end(blocks: Iterator[bytes], first: bytes) -> Iterator[bytes | None]:
    yield first
    yield from blocks
    yield None


def _type(found: bytes) -> int:
    """Return the type of an object; 0 if it is too short to have one."""
    return int(_BASE.unpack_from(found)[2]) if len(found) >= _BASE.size else 0


def _unpacked(container: bytes) -> tuple[bytes, str | None]:
    """Return what a container holds, and why that is not all."""
    cut = "a container that is cut off"
    if len(container) < _PACKING.size:
        return b"", cut
    (packing,) = _PACKING.unpack_from(container)
    content = container[_PACKING.size :]
    if packing == _STORED:
        return content, cut if _is_short(container) else None
    if packing != _DEFLATED:
        return b"", f"a container that is packed in an unknown way ({packing})"
    unpack = zlib.decompressobj()
    try:
        content = unpack.decompress(content, LARGEST)
    except zlib.error:
        return b"", "a container whose content is damaged"
    return content, None if unpack.eof else cut


def _frame(found: bytes) -> Found:
    """Return what an object holds."""
    version, _, type_ = _BASE.unpack_from(found)
    if version not in _TIMES:
        return Skip(None, EntryKind.EVENT, None)
    flags, ticks = _TIMES[version].unpack_from(found)
    time = ticks * 10 if flags == _TEN_MICROSECONDS else (ticks + 500) // 1000
    body = _TIMES[version].size
    if type_ in _CAN_TYPES:
        channel, flags, length, identifier, data = _CAN.unpack_from(found, body)
        return _entry(time, channel, identifier, data[: min(length, LONGEST_DATA)], flags & _REMOTE)
    if type_ in _ERROR_TYPES:
        (channel,) = _ERROR.unpack_from(found, body)
        return error(time, b"%d" % channel)
    if type_ == _FD_TYPE:
        channel, flags, identifier, fd_flags, length, data = _FD.unpack_from(found, body)
        return _entry(time, channel, identifier, data[:length], flags & _REMOTE, fd_flags & _FD_FLAG)
    if type_ == _FD64_TYPE:
        channel, length, identifier, flags = _FD64.unpack_from(found, body)
        data = found[body + _FD64.size :][:length].ljust(length, b"\0")  # zeros at the end may be left out
        return _entry(time, channel, identifier, data, flags & _FD64_REMOTE, flags & _FD64_FLAG)
    return Skip(None, EntryKind.EVENT, None)


def _entry(time: int, channel: int, identifier: int, data: bytes, remote: int, fd: int = 0) -> Found:
    told = b"%d" % channel
    if fd:
        return Skip(time, EntryKind.FD, told)
    number, extended = identifier & _IDENTIFIER, bool(identifier & _EXTENDED)
    if remote or not extended:
        return other(time, told, number if extended else number & _STANDARD, extended, len(data) if remote else data)
    return LogEntry(time, number, data[:LONGEST_DATA], told)


def _epoch(year: int, month: int, _: int, day: int, hour: int, minute: int, second: int, millisecond: int) -> int:
    try:
        start = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return 0
    return int(start.timestamp()) * 1_000_000 + millisecond * 1000
