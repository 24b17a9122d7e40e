"""The bytes of a captured log, from a file or a pipe, in blocks: decompressed, out of archives, as UTF-8 if UTF-16.

Knows: how to read files of any length in bounded memory, and why reading stopped. Does not know what the bytes mean,
nor which file of an archive is wanted.
"""

import io
import os
import stat
import tempfile
from codecs import getincrementaldecoder
from collections.abc import Callable, Iterator
from itertools import chain
from typing import BinaryIO

from rvsim.errors import printable
from rvsim.logs.formats.packings import MARK_BYTES, UNREADABLE_PACKINGS, UnpackError, packing_of, unpacked
from rvsim.logs.formats.zip_archive import ZIP_MARKS, ZipArchive, ZipMember
from rvsim.sim.clock import epoch_s
from rvsim.wire.file_text import UTF16_MARKS

BLOCK_BYTES = 1 << 16
"""Bytes that are read at once, about what stays in a processor's cache."""
MAX_LINE_BYTES = 1 << 16
"""Bytes of a line at most; a longer one is not a line of any text format."""
MAX_PACKINGS = 6
"""How often a log may be packed, such as gzip in a zip in a zip. Our decision: some files unpack to themselves."""
MAX_COPIED_BYTES = 1 << 32
"""The size of a zip archive that comes through a pipe or in another packing, and has to be copied. Our decision."""
RECENT_S = 10
"""Half a line at the end of a file that was written less than so long ago is not damage: programs write in pieces of
some kilobytes, which a quiet bus fills in seconds. Our decision."""
_BOM = b"\xef\xbb\xbf"


