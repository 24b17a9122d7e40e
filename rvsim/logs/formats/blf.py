"""The reader of logs in the binary format .blf: objects in containers that are compressed one by one.

Knows: the objects that contain frames, and how to find the next object after a damaged one. Does not know files.
Layout: the reader of python-can 4.6 (can/io/blf.py); the format has no published description. Numbers are
little-endian.
"""

import struct
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import ClassVar

from rvsim.logs.formats.entry import (
    MAX_DATA_BYTES,
    BinaryReader,
    CutOffError,
    EntryKind,
    LogEntry,
    ReadEntry,
    SkippedEntry,
    UnreadableError,
    checked_time,
    error_entry,
    other_frame,
)
from rvsim.wire.frame import SECOND_US

MAX_OBJECT_BYTES = 1 << 24
"""The size of an object at most; writers fill containers with about 128 KiB. A larger size is taken for damage."""

_FILE_HEADER = struct.Struct("<4xL32x8H")
"""Header of the file: its size; start as year, month, weekday, day, hour, minute, second, millisecond in UTC."""
OBJECT_MARK = b"LOBJ"
_OBJECT_HEADER = struct.Struct("<4x2xHLL")
"""Header of an object: the version of the header, the size of the object, its type."""
_MAX_PADDING = 4
"""Bytes between two objects at most."""
_TIMES = {1: struct.Struct("<16xL4xQ"), 2: struct.Struct("<16xL4xQ8x")}
"""Header by version: flags and time; the second version ends with an original time."""
TEN_MICROSECONDS = 1
"""Flag of an object whose time is in units of 10 µs; all others are in nanoseconds."""
_CONTAINER, _STORED, _DEFLATED = 10, 0, 2
_PACKING = struct.Struct("<16xH14x")
"""How the content of a container, which follows, is compressed."""
_CAN = struct.Struct("<HBBL8s")
"""Channel, flags, length code, identifier, data."""
CAN_TYPES = (1, 86)
_ERROR, ERROR_TYPES = struct.Struct("<H"), (2, 73)
"""Channel; the rest of an error object is not read. Type 2 from memory, with no published source at hand."""
_FD = struct.Struct("<HBxL5xBB5x64s")
"""Channel, flags, identifier, FD flags, number of valid bytes, data. Without its flag FD it is a classic frame."""
FD_TYPE, _FD_FLAG = 100, 0x1
_FD64 = struct.Struct("<BxBxL4xL24x")
"""Channel, number of valid bytes, identifier, flags; the data follows. Without its flag FD it is a classic frame."""
FD64_TYPE, _FD64_FLAG, _FD64_REMOTE = 101, 0x1000, 0x10
_FRAME_TYPES = (*CAN_TYPES, *ERROR_TYPES, FD_TYPE, FD64_TYPE)
"""Objects of all other types are notes of the logging program."""
EXTENDED_FLAG, IDENTIFIER_MASK, STANDARD_MASK = 0x8000_0000, 0x1FFF_FFFF, 0x7FF
"""The parts of the number that contains an identifier."""
REMOTE_FLAG = 0x80
_CUT, _CUT_CONTAINER = "an object that is cut off", "a container that is cut off"


