"""Tables as Parquet and as Arrow IPC files, written piece by piece, so that memory does not grow with the log.

Knows: pyarrow, which writes both forms. It is an extra and imported only here, when such a file is written. Does not
know what a table is about, nor where its file is.
"""

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any, BinaryIO, assert_never

from rvsim.errors import InputError
from rvsim.logs.export.placed import PlacedRows, dense
from rvsim.logs.export.table import (
    ColumnData,
    ColumnKind,
    Integers,
    Numbers,
    Table,
    TableColumn,
    TableRows,
    Texts,
    Times,
)

if TYPE_CHECKING:
    from numpy import bool_, integer
    from numpy.typing import NDArray
    from pyarrow import Array, DataType, RecordBatch, Schema

_COMPRESSION_LEVEL = 2
"""Of zstd. With 1 it finds no times that are repeated more than some 100,000 rows later: readings of blocks of 400,000
frames took 2.5 times as long to pack, in 4 times the room. With 3 they took a fifth longer, in 7 % less room."""
_STEADY = ("time", "seconds")
"""The columns that mostly rise by small steps."""
_ENCODINGS = {ColumnKind.TIME: "DELTA_BINARY_PACKED", ColumnKind.NUMBER: "BYTE_STREAM_SPLIT"}
"""How those are written: by their steps, or byte by byte of all numbers. So they take half of the time, and packed a
third of the room, that they take as they are."""
_PAGE_ROWS = 1 << 20
"""Rows of a page, which also ends at 1 MB. With 20,000, as pyarrow has it, tables of readings were 1.9 x as large."""
_ENCODED_ROWS = 1 << 18
"""Rows that are encoded at a time. With 1024, as pyarrow has it, tables of readings took 1.3 x as long; with a quarter
of this number they took 4 % longer."""

_BUFFERED_BYTES = 1 << 16
"""Bytes of a table that pyarrow holds back before it hands them over: for each of its many small parts the thread would
have to wait for the one that reads, because only one of them can run Python at a time. Our decision."""


def check_pyarrow(suffix: str) -> None:
    """Check that pyarrow is installed.

    Raises:
        InputError: it is not.
    """
    try:
        import pyarrow as _pyarrow  # noqa: F401 - only to find out
    except ImportError:
        raise InputError(
            f"{suffix} needs pyarrow, which is not installed: pip install 'rvsim-bench[export]', or write .csv or"
            " .jsonl"
        ) from None


def zstd() -> Callable[[bytes], bytes]:
    """Return what packs bytes, for one thread at a time."""
    from pyarrow import Codec

    return partial(Codec("zstd", compression_level=_COMPRESSION_LEVEL).compress, asbytes=True)


class ParquetWriter:
    """Writes a table as Parquet: each piece of rows is a row group, in which texts and integers have dictionaries."""

    def __init__(self, table: Table, file: BinaryIO) -> None:
        from pyarrow import output_stream
        from pyarrow.parquet import ParquetWriter as ParquetFile

        self._arrays = _Arrays(table, is_parquet=True)
        numbers = [column.name for column in table.columns if column.kind in (ColumnKind.TIME, ColumnKind.NUMBER)]
        # Numbers and times are nearly all different: dictionaries of them take more room and time.
        repeated = [column.name for column in table.columns if column.name not in numbers]
        self._stream = output_stream(file, buffer_size=_BUFFERED_BYTES)
        self._file = ParquetFile(
            self._stream,
            self._arrays.schema,
            # What has a dictionary is small already: with zstd tables of messages took a third longer, not less room.
            compression=dict.fromkeys(numbers, "zstd") | dict.fromkeys(repeated, "snappy"),
            compression_level=dict.fromkeys(numbers, _COMPRESSION_LEVEL),
            use_dictionary=repeated,
            column_encoding={
                column.name: _ENCODINGS[column.kind] for column in table.columns if column.name in _STEADY
            },
            # The range of each piece: readers pass over pieces of other times and values by it. Texts and integers of
            # nearly all pieces have the same range, which took a sixth of the time of writing readings.
            write_statistics=numbers,
            max_rows_per_page=_PAGE_ROWS,
            write_batch_size=_ENCODED_ROWS,
            store_schema=False,  # without it the types are those of Parquet, and all readers see the same
        )

    def prepare(self, rows: TableRows | PlacedRows) -> Callable[[], None]:
        """Return what writes the next rows as one row group: it hardly needs Python, which another thread can run."""
        return partial(self._file.write_batch, self._arrays.batch(dense(rows)), row_group_size=rows.length)

    def close(self) -> None:
        """Write the end of the file."""
        self._file.close()
        self._stream.flush()


