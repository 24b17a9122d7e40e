"""The files in a zip archive, also in one that is cut off.

Knows: where each file begins, how it is packed, and how much of a damaged one can be decompressed. Does not know which
of the files is a log. The directory at the end is read by the standard library; an archive without it is walked from
its beginning. Layout: APPNOTE.TXT 6.3.10 of the .ZIP file format, from memory.
"""

import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from typing import BinaryIO, NamedTuple

from rvsim.logs.formats.packings import DamagedError, Unpacker, bz2_unpacker, inflater

ZIP_MARKS = (b"PK\x03\x04", b"PK\x05\x06")
"""The first bytes of an archive, and of one without files."""
_MEMBER_MARK, _SIZES_MARK = b"PK\x03\x04", b"PK\x07\x08"
_SIZES_BYTES = (16, 24)
"""The length of what is written behind a file: mark, checksum, two sizes of 4 or 8 bytes."""
MAX_NAME_BYTES = 1024
"""The name of a file in an archive that is cut off; a longer one is taken for damage. Our decision."""
_READ_BYTES = 1 << 16
_HEADER = struct.Struct("<4s2xHH4xLL4xHH")
"""Before a file: mark, flags, method, checksum, packed size, lengths of its name and of what follows the name."""
_LOCKED, _SIZE_FOLLOWS, _UTF8 = 0x1, 0x8, 0x800
_UNKNOWN_SIZE = 0xFFFF_FFFF
"""The size of a file that is written elsewhere because it is too large."""
_STORED, _DEFLATED, _BZ2 = 0, 8, 12
_UNPACKERS: dict[int, Callable[[], Unpacker]] = {_DEFLATED: inflater, _BZ2: bz2_unpacker}
_CUT, _DAMAGED = "the zip file is cut off", "the zip file is damaged: the entries shortly before may be wrong"


class ZipMember(NamedTuple):
    """One file of an archive; size and checksum are None where they are not known."""

    name: str
    place: int
    """Where its header begins."""
    method: int
    is_locked: bool
    size: int | None
    checksum: int | None

    @property
    def is_readable(self) -> bool:
        """Whether it is not encrypted, and packed in a way that can be unpacked here."""
        return not self.is_locked and (self.method == _STORED or self.method in _UNPACKERS)


class ZipArchive:
    """An archive in a file that can go back; ``outside`` are the names of the packings around it."""

    def __init__(self, file: BinaryIO, outside: tuple[str, ...] = ()) -> None:
        self.outside = outside
        self._file = file
        listed = _listed(file)
        self.is_cut = listed is None
        self.members = tuple(_walked(file)) if listed is None else listed
        """Its files in their order, without folders."""

    def blocks(self, member: ZipMember, tell: Callable[[str], None]) -> Iterator[bytes]:
        """Yield a file in blocks of bounded size; ``tell`` is called with the reason where it ends early."""
        checksum = 0
        packed = self._packed(member)
        try:
            for block in packed if member.method == _STORED else _unpacked(packed, _UNPACKERS[member.method]()):
                checksum = zlib.crc32(block, checksum)
                yield block
        except DamagedError:
            tell(_DAMAGED)
            return
        except EOFError:
            tell(_CUT)
            return
        except (OSError, ValueError) as error:  # a ValueError: the file was closed meanwhile
            tell(f"reading stopped ({getattr(error, 'strerror', None) or error})")
            return
        if member.checksum is not None and checksum != member.checksum:
            tell(_DAMAGED)
        elif self.is_cut:
            tell(_CUT)

    def _packed(self, member: ZipMember) -> Iterator[bytes]:
        """Yield the packed bytes of a file; up to the end of the archive where its size is not known.

        Raises:
            DamagedError: there is no such file where it should be.
            EOFError: the archive ends before the file does.
        """
        header = self._read(member.place, _HEADER.size)
        if len(header) < _HEADER.size or not header.startswith(_MEMBER_MARK):
            raise DamagedError
        *_, name_length, more_length = _HEADER.unpack(header)
        place = member.place + _HEADER.size + name_length + more_length
        end = None if member.size is None else place + member.size
        while end is None or place < end:
            block = self._read(place, _READ_BYTES if end is None else min(_READ_BYTES, end - place))
            if not block and end is None:
                return
            if not block:
                raise EOFError
            yield block
            place += len(block)

    def _read(self, place: int, size: int) -> bytes:
        self._file.seek(place)
        return self._file.read(size)


def _unpacked(packed: Iterator[bytes], unpack: Unpacker) -> Iterator[bytes]:
    for block in packed:
        yield from unpack.feed(block)
        if unpack.eof:
            return
    raise EOFError


def _listed(file: BinaryIO) -> tuple[ZipMember, ...] | None:
    """Return the files that the directory at the end lists, None where there is no such directory."""
    try:
        with zipfile.ZipFile(file) as archive:
            return tuple(
                ZipMember(
                    info.filename,
                    info.header_offset,
                    info.compress_type,
                    bool(info.flag_bits & _LOCKED),
                    info.compress_size,
                    info.CRC,
                )
                for info in archive.infolist()
                if not info.is_dir()
            )
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OverflowError, struct.error, OSError, EOFError):
        return None


def _walked(file: BinaryIO) -> Iterator[ZipMember]:
    """Yield the files of an archive without a directory, by the headers before each of them."""
    place = 0
    while True:
        file.seek(place)
        header = file.read(_HEADER.size)
        if len(header) < _HEADER.size or not header.startswith(_MEMBER_MARK):
            return
        _, flags, method, checksum, size, name_length, more_length = _HEADER.unpack(header)
        if name_length > MAX_NAME_BYTES:
            return
        name = file.read(name_length).decode("utf-8" if flags & _UTF8 else "cp437", "replace")
        start = place + _HEADER.size + name_length + more_length
        is_known = not flags & _SIZE_FOLLOWS and size != _UNKNOWN_SIZE
        following = start + size if is_known else _next_member(file, start)
        if not is_known and following is not None:
            size = _size_before(file, start, following)
        if not name.endswith("/"):
            yield ZipMember(
                name,
                place,
                method,
                bool(flags & _LOCKED),
                None if following is None else size,
                checksum if is_known else None,
            )
        if following is None:
            return
        place = following


def _size_before(file: BinaryIO, start: int, following: int) -> int:
    """Return the size of a file whose size is written behind it."""
    for length in _SIZES_BYTES:
        file.seek(max(start, following - length))
        if file.read(len(_SIZES_MARK)) == _SIZES_MARK:
            return max(0, following - length - start)
    return following - start


def _next_member(file: BinaryIO, place: int) -> int | None:
    """Return where the header of the next file begins, searched from a place on; None where there is none."""
    held = b""
    while True:
        file.seek(place + len(held))
        block = file.read(_READ_BYTES)
        held += block
        found = held.find(_MEMBER_MARK)
        if found >= 0:
            return place + found
        if not block:
            return None
        place += max(0, len(held) - len(_MEMBER_MARK) + 1)
        held = held[-len(_MEMBER_MARK) + 1 :]
