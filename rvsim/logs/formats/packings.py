"""Decompresses streams: gzip, xz, bz2, and the deflate of zip archives.

Knows: the first bytes of each packing, and how much of a damaged stream can be decompressed. Does not know files.
Marks: RFC 1952 for gzip, the .xz file format 1.2 (section 2.1.1.1), the sources of bzip2 1.0.8 (compress.c) for bz2;
those of packings that cannot be read here are from memory. Output comes in pieces of bounded size, however much a
stream expands.
"""

import bz2
import lzma
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import NamedTuple, Protocol

PIECE_BYTES = 1 << 16
"""The most bytes that one step of decompressing gives."""
SMALL_PIECE_BYTES = 1 << 12
"""The same for xz and bz2, which lose the whole piece in which the damage is. Our decision."""
MARK_BYTES = 6
"""The length of the longest mark."""
_GZIP_WINDOW = 31
"""The parameter with which zlib expects a gzip header (zlib manual, inflateInit2)."""
_RAW_WINDOW = -15
"""The parameter with which zlib expects no header (zlib manual, inflateInit2)."""


class DamagedError(ValueError):
    """A stream that cannot be decompressed any further."""


class UnpackError(ValueError):
    """A file that is packed in a way that cannot be read; its text says how, and what to do."""


class Unpacker(Protocol):
    """Decompresses one stream."""

    def feed(self, packed: bytes) -> Iterator[bytes]:
        """Yield what the next bytes give.

        Raises:
            DamagedError: the stream is damaged; what comes before the damage was yielded.
        """

    @property
    def eof(self) -> bool:
        """Whether the stream has ended."""

    @property
    def unused_data(self) -> bytes:
        """The bytes that came after the end of the stream."""


class Inflater:
    """Decompresses one gzip stream, or one without a header."""

    def __init__(self, window: int = _GZIP_WINDOW) -> None:
        self._unpack = zlib.decompressobj(window)

    def feed(self, packed: bytes) -> Iterator[bytes]:
        """Yield what the next bytes give, as ``Unpacker`` says."""
        is_full = True
        while (packed or is_full) and not self.eof:
            before = self._unpack.copy()
            try:
                piece = self._unpack.decompress(packed, PIECE_BYTES)
            except zlib.error:
                yield from _up_to_the_damage(before, packed)
                raise DamagedError from None
            yield piece
            packed, is_full = self._unpack.unconsumed_tail, len(piece) == PIECE_BYTES

    @property
    def eof(self) -> bool:
        """Whether the stream has ended."""
        return self._unpack.eof

    @property
    def unused_data(self) -> bytes:
        """The bytes that came after the end of the stream."""
        return self._unpack.unused_data


class _BlockUnpacker:
    """Decompresses one stream of xz or bz2."""

    def __init__(self, unpack: bz2.BZ2Decompressor | lzma.LZMADecompressor) -> None:
        self._unpack = unpack

    def feed(self, packed: bytes) -> Iterator[bytes]:
        """Yield what the next bytes give, as ``Unpacker`` says; up to a small piece before the damage is lost."""
        pieces: list[bytes] = []
        try:
            while not self.eof:
                pieces.append(self._unpack.decompress(packed, SMALL_PIECE_BYTES))
                packed = b""
                if self._unpack.needs_input:
                    break
                if len(pieces) * SMALL_PIECE_BYTES >= PIECE_BYTES:
                    yield b"".join(pieces)
                    pieces.clear()
        except (OSError, lzma.LZMAError, ValueError):  # bz2 raises the first
            yield b"".join(pieces)
            raise DamagedError from None
        yield b"".join(pieces)

    @property
    def eof(self) -> bool:
        """Whether the stream has ended."""
        return self._unpack.eof

    @property
    def unused_data(self) -> bytes:
        """The bytes that came after the end of the stream."""
        return self._unpack.unused_data


def bz2_unpacker() -> Unpacker:
    """Return what decompresses one stream of bz2."""
    return _BlockUnpacker(bz2.BZ2Decompressor())


def inflater() -> Unpacker:
    """Return what decompresses one stream of a zip archive: deflate without a header."""
    return Inflater(_RAW_WINDOW)


MAX_XZ_MEMORY = 1 << 28
"""Memory that a stream of xz may take; `xz -9` takes 65 MB (xz manual, memory usage)."""


class Packing(NamedTuple):
    """One packing: its name, how it begins, and what decompresses one of its streams."""

    name: str
    mark: bytes
    start: Callable[[], Unpacker]


PACKINGS = (
    Packing("gzip", b"\x1f\x8b", Inflater),
    Packing("xz", b"\xfd7zXZ\0", lambda: _BlockUnpacker(lzma.LZMADecompressor(lzma.FORMAT_XZ, MAX_XZ_MEMORY))),
    Packing("bz2", b"BZh", bz2_unpacker),
)
_FIRST_BLOCK = (b"1A", b"\x17r")
"""What follows the digit behind the mark of bz2: the first block, or the end of an empty stream."""
UNREADABLE_PACKINGS = {
    b"7z\xbc\xaf\x27\x1c": "a 7z archive",
    b"Rar!\x1a\x07": "a rar archive",
    b"\x28\xb5\x2f\xfd": "compressed with zstd",
    b"\x04\x22\x4d\x18": "compressed with lz4",
}
"""Marks of packings for which the standard library has no decompressor in every version of Python that is supported."""


def packing_of(start: bytes) -> Packing | None:
    """Return the packing of which these are the first bytes, None where it is none of them."""
    found = next((packing for packing in PACKINGS if start.startswith(packing.mark)), None)
    is_text = found is not None and found.name == "bz2" and not start[4:].startswith(_FIRST_BLOCK)
    return None if is_text else found


def unpacked(blocks: Iterator[bytes], packing: Packing, tell: Callable[[str], None]) -> Iterator[bytes]:
    """Decompress one stream after the other; files that were appended to have several.

    ``tell`` is called with the reason where they end early.
    """
    unpack = packing.start()
    inside = False
    for packed in blocks:
        while packed:
            inside = True
            try:
                yield from unpack.feed(packed)
            except DamagedError:
                tell(f"the {packing.name} file is damaged: the entries shortly before may be wrong")
                return
            packed = b""
            if unpack.eof:
                packed = unpack.unused_data.lstrip(b"\0")  # some writers fill up with zeros
                unpack = packing.start()
                inside = False
    if inside:
        tell(f"the {packing.name} file is cut off")


def _up_to_the_damage(unpack: "zlib._Decompress", packed: bytes) -> Iterator[bytes]:
    """Decompress byte by byte up to the first byte that cannot be decompressed."""
    with suppress(zlib.error):
        for place in range(len(packed)):
            yield unpack.decompress(packed[place : place + 1])
