"""Placed rows: dense rows and what other programs read of a Parquet file are the same, whatever the parts."""

import io
import math

import duckdb
import numpy as np
import pandas
import polars
import pyarrow.parquet
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.export.arrow_tables import ArrowWriter
from rvsim.logs.export.destination import Destination
from rvsim.logs.export.placed import Placed, PlacedPart, PlacedRows, dense
from rvsim.logs.export.placed_parquet import PlacedParquetWriter
from rvsim.logs.export.table import (
    ColumnData,
    ColumnKind,
    Integers,
    Numbers,
    Table,
    TableColumn,
    Times,
    integer_list,
    number_list,
    text_list,
)
from rvsim.logs.export.text_file import CsvWriter

TIME, NUMBER, INTEGER, TEXT = ColumnKind.TIME, ColumnKind.NUMBER, ColumnKind.INTEGER, ColumnKind.TEXT
TABLE = Table(
    "x",
    (
        TableColumn("time", TIME),
        TableColumn("seconds", NUMBER, is_required=True),
        TableColumn("source", INTEGER, is_required=True),
        TableColumn("number", NUMBER),
        TableColumn("integer", INTEGER),
        TableColumn("text", TEXT),
        TableColumn("state", TEXT, is_required=True),
    ),
    is_placed=True,
)
TYPES = [polars.Datetime("us", "UTC"), polars.Float64, polars.Int64, polars.Float64, polars.Int64, *[polars.String] * 2]
ENTRY = st.tuples(
    st.integers(0, 4_000_000_000_000_000),
    st.floats(allow_nan=False),
    st.integers(0, 255),
    st.none() | st.sampled_from((0.0, -0.0, 0.1, -2.5)) | st.floats(allow_nan=False, allow_infinity=False),
    st.none() | st.integers(-3, 3) | st.integers(-(1 << 63), (1 << 63) - 1),
    st.none() | st.sampled_from(("a", "", "°C", "two\nlines")),
    st.sampled_from(("value", "no data")),
)


@st.composite
def parts_of(draw, count):
    """Return parts that have so many entries, with repeats and places of any number."""
    parts, start = [], 0
    while start < count:
        stop = draw(st.integers(start + 1, count))
        places = draw(st.none() | st.lists(st.integers(0, stop - start - 1), min_size=1, max_size=70))
        repeats = draw(st.integers(1, 3) | st.sampled_from((64, 100)))
        parts.append(PlacedPart(start, stop, None if places is None else np.array(places, np.intp), repeats))
        start = stop
    return parts


def rows_of(entries, parts, *, has_date=True):
    """Return rows, all columns with the same parts, and what each row is."""
    times, seconds, sources, numbers, integers, texts, states = zip(*entries, strict=True)
    found: dict[str, ColumnData] = {
        "time": Times(np.array(times, np.int64)) if has_date else Times(None),
        "seconds": Numbers(np.array(seconds, np.float64)),
        "source": Integers(np.array(sources, np.uint8)),
        "number": number_list(numbers),
        "integer": integer_list(integers),
        "text": text_list(texts),
        "state": text_list(states),
    }
    places = []
    for part in parts:
        once = range(part.start, part.stop) if part.places is None else (part.places + part.start).tolist()
        places += [*once] * part.repeats
    expected = [entries[place] if has_date else (None, *entries[place][1:]) for place in places]
    return PlacedRows(len(places), {name: Placed(data, parts) for name, data in found.items()}), expected


def written(pieces, table=TABLE):
    """Return the bytes of a file that is written in pieces."""
    file = io.BytesIO()
    begun = PlacedParquetWriter(table, file)
    for rows in pieces:
        begun.prepare(rows)()
    begun.close()
    return file.getvalue()


