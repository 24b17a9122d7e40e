"""Binary logs (.blf) in columns: the objects of several containers at once.

Knows: how to find objects that follow each other without damage, and the classic frames and error frames among them.
All other objects, and everything near damage, are read one by one by ``BlfReader``. Does not know files.
"""

import re
from collections.abc import Iterator, Sequence
from functools import cache
from itertools import accumulate, compress
from typing import TYPE_CHECKING, Any, NamedTuple

from rvsim.logs.columns import Columns
from rvsim.logs.columns_read.entry_columns import EntryColumns, EntryTable
from rvsim.logs.formats.blf import (
    CAN_TYPES,
    ERROR_TYPES,
    EXTENDED_FLAG,
    FD64_TYPE,
    FD_TYPE,
    IDENTIFIER_MASK,
    MAX_OBJECT_BYTES,
    OBJECT_MARK,
    REMOTE_FLAG,
    STANDARD_MASK,
    TEN_MICROSECONDS,
    BlfReader,
    ObjectFinder,
    container_content,
)
from rvsim.logs.formats.entry import MAX_DATA_BYTES, TIME_LIMIT_US, CutOffError, ReadEntry, UnreadableError, error_entry
from rvsim.logs.formats.source import ByteSource

if TYPE_CHECKING:
    from numpy import bool_, dtype, int64, integer, intp, uint64, void
    from numpy.typing import NDArray

MAX_CONTENT_BYTES = 1 << 20
"""The content of containers that is read at once, about. Our decision, as in ``line_chunks``."""
_MAX_SINGLE_ENTRIES = 4096
"""Entries that are read one by one are kept up to this number."""
_MAX_PADDING = 3
"""Bytes between two objects at most; where there are more, objects are read one by one."""
_AFTER_BYTES = 8
"""So many bytes behind an object have to be there before it is taken for complete, unless a mark follows at once."""
_HEADER_BYTES = 16
_HEADER = [("mark", "<u4"), ("header_size", "<u2"), ("version", "<u2"), ("size", "<u4"), ("type", "<u4")]
_TIME = [("unit", "<u4"), ("reserved", "<u4"), ("ticks", "<u8")]
_CAN = [("channel", "<u2"), ("flags", "u1"), ("length", "u1"), ("identifier", "<u4"), ("data", ">u8")]
_FRAMES = {1: [*_HEADER, *_TIME, *_CAN], 2: [*_HEADER, *_TIME, ("original", "<u8"), *_CAN]}
"""Classic frames by the version of their header; error objects start in the same way, up to the channel."""
_CONTENT_AT = {1: 32, 2: 40}
"""Where the content of an object starts, by the version of its header; that of frames and errors with the channel."""
_CHANNEL_BYTES = 2
_LONGEST_FRAME = 64
"""At least the bytes of a frame."""


class _Container(NamedTuple):
    """The content of a container that is not damaged."""

    position: int
    content: bytes
    is_broken: bool
    """Whether reading the file had already stopped before its end."""


