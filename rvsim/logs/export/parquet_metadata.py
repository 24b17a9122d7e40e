"""What a Parquet file says of itself: its columns, its row groups, and the header of each page.

Knows: the structures of the published format (https://github.com/apache/parquet-format, parquet.thrift), as far as flat
tables need them, and the compact protocol of Thrift that they are written in. Does not know how values are encoded.
"""

from collections.abc import Sequence
from enum import IntEnum
from functools import lru_cache
from typing import NamedTuple

from rvsim.logs.export.table import ColumnKind, TableColumn

MAGIC = b"PAR1"
"""The first and the last bytes of a file."""
_CREATOR = "rvsim"
_VERSION = 2
_ZSTD = 6


class Encoding(IntEnum):
    """How the values of a page are written."""

    PLAIN = 0
    RLE = 3
    RLE_DICTIONARY = 8
    BYTE_STREAM_SPLIT = 9


class PhysicalType(IntEnum):
    """What the bytes of a value are."""

    INT64 = 2
    DOUBLE = 5
    BYTE_ARRAY = 6


_PHYSICAL = {
    ColumnKind.TIME: PhysicalType.INT64,
    ColumnKind.NUMBER: PhysicalType.DOUBLE,
    ColumnKind.INTEGER: PhysicalType.INT64,
    ColumnKind.TEXT: PhysicalType.BYTE_ARRAY,
}
_DATA_PAGE, _DICTIONARY_PAGE = 0, 2


class _Wire(IntEnum):
    """The types of the compact protocol."""

    TRUE = 1
    I32 = 5
    I64 = 6
    BINARY = 8
    LIST = 9
    STRUCT = 12


_Field = tuple[int, _Wire, "bytes | bool"]


class ColumnPages(NamedTuple):
    """The pages of one column in one row group, which follow one another in the file."""

    column: TableColumn
    encodings: frozenset[Encoding]
    start: int
    """The place of the first page in the file."""
    data_start: int
    """The place of the first page that is no dictionary."""
    rows: int
    missing: int
    """The number of rows without a value."""
    plain_size: int
    """The bytes of the pages with their headers, before they were packed."""
    size: int
    """The bytes of the pages in the file."""
    limits: tuple[bytes, bytes] | None
    """The lowest and the highest value; None where they are not known."""


class RowGroup(NamedTuple):
    """What the end of a file says of a row group: how many rows it has, and all of it, encoded."""

    rows: int
    content: bytes


def data_page_header(rows: int, encoding: Encoding, plain_size: int, size: int) -> bytes:
    """Return the header of a page of values, which are ``size`` bytes in the file."""
    page = _struct(
        (1, _Wire.I32, _integer(rows)),
        (2, _Wire.I32, _integer(encoding)),
        (3, _Wire.I32, _integer(Encoding.RLE)),
        (4, _Wire.I32, _integer(Encoding.RLE)),
    )
    return _page_header(_DATA_PAGE, plain_size, size, (5, _Wire.STRUCT, page))


def dictionary_page_header(entries: int, plain_size: int, size: int) -> bytes:
    """Return the header of a page of entries, which are ``size`` bytes in the file."""
    page = _struct((1, _Wire.I32, _integer(entries)), (2, _Wire.I32, _integer(Encoding.PLAIN)))
    return _page_header(_DICTIONARY_PAGE, plain_size, size, (7, _Wire.STRUCT, page))


def file_end(columns: Sequence[TableColumn], groups: Sequence[RowGroup]) -> bytes:
    """Return what stands at the end of a file: all of its structure, the length of that, and its last bytes."""
    root = _struct((4, _Wire.BINARY, _binary(b"schema")), (5, _Wire.I32, _integer(len(columns))))
    order = _struct((1, _Wire.STRUCT, _struct()))
    whole = _struct(
        (1, _Wire.I32, _integer(_VERSION)),
        (2, _Wire.LIST, _list(_Wire.STRUCT, [root, *map(_schema_element, columns)])),
        (3, _Wire.I64, _integer(sum(group.rows for group in groups))),
        (4, _Wire.LIST, _list(_Wire.STRUCT, [group.content for group in groups])),
        (6, _Wire.BINARY, _binary(_CREATOR.encode())),
        (7, _Wire.LIST, _list(_Wire.STRUCT, [order] * len(columns))),
    )
    return whole + len(whole).to_bytes(4, "little") + MAGIC


