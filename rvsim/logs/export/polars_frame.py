"""Pieces of tables as data frames of polars, which writes them to bytes.

Knows: polars. It is an extra and imported only here, when a table is written that needs it. Does not know what a table
is about, nor files.
"""

from typing import TYPE_CHECKING, assert_never

from rvsim.errors import InputError
from rvsim.logs.export.table import ColumnData, Integers, Numbers, Table, TableColumn, TableRows, Texts, Times

if TYPE_CHECKING:
    from numpy import bool_
    from numpy.typing import NDArray
    from polars import DataFrame, Series


def check_polars(suffix: str) -> None:
    """Check that polars is installed.

    Raises:
        InputError: it is not.
    """
    try:
        import polars as _polars  # noqa: F401 - only to find out
    except ImportError:
        raise InputError(
            f"{suffix} needs polars, which is not installed: pip install 'rvsim-bench[export]', or write .csv or .jsonl"
        ) from None


def data_frame(table: Table, rows: TableRows, *, listed_texts: bool) -> "DataFrame":
    """Return rows as a data frame.

    With ``listed_texts`` a column of texts has the type of a list of known texts (an enumeration) only where all texts
    of the column are known before; so all pieces of a table have the same types.
    """
    import polars as pl

    return pl.DataFrame(
        [_series(column, rows.columns[column.name], rows.length, listed=listed_texts) for column in table.columns]
    )


def _series(column: TableColumn, data: ColumnData, count: int, *, listed: bool) -> "Series":
    import polars as pl

    match data:
        case Numbers():
            series = pl.Series(column.name, data.values, pl.Float64, nan_to_null=True)
        case Integers():
            series = _without(pl.Series(column.name, data.values).cast(pl.Int64), data.missing)
        case Times():
            moment = pl.Datetime("us", "UTC")
            if data.microseconds is None:
                series = pl.Series(column.name, [None], moment).new_from_index(0, count)
            else:
                series = _without(pl.Series(column.name, data.microseconds).cast(moment), data.missing)
        case Texts():
            if listed and column.texts is not None:
                assert column.texts == tuple(data.names)
            series = _texts(column.name, data)
            if listed and column.texts is None:
                series = series.cast(pl.String)
        case _:
            assert_never(data)
    return series


def _without(series: "Series", missing: "NDArray[bool_] | None") -> "Series":
    """Return a series without some of its values."""
    import polars as pl

    return series if missing is None or not missing.any() else series.set(pl.Series(missing), None)


def _texts(name: str, data: Texts) -> "Series":
    """Return texts as an enumeration of all names."""
    import numpy as np
    import polars as pl

    codes = data.codes
    kind = pl.Enum(list(data.names) or [""])
    if len(codes) and (codes == codes[0]).all():  # many columns have one text only, which takes no time
        text = data.names[int(codes[0])] if codes[0] >= 0 else None
        return pl.Series(name, [text], kind).new_from_index(0, len(codes))
    has_none = bool(len(codes)) and int(codes.min()) < 0
    width = np.uint8 if len(data.names) < 1 << 8 else np.uint32
    series = pl.Series(name, (codes.clip(0) if has_none else codes).astype(width)).cat.to(kind)
    return series.set(pl.Series(codes < 0), None) if has_none else series
