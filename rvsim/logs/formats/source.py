"""The bytes of a captured log, block by block: from a file or a pipe, unpacked where they are gzip, and made UTF-8
where they are UTF-16.

Knows: how to read on without end in bounded memory, and to say what stopped it. Does not know what the bytes mean.
"""

import io
import zlib
from codecs import getincrementaldecoder
from collections.abc import Iterator
from contextlib import suppress
from itertools import chain
from typing import BinaryIO

from rvsim.wire.file_text import UTF16_MARKS

BLOCK = 1 << 16
"""Bytes read at once, about what stays in a processor's cache."""
LONGEST_LINE = 1 << 16
"""Bytes of a line at most; what is longer is no line of any text format."""
MARK = 2
"""Bytes of every mark that a file is known by here."""
_GZIP = b"\x1f\x8b"
_GZIP_WINDOW = 31
"""How zlib is told to expect a gzip header (zlib manual, inflateInit2)."""
_BOM = b"\xef\xbb\xbf"


class ByteSource:
    """The bytes of one file, once, from its beginning; ``broken`` says why they ended early, if they did."""

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
        """Go through the bytes, in blocks of any size; only one caller can."""
        return self._blocks

    @property
    def packed(self) -> str:
        """Say how the bytes were packed, to stand behind the name of a format: nothing as a rule."""
        return (", gzip" if self.gzip else "") + (", UTF-16" if self.utf16 else "")

    def _plain(self) -> Iterator[bytes]:
        try:
            while block := self._read(BLOCK):
                yield block
        except (OSError, ValueError) as error:  # a ValueError: the file was closed under us
            self.broken = f"reading stopped ({getattr(error, 'strerror', None) or error})"

    def _unpacked(self, blocks: Iterator[bytes]) -> Iterator[bytes]:
        """Unpack one gzip stream after the other, as they follow in files that were appended to."""
        unpack = zlib.decompressobj(_GZIP_WINDOW)
        inside = False
        for packed in blocks:
            while packed:
                inside = True
                before = unpack.copy()
                try:
                    yield unpack.decompress(packed, BLOCK)
                except zlib.error:
                    self.broken = "the gzip file is damaged: what was read shortly before may be wrong"
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
    """Return enough of the beginning to know a mark by, and all blocks with it."""
    start = b""
    for block in blocks:
        start += block
        if len(start) >= MARK:
            break
    return start, chain([start], blocks)


def _as_utf8(blocks: Iterator[bytes]) -> Iterator[bytes]:
    """Give UTF-16 as UTF-8, as PowerShell's redirect has made it of a program's lines; the mark stays away."""
    decoder = getincrementaldecoder("utf-16")("replace")
    for block in blocks:
        yield decoder.decode(block).encode("utf-8", "replace")
    yield decoder.decode(b"", final=True).encode("utf-8", "replace")


def _up_to_the_damage(unpack: "zlib._Decompress", packed: bytes) -> Iterator[bytes]:
    """Unpack byte by byte what comes before the byte that cannot be unpacked."""
    with suppress(zlib.error):
        for place in range(len(packed)):
            yield unpack.decompress(packed[place : place + 1])


def lines(blocks: Iterator[bytes]) -> Iterator[bytes]:
    """Cut blocks into lines, each with its line end; only the last may have none.

    A line longer than ``LONGEST_LINE`` comes shortened, and is still longer than that.
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
        rest = rest[: LONGEST_LINE + 1]
    if rest:
        yield rest.removeprefix(_BOM) if first else rest