class BlfColumns:
    """The columns of a binary log."""

    def __init__(self, reader: BlfReader, blocks: Iterator[bytes], source: ByteSource) -> None:
        self._reader, self._blocks, self._source = reader, blocks, source
        self._inner = ObjectFinder()
        self._single: list[tuple[int, ReadEntry | UnreadableError]] = []

    def batches(self) -> Iterator[EntryColumns]:
        """Yield the entries of the log, some thousands at once."""
        containers: list[_Container] = []
        size = 0
        for position, found in self._reader.outer_objects(self._blocks):
            content = container_content(found)
            if content is not None:
                containers.append(_Container(position, content, self._source.broken is not None))
                size += len(content)
            if size >= MAX_CONTENT_BYTES or content is None:
                yield from self._read(containers)
                containers, size = [], 0
            if content is None:
                self._add(self._reader.outer_entries(position, found, self._inner), is_broken=bool(self._source.broken))
            if len(self._single) >= _MAX_SINGLE_ENTRIES:
                yield from self._singles()
        yield from self._read(containers)
        rest = ((self._reader.end, self._reader.read(found)) for _, found in self._inner.feed(None))
        self._add(rest, is_broken=bool(self._source.broken))
        yield from self._singles()

    def _add(self, entries: Iterator[tuple[int, ReadEntry | UnreadableError]], *, is_broken: bool) -> None:
        """Keep entries that were read one by one; incomplete objects of a cut file are not damage of their own."""
        for where, found in entries:
            is_cut = isinstance(found, CutOffError) and self._source.excuses_end()
            if not is_cut and not (is_broken and isinstance(found, UnreadableError)):
                self._single.append((where, found))

    def _singles(self) -> Iterator[EntryColumns]:
        """Yield what was read one by one."""
        import numpy as np

        if self._single:
            places, read = zip(*self._single, strict=True)
            table = EntryTable(len(places))
            table.set_read(range(len(places)), read, places)
            self._single = []
            yield table.columns(np.array(places, np.int64), origin=self._reader.origin, end=places[-1])

    def _read(self, containers: Sequence[_Container]) -> Iterator[EntryColumns]:
        """Read the objects of containers: at once up to the first that is not followed by another, then one by one.

        The second part ends with the container in which that object starts.
        """
        import numpy as np

        while containers:
            held = self._inner.held
            content = b"".join((held, *(each.content for each in containers), bytes(_LONGEST_FRAME)))
            ends = list(accumulate((len(each.content) for each in containers), initial=len(held)))[1:]
            starts, read = ([], 0) if self._inner.is_lost else _objects(content)
            if len(starts):
                yield from self._singles()
                yield self._columns(content, np.asarray(starts), read, ends, containers)
            number = next((number for number, end in enumerate(ends) if end > read), len(ends) - 1)
            self._inner.held = b""
            found = self._inner.feed(content[read : ends[number]])
            position, is_broken = containers[number].position, containers[number].is_broken
            self._add(((position, self._reader.read(each)) for _, each in found), is_broken=is_broken)
            containers = containers[number + 1 :]

    def _columns(
        self, content: bytes, starts: "NDArray[intp]", read: int, ends: Sequence[int], containers: Sequence[_Container]
    ) -> EntryColumns:
        """Return the entries of objects that follow each other, up to a place in the content of containers."""
        import numpy as np

        objects = _Objects(content, starts)
        after = np.where(np.append(starts[1:], read) == objects.stops, len(OBJECT_MARK), _AFTER_BYTES)
        ended = np.searchsorted(objects.stops + after, ends, "right")
        container = np.repeat(np.arange(len(containers)), np.diff(np.minimum(ended, len(starts)), prepend=0))
        places = np.array([each.position for each in containers], np.int64)[container]
        table = EntryTable(len(starts))
        single = np.sort(np.concatenate([objects.enter(table, version) for version in _FRAMES]))
        found = [self._reader.read(objects.one(row)) for row in single.tolist()]
        if containers[-1].is_broken:
            are_broken = [containers[number].is_broken for number in container[single].tolist()]
            kept = [not (cut and isinstance(one, UnreadableError)) for cut, one in zip(are_broken, found, strict=True)]
            single, found = single[kept], list(compress(found, kept))
        table.set_read(single.tolist(), found, places[single].tolist())
        table.notes += objects.unknown
        return table.columns(places, origin=self._reader.origin, end=int(places[-1]))


