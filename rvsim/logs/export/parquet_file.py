"""Tables as Parquet: each piece of rows is a row group, so that memory does not grow with the log.

Knows: the end of a Parquet file (parquet.apache.org, "File format": FileMetaData, RowGroup, ColumnChunk), and how the
row groups of files that polars wrote become those of one file. Does not know what a table is about. Types are those of
Parquet itself; what polars adds about its own types is left out, so that all readers see the same.
"""

from io import BytesIO
from typing import BinaryIO

from rvsim.logs.export.polars_frame import data_frame
from rvsim.logs.export.table import Table, TableRows, no_rows
from rvsim.logs.export.thrift import I64, LIST, STRUCT, Field, Items, Reader, Struct, encode_struct

_MAGIC = b"PAR1"
_COMPRESSION_LEVEL = 1
"""Of zstd. Higher levels take longer, and made our tables 1 % smaller."""
_ROWS, _ROW_GROUPS, _KEY_VALUES = 3, 4, 5
"""Fields of FileMetaData."""
_COLUMNS, _GROUP_OFFSET, _ORDINAL = 1, 5, 7
"""Fields of RowGroup."""
_CHUNK_OFFSET, _METADATA, _PAGE_INDEXES = 2, 3, range(4, 8)
"""Fields of ColumnChunk: where a copy of its metadata is (0 for none), its metadata, its two indexes of pages."""
_PACKED_BYTES, _PAGE_OFFSETS = 7, (9, 10, 11, 14)
"""Fields of ColumnMetaData: its size in the file; the offsets of data, index and dictionary pages, and of a Bloom
filter."""


class ParquetWriter:
    """Writes a table as Parquet."""

    def __init__(self, table: Table, file: BinaryIO) -> None:
        self._table, self._file = table, file
        self._footer: Struct | None = None
        self._groups: list[Struct] = []
        self._rows = 0
        self._place = len(_MAGIC)
        file.write(_MAGIC)

    def write(self, rows: TableRows) -> None:
        """Write the next rows as one row group."""
        piece = BytesIO()
        frame = data_frame(self._table, rows, listed_texts=False)
        frame.write_parquet(
            piece, compression_level=_COMPRESSION_LEVEL, row_group_size=max(1, rows.length), statistics=True
        )
        whole = piece.getbuffer()
        length = int.from_bytes(whole[-8:-4], "little")
        footer = Reader(bytes(whole[-8 - length : -8])).struct()
        groups = footer[_ROW_GROUPS].value.values
        # Behind the pages polars writes indexes of them with their places in the file, and copies of metadata.
        end = max((_end(chunk) for group in groups for chunk in group[_COLUMNS].value.values), default=len(_MAGIC))
        self._file.write(whole[len(_MAGIC) : end])
        for group in groups:
            self._groups.append(_moved(group, self._place - len(_MAGIC), len(self._groups)))
        self._rows += rows.length
        self._place += end - len(_MAGIC)
        if self._footer is None:
            self._footer = {number: field for number, field in footer.items() if number != _KEY_VALUES}

    def close(self) -> None:
        """Write the end of the file."""
        if self._footer is None:
            self.write(no_rows(self._table))
        assert self._footer is not None
        footer = encode_struct(
            {
                **self._footer,
                _ROWS: Field(I64, self._rows),
                _ROW_GROUPS: Field(LIST, Items(STRUCT, [*self._groups])),
            }
        )
        self._file.write(footer + len(footer).to_bytes(4, "little") + _MAGIC)


def _moved(group: Struct, by: int, ordinal: int) -> Struct:
    """Return a row group that stands ``by`` bytes later."""
    chunks = [_moved_chunk(chunk, by) for chunk in group[_COLUMNS].value.values]
    moved = {**group, _COLUMNS: Field(LIST, Items(STRUCT, chunks))}
    if _GROUP_OFFSET in moved:
        moved = _with_added(moved, (_GROUP_OFFSET,), by)
    if _ORDINAL in moved:
        moved[_ORDINAL] = moved[_ORDINAL]._replace(value=ordinal)
    return moved


def _end(chunk: Struct) -> int:
    """Return the end of a column chunk's pages, which stand together."""
    metadata = chunk[_METADATA].value
    start: int = min(
        metadata[number].value for number in _PAGE_OFFSETS if number in metadata and metadata[number].value
    )
    return start + int(metadata[_PACKED_BYTES].value)


def _moved_chunk(chunk: Struct, by: int) -> Struct:
    kept = {number: field for number, field in chunk.items() if number not in _PAGE_INDEXES}
    metadata = chunk[_METADATA]
    moved = metadata._replace(value=_with_added(metadata.value, _PAGE_OFFSETS, by))
    return {**kept, _CHUNK_OFFSET: Field(I64, 0), _METADATA: moved}


def _with_added(struct: Struct, numbers: tuple[int, ...], by: int) -> Struct:
    """Return a struct with an amount added to those fields that it has; 0 stands for an offset that is not used."""
    return {
        number: field._replace(value=field.value + by) if number in numbers and field.value else field
        for number, field in struct.items()
    }
