"""JSON lines of rvsim in columns.

Knows: the usual frame lines, up to the data; what follows, which is the same for many frames, is read once for each
text. Does not know files. Only lines that ``JsonLinesReader`` reads as a data frame have a layout.
"""

import json
import re
from collections.abc import Hashable, Iterator, Sequence
from typing import TYPE_CHECKING

from rvsim.logs.columns_read.entry_columns import EntryTable, Numbered
from rvsim.logs.columns_read.layouts import Fields, Layout, ReadLines
from rvsim.logs.columns_read.line_chunks import LineChunk
from rvsim.logs.formats.entry import IDENTIFIER_LIMIT
from rvsim.logs.formats.line_text import JsonLinesReader
from rvsim.wire.frame import SECOND_US

if TYPE_CHECKING:
    from numpy import intp
    from numpy.typing import NDArray

MAX_ENDS = 1 << 14
"""The ends of lines that are kept. Our decision: far more than a network has messages and sources."""
_FRAME = re.compile(
    rb'\{"t": (?P<whole>0|[1-9]\d{0,10})\.(?P<fraction>\d{1,24}), "type": "frame", '
    rb'"identifier": "(?P<identifier>[0-9A-Fa-f]{1,8})", "bytes": "(?P<data>(?:[0-9A-Fa-f]{2}){0,8})", '
)
_NO_END = -1
_KEYS = {"t", "type", "identifier", "bytes"}


class JsonForm:
    """What the lines are made of."""

    def __init__(self, reader: JsonLinesReader) -> None:
        self._reader = reader
        self._ends: dict[bytes, int] = {}
        self._names: Numbered[bytes | None] = Numbered()

    def state(self) -> Hashable:
        """Return the start of the log."""
        return self._reader.origin

    def fields(self, line: bytes) -> Fields | None:
        """Return where the fields of a frame are."""
        found = _FRAME.match(line)
        if not found:
            return None
        return Fields(
            whole=found.span("whole"),
            fraction=found.span("fraction"),
            identifier=found.span("identifier"),
            data=found.span("data"),
            length=len(found["data"]) // 2,
            channel=None,
            end=found.end(),
            is_whole=False,
        )

    def leave(self, lines: Iterator[bytes]) -> None:
        """No line counts from another one."""

    def enter(self, chunk: LineChunk, layout: Layout, read: ReadLines, table: EntryTable) -> None:
        """Enter the frames whose lines end as those of frames do."""
        import numpy as np

        rows, frames = read
        start, end = layout.fields.whole
        right = frames.identifiers < IDENTIFIER_LIMIT
        if end - start > 1:  # JSON has no zeros before a number
            right &= frames.times >= 10 ** (end - start - 1) * SECOND_US
        content = chunk.content
        ends = zip((chunk.starts[rows] + layout.fields.end).tolist(), chunk.ends[rows].tolist(), strict=True)
        texts = [content[first:last] for first, last in ends]
        numbers = self._numbers(texts)
        right &= numbers != _NO_END
        if not right.all():
            rows, frames, numbers = rows[right], frames.rows(right), numbers[right]
        names = self._names.items
        in_table = np.zeros(len(names), np.intp)
        for number in np.flatnonzero(np.bincount(numbers)).tolist():
            in_table[number] = table.names.number(names[number])
        table.set_frames(rows, frames, in_table[numbers])

    def _numbers(self, texts: Sequence[bytes]) -> "NDArray[intp]":
        """Return the numbers of the channels that are named at the ends of lines; -1: that is no end of a frame."""
        import numpy as np

        if len(self._ends) > MAX_ENDS:
            self._ends.clear()
            self._names = Numbered()
        for text in set(texts).difference(self._ends):
            channel = _channel(text)
            self._ends[text] = _NO_END if channel is None else self._names.number(channel[0])
        return np.fromiter(map(self._ends.__getitem__, texts), np.intp, len(texts))


def _channel(text: bytes) -> tuple[bytes | None] | None:
    """Return the channel that is named at the end of a line; None where the text is no end of a frame."""
    try:
        fields = json.loads((b"{" + text).decode(), parse_float=str)
    except (ValueError, RecursionError):
        return None
    if not fields or fields.keys() & _KEYS:
        return None
    channel = fields.get("channel")
    return (None if channel is None else str(channel).encode("utf-8", "replace"),)