@given(st.data())
def test_placed_rows_are_read_by_others(tmp_path_factory, data):
    """Polars, DuckDB, pandas and pyarrow read the same rows, types and ranges; text and Arrow forms have them too."""
    path = tmp_path_factory.getbasetemp() / "placed.parquet"
    pieces, expected = [], []
    for _ in range(data.draw(st.integers(1, 2))):
        entries = data.draw(st.lists(ENTRY, min_size=1, max_size=8))
        found, rows = rows_of(entries, data.draw(parts_of(len(entries))), has_date=data.draw(st.booleans()))
        pieces.append(found)
        expected += rows
    path.write_bytes(written(pieces))
    frame = polars.read_parquet(path)
    assert list(frame.schema.values()) == TYPES
    assert frame.with_columns(polars.col("time").dt.epoch("us")).rows() == expected
    assert duckdb.sql(f"select epoch_us(time), * exclude (time) from '{path}'").fetchall() == expected
    whole = pandas.read_parquet(path, dtype_backend="pyarrow").drop(columns="time")
    assert [tuple(row.values()) for row in pyarrow.Table.from_pandas(whole).to_pylist()] == [
        row[1:] for row in expected
    ]
    read = pyarrow.parquet.read_table(path)
    assert [field.nullable for field in read.schema] == [not column.is_required for column in TABLE.columns]
    assert duckdb.sql(f"select count(*) from '{path}' where number = 0.0").fetchall() == [
        (sum(row[3] == 0 for row in expected),)
    ]
    meta = pyarrow.parquet.ParquetFile(path).metadata
    for place, column in enumerate(TABLE.columns):
        missing = sum(meta.row_group(group).column(place).statistics.null_count for group in range(len(pieces)))
        assert (column.name, missing) == (column.name, sum(row[place] is None for row in expected))
    text, arrow = io.BytesIO(), io.BytesIO()
    for file, writer in ((text, CsvWriter(TABLE, text)), (arrow, ArrowWriter(TABLE, arrow))):
        for found in pieces:
            writer.prepare(found)()
        writer.close()
        assert file is text or polars.read_ipc(arrow.getvalue()).equals(frame)
    assert sum(dense(found).length for found in pieces) == len(expected)


@pytest.mark.parametrize("count", [256, 257, 65_536, 65_537])
def test_any_number_of_entries(tmp_path, count):
    """Places take one byte, two or three, and each row still has its own entry, or none."""
    numbers = np.random.default_rng(count).permutation(count) * 1000
    places = np.append(np.arange(count), 0)
    table = Table(
        "x", tuple(TableColumn(*one) for one in (("n", INTEGER), ("value", NUMBER), ("some", INTEGER))), is_placed=True
    )
    parts = [PlacedPart(0, count, places, 2)]
    missing = numbers % 3000 == 0
    data = {
        "n": Placed(Integers(numbers), parts),
        "value": Placed(Numbers(numbers / 8), parts),
        "some": Placed(Integers(numbers, missing), parts),
    }
    path = tmp_path / "x.parquet"
    path.write_bytes(written([PlacedRows(2 * len(places), data)], table))
    expected = np.tile(numbers[places], 2)
    frame = polars.read_parquet(path)
    assert np.array_equal(frame["n"].to_numpy(), expected)
    assert np.array_equal(frame["value"].to_numpy(), expected / 8)
    assert frame["some"].to_list() == [None if number % 3000 == 0 else number for number in expected.tolist()]
    assert duckdb.sql(f"select n from '{path}'").fetchnumpy()["n"].tolist() == expected.tolist()


def test_what_rows_have_in_common_takes_no_room():
    """A million rows of one entry are some bytes, and a part that is repeated hardly more than one that is not."""
    entry = (1_764_000_000_000_000, 0.5, 1, 2.5, None, "a", "value")
    sizes = []
    for repeats in (1, 5):
        entries = [(entry[0] + place**2, place / 7, *entry[2:]) for place in range(2000)]
        found, _ = rows_of(entries, [PlacedPart(0, 2000, None, repeats)])
        sizes.append(len(written([found])))
    assert sizes[1] < 1.2 * sizes[0]
    found, _ = rows_of([entry], [PlacedPart(0, 1, None, 1 << 17)])
    columns = {name: data for name, data in found.columns.items() if name not in ("time", "seconds")}
    kept = tuple(column for column in TABLE.columns if column.name in columns)
    whole = written([PlacedRows(1 << 17, columns)], Table("x", kept, is_placed=True))
    assert len(whole) < 1500


