"""Placed rows as a Parquet file: what rows have in common is encoded once, and not row by row.

Knows: how the pages of a column are made of its entries and the places of its rows. Does not know what a table is
about, nor where its file is. A row group has one page of each column, and a dictionary of each but times and seconds.
Readers find the rows and the types that pyarrow would write.
"""

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, BinaryIO, NamedTuple, assert_never

from rvsim.logs.export.arrow_tables import zstd
from rvsim.logs.export.parquet_metadata import (
    MAGIC,
    ColumnPages,
    Encoding,
    RowGroup,
    data_page_header,
    dictionary_page_header,
    file_end,
    row_group,
)
from rvsim.logs.export.placed import PlacedPart, PlacedRows
from rvsim.logs.export.run_lengths import Pieces, RunLengths
from rvsim.logs.export.table import ColumnData, Integers, Numbers, Table, TableColumn, Texts, Times

if TYPE_CHECKING:
    from numpy import bool_, float64, int64, integer
    from numpy.typing import NDArray

_STEADY = {"time": Encoding.PLAIN, "seconds": Encoding.BYTE_STREAM_SPLIT}
"""The columns of which nearly every entry is different, and how they are written: as they are, or byte by byte of all
numbers, which takes a fifth of the room for seconds. zstd finds what is repeated for each field."""
_MAX_SPREAD = 4
"""Keys are counted where they spread over at most so many numbers for each entry, and sorted where over more."""
_MAX_LOOKED_UP = 1 << 16
"""Entries that may stand in a dictionary although some are equal: their places take two bytes at most. Our decision."""
_WIDTH = 8
"""Bytes of a number."""


class _Page(NamedTuple):
    """A page before it is packed: of values, or of the entries of a dictionary."""

    rows: int
    encoding: Encoding
    pieces: Pieces
    """Its content; what is repeated in it is repeated when it is packed."""
    is_dictionary: bool = False


class _Encoded(NamedTuple):
    """A column of some rows, encoded."""

    pages: Sequence[_Page]
    missing: int = 0
    limits: tuple[bytes, bytes] | None = None


class _Parts:
    """The parts of columns, as all columns with the same parts need them."""

    def __init__(self, parts: Sequence[PlacedPart]) -> None:
        import numpy as np

        self.parts = parts
        self.rows = np.array([part.rows for part in parts], np.int64)
        self.all_rows = int(self.rows.sum())
        self.starts = np.array([part.start for part in parts], np.intp)
        assert [0, *(part.stop for part in parts[:-1])] == self.starts.tolist()
        self.are_looked_up = parts[-1].stop <= _MAX_LOOKED_UP and all(
            part.places is not None or part.stop == part.start + 1 for part in parts
        )
        """Whether entries are few, and rows have them by their places."""
        self._entries: dict[int, NDArray[integer]] = {}

    def runs(self, places: "NDArray[integer]") -> "Iterator[tuple[int | None, int, PlacedPart]]":
        """Yield what parts have as long as it is the same: a place, or None for different ones; rows; the first part.

        ``places`` has one for each entry.
        """
        import numpy as np

        lows = np.minimum.reduceat(places, self.starts)
        is_one = lows == np.maximum.reduceat(places, self.starts)
        goes_on = is_one[1:] & is_one[:-1] & (lows[1:] == lows[:-1])
        firsts = np.append(0, np.flatnonzero(~goes_on) + 1)
        of_runs = firsts.tolist(), is_one[firsts].tolist(), lows[firsts].tolist()
        for first, is_same, low, count in zip(*of_runs, np.add.reduceat(self.rows, firsts).tolist(), strict=True):
            yield low if is_same else None, count, self.parts[first]

    def entries_of(self, part: PlacedPart) -> "NDArray[integer]":
        """Return the entry of each row of a part that has places, by its number among all entries, without repeats."""
        found = self._entries.get(part.start)
        if found is None:
            assert part.places is not None
            found = self._entries[part.start] = (part.places + part.start).astype(_place_kind(self.parts[-1].stop))
        return found