class ArrowWriter:
    """Writes a table as an Arrow IPC file: each piece of rows is a record batch.

    A column has a dictionary only where all its texts are known before, because it must be the same in all batches.
    """

    def __init__(self, table: Table, file: BinaryIO) -> None:
        from pyarrow import output_stream
        from pyarrow.ipc import new_file

        self._arrays = _Arrays(table, is_parquet=False)
        self._stream = output_stream(file, buffer_size=_BUFFERED_BYTES)
        self._file = new_file(self._stream, self._arrays.schema)

    def prepare(self, rows: TableRows | PlacedRows) -> Callable[[], None]:
        """Return what writes the next rows as one record batch."""
        return partial(self._file.write_batch, self._arrays.batch(dense(rows)))

    def close(self) -> None:
        """Write the end of the file."""
        self._file.close()
        self._stream.flush()


class _Arrays:
    """Makes pieces of a table to batches of Arrow, all with the same schema.

    ``is_parquet``: columns of texts that are not known before have dictionaries too, and required columns are declared
    as such.
    """

    def __init__(self, table: Table, *, is_parquet: bool) -> None:
        import pyarrow as pa

        self._known = {
            column.name: pa.array(column.texts, pa.large_string())
            for column in table.columns
            if column.texts is not None
        }
        """The dictionary of each column whose texts are known before."""
        self._texts = {column.name: column.texts for column in table.columns}
        self.schema: Schema = pa.schema(
            [
                pa.field(
                    column.name,
                    _type(column, with_dictionary=is_parquet),
                    nullable=not (is_parquet and column.is_required),
                )
                for column in table.columns
            ]
        )

    def batch(self, rows: TableRows) -> "RecordBatch":
        """Return rows as a batch."""
        import pyarrow as pa

        arrays = [self._array(field.name, field.type, rows.columns[field.name], rows.length) for field in self.schema]
        assert all(field.nullable or not array.null_count for field, array in zip(self.schema, arrays, strict=True))
        return pa.RecordBatch.from_arrays(arrays, schema=self.schema)

    def _array(self, name: str, kind: "DataType", data: ColumnData, count: int) -> "Array":
        import numpy as np
        import pyarrow as pa

        match data:
            case Numbers():
                missing = np.isnan(data.values)
                return _shared(kind, data.values, missing if missing.any() else None)
            case Integers():
                return _shared(kind, data.values.astype(np.int64, copy=False), data.missing)
            case Times():
                if data.microseconds is None:
                    return pa.nulls(count, kind)
                return _shared(kind, data.microseconds, data.missing)
            case Texts():
                return self._text_array(name, kind, data)
        assert_never(data)

    def _text_array(self, name: str, kind: "DataType", data: Texts) -> "Array":
        import numpy as np
        import pyarrow as pa

        names = self._known.get(name)
        if names is None:
            names = pa.array(data.names, pa.large_string())
        else:
            assert self._texts[name] == tuple(data.names)
        index = kind.index_type if pa.types.is_dictionary(kind) else pa.int64()
        codes = _cast(data.codes, index)  # to the narrower type first: what follows takes less time
        missing = None
        if data.codes.dtype.kind == "i" and len(codes) and int(codes.min()) < 0:
            missing = codes < 0
            codes = np.maximum(codes, 0)  # also where no text is: polars does not read places below zero
        places = _shared(index, codes, missing)
        if not pa.types.is_dictionary(kind):
            return names.take(places)
        return pa.DictionaryArray.from_arrays(places, names, safe=False)  # the places are our own


def _cast(codes: "NDArray[integer]", kind: "DataType") -> "NDArray[integer]":
    """Return places in a list of texts in the width of a type, with the same memory where they have that width."""
    import numpy as np

    wanted = np.dtype(kind.to_pandas_dtype())
    return codes.view(wanted) if codes.dtype.itemsize == wanted.itemsize else codes.astype(wanted)


def _type(column: TableColumn, *, with_dictionary: bool) -> "DataType":
    """Return the type of a column."""
    import numpy as np
    import pyarrow as pa

    match column.kind:
        case ColumnKind.TIME:
            return pa.timestamp("us", "UTC")
        case ColumnKind.NUMBER:
            return pa.float64()
        case ColumnKind.INTEGER:
            return pa.int64()
        case ColumnKind.TEXT if column.texts is not None:
            # The narrowest integers; with a sign, as the description of Arrow advises for readers.
            return pa.dictionary(pa.from_numpy_dtype(np.min_scalar_type(-1 - len(column.texts))), pa.large_string())
        case ColumnKind.TEXT:
            return pa.dictionary(pa.int32(), pa.large_string()) if with_dictionary else pa.large_string()
    assert_never(column.kind)


def _shared(kind: "DataType", values: "NDArray[Any]", missing: "NDArray[bool_] | None") -> "Array":
    """Return an array of Arrow with the memory of ``values``, which have the width of its type."""
    import numpy as np
    import pyarrow as pa

    assert values.dtype.itemsize * 8 == kind.bit_width
    is_there = None if missing is None else pa.py_buffer(np.packbits(~missing, bitorder="little"))
    return pa.Array.from_buffers(kind, len(values), [is_there, pa.py_buffer(np.ascontiguousarray(values))])
