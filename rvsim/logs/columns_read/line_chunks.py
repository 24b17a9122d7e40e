"""Chunks of a text log: some thousand whole lines, and where each line starts and ends.

Knows: how the bytes of a log are cut into lines, as ``formats.source.lines`` does. Does not know what is in a line.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from rvsim.logs.formats.source import MAX_LINE_BYTES, ByteSource

if TYPE_CHECKING:
    from numpy import intp, uint8
    from numpy.typing import NDArray

CHUNK_BYTES = 5 << 19
"""The bytes of a chunk, about, so that one or two of them are a block: larger ones leave a processor's cache, smaller
ones have too few lines for the fixed cost of an operation on arrays. Our decision."""
BEFORE, AFTER = 8, 256
"""Bytes before and after the lines of a chunk, so that a field can be read with the bytes around it."""
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True, eq=False)
class LineChunk:
    """Consecutive lines of a log."""

    content: bytes
    """The lines, between ``BEFORE`` and ``AFTER`` other bytes."""
    first: int
    """The number of the first line, counted from 1."""
    starts: "NDArray[intp]"
    """Where in ``content`` each line starts."""
    ends: "NDArray[intp]"
    """Where each line ends, its line end included."""
    line_bytes: int = 0
    """The bytes of each line, if all have the same number; else 0."""

    def __len__(self) -> int:
        return len(self.starts)

    @cached_property
    def signs(self) -> "NDArray[uint8]":
        """The content, a number for each byte."""
        import numpy as np

        return np.frombuffer(self.content, np.uint8)

    @cached_property
    def sizes(self) -> "NDArray[intp]":
        """The bytes of each line."""
        return self.ends - self.starts

    @cached_property
    def rows(self) -> "NDArray[intp]":
        """The numbers of all lines, counted from 0."""
        import numpy as np

        return np.arange(len(self))

    def line(self, row: int) -> bytes:
        """Return one line, with its line end."""
        return self.content[self.starts[row] : self.ends[row]]

    def part(self, start: int, end: int | None = None) -> "LineChunk":
        """Return the lines from one row to before another."""
        return LineChunk(
            self.content, self.first + start, self.starts[start:end], self.ends[start:end], self.line_bytes
        )


class TextPart:
    """Consecutive lines of a log whose ends are found when they are needed: between two places of ``content``."""

    def __init__(self, content: bytes, start: int, end: int, first: int) -> None:
        self._content, self._start, self._end, self._first = content, start, end, first
        self._lines: LineChunk | None = None

    @property
    def lines(self) -> LineChunk:
        """The lines; only the last one may have no line end."""
        if self._lines is None:
            self._lines = _chunk(self._content, self._start, self._end, self._first)
        return self._lines

    def equal_lines(self) -> LineChunk | None:
        """Return the lines as they are if each ends where one of the first one's length would; None if one does not.

        Whether a line has further ends is not known, so that this is much faster than ``lines``.
        """
        import numpy as np

        size = self._content.find(b"\n", self._start, self._end) + 1 - self._start
        if size <= 0 or (self._end - self._start) % size:
            return None
        signs = np.frombuffer(self._content, np.uint8, self._end - self._start, self._start)
        is_end = signs[size - 1 :: size] == ord("\n")
        return _equal_lines(self._content, self._start, self._end, self._first, size) if is_end.all() else None

    def settle(self, lines: LineChunk) -> None:
        """Make sure of ``equal_lines``, once it is known that no line has further ends."""
        self._lines = lines


def text_parts(blocks: Iterator[bytes], source: ByteSource) -> Iterator[TextPart]:
    """Yield the lines of a log in parts; an incomplete line at the end of a cut file is left out."""
    number, rest, is_first = 1, b"", True
    for parts in _gathered(blocks):
        content = b"".join((bytes(BEFORE), rest, *parts, bytes(AFTER)))
        first = BEFORE + len(_BOM) * (is_first and content.startswith(_BOM, BEFORE))
        last = content.rfind(b"\n", BEFORE, -AFTER) + 1
        is_first = False
        if last:
            part = TextPart(content, first, last, number)
            yield part
            number += len(part.lines)
        rest = content[last or first : -AFTER][: MAX_LINE_BYTES + 1]
    if rest and not source.broken:
        yield TextPart(bytes(BEFORE) + rest + bytes(AFTER), BEFORE, BEFORE + len(rest), number)


def _gathered(blocks: Iterator[bytes]) -> Iterator[list[bytes]]:
    """Yield blocks together that have about the size of a chunk."""
    parts: list[bytes] = []
    size = 0
    for block in blocks:
        parts.append(block)
        size += len(block)
        if size >= CHUNK_BYTES:
            yield parts
            parts, size = [], 0
    if parts:
        yield parts


def _chunk(content: bytes, first: int, last: int, number: int) -> LineChunk:
    """Return the lines between two places of a content; the last one may have no line end."""
    import numpy as np

    is_end = np.frombuffer(content, np.uint8, last - first, first) == ord("\n")
    count = int(np.count_nonzero(is_end))
    size, rest = divmod(last - first, count) if count else (0, 1)
    if not rest and is_end[size - 1 :: size].all():
        return _equal_lines(content, first, last, number, size)
    ends = np.flatnonzero(is_end) + (first + 1)
    if content[last - 1] != ord("\n"):
        ends = np.append(ends, last)
    starts = np.empty_like(ends)
    starts[0], starts[1:] = first, ends[:-1]
    return LineChunk(content, number, starts, ends)


def _equal_lines(content: bytes, first: int, last: int, number: int, size: int) -> LineChunk:
    """Return the lines between two places of a content, all of one size."""
    import numpy as np

    starts = np.arange(first, last, size)
    return LineChunk(content, number, starts, starts + size, size)
