"""Placed rows as a Parquet file: what rows have in common is encoded once, and not row by row.

Knows: how the pages of a column are made of its entries and the places of its rows. Does not know what a table is
about, nor where its file is. A row group has a page of times and of seconds for each part, and of each other column a
dictionary and one page. Readers find the rows and the types that pyarrow would write.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, BinaryIO, NamedTuple, assert_never

from rvsim.logs.export.arrow_tables import zstd
from rvsim.logs.export.parquet_metadata import (
    MAGIC,
    ColumnPages,
    Encoding,
    data_page_header,
    dictionary_page_header,
    file_end,
)
from rvsim.logs.export.placed import PlacedPart, PlacedRows
from rvsim.logs.export.run_lengths import RunLengths
from rvsim.logs.export.table import ColumnData, Integers, Numbers, Table, TableColumn, Texts, Times

if TYPE_CHECKING:
    from numpy import bool_, float64, int64, integer
    from numpy.typing import NDArray

_STEADY = {"time": Encoding.PLAIN, "seconds": Encoding.BYTE_STREAM_SPLIT}
"""The columns of which nearly every entry is different, and how they are written: as they are, or byte by byte of all
numbers, which takes a fifth of the room for seconds. zstd finds what is repeated for each field."""
_MAX_SPREAD = 4
"""Keys are counted where they spread over at most so many numbers for each entry, and sorted where over more."""
_WIDTH = 8
"""Bytes of a number."""


class _Page(NamedTuple):
    """A page before it is packed: of values, or of the entries of a dictionary."""

    rows: int
    encoding: Encoding
    content: bytes
    is_dictionary: bool = False


class _Encoded(NamedTuple):
    """A column of some rows, encoded."""

    pages: "Iterable[_Page]"
    missing: int = 0
    limits: tuple[bytes, bytes] | None = None


class _Parts:
    """The parts of columns, as all columns with the same parts need them."""

    def __init__(self, parts: Sequence[PlacedPart]) -> None:
        import numpy as np

        self.parts = parts
        self.rows = [part.rows for part in parts]
        self.starts = np.array([part.start for part in parts], np.intp)
        assert [0, *(part.stop for part in parts[:-1])] == self.starts.tolist()


class PlacedParquetWriter:
    """Writes a table of placed rows as Parquet: each piece of rows is a row group."""

    def __init__(self, table: Table, file: BinaryIO) -> None:
        self._columns, self._file = table.columns, file
        self._compressed = zstd()
        self._groups: list[list[ColumnPages]] = []
        self._size = file.write(MAGIC)

    def prepare(self, rows: PlacedRows) -> Callable[[], None]:
        """Return what writes the next rows, at least one, as one row group: all of the work is in it."""
        return partial(self._write, rows)

    def _write(self, rows: PlacedRows) -> None:
        distinct = {id(data.parts): data.parts for data in rows.columns.values()}
        parts = {key: _Parts(found) for key, found in distinct.items()}
        group = []
        for column in self._columns:
            data = rows.columns[column.name]
            group.append(self._pages(column, _encoded(column, data.entries, parts[id(data.parts)]), rows.length))
        self._groups.append(group)

    def _pages(self, column: TableColumn, encoded: _Encoded, count: int) -> ColumnPages:
        """Write the pages of a column, and return what the end of the file says of them."""
        start = data_start = self._size
        plain_size = 0
        encodings = {Encoding.RLE}
        for page in encoded.pages:
            packed = self._compressed(page.content)
            sizes = len(page.content), len(packed)
            if page.is_dictionary:
                header = dictionary_page_header(page.rows, *sizes)
            else:
                header = data_page_header(page.rows, page.encoding, *sizes)
            self._size += self._file.write(header + packed)
            plain_size += len(header) + len(page.content)
            encodings.add(page.encoding)
            if page.is_dictionary:
                data_start = self._size
        return ColumnPages(
            column=column,
            encodings=frozenset(encodings),
            start=start,
            data_start=data_start,
            rows=count,
            missing=encoded.missing,
            plain_size=plain_size,
            size=self._size - start,
            limits=encoded.limits,
        )

    def close(self) -> None:
        """Write the end of the file."""
        self._file.write(file_end(self._columns, self._groups))


def _encoded(column: TableColumn, entries: ColumnData, parts: _Parts) -> _Encoded:
    if isinstance(entries, Times) and entries.microseconds is None:
        count = sum(parts.rows)
        levels = RunLengths(1)
        levels.add_run(0, count)
        return _Encoded([_Page(count, Encoding.PLAIN, _levels(levels))], count)
    if column.name in _STEADY:
        return _steady(column, entries, parts)
    return _with_dictionary(column, entries, parts)


def _steady(column: TableColumn, entries: ColumnData, parts: _Parts) -> _Encoded:
    """Encode a column of which every entry is a value, without a dictionary."""
    assert isinstance(entries, Times | Numbers)
    values = entries.microseconds if isinstance(entries, Times) else entries.values
    assert values is not None
    return _Encoded(_steady_pages(column, values, parts), 0, _limits(values))


def _steady_pages(column: TableColumn, values: "NDArray[int64 | float64]", parts: _Parts) -> Iterator[_Page]:
    import numpy as np

    encoding = _STEADY[column.name]
    for part, rows in zip(parts.parts, parts.rows, strict=True):
        once = values[part.start : part.stop]
        if part.places is not None:
            once = once.take(part.places)
        levels = RunLengths(1)
        levels.add_run(1, rows)
        # All first bytes, then all second ones: so those of each byte are repeated one by one.
        is_split = encoding == Encoding.BYTE_STREAM_SPLIT
        bytes_of = list(once.view(np.uint8).reshape(-1, _WIDTH).T.copy()) if is_split else [once]
        repeated = [content for one in bytes_of for content in [one.tobytes()] * part.repeats]
        content = b"".join([b"" if column.is_required else _levels(levels), *repeated])
        yield _Page(rows, encoding, content)


def _with_dictionary(column: TableColumn, entries: ColumnData, parts: _Parts) -> _Encoded:
    """Encode a column by its distinct values and the place of each row's value among them."""
    import numpy as np

    keys, missing = _keys(entries)
    known, places = _distinct(keys, missing)
    bits = 8 * _bytes_for(len(known))
    levels, values = RunLengths(1), RunLengths(bits)
    lows = np.minimum.reduceat(places, parts.starts).tolist()
    highs = np.maximum.reduceat(places, parts.starts).tolist()
    count = 0
    for part, rows, low, high in zip(parts.parts, parts.rows, lows, highs, strict=True):
        if low == high:
            levels.add_run(int(low >= 0), rows)
            if low < 0:
                count += rows
            else:
                values.add_run(low, rows)
            continue
        found = places[part.start : part.stop]
        if part.places is not None:
            found = found.take(part.places)
        if low < 0:
            is_there = found >= 0
            levels.add(is_there, part.repeats)
            found = found[is_there]
            count += rows - len(found) * part.repeats
        else:
            levels.add_run(1, rows)
        values.add(found, part.repeats)
    all_rows = sum(parts.rows)
    assert not (count and column.is_required)
    head = b"" if column.is_required else _levels(levels)
    if count == all_rows:
        return _Encoded([_Page(all_rows, Encoding.PLAIN, head)], count)
    pages = [
        _Page(len(known), Encoding.PLAIN, _content(entries, known), is_dictionary=True),
        _Page(all_rows, Encoding.RLE_DICTIONARY, head + bytes([bits]) + values.encoded()),
    ]
    return _Encoded(pages, count, _limits(known.view(np.float64)) if isinstance(entries, Numbers) else None)


