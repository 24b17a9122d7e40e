"""Tables as files: what other programs read of each form is what was written, in pieces of any size."""

import csv
import io
import json
from datetime import UTC, datetime, timedelta

import duckdb
import numpy as np
import pandas
import polars
import pyarrow
import pyarrow.parquet
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.export.arrow_tables import ArrowWriter, ParquetWriter
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
    integer_list,
    joined,
    text_list,
)
from rvsim.logs.export.text_file import CsvWriter, JsonLinesWriter

KNOWN = ("off", "on", "auto")
TABLE = Table(
    "x",
    (
        TableColumn("time", ColumnKind.TIME),
        TableColumn("number", ColumnKind.NUMBER),
        TableColumn("integer", ColumnKind.INTEGER),
        TableColumn("text", ColumnKind.TEXT),
        TableColumn("known", ColumnKind.TEXT, KNOWN),
    ),
)
ARROW_TYPES = (
    ("time", pyarrow.timestamp("us", "UTC")),
    ("number", pyarrow.float64()),
    ("integer", pyarrow.int64()),
    ("text", pyarrow.large_string()),
    ("known", pyarrow.dictionary(pyarrow.int8(), pyarrow.large_string())),
)
MOMENTS = st.integers(0, 4_000_000_000_000_000)
TEXTS = st.sampled_from(("a", "b", "tank, fresh", 'said "no"', "two\nlines", "°C", "ü", "%s")) | st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), min_size=1, max_size=4
)
ROWS = st.lists(
    st.tuples(
        st.none() | MOMENTS,
        st.none() | st.floats(allow_nan=False, allow_infinity=False, width=64),
        st.none() | st.integers(-(1 << 63), (1 << 63) - 1),
        st.none() | TEXTS,
        st.none() | st.sampled_from(KNOWN),
    ),
    max_size=30,
)


def piece(rows):
    """Return rows as a piece of the table."""
    moments, numbers, integers, texts, known = list(zip(*rows, strict=True)) or [()] * 5
    found = integer_list(moments)
    undated = all(moment is None for moment in moments)
    return TableRows(
        len(rows),
        {
            "time": Times(None) if undated else Times(found.values.astype(np.int64), found.missing),
            "number": Numbers(np.array([np.nan if number is None else number for number in numbers], float)),
            "integer": integer_list(integers),
            "text": text_list(texts),
            "known": Texts(np.array([-1 if one is None else KNOWN.index(one) for one in known], np.int8), KNOWN),
        },
    )


def written(writer, pieces, table=TABLE):
    """Return the bytes of a file that is written in pieces."""
    file = io.BytesIO()
    begun = writer(table, file)
    for rows in pieces:
        begun.prepare(rows)()
    begun.close()
    return file.getvalue()


def cut(rows, size):
    """Return rows in pieces."""
    return [piece(rows[start : start + size]) for start in range(0, len(rows), size)]


def moment(microseconds):
    """Return microseconds since the epoch as a moment."""
    return None if microseconds is None else datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=microseconds)


@given(ROWS, st.integers(1, 8))
def test_parquet_is_read_by_others(tmp_path_factory, rows, size):
    """Polars, DuckDB and pandas (with pyarrow) read the same rows and the same types."""
    path = tmp_path_factory.getbasetemp() / "x.parquet"
    path.write_bytes(written(ParquetWriter, cut(rows, size)))
    expected = [(moment(row[0]), *row[1:]) for row in rows]
    frame = polars.read_parquet(path)
    assert frame.rows() == expected
    assert list(frame.schema.values()) == [
        polars.Datetime("us", "UTC"), polars.Float64, polars.Int64, polars.String, polars.String
    ]  # fmt: skip
    read = duckdb.sql(f"select epoch_us(time), number, integer, text, known from '{path}'").fetchall()
    assert read == rows
    whole = pandas.read_parquet(path, dtype_backend="pyarrow")
    assert [tuple(row.values()) for row in pyarrow.Table.from_pandas(whole).to_pylist()] == expected