class PlacedParquetWriter:
    """Writes a table of placed rows as Parquet: each piece of rows is a row group."""

    def __init__(self, table: Table, file: BinaryIO) -> None:
        self._columns, self._file = table.columns, file
        self._compressed = zstd()
        self._groups: list[RowGroup] = []
        self._size = file.write(MAGIC)

    def prepare(self, rows: PlacedRows) -> Callable[[], None]:
        """Return what writes the next rows, at least one, as one row group.

        Columns with many short parts are encoded here, which runs Python most of the time. What is returned encodes the
        others, packs and writes: it hardly needs Python, which another thread can run.
        """
        distinct = {id(data.parts): data.parts for data in rows.columns.values()}
        parts = {key: _Parts(found) for key, found in distinct.items()}
        contents: list[_Encoded | Callable[[], _Encoded]] = []
        for column in self._columns:
            entries, of_rows = rows.columns[column.name]
            encode = partial(_encoded, column, entries, parts[id(of_rows)])
            contents.append(encode() if parts[id(of_rows)].are_looked_up else encode)
        return partial(self._write, contents, rows.length)

    def _write(self, contents: "Sequence[_Encoded | Callable[[], _Encoded]]", count: int) -> None:
        pages = [
            self._pages(column, content if isinstance(content, _Encoded) else content(), count)
            for column, content in zip(self._columns, contents, strict=True)
        ]
        self._groups.append(row_group(pages))

    def _pages(self, column: TableColumn, encoded: _Encoded, count: int) -> ColumnPages:
        """Write the pages of a column, and return what the end of the file says of them."""
        start = data_start = self._size
        plain_size = 0
        encodings = {Encoding.RLE}
        for page in encoded.pages:
            content = b"".join(page.pieces)
            packed = self._compressed(content)
            sizes = len(content), len(packed)
            if page.is_dictionary:
                header = dictionary_page_header(page.rows, *sizes)
            else:
                header = data_page_header(page.rows, page.encoding, *sizes)
            self._size += self._file.write(header + packed)
            plain_size += len(header) + len(content)
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
        levels = RunLengths(1)
        levels.add_run(0, parts.all_rows)
        return _Encoded([_Page(parts.all_rows, Encoding.PLAIN, _levels(levels))], parts.all_rows)
    if column.name in _STEADY:
        return _steady(column, entries, parts)
    return _with_dictionary(column, entries, parts)


def _steady(column: TableColumn, entries: ColumnData, parts: _Parts) -> _Encoded:
    """Encode a column of which every entry is a value, without a dictionary."""
    import numpy as np

    assert isinstance(entries, Times | Numbers)
    values = entries.microseconds if isinstance(entries, Times) else entries.values
    assert values is not None
    encoding = _STEADY[column.name]
    # All first bytes, then all second ones: so those of each byte are repeated one by one.
    is_split = encoding == Encoding.BYTE_STREAM_SPLIT
    planes = np.ascontiguousarray(values.view(np.uint8).reshape(-1, _WIDTH).T) if is_split else [values]
    pieces: Pieces = []
    if not column.is_required:
        levels = RunLengths(1)
        levels.add_run(1, parts.all_rows)
        pieces += _levels(levels)
    for plane in planes:
        for part in parts.parts:
            once = plane[part.start : part.stop]
            pieces += [(once if part.places is None else once.take(part.places)).data] * part.repeats
    return _Encoded([_Page(parts.all_rows, encoding, pieces)], 0, _limits(values))


def _with_dictionary(column: TableColumn, entries: ColumnData, parts: _Parts) -> _Encoded:
    """Encode a column by its distinct values and the place of each row's value among them."""
    import numpy as np

    keys, missing = _keys(entries)
    # Numbers of few entries stand in the dictionary as they are: so columns with the same parts have the same places.
    is_direct = parts.are_looked_up and not isinstance(entries, Texts)
    known, places = _all_keys(keys, missing) if is_direct else _distinct(keys, missing)
    bits = 8 * _bytes_for(len(known))
    levels, values = RunLengths(1), RunLengths(bits)
    missing_rows = 0
    for place, rows, part in parts.runs(places):
        if place is not None:
            is_value = place >= 0
            levels.add_run(int(is_value), rows)
            if is_value:
                values.add_run(place, rows)
            else:
                missing_rows += rows
            continue
        if is_direct:
            found = parts.entries_of(part)
        else:
            found = places[part.start : part.stop]
            if part.places is not None:
                found = found.take(part.places)
        if missing is not None and missing[part.start : part.stop].any():
            is_there = found >= 0 if not is_direct else ~missing.take(found)
            levels.add(is_there, part.repeats)
            found = found[is_there]
            missing_rows += rows - len(found) * part.repeats
        else:
            levels.add_run(1, rows)
        values.add(found, part.repeats)
    assert not (missing_rows and column.is_required)
    head = [] if column.is_required else _levels(levels)
    if missing_rows == parts.all_rows:
        return _Encoded([_Page(parts.all_rows, Encoding.PLAIN, head)], missing_rows)
    pages = [
        _Page(len(known), Encoding.PLAIN, [_content(entries, known)], is_dictionary=True),
        _Page(parts.all_rows, Encoding.RLE_DICTIONARY, [*head, bytes([bits]), *values.pieces()]),
    ]
    limits = None
    if isinstance(entries, Numbers):
        limits = _limits((known[~missing] if is_direct and missing is not None else known).view(np.float64))
    return _Encoded(pages, missing_rows, limits)


def _levels(levels: RunLengths) -> Pieces:
    """Return which rows have a value, as it stands at the start of a page."""
    content = levels.encoded()
    return [len(content).to_bytes(4, "little"), content]


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


def _all_keys(keys: "NDArray[integer]", missing: "NDArray[bool_] | None") -> "tuple[NDArray[int64], NDArray[integer]]":
    """Return all keys, and the place of each entry's key among them, -1 for no value."""
    import numpy as np

    places = np.arange(len(keys), dtype=np.int32)
    return keys.astype(np.int64, copy=False), places if missing is None else np.where(missing, np.int32(-1), places)


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