class BlfReader(BinaryReader):
    """Reads one log; ``origin`` is its start in microseconds since the epoch, 0 where it has none."""

    kind: ClassVar[str] = "binary log (.blf)"
    marks: ClassVar[tuple[bytes, ...]] = (b"LOGG",)

    def __init__(self) -> None:
        self.origin = 0
        self.end = 0
        """How many bytes of the file were read, those of an incomplete object at its end left out."""

    def entries(self, blocks: Iterator[bytes]) -> Iterator[tuple[int, ReadEntry | UnreadableError]]:
        """Yield each entry and each damaged part of the log with its position in bytes, that of its container."""
        inner = ObjectFinder()
        for position, found in self.outer_objects(blocks):
            yield from self.outer_entries(position, found, inner)
        yield from ((self.end, self.read(found)) for _, found in inner.feed(None))

    def outer_objects(self, blocks: Iterator[bytes]) -> Iterator[tuple[int, bytes | UnreadableError]]:
        """Yield each object of the file itself, nearly always a container, and each damaged part, with its position."""
        held = b""
        while len(held) < _FILE_HEADER.size and (block := next(blocks, None)) is not None:
            held += block
        if len(held) < _FILE_HEADER.size:
            yield 0, CutOffError("cut off in the first bytes")
            return
        size, *start = _FILE_HEADER.unpack_from(held)
        self.origin = _epoch(*start)
        outer = ObjectFinder(min(size, len(held)))
        for block in _with_end(blocks, held[size:]):
            yield from outer.feed(block)
            self.end = outer.position

    def outer_entries(
        self, position: int, found: bytes | UnreadableError, inner: "ObjectFinder"
    ) -> Iterator[tuple[int, ReadEntry | UnreadableError]]:
        """Read one object of the file: nearly always a container, which continues the objects of the one before it."""
        if isinstance(found, UnreadableError) or _type(found) != _CONTAINER:
            yield position, self.read(found)
            return
        content, why = _unpacked(found)
        yield from ((position, self.read(item)) for _, item in inner.feed(content))
        if why:
            yield position, CutOffError(why) if why == _CUT_CONTAINER else UnreadableError(why)
            yield from ((position, self.read(item)) for _, item in inner.feed(None))

    def read(self, found: bytes | UnreadableError) -> ReadEntry | UnreadableError:
        """Read one object."""
        if isinstance(found, UnreadableError):
            return found
        try:
            return CutOffError(_CUT) if _is_short(found) else _frame(found)
        except struct.error:
            return CutOffError(_CUT)
        except UnreadableError as why:
            return why


def container_content(found: bytes | UnreadableError) -> bytes | None:
    """Return the content of an object of the file; None if it is no container, or one that is not complete."""
    if isinstance(found, UnreadableError) or _type(found) != _CONTAINER:
        return None
    content, why = _unpacked(found)
    return None if why else content


class ObjectFinder:
    """Finds the objects in bytes that come in blocks, also after damage."""

    def __init__(self, position: int = 0) -> None:
        self.position = position
        self.held = b""
        """What was fed and belongs to no object yet."""
        self.is_lost = False
        """Whether bytes that belong to no object were passed over and are not reported yet."""

    def feed(self, data: bytes | None) -> Iterator[tuple[int, bytes | UnreadableError]]:
        """Yield each object with its position; ``data`` None means the end: the last object may be incomplete."""
        final = data is None
        held = self.held + (data or b"")
        place = 0
        while True:
            mark = held.find(OBJECT_MARK, place)
            if mark < 0:
                mark = len(held) if final else max(place, len(held) - len(OBJECT_MARK) + 1)
            if mark > place:
                self.is_lost |= bool(held[place:mark].strip(b"\0"))
            place = mark
            found = held.startswith(OBJECT_MARK, mark)
            if self.is_lost and (found or final):
                yield (
                    self.position + mark,
                    UnreadableError("bytes that belong to no object: damaged before this place"),
                )
                self.is_lost = False
            if not found:
                break
            end = _end(held, mark, final=final)
            if end is None and not final:
                break
            if end == mark:  # a mark without an object
                self.is_lost, place = True, mark + len(OBJECT_MARK)
                continue
            yield self.position + mark, held[mark:end]
            place = end or _behind_short(held, mark)
        self.position += place
        self.held = held[place:]


def _end(held: bytes, mark: int, *, final: bool) -> int | None:
    """Return the end of the object at a mark; the mark itself if its size is impossible, None if more must be read."""
    if len(held) < mark + _OBJECT_HEADER.size:
        return None
    size = int(_OBJECT_HEADER.unpack_from(held, mark)[1])
    if not _OBJECT_HEADER.size <= size <= MAX_OBJECT_BYTES:
        return mark
    end = mark + size
    if held.startswith(OBJECT_MARK, end):
        return end
    after = held[end : end + _MAX_PADDING + len(OBJECT_MARK)]
    if end > len(held) or (len(after) < _MAX_PADDING + len(OBJECT_MARK) and not final):
        return None
    if OBJECT_MARK in after or not after.strip(b"\0"):
        return end
    return mark if OBJECT_MARK in held[mark + 1 : end] else end  # a size that is too large takes in the next object