@given(ROWS, st.integers(1, 8))
def test_arrow_is_read_by_others(tmp_path_factory, rows, size):
    """Polars, pandas, DuckDB and pyarrow read the same rows; known texts are a dictionary, the same in all pieces."""
    path = tmp_path_factory.getbasetemp() / "x.arrow"
    path.write_bytes(written(ArrowWriter, cut(rows, size)))
    expected = [(moment(row[0]), *row[1:]) for row in rows]
    assert polars.read_ipc(path).rows() == expected
    with pyarrow.ipc.open_file(path) as file:
        assert file.num_record_batches == len(cut(rows, size))
        read = file.read_all()
    read.validate(full=True)
    assert [tuple(row.values()) for row in read.to_pylist()] == expected
    assert read.schema.equals(pyarrow.schema(ARROW_TYPES), check_metadata=True)
    assert duckdb.sql("select epoch_us(time), number, integer, text, known from read").fetchall() == rows
    frame = pandas.read_feather(path)
    assert list(frame["known"].cat.categories) == (list(KNOWN) if rows else [])
    assert [None if pandas.isna(text) else text for text in frame["known"]] == [row[4] for row in rows]


@given(ROWS, st.integers(1, 8))
def test_text_is_read_by_others(rows, size):
    """Python's own readers of CSV and JSON read every value of both forms exactly."""
    lines = list(csv.DictReader(io.StringIO(written(CsvWriter, cut(rows, size)).decode(), newline="")))
    objects = [json.loads(line) for line in written(JsonLinesWriter, cut(rows, size)).decode().splitlines()]
    assert len(lines) == len(objects) == len(rows)
    for line, found, (time, number, integer, text, known) in zip(lines, objects, rows, strict=True):
        for read in (line, found):
            assert read["time"] in ((None, "") if time is None else (moment(time).isoformat(timespec="microseconds"),))
        assert found == {"time": found["time"], "number": number, "integer": integer, "text": text, "known": known}
        assert (float(line["number"]) if line["number"] else None) == number
        assert (int(line["integer"]) if line["integer"] else None) == integer
        assert (line["text"] or None, line["known"] or None) == (text, known)


@pytest.mark.parametrize("writer", [ParquetWriter, ArrowWriter, CsvWriter, JsonLinesWriter])
def test_a_table_without_rows(writer, tmp_path):
    """It has its columns, in a file that can be read."""
    path = tmp_path / "x"
    path.write_bytes(written(writer, []))
    names = [column.name for column in TABLE.columns]
    if writer is ParquetWriter:
        assert (polars.read_parquet(path).shape, pandas.read_parquet(path).shape) == ((0, 5), (0, 5))
        assert duckdb.sql(f"select * from read_parquet('{path}')").columns == names
    elif writer is ArrowWriter:
        assert (polars.read_ipc(path).columns, pyarrow.ipc.open_file(path).schema.names) == (names,) * 2
    else:
        assert path.read_text() == ("" if writer is JsonLinesWriter else ",".join(names) + "\n")


def test_numbers_are_printed_as_they_are():
    """Whole numbers have no decimals, others all that they need; what is missing is empty or null."""
    table = Table("x", (TableColumn("n", ColumnKind.NUMBER), TableColumn("i", ColumnKind.INTEGER)))
    numbers = Numbers(np.array([5.0, 13.85, -0.001, 1e22, np.nan]))
    rows = TableRows(5, {"n": numbers, "i": Integers(np.array([1, -2, 0, 3, 4]), np.array([0, 0, 0, 0, 1], bool))})
    assert written(CsvWriter, [rows], table) == b"n,i\n5,1\n13.85,-2\n-0.001,0\n1e+22,3\n,\n"
    assert written(JsonLinesWriter, [rows], table).splitlines()[1::3] == [
        b'{"n": 13.85, "i": -2}',
        b'{"n": null, "i": null}',
    ]


@pytest.mark.parametrize(("writer", "read"), [(ParquetWriter, polars.read_parquet), (ArrowWriter, polars.read_ipc)])
def test_integers_of_any_width(writer, read):
    """All are 64 bits with a sign in the file; one without a sign that is no value may be too high for them."""
    table = Table("x", (TableColumn("narrow", ColumnKind.INTEGER), TableColumn("wide", ColumnKind.INTEGER)))
    wide = Integers(np.array([1 << 63, 5], np.uint64), np.array([True, False]))
    rows = TableRows(2, {"narrow": Integers(np.array([255, 0], np.uint8)), "wide": wide})
    frame = read(io.BytesIO(written(writer, [rows], table)))
    assert (frame.rows(), frame.dtypes) == ([(255, None), (0, 5)], [polars.Int64] * 2)


