"""The bytes of a captured log, from a file or a pipe, in blocks: decompressed if gzip, as UTF-8 if they are UTF-16.

Knows: how to read files of any length in bounded memory, and why reading stopped. Does not know what the bytes mean.
"""

import io
import zlib
from codecs import getincrementaldecoder
from collections.abc import Iterator
from contextlib import suppress
from itertools import chain
from typing import BinaryIO

from rvsim.wire.file_text import UTF16_MARKS

BLOCK_BYTES = 1 << 16
"""Bytes that are read at once, about what stays in a processor's cache."""
MAX_LINE_BYTES = 1 << 16
"""Bytes of a line at most; a longer one is not a line of any text format."""
MARK_BYTES = 2
"""The length of the marks by which gzip and UTF-16 are recognised."""
_GZIP = b"\x1f\x8b"
_GZIP_WINDOW = 31
"""The parameter with which zlib expects a gzip header (zlib manual, inflateInit2)."""
_BOM = b"\xef\xbb\xbf"


class ByteSource:
    """The bytes of one file, read once from the beginning; ``broken`` is why they ended early, None if they did not."""

    def __init__(self, file: BinaryIO) -> None:
        self.broken: str | None = None
        self._read = getattr(file, "read1", file.read)
        start, blocks = _begun(self._plain())
        self.gzip = start.startswith(_GZIP)
        if self.gzip:
            start, blocks = _begun(self._unpacked(blocks))
        self.utf16 = start.startswith(UTF16_MARKS)
        self._blocks = _as_utf8(blocks) if self.utf16 else blocks

    def blocks(self) -> Iterator[bytes]:
        """Return the blocks of bytes, of any size; they can be read once."""
        return self._blocks

    @property
    def encoding_suffix(self) -> str:
        """How the bytes were encoded, to be appended to the name of a format; normally empty."""
        return (", gzip" if self.gzip else "") + (", UTF-16" if self.utf16 else "")

    def _plain(self) -> Iterator[bytes]:
        try:
            while block := self._read(BLOCK_BYTES):
                yield block
        except (OSError, ValueError) as error:  # a ValueError: the file was closed meanwhile
            self.broken = f"reading stopped ({getattr(error, 'strerror', None) or error})"

    def _unpacked(self, blocks: Iterator[bytes]) -> Iterator[bytes]:
        """Decompress one gzip stream after the other; files that were appended to have several."""
        unpack = zlib.decompressobj(_GZIP_WINDOW)
        inside = False
        for packed in blocks:
            while packed:
                inside = True
                before = unpack.copy()
                try:
                    yield unpack.decompress(packed, BLOCK_BYTES)
                except zlib.error:
                    self.broken = "the gzip file is damaged: the entries shortly before may be wrong"
                    yield from _up_to_the_damage(before, packed)
                    return
                packed = unpack.unconsumed_tail
                if unpack.eof:
                    packed = unpack.unused_data.lstrip(b"\0")  # some writers fill up with zeros
                    unpack = zlib.decompressobj(_GZIP_WINDOW)
                    inside = False
        if inside:
            self.broken = self.broken or "the gzip file is cut off"


def _begun(blocks: Iterator[bytes]) -> tuple[bytes, Iterator[bytes]]:
    """Return enough of the beginning to recognise a mark, and all blocks including it."""
    start = b""
    for block in blocks:
        start += block
        if len(start) >= MARK_BYTES:
            break
    return start, chain([start], blocks)


def _as_utf8(blocks: Iterator[bytes]) -> Iterator[bytes]:
    """Convert UTF-16, which PowerShell's redirect makes of a program's lines, to UTF-8 without the mark."""
    decoder = getincrementaldecoder("utf-16")("replace")
    for block in blocks:
        yield decoder.decode(block).encode("utf-8", "replace")
    yield decoder.decode(b"", final=True).encode("utf-8", "replace")


def _up_to_the_damage(unpack: "zlib._Decompress", packed: bytes) -> Iterator[bytes]:
    """Decompress byte by byte up to the first byte that cannot be decompressed."""
    with suppress(zlib.error):
        for place in range(len(packed)):
            yield unpack.decompress(packed[place : place + 1])


def lines(blocks: Iterator[bytes]) -> Iterator[bytes]:
    """Split blocks into lines, each with its line end; only the last may have none.

    A line longer than ``MAX_LINE_BYTES`` is shortened, and is still longer than that.
    """
    rest = b""
    first = True
    for block in blocks:
        found = io.BytesIO(rest + block).readlines()
        rest = b"" if not found or found[-1].endswith(b"\n") else found.pop()
        if first and found:
            found[0] = found[0].removeprefix(_BOM)
            first = False
        yield from found
        rest = rest[: MAX_LINE_BYTES + 1]
    if rest:
        yield rest.removeprefix(_BOM) if first else rest