def _levels(levels: RunLengths) -> bytes:
    """Return which rows have a value, as it stands at the start of a page."""
    content = levels.encoded()
    return len(content).to_bytes(4, "little") + content


def _keys(entries: ColumnData) -> "tuple[NDArray[integer], NDArray[bool_] | None]":
    """Return whole numbers that are equal where entries are, and which entries are no values."""
    import numpy as np

    match entries:
        case Texts():
            return entries.codes, entries.codes < 0
        case Numbers():
            return entries.values.view(np.int64), np.isnan(entries.values)
        case Integers():
            return entries.values, entries.missing
        case Times():
            assert entries.microseconds is not None
            return entries.microseconds, entries.missing
    assert_never(entries)


def _distinct(keys: "NDArray[integer]", missing: "NDArray[bool_] | None") -> "tuple[NDArray[int64], NDArray[integer]]":
    """Return the distinct keys that are values, and the place of each entry's key among them, -1 for no value."""
    import numpy as np

    if missing is None or not missing.any():
        return _ranked(keys)
    known, ranks = _ranked(keys[~missing])
    places = np.full(len(keys), -1, np.int32)
    places[~missing] = ranks
    return known, places


def _ranked(keys: "NDArray[integer]") -> "tuple[NDArray[int64], NDArray[integer]]":
    """Return the distinct keys in their order, and the place of each key among them."""
    import numpy as np

    low, high = (int(keys.min()), int(keys.max())) if len(keys) else (0, 0)
    if low == high:
        return np.full(min(len(keys), 1), low), np.zeros(len(keys), np.uint8)
    if high - low > _MAX_SPREAD * len(keys) + 256:
        known, ranks = np.unique(keys.astype(np.int64, copy=False), return_inverse=True)
        return known, ranks.astype(_place_kind(len(known)))
    steps = keys.astype(np.int64) - low
    is_known = np.bincount(steps) > 0
    known = is_known.nonzero()[0]
    return known + low, (is_known.cumsum() - 1).astype(_place_kind(len(known))).take(steps)


def _bytes_for(count: int) -> int:
    """Return how many bytes the places of so many entries need."""
    return 1 if count <= 1 << 8 else 2 if count <= 1 << 16 else 3 if count <= 1 << 24 else 4


def _place_kind(count: int) -> str:
    """Return the type of places among so many entries."""
    return {1: "<u1", 2: "<u2"}.get(_bytes_for(count), "<u4")


def _content(entries: ColumnData, keys: "NDArray[int64]") -> bytes:
    """Return values by their keys, as they stand in a dictionary."""
    if not isinstance(entries, Texts):
        return keys.tobytes()
    texts = [entries.names[key].encode() for key in keys.tolist()]
    return b"".join(len(text).to_bytes(4, "little") + text for text in texts)


def _limits(values: "NDArray[int64 | float64]") -> tuple[bytes, bytes]:
    """Return the lowest and the highest value; a lowest 0.0 as -0.0 and a highest -0.0 as 0.0, as the format says."""
    low, high = values.min(), values.max()
    if values.dtype.kind == "f":
        low, high = low or low.dtype.type(-0.0), high + 0.0
    return low.tobytes(), high.tobytes()
