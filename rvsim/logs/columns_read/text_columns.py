"""Reads a text log in columns: lines of a known layout at once, all others one by one by the reader of the format.

Knows: how layouts are learnt from the log's own lines, and when its head changes how later lines are read. Does not
know formats: a ``LineForm`` says what a line of its format is made of.
"""

from collections.abc import Hashable, Iterator
from typing import TYPE_CHECKING, Protocol

from rvsim.logs.columns_read.entry_columns import NOTHING, EntryColumns, EntryTable
from rvsim.logs.columns_read.layouts import MAX_LAYOUT_BYTES, Fields, Layout, ReadLines
from rvsim.logs.columns_read.line_chunks import LineChunk, TextPart
from rvsim.logs.formats.entry import IDENTIFIER_LIMIT, LineReader, ReadEntry, UnreadableError
from rvsim.logs.formats.source import MAX_LINE_BYTES

if TYPE_CHECKING:
    from numpy import intp
    from numpy.typing import NDArray

MAX_LAYOUTS = 128
"""The layouts that are kept at once. Our decision."""
MAX_SAMPLES, MAX_MISSES = 64, 4
"""The lines of a chunk that are taken as samples of new layouts, at most, and after how many of them that few other
lines resemble no more are taken. Our decision."""
MIN_LAYOUT_LINES = 48
"""Fewer lines are read one by one: applying a layout takes as long. Our decision."""
HEAD_LINES = 64
"""The lines that are read one by one after one that changes how later lines are read. Our decision."""
_SINGLE_LINES = 4096
"""Lines that are read one by one are kept up to this number."""
_STRIDE = 7919
"""The distance of samples: a prime number, so that they are everywhere among the lines that are left."""
_STANDARD_LIMIT = 1 << 11


class LineForm(Protocol):
    """What the lines of one format are made of."""

    def state(self) -> Hashable:
        """Return what earlier lines say about later ones; the layouts hold as long as it does not change."""

    def fields(self, line: bytes) -> Fields | None:
        """Return where the fields of a line are; None if it is not a data frame of a usual form."""

    def leave(self, lines: Iterator[bytes]) -> None:
        """Take notice of lines that were read in columns, the last one first, for what later lines may count from."""

    def enter(self, chunk: LineChunk, layout: Layout, read: ReadLines, table: EntryTable) -> None:
        """Enter the lines that are what their fields say into the table; all others are read one by one."""


def enter_frames(layout: Layout, read: ReadLines, table: EntryTable) -> None:
    """Enter lines of one channel into a table, except frames whose identifier is too large."""
    import numpy as np

    rows, frames = read
    other = layout.fields.other
    if other is not None:
        table.set_others(
            rows, frames.times, table.names.number(layout.fields.channel), np.zeros(len(rows), int), lambda _: other
        )
        return
    right = frames.identifiers < (_STANDARD_LIMIT if layout.fields.is_standard else IDENTIFIER_LIMIT)
    if not right.all():
        rows, frames = rows[right], frames.rows(right)
    channel = table.names.number(layout.fields.channel)
    if layout.fields.is_standard:
        table.set_standard(rows, frames, channel)
    else:
        table.set_frames(slice(None) if len(rows) == table.size else rows, frames, channel)