class _Objects:
    """Objects that are complete, in the content of containers."""

    def __init__(self, content: bytes, starts: "NDArray[intp]") -> None:
        import numpy as np

        self.content, self.starts = content, starts
        self.heads = self._rows(starts, np.dtype(_HEADER))
        self.stops = starts + self.heads["size"]
        self.unknown = len(starts)
        """Objects with a version of header that was not entered: notes, for all that is known."""

    def one(self, row: int) -> bytes:
        """Return the bytes of one object."""
        return self.content[self.starts[row] : self.stops[row]]

    def _rows(self, starts: "NDArray[intp]", kind: "dtype[void]") -> "NDArray[void]":
        """Return the fields of objects; without a copy where all objects have one size."""
        import numpy as np

        step = int(starts[1] - starts[0]) if len(starts) > 1 else 0
        if step > 0 and (starts[1:] - starts[:-1] == step).all():
            return np.ndarray((len(starts),), kind, self.content, int(starts[0]), (step,))
        windows = np.ndarray((len(self.content) - kind.itemsize + 1,), f"V{kind.itemsize}", self.content, 0, (1,))
        return windows[starts].view(kind)

    def enter(self, table: EntryTable, version: int) -> "NDArray[intp]":
        """Enter frames and errors with one version of header into a table, and return the rows that are left.

        Other objects that are known to be no frames are counted as notes.
        """
        import numpy as np

        if not self.unknown:
            return np.arange(0)
        is_version = self.heads["version"] == version
        is_only_version = bool(is_version.all())
        rows = np.arange(len(self.starts)) if is_only_version else np.flatnonzero(is_version)
        self.unknown -= len(rows)
        if not len(rows):
            return rows
        frame, content_at = np.dtype(_FRAMES[version]), _CONTENT_AT[version]
        types, sizes = self.heads["type"], self.heads["size"]
        if not is_only_version:
            types, sizes = types[rows], sizes[rows]
        elif int(types[0]) in CAN_TYPES and (types == types[0]).all() and int(sizes.min()) >= frame.itemsize:
            return _enter_frames(table, rows, self._rows(self.starts, frame))
        is_error, is_frame, is_fd = (_one_of(types, kinds) for kinds in (ERROR_TYPES, CAN_TYPES, (FD_TYPE, FD64_TYPE)))
        is_note = ~(is_frame | is_error | is_fd)
        is_frame &= sizes >= frame.itemsize
        is_error &= sizes >= content_at + _CHANNEL_BYTES
        is_note &= sizes >= content_at
        table.notes += int(np.count_nonzero(is_note))
        left = [rows[~(is_frame | is_error | is_note)]]
        for are, enter in ((is_frame, _enter_frames), (is_error, _enter_errors)):
            if are.any():
                these = rows if are.all() else rows[are]
                left.append(enter(table, these, self._rows(self.starts[these], frame)))
        return np.concatenate(left)


def _one_of(numbers: "NDArray[integer[Any]]", wanted: Sequence[int]) -> "NDArray[bool_]":
    """Return which numbers are among a few."""
    found: NDArray[bool_] = numbers == wanted[0]
    for number in wanted[1:]:
        found |= numbers == number
    return found


def _enter_frames(table: EntryTable, rows: "NDArray[intp]", objects: "NDArray[void]") -> "NDArray[intp]":
    """Enter data frames into a table, and return the rows of remote frames and of impossible times."""
    import numpy as np

    times, right = _times(objects)
    right &= objects["flags"] & REMOTE_FLAG == 0
    if not right.all():
        left, rows, objects, times = rows[~right], rows[right], objects[right], times[right]
    else:
        left = rows[:0]
    lengths = np.minimum(objects["length"], MAX_DATA_BYTES)
    data = objects["data"].astype(np.uint64)
    if (lengths < MAX_DATA_BYTES).any():
        data &= _kept_bits()[lengths]
    channels = _channels(table, objects)
    frames = Columns(times, objects["identifier"] & np.uint32(IDENTIFIER_MASK), data, lengths)
    is_extended = objects["identifier"] >= EXTENDED_FLAG
    if is_extended.all():
        table.set_frames(slice(None) if len(rows) == table.size else rows, frames, channels)
        return left
    table.set_frames(rows[is_extended], frames.rows(is_extended), channels[is_extended])
    short = frames.rows(~is_extended)
    short = Columns(short.times, short.identifiers & np.uint32(STANDARD_MASK), short.data, short.lengths)
    table.set_standard(rows[~is_extended], short, channels[~is_extended])
    return left


def _enter_errors(table: EntryTable, rows: "NDArray[intp]", objects: "NDArray[void]") -> "NDArray[intp]":
    """Enter error frames into a table, and return the rows of impossible times."""
    import numpy as np

    times, right = _times(objects)
    rows, left = rows[right], rows[~right]
    table.set_others(
        rows,
        times[right],
        _channels(table, objects[right]),
        np.zeros(len(rows), int),
        lambda _: error_entry(None, None),
    )
    return left