def _is_short(found: bytes) -> bool:
    """Tell whether an object has fewer bytes than its size."""
    return len(found) < _OBJECT_HEADER.size or len(found) < int(_OBJECT_HEADER.unpack_from(found)[1])


def _behind_short(held: bytes, mark: int) -> int:
    """Return where to continue after an object that has fewer bytes than its size: at the next mark, if any."""
    short = held[mark : mark + _PACKING.size]
    if _type(short) == _CONTAINER and short[_OBJECT_HEADER.size :].startswith(
        b"\0"
    ):  # stored: its content has marks too
        return len(held)
    place = held.find(OBJECT_MARK, mark + 1)
    return place if place >= 0 else len(held)


def _with_end(blocks: Iterator[bytes], first: bytes) -> Iterator[bytes | None]:
    yield first
    yield from blocks
    yield None


def _type(found: bytes) -> int:
    """Return the type of an object; 0 if it is too short to have one."""
    return int(_OBJECT_HEADER.unpack_from(found)[2]) if len(found) >= _OBJECT_HEADER.size else 0


def _unpacked(container: bytes) -> tuple[bytes, str | None]:
    """Return the content of a container, and why it is not complete, None if it is."""
    if len(container) < _PACKING.size:
        return b"", _CUT_CONTAINER
    (packing,) = _PACKING.unpack_from(container)
    content = container[_PACKING.size :]
    if packing == _STORED:
        return content, _CUT_CONTAINER if _is_short(container) else None
    if packing != _DEFLATED:
        return b"", f"a container with an unknown compression ({packing})"
    unpack = zlib.decompressobj()
    try:
        content = unpack.decompress(content, MAX_OBJECT_BYTES)
    except zlib.error:
        return b"", "a container whose content is damaged"
    return content, None if unpack.eof else _CUT_CONTAINER


def _frame(found: bytes) -> ReadEntry:
    """Return the entry that an object contains."""
    version, _, type_ = _OBJECT_HEADER.unpack_from(found)
    if version not in _TIMES:
        return SkippedEntry(None, EntryKind.EVENT, None)
    flags, ticks = _TIMES[version].unpack_from(found)
    if type_ not in _FRAME_TYPES:
        return SkippedEntry(None, EntryKind.EVENT, None)
    time = checked_time(ticks * 10 if flags == TEN_MICROSECONDS else (ticks + 500) // 1000)
    body = _TIMES[version].size
    if type_ in CAN_TYPES:
        channel, flags, length, identifier, data = _CAN.unpack_from(found, body)
        return _entry(time, channel, identifier, data[: min(length, MAX_DATA_BYTES)], flags & REMOTE_FLAG)
    if type_ in ERROR_TYPES:
        (channel,) = _ERROR.unpack_from(found, body)
        return error_entry(time, b"%d" % channel)
    if type_ == FD_TYPE:
        channel, flags, identifier, fd_flags, length, data = _FD.unpack_from(found, body)
        return _entry(time, channel, identifier, data[:length], flags & REMOTE_FLAG, fd_flags & _FD_FLAG)
    channel, length, identifier, flags = _FD64.unpack_from(found, body)
    data = found[body + _FD64.size :][:length].ljust(length, b"\0")  # zeros at the end may be missing
    return _entry(time, channel, identifier, data, flags & _FD64_REMOTE, flags & _FD64_FLAG)


def _entry(time: int, channel: int, identifier: int, data: bytes, remote: int, fd: int = 0) -> ReadEntry:
    name = b"%d" % channel
    if fd:
        return SkippedEntry(time, EntryKind.FD, name)
    number, extended = identifier & IDENTIFIER_MASK, bool(identifier & EXTENDED_FLAG)
    if remote or not extended:
        return other_frame(
            time, name, number if extended else number & STANDARD_MASK, extended, len(data) if remote else data
        )
    return LogEntry(time, number, data[:MAX_DATA_BYTES], name)


def _epoch(year: int, month: int, _: int, day: int, hour: int, minute: int, second: int, millisecond: int) -> int:
    try:
        start = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return 0
    return int(start.timestamp()) * SECOND_US + millisecond * 1000