class TextColumns:
    """The columns of a text log."""

    def __init__(self, reader: LineReader, form: LineForm, parts: Iterator[TextPart]) -> None:
        self._reader, self._form, self._parts = reader, form, parts
        self._layouts: list[Layout] = []
        self._only: Layout | None = None
        """The layout of all lines of the part before, if they have one and it is that of whole lines."""
        self._state = form.state()
        self._is_head = self._state is not None

    def batches(self) -> Iterator[EntryColumns]:
        """Yield the entries of the log, some thousands at once."""
        for part in self._parts:
            if (batch := self._read_equal(part)) is not None:
                yield batch
                continue
            chunk, row = part.lines, 0
            while row < len(chunk):
                batch = self._read(chunk.part(row, row + HEAD_LINES if self._is_head else len(chunk)))
                row = batch.end + 1 - chunk.first
                yield batch

    def _read_equal(self, part: TextPart) -> EntryColumns | None:
        """Read lines that all have the layout of those before; None if that is not so.

        Then every byte of each line is compared or is a digit, and none of them can be another line end.
        """
        layout, lines = self._only, None if self._only is None else part.equal_lines()
        if layout is None or lines is None:
            return None
        table = EntryTable(len(lines))
        self._form.enter(lines, layout, layout.read(lines, lines.rows), table)
        if not table.is_full:
            return None
        part.settle(lines)
        self._form.leave(lines.line(row) for row in range(len(lines) - 1, -1, -1))
        return table.columns(lines.rows + lines.first, origin=self._reader.origin, end=lines.first + len(lines) - 1)

    def _read(self, chunk: LineChunk) -> EntryColumns:
        """Read lines up to the first one that changes how later lines are read."""

        origin, table = self._reader.origin, EntryTable(len(chunk))
        self._only = None
        left = chunk.rows
        if not self._is_head:
            left = self._read_by_layouts(chunk, left, table)
        size = self._read_singly(chunk, left, table)
        if size < len(chunk):
            table.forms[size:] = NOTHING
        self._form.leave(chunk.line(row) for row in range(size - 1, -1, -1))
        state = self._form.state()
        self._is_head = state != self._state
        if self._is_head:
            self._state, self._layouts, self._only = state, [], None
        return table.columns(chunk.rows + chunk.first, origin=origin, end=chunk.first + size - 1)

    def _read_by_layouts(self, chunk: LineChunk, left: "NDArray[intp]", table: EntryTable) -> "NDArray[intp]":
        """Read the lines that have a layout, and return the rows that are left."""
        import numpy as np

        cut = left[:0]
        if chunk.content[chunk.ends[-1] - 1] != ord("\n"):
            left, cut = left[:-1], left[-1:]
        self._layouts = sorted(
            (layout for layout in self._layouts if layout.hits), key=lambda layout: layout.hits, reverse=True
        )[:MAX_LAYOUTS]
        for layout in self._layouts:
            layout.hits >>= 1
            if len(left):
                left = self._apply(layout, chunk, left, table)
        return np.concatenate((self._learn(chunk, left, table), cut))

    def _learn(self, chunk: LineChunk, left: "NDArray[intp]", table: EntryTable) -> "NDArray[intp]":
        """Read lines by layouts of samples of them, and return the rows that are left."""
        misses = 0
        for sample in range(MAX_SAMPLES):
            if len(left) < MIN_LAYOUT_LINES or misses >= MAX_MISSES:
                break
            line = chunk.line(int(left[sample * _STRIDE % len(left)]))
            fields, before = self._form.fields(line), len(left)
            if fields is not None and fields.end <= MAX_LAYOUT_BYTES:
                self._layouts.append(Layout(line, fields))
                left = self._apply(self._layouts[-1], chunk, left, table)
            misses = 0 if before - len(left) >= MIN_LAYOUT_LINES else misses + 1
        return left

    def _apply(self, layout: Layout, chunk: LineChunk, left: "NDArray[intp]", table: EntryTable) -> "NDArray[intp]":
        """Read lines that have a layout, and return the rows that are left."""
        self._form.enter(chunk, layout, layout.read(chunk, left), table)
        if table.is_full:
            self._only = layout if layout.covers_lines else None
            return left[:0]
        still: NDArray[intp] = left[table.forms[left] == NOTHING]
        return still

    def _read_singly(self, chunk: LineChunk, rows: "NDArray[intp]", table: EntryTable) -> int:
        """Read lines one by one; return the row behind the first one that changes how later lines are read."""
        for start in range(0, len(rows), _SINGLE_LINES):
            part = rows[start : start + _SINGLE_LINES]
            spans = zip(chunk.starts[part].tolist(), chunk.ends[part].tolist(), strict=True)
            read = []
            for first, end in spans:
                read.append(self._entry(chunk.content[first:end]))
                if self._state is not None and self._form.state() != self._state:
                    break
            part = part[: len(read)]
            table.set_read(part.tolist(), read, (part + chunk.first).tolist())
            if self._state is not None and self._form.state() != self._state:
                return int(part[-1]) + 1
        return len(chunk)

    def _entry(self, line: bytes) -> ReadEntry | UnreadableError:
        if len(line) > MAX_LINE_BYTES:
            return UnreadableError(f"a line of more than {MAX_LINE_BYTES} bytes")
        try:
            return self._reader.read(line)
        except UnreadableError as why:
            return why