class ByteSource:
    """The bytes of one file, read once from the beginning; ``broken`` is why they ended early, None if they did not.

    Where ``archive`` is not None, there are no bytes until ``enter`` is called with one of its files.
    """

    def __init__(self, file: BinaryIO) -> None:
        """Take an open file, which stays open.

        Raises:
            UnpackError: it is packed in a way that cannot be read.
        """
        self.broken: str | None = None
        self.archive: ZipArchive | None = None
        self.ends_within_entry = False
        """Whether the log ends within an entry, which is no damage since it was just written."""
        self._position = self._held_back = 0
        self._file = file
        self._size = _size(file)
        self._copies: list[BinaryIO] = []
        self._read = getattr(file, "read1", file.read)
        self._packings: tuple[str, ...] = ()
        self._utf16 = False
        self._blocks: Iterator[bytes] = iter(())
        try:
            self._start(self._plain(), file)
        except UnpackError:
            self.close()
            raise

    def _start(self, blocks: Iterator[bytes], file: BinaryIO | None) -> None:
        """Unpack until there is an archive or no packing; ``file`` is what the blocks are read from, if it is one."""
        while True:
            start, blocks = _begun(blocks)
            if start.startswith(ZIP_MARKS):
                self.archive = ZipArchive(self._seekable(file, len(start)) or self._copied(blocks), self._packings)
                return
            packing = packing_of(start)
            if packing is None:
                break
            self._add_packing(packing.name)
            blocks, file = unpacked(blocks, packing, self._tell), None
        for mark, about in UNREADABLE_PACKINGS.items():
            if start.startswith(mark):
                raise UnpackError(f"{about}, which cannot be read: unpack it first, or pack it as zip or gzip")
        self._utf16 = start.startswith(UTF16_MARKS)
        self._blocks = _as_utf8(blocks) if self._utf16 else blocks

    def enter(self, archive: ZipArchive, member: ZipMember) -> None:
        """Go on with one file of an archive.

        Raises:
            UnpackError: it is packed in a way that cannot be read.
        """
        self.broken, self.archive, self._packings = None, None, archive.outside
        self._add_packing(f"zip ({printable(member.name)})")
        self._start(archive.blocks(member, self._tell), None)

    @property
    def is_growing(self) -> bool:
        """Whether the size of the file has changed since it was opened; asked at its end."""
        return self._size is not None and _size(self._file) not in (self._size, None)

    @property
    def read_bytes(self) -> int:
        """How many bytes of the file were read, without an incomplete line at its end."""
        return self._position - (0 if self._packings else self._held_back)

    def excuses_end(self, size: int = 0) -> bool:
        """Tell whether it is no damage that the log ends within an entry, and note it if so.

        It is none if the file is growing, or was written a moment ago; packed files may have been saved just now, so
        they have to grow. ``size`` is that of what is left out.
        """
        if self._size is None:
            return False
        try:
            is_recent = abs(epoch_s() - os.fstat(self._file.fileno()).st_mtime) < RECENT_S
        except (OSError, ValueError):
            return False
        if self.is_growing or (is_recent and not self._packings):
            self.ends_within_entry, self._held_back = True, size * (2 if self._utf16 else 1)
        return self.ends_within_entry

    def whole_lines(self, blocks: Iterator[bytes], is_entry: Callable[[bytes], bool]) -> Iterator[bytes]:
        """Yield blocks of lines without an incomplete line at the end of a log that is still being written.

        ``is_entry`` tells whether a line is an entry: then it is complete, unless the file is growing.
        """
        if self._size is None:  # a pipe: its lines are read as they come
            yield from blocks
            return
        held, end = b"", 0
        for block in blocks:
            last = block.rfind(b"\n") + 1
            if last or len(held) - end > MAX_LINE_BYTES:
                yield held
                held, end = block, last
            else:
                held += block
        rest = held[end:]
        if rest and self.broken is None and (self.is_growing or not is_entry(rest)) and self.excuses_end(len(rest)):
            held = held[:end]
        yield held

    def _add_packing(self, name: str) -> None:
        if len(self._packings) >= MAX_PACKINGS:
            raise UnpackError(f"packed more than {MAX_PACKINGS} times: unpack it first")
        self._packings += (name,)

    def blocks(self) -> Iterator[bytes]:
        """Return the blocks of bytes, of any size; they can be read once."""
        return self._blocks

    def close(self) -> None:
        """Remove the copies of archives."""
        for copy in self._copies:
            copy.close()

    @property
    def encoding_suffix(self) -> str:
        """How the bytes were encoded, to be appended to the name of a format; normally empty."""
        return "".join(f", {name}" for name in (*self._packings, *(("UTF-16",) if self._utf16 else ())))

    def _tell(self, why: str) -> None:
        """Keep why the bytes ended early; the first reason is the cause of the others."""
        self.broken = self.broken or why

    def _plain(self) -> Iterator[bytes]:
        try:
            while block := self._read(BLOCK_BYTES):
                self._position += len(block)
                yield block
        except (OSError, ValueError) as error:  # a ValueError: the file was closed meanwhile
            self._tell(f"reading stopped ({getattr(error, 'strerror', None) or error})")

    def _seekable(self, file: BinaryIO | None, was_read: int) -> BinaryIO | None:
        """Return the file itself if it can go back to its beginning, and this is it."""
        return file if file is not None and file.seekable() and file.tell() == was_read else None

    def _copied(self, blocks: Iterator[bytes]) -> BinaryIO:
        """Return a temporary file with all blocks."""
        copy = tempfile.TemporaryFile()  # noqa: SIM115  close() closes it
        self._copies.append(copy)
        for block in blocks:
            if copy.tell() + len(block) > MAX_COPIED_BYTES:
                raise UnpackError(f"a zip archive of more than {MAX_COPIED_BYTES >> 30} GiB: unpack it first")
            copy.write(block)
        return copy


def _size(file: BinaryIO) -> int | None:
    """Return the size of a file, None for a pipe or what is no file of the system."""
    try:
        status = os.fstat(file.fileno())
    except (OSError, ValueError):
        return None
    return status.st_size if stat.S_ISREG(status.st_mode) else None


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


def with_line_feeds(blocks: Iterator[bytes]) -> Iterator[bytes]:
    """Replace carriage returns by line feeds where most lines of a text end in a carriage return alone.

    That is decided by the first block with the end of a line.
    """
    waiting = b""
    for block in blocks:
        waiting += block
        feeds, alone = waiting.count(b"\n"), waiting[:-1].count(b"\r") - waiting.count(b"\r\n")
        if alone > feeds:
            yield waiting.replace(b"\r", b"\n")
            for later in blocks:
                yield later.replace(b"\r", b"\n")
            return
        if feeds or len(waiting) > MAX_LINE_BYTES:
            yield waiting
            yield from blocks
            return
    if waiting:
        yield waiting.replace(b"\r", b"\n")


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