def _times(objects: "NDArray[void]") -> "tuple[NDArray[int64], NDArray[bool_]]":
    """Return times in microseconds, and which of them are possible."""
    import numpy as np

    ticks = objects["ticks"]
    whole = ticks // 1000  # not ticks + 500, which may be too large
    times = (whole + (ticks - whole * 1000 >= 500)).view(np.int64)
    is_coarse = objects["unit"] == TEN_MICROSECONDS
    right = np.ones(len(ticks), bool)
    if is_coarse.any():
        right = ~is_coarse | (ticks < TIME_LIMIT_US // 10)
        times = np.where(is_coarse & right, (ticks * 10).view(np.int64), times)
    return times, right


def _channels(table: EntryTable, objects: "NDArray[void]") -> "NDArray[intp]":
    """Return the numbers that the channels have in a table."""
    import numpy as np

    channels = objects["channel"]
    if len(channels) and (channels == channels[0]).all():
        return np.full(len(channels), table.names.number(b"%d" % int(channels[0])))
    numbers = np.zeros(1 << 16, np.intp)
    for channel in np.flatnonzero(np.bincount(channels)).tolist():
        numbers[channel] = table.names.number(b"%d" % channel)
    found: NDArray[intp] = numbers[channels]
    return found


@cache
def _kept_bits() -> "NDArray[uint64]":
    """Return the bits that data of each length have."""
    import numpy as np

    return np.array([(1 << 64) - (1 << 8 * (8 - length)) for length in range(9)], np.uint64)


def _objects(content: bytes) -> "tuple[NDArray[intp] | Sequence[int], int]":
    """Return the starts of objects that follow each other from the first byte on, and where the next one starts."""
    import numpy as np

    first = content.find(OBJECT_MARK, 0, _MAX_PADDING + len(OBJECT_MARK))
    if first < 0 or content[:first].strip(b"\0"):
        return (), 0
    size = int.from_bytes(content[first + 8 : first + 12], "little")
    if size >= _HEADER_BYTES and (count := (len(content) - _LONGEST_FRAME - first) // size - 1) > 1:
        heads = np.ndarray((count + 1,), np.dtype(_HEADER), content, first, (size,))
        if (heads["mark"] == heads["mark"][0]).all() and (heads["size"] == size).all():
            return first + size * np.arange(count), first + size * count
    words = np.frombuffer(content, "<u4", (len(content) - first) // 4, first)
    marks = first + 4 * np.flatnonzero(words == int.from_bytes(OBJECT_MARK, "little"))
    count, stop = _followed(content, marks)
    if (stop - first) % 4:  # objects whose size is no multiple of four, without padding
        marks = np.array([mark.start() for mark in re.finditer(OBJECT_MARK, content)])
        count, _ = _followed(content, marks)
    return marks[:count], int(marks[count])


def _followed(content: bytes, marks: "NDArray[intp]") -> tuple[int, int]:
    """Return how many marks start an object that the next mark follows, and where the object after them would end."""
    import numpy as np

    signs = np.frombuffer(content, np.uint8)
    sizes = np.ndarray((len(content) - 3,), "<u4", content, 0, (1,))[np.minimum(marks + 8, len(content) - 4)]
    stops = marks + sizes
    padding = marks[1:] - stops[:-1]
    right = (padding >= 0) & (padding <= _MAX_PADDING) & (sizes >= _HEADER_BYTES)[:-1]
    right &= (sizes <= MAX_OBJECT_BYTES)[:-1]
    right &= (padding == 0) | (stops[:-1] + _AFTER_BYTES <= len(content) - _LONGEST_FRAME)
    for place in range(_MAX_PADDING):
        padded = np.flatnonzero(right & (padding > place))
        right[padded] = signs[stops[padded] + place] == 0
    count = len(right) if right.all() else int(right.argmin())
    return count, int(stops[count])
