"""Tables as Arrow IPC files: each piece of rows is a record batch, so that memory does not grow with the log.

Knows: the end of an Arrow file (arrow.apache.org, "IPC File Format": the table ``Footer`` with blocks of dictionaries
and record batches) and as much of its encoding (flatbuffers) as it takes to replace these lists. Does not know what a
table is about. All pieces have the same schema, so the dictionaries of the first one serve for all.
"""

import struct
from io import BytesIO
from typing import BinaryIO, NamedTuple

from rvsim.logs.export.polars_frame import data_frame
from rvsim.logs.export.table import Table, TableRows, no_rows

_MAGIC = b"ARROW1"
_STREAM_END = b"\xff\xff\xff\xff\0\0\0\0"
_DICTIONARIES, _BATCHES = 2, 3
"""Numbers of fields in the table ``Footer``."""
_BLOCK = struct.Struct("<qi4xq")
"""A block: offset, length of metadata, length of body."""


class _Block(NamedTuple):
    offset: int
    metadata: int
    body: int

    @property
    def end(self) -> int:
        return self.offset + self.metadata + self.body


class ArrowWriter:
    """Writes a table as an Arrow IPC file."""

    def __init__(self, table: Table, file: BinaryIO) -> None:
        self._table, self._file = table, file
        self._footer = b""
        self._batches: list[_Block] = []
        self._place = 0

    def write(self, rows: TableRows) -> None:
        """Write the next rows as one record batch."""
        import polars as pl

        piece = BytesIO()
        frame = data_frame(self._table, rows, listed_texts=True)
        frame.write_ipc(piece, compat_level=pl.CompatLevel.oldest(), record_batch_size=max(1, rows.length))
        whole = piece.getvalue()
        length = int.from_bytes(whole[-10:-6], "little")
        footer = whole[-10 - length : -10]
        batches, dictionaries = _blocks(footer, _BATCHES), _blocks(footer, _DICTIONARIES)
        if not self._footer:
            end = len(whole) - 10 - length - len(_STREAM_END)
            self._append(whole[: min((block.offset for block in (*batches, *dictionaries)), default=end)])
            self._footer = _with_blocks(footer, _DICTIONARIES, self._append_blocks(whole, dictionaries))
        self._batches += self._append_blocks(whole, batches)

    def close(self) -> None:
        """Write the end of the file."""
        if not self._footer:
            self.write(no_rows(self._table))
        footer = _with_blocks(self._footer, _BATCHES, self._batches)
        self._file.write(_STREAM_END + footer + len(footer).to_bytes(4, "little") + _MAGIC)

    def _append_blocks(self, whole: bytes, blocks: list[_Block]) -> list[_Block]:
        """Write blocks of a file, and return them as they stand now."""
        moved = []
        for block in blocks:
            moved.append(block._replace(offset=self._place))
            self._append(whole[block.offset : block.end])
        return moved

    def _append(self, data: bytes) -> None:
        self._file.write(data)
        self._place += len(data)


def _slot(footer: bytes, number: int) -> int:
    """Return the place at which a field of the footer's table stands; 0 where it has no such field."""
    (table,) = struct.unpack_from("<I", footer, 0)
    (back,) = struct.unpack_from("<i", footer, table)
    entries = table - back
    size: int = struct.unpack_from("<H", footer, entries)[0]
    if 4 + 2 * number >= size:
        return 0
    offset: int = struct.unpack_from("<H", footer, entries + 4 + 2 * number)[0]
    return table + offset if offset else 0


def _blocks(footer: bytes, number: int) -> list[_Block]:
    """Return the blocks in a field of the footer."""
    slot = _slot(footer, number)
    if not slot:
        return []
    vector = slot + int(struct.unpack_from("<I", footer, slot)[0])
    (count,) = struct.unpack_from("<I", footer, vector)
    return [_Block(*_BLOCK.unpack_from(footer, vector + 4 + _BLOCK.size * place)) for place in range(count)]


def _with_blocks(footer: bytes, number: int, blocks: list[_Block]) -> bytes:
    """Return a footer in which the list of blocks in a field is replaced: the new list stands at the end."""
    if not blocks:
        return footer
    slot = _slot(footer, number)
    # The blocks have to stand at a multiple of eight bytes, and their count right before them.
    filled = footer + bytes((4 - len(footer)) % 8)
    changed = bytearray(filled)
    struct.pack_into("<I", changed, slot, len(filled) - slot)
    return bytes(changed) + struct.pack("<I", len(blocks)) + b"".join(_BLOCK.pack(*block) for block in blocks)