@lru_cache(1 << 12)
def varint(number: int) -> bytes:
    """Return a whole number, seven bits in each byte, the lowest first."""
    if number <= 0x7F:
        return bytes((number,))
    parts = bytearray()
    while number > 0x7F:
        parts.append(number & 0x7F | 0x80)
        number >>= 7
    parts.append(number)
    return bytes(parts)


def _page_header(kind: int, plain_size: int, size: int, page: _Field) -> bytes:
    return _struct(
        (1, _Wire.I32, _integer(kind)), (2, _Wire.I32, _integer(plain_size)), (3, _Wire.I32, _integer(size)), page
    )


def _schema_element(column: TableColumn) -> bytes:
    """Return the name and the type of a column; the older form of its type too, which older readers know."""
    converted: tuple[_Field, ...] = ()
    match column.kind:
        case ColumnKind.TEXT:
            converted = (6, _Wire.I32, _integer(0)), (10, _Wire.STRUCT, _struct((1, _Wire.STRUCT, _struct())))
        case ColumnKind.TIME:
            microseconds = _struct((2, _Wire.STRUCT, _struct()))
            moment = _struct((1, _Wire.TRUE, True), (2, _Wire.STRUCT, microseconds))  # in UTC
            converted = (6, _Wire.I32, _integer(10)), (10, _Wire.STRUCT, _struct((8, _Wire.STRUCT, moment)))
    return _struct(
        (1, _Wire.I32, _integer(_PHYSICAL[column.kind])),
        (3, _Wire.I32, _integer(0 if column.is_required else 1)),
        (4, _Wire.BINARY, _binary(column.name.encode())),
        *converted,
    )


def row_group(columns: Sequence[ColumnPages]) -> RowGroup:
    """Return a row group of its columns, of which there must be one."""
    content = _struct(
        (1, _Wire.LIST, _list(_Wire.STRUCT, [_column_chunk(pages) for pages in columns])),
        (2, _Wire.I64, _integer(sum(pages.plain_size for pages in columns))),
        (3, _Wire.I64, _integer(columns[0].rows)),
        (5, _Wire.I64, _integer(columns[0].start)),
        (6, _Wire.I64, _integer(sum(pages.size for pages in columns))),
    )
    return RowGroup(columns[0].rows, content)


def _column_chunk(pages: ColumnPages) -> bytes:
    column = pages.column
    found: list[_Field] = [
        (1, _Wire.I32, _integer(_PHYSICAL[column.kind])),
        (2, _Wire.LIST, _list(_Wire.I32, [_integer(encoding) for encoding in sorted(pages.encodings)])),
        (3, _Wire.LIST, _list(_Wire.BINARY, [_binary(column.name.encode())])),
        (4, _Wire.I32, _integer(_ZSTD)),
        (5, _Wire.I64, _integer(pages.rows)),
        (6, _Wire.I64, _integer(pages.plain_size)),
        (7, _Wire.I64, _integer(pages.size)),
        (9, _Wire.I64, _integer(pages.data_start)),
    ]
    if pages.data_start != pages.start:
        found.append((11, _Wire.I64, _integer(pages.start)))
    statistics: list[_Field] = [(3, _Wire.I64, _integer(pages.missing))]
    if pages.limits:
        low, high = pages.limits
        statistics += [(5, _Wire.BINARY, _binary(high)), (6, _Wire.BINARY, _binary(low))]
    found.append((12, _Wire.STRUCT, _struct(*statistics)))
    return _struct((2, _Wire.I64, _integer(0)), (3, _Wire.STRUCT, _struct(*found)))


def _struct(*fields: _Field) -> bytes:
    """Return a structure of its fields, which stand in the order of their numbers; none is 16 above the one before."""
    parts, last = [], 0
    for number, kind, content in fields:
        parts.append(bytes([(number - last) << 4 | kind]))
        if isinstance(content, bytes):
            parts.append(content)
        last = number
    return b"".join(parts) + b"\0"


def _list(kind: _Wire, contents: Sequence[bytes]) -> bytes:
    count = len(contents)
    head = bytes([count << 4 | kind]) if count < 15 else bytes([0xF0 | kind]) + varint(count)
    return head + b"".join(contents)


def _binary(content: bytes) -> bytes:
    return varint(len(content)) + content


def _integer(number: int) -> bytes:
    """Return a whole number whose sign stands in its lowest bit."""
    return varint(number << 1 if number >= 0 else (-number << 1) - 1)