@pytest.mark.parametrize("places", [None, np.arange(3)])
def test_ranges_are_known(places):
    """Readers pass over row groups by the ranges of times, seconds and numbers; 0.0 counts with either sign."""
    entries = [
        (5, 1.5, 1, 0.0, 1, "a", "value"),
        (9, 0.5, 2, None, None, None, "no data"),
        (7, 2.5, 1, -1.0, 1, "a", "value"),
    ]
    found, _ = rows_of(entries, [PlacedPart(0, 3, places)])
    group = pyarrow.parquet.ParquetFile(io.BytesIO(written([found]))).metadata.row_group(0)
    chunks = {chunk.path_in_schema: chunk.statistics for chunk in map(group.column, range(group.num_columns))}
    assert (chunks["time"].min.microsecond, chunks["time"].max.microsecond) == (5, 9)
    assert (chunks["seconds"].min, chunks["seconds"].max, chunks["seconds"].null_count) == (0.5, 2.5, 0)
    assert (chunks["number"].min, chunks["number"].max, chunks["number"].null_count) == (-1.0, 0.0, 1)
    assert not chunks["text"].has_min_max
    for zero in (0.0, -0.0):
        found, _ = rows_of([(5, zero, 1, zero, 1, "a", "value")], [PlacedPart(0, 1)])
        group = pyarrow.parquet.ParquetFile(io.BytesIO(written([found]))).metadata.row_group(0)
        for known in (group.column(1).statistics, group.column(3).statistics):
            assert (math.copysign(1, known.min), math.copysign(1, known.max)) == (-1, 1)


def test_the_end_describes_what_is_before_it():
    """Offsets and sizes of all columns fill the file, and each says how it is encoded."""
    found, _ = rows_of([(5, 1.5, 1, 0.0, 1, "a", "value")], [PlacedPart(0, 1, None, 100)])
    data = written([found, found])
    meta = pyarrow.parquet.ParquetFile(io.BytesIO(data)).metadata
    at = 4
    for group in map(meta.row_group, range(2)):
        assert group.total_byte_size >= sum(len(name) for name in meta.schema.names)
        for chunk in map(group.column, range(meta.num_columns)):
            assert at == (chunk.dictionary_page_offset if chunk.has_dictionary_page else chunk.data_page_offset)
            at += chunk.total_compressed_size
            own = {"time": "PLAIN", "seconds": "BYTE_STREAM_SPLIT"}.get(chunk.path_in_schema, "RLE_DICTIONARY")
            assert {own, "RLE"} <= set(chunk.encodings) <= {own, "RLE", "PLAIN"}
    assert at + meta.serialized_size + 8 == len(data)


def test_a_required_column_without_a_value_is_refused():
    """A file that says otherwise could not be read."""
    entries = [(1, 0.5, 1, 0.5, 1, "a", "value"), (2, 0.5, 1, 0.5, 1, "a", None)]
    found, _ = rows_of(entries, [PlacedPart(0, 2)])
    with pytest.raises(AssertionError):
        written([found])


def test_a_table_without_rows():
    """It has its columns, and all programs read it."""
    data = written([])
    assert polars.read_parquet(io.BytesIO(data)).schema == dict(
        zip([c.name for c in TABLE.columns], TYPES, strict=True)
    )
    assert pandas.read_parquet(io.BytesIO(data)).shape == (0, 7)


def test_a_destination_knows_what_is_placed(tmp_path):
    """A table of placed rows is encoded by its entries, also where rows come one piece after the other."""
    found, expected = rows_of([(5, 1.5, 1, 0.0, 1, "a", "value")], [PlacedPart(0, 1, None, 100)])
    with Destination(tmp_path / "x.parquet", "parquet", is_folder=False, overwrite=False) as destination:
        for _ in range(3):
            destination.write(TABLE, found)
    assert destination.written == {"x": 300}
    meta = pyarrow.parquet.ParquetFile(tmp_path / "x.parquet").metadata
    assert (meta.created_by, meta.num_row_groups) == ("rvsim", 3)
    frame = polars.read_parquet(tmp_path / "x.parquet")
    assert frame.with_columns(polars.col("time").dt.epoch("us")).rows() == expected * 3