def test_every_piece_is_a_row_group():
    """So that a reader, as the writer, needs memory for one of them only; each has the range of its times."""
    rows = [(1_000_000 * place, 1.0, place, "a", None) for place in range(50)]
    data = io.BytesIO(written(ParquetWriter, cut(rows, 10)))
    meta = pyarrow.parquet.ParquetFile(data).metadata
    assert (meta.num_row_groups, meta.num_rows) == (5, 50)
    times = meta.row_group(3).column(0).statistics
    assert (times.min, times.max) == (moment(30_000_000), moment(39_000_000))
    assert [meta.row_group(3).column(place).is_stats_set for place in range(5)] == [True, True, False, False, False]


def test_parquet_is_packed():
    """Numbers with zstd, texts and integers, which have dictionaries, with snappy; no notes are for one reader only."""
    rows = [(1_000_000 * place, 1.0, place % 3, "ab"[place % 2], "on") for place in range(500)]
    meta = pyarrow.parquet.ParquetFile(io.BytesIO(written(ParquetWriter, [piece(rows)]))).metadata
    columns = [meta.row_group(0).column(place) for place in range(5)]
    assert [column.compression for column in columns] == ["ZSTD", "ZSTD", "SNAPPY", "SNAPPY", "SNAPPY"]
    assert [column.has_dictionary_page for column in columns] == [False, False, True, True, True]
    assert meta.metadata is None


@given(
    st.lists(
        st.tuples(MOMENTS, st.floats(allow_nan=False), st.integers(-(1 << 63), (1 << 63) - 1), st.sampled_from(KNOWN)),
        min_size=1,
        max_size=30,
    )
)
def test_required_columns_and_steady_ones_are_read_by_others(tmp_path_factory, rows):
    """Times are written by their steps and seconds byte by byte; columns with a value in each row are declared so."""
    kinds = {"time": ColumnKind.TIME, "seconds": ColumnKind.NUMBER, "source": ColumnKind.INTEGER}
    columns = [TableColumn(name, kind, is_required=True) for name, kind in kinds.items()]
    table = Table("x", (*columns, TableColumn("known", ColumnKind.TEXT, KNOWN, is_required=True)))
    times, seconds, sources, known = zip(*rows, strict=True)
    data: dict[str, ColumnData] = {
        "time": Times(np.array(times, np.int64)),
        "seconds": Numbers(np.array(seconds)),
        "source": Integers(np.array(sources, np.int64)),
        "known": Texts(np.array([KNOWN.index(one) for one in known], np.int8), KNOWN),
    }
    path = tmp_path_factory.getbasetemp() / "required.parquet"
    path.write_bytes(written(ParquetWriter, [TableRows(len(rows), data)] * 2, table))
    expected = [(moment(row[0]), *row[1:]) for row in rows * 2]
    assert polars.read_parquet(path).rows() == expected
    assert duckdb.sql(f"select epoch_us(time), seconds, source, known from '{path}'").fetchall() == rows * 2
    read = pyarrow.parquet.read_table(path)
    assert [tuple(row.values()) for row in read.to_pylist()] == expected
    assert not any(field.nullable for field in read.schema)
    none: dict[str, ColumnData] = {**data, "seconds": Numbers(np.full(len(rows), np.nan))}
    with pytest.raises(AssertionError):
        written(ParquetWriter, [TableRows(len(rows), none)], table)


def test_large_pieces_have_large_pages():
    """A page of many rows is packed better: a piece of small numbers that repeat takes no more than a few of them."""
    count = 300_000
    numbers = Numbers(np.tile(np.arange(count // 10) / 7, 10))
    table = Table("x", (TableColumn("n", ColumnKind.NUMBER),))
    assert len(written(ParquetWriter, [TableRows(count, {"n": numbers})], table)) < count


@given(ROWS, st.integers(1, 8))
def test_pieces_are_joined(rows, size):
    """Pieces put together are the same table, whatever texts each of them has, and whether it has a date."""
    pieces = cut(rows, size) or [piece([])]
    assert written(JsonLinesWriter, [joined(pieces)]) == written(JsonLinesWriter, pieces)
