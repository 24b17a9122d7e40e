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

CHUNK_BYTES = 1 << 20
"""The bytes of a chunk, about: larger ones leave a processor's cache, smaller ones have too few lines for the fixed
cost of an operation on arrays. Our decision."""
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

    def line(self, row: int) -> bytes:
        """Return one line, with its line end."""
        return self.content[self.starts[row] : self.ends[row]]

    def part(self, start: int, end: int | None = None) -> "LineChunk":
        """Return the lines from one row to before another."""
        return LineChunk(
            self.content, self.first + start, self.starts[start:end], self.ends[start:end], self.line_bytes
        )


def line_chunks(blocks: Iterator[bytes], source: ByteSource) -> Iterator[LineChunk]:
    """Yield the lines of a log in chunks; an incomplete line at the end of a cut file is left out."""
    number, rest, is_first = 1, b"", True
    for parts in _gathered(blocks):
        content = b"".join((bytes(BEFORE), rest, *parts, bytes(AFTER)))
        first = BEFORE + len(_BOM) * (is_first and content.startswith(_BOM, BEFORE))
        last = content.rfind(b"\n", BEFORE, -AFTER) + 1
        is_first = False
        if last:
            chunk = _chunk(content, first, last, number)
            number += len(chunk)
            yield chunk
        rest = content[last or first : -AFTER][: MAX_LINE_BYTES + 1]
    if rest and not source.broken:
        yield _chunk(bytes(BEFORE) + rest + bytes(AFTER), BEFORE, BEFORE + len(rest), number)


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
        starts = np.arange(first, last, size)
        return LineChunk(content, number, starts, starts + size, size)
    ends = np.flatnonzero(is_end) + (first + 1)
    if content[last - 1] != ord("\n"):
        ends = np.append(ends, last)
    starts = np.empty_like(ends)
    starts[0], starts[1:] = first, ends[:-1]
    return LineChunk(content, number, starts, ends)
