"""Tables as text: comma-separated values with a line of names, and JSON lines.

Knows: how each kind of column is written in both forms. Does not know what a table is about. A number has as many
digits as make it exact, and no decimals where it is whole; times are ISO 8601 in UTC.
"""

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, BinaryIO, assert_never

from rvsim.logs.export.placed import PlacedRows, dense
from rvsim.logs.export.table import ColumnData, Integers, Numbers, Table, TableRows, Texts, Times
from rvsim.logs.formats.jsonl import json_text

if TYPE_CHECKING:
    from numpy import bool_
    from numpy.typing import NDArray

_QUOTED_IN_CSV = frozenset(',"\r\n')
_MAX_LINES = 1 << 16
"""Lines that are put together at a time."""


class CsvWriter:
    """Writes a table as comma-separated values (RFC 4180, lines end with LF); what is missing is empty."""

    def __init__(self, table: Table, file: BinaryIO) -> None:
        self._table, self._file = table, file
        file.write((",".join(_csv_text(column.name) for column in table.columns) + "\n").encode())

    def prepare(self, rows: TableRows | PlacedRows) -> Callable[[], None]:
        """Return what writes the next rows: all of the work is in it."""
        return partial(self._write, rows)

    def _write(self, placed: TableRows | PlacedRows) -> None:
        rows = dense(placed)
        columns = [_tokens(rows.columns[column.name], rows.length, _csv_text, "") for column in self._table.columns]
        for start in range(0, rows.length, _MAX_LINES):
            lines = map(",".join, zip(*(column[start : start + _MAX_LINES] for column in columns), strict=True))
            self._file.write(("\n".join(lines) + "\n").encode())

    def close(self) -> None:
        """Nothing belongs at the end."""


class JsonLinesWriter:
    """Writes each row of a table as one JSON object in one line; what is missing is null."""

    def __init__(self, table: Table, file: BinaryIO) -> None:
        self._table, self._file = table, file
        self._names = [json_text(column.name) for column in table.columns]

    def prepare(self, rows: TableRows | PlacedRows) -> Callable[[], None]:
        """Return what writes the next rows: all of the work is in it."""
        return partial(self._write, rows)

    def _write(self, placed: TableRows | PlacedRows) -> None:
        rows = dense(placed)
        columns = [_tokens(rows.columns[column.name], rows.length, json_text, "null") for column in self._table.columns]
        form = "{" + ", ".join(f"{name.replace('%', '%%')}: %s" for name in self._names) + "}"
        for start in range(0, rows.length, _MAX_LINES):
            lines = map(form.__mod__, zip(*(column[start : start + _MAX_LINES] for column in columns), strict=True))
            self._file.write(("\n".join(lines) + "\n").encode())

    def close(self) -> None:
        """Nothing belongs at the end."""


def _csv_text(text: str) -> str:
    """Return a text as it stands in a line of comma-separated values."""
    return '"' + text.replace('"', '""') + '"' if _QUOTED_IN_CSV.intersection(text) else text


def _tokens(data: ColumnData, count: int, quoted: Callable[[str], str], missing: str) -> Sequence[str]:
    """Return each entry of a column as text."""
    import numpy as np

    match data:
        case Texts():
            tokens = [*map(quoted, data.names), missing]  # the place -1 is the last one
            return list(map(tokens.__getitem__, data.codes.tolist()))
        case Integers():
            return _without(list(map(str, data.values.tolist())), data.missing, missing)
        case Numbers():
            # Sorting is cheaper than writing the same number again.
            values, places = np.unique(data.values, return_inverse=True)
            texts = [_number(value) if value == value else missing for value in values.tolist()]
            return list(map(texts.__getitem__, places.tolist()))
        case Times():
            if data.microseconds is None:
                return [missing] * count
            moments, places = np.unique(data.microseconds, return_inverse=True)
            texts = [quoted(f"{text}+00:00") for text in moments.astype("datetime64[us]").astype(str).tolist()]
            return _without([texts[place] for place in places.tolist()], data.missing, missing)
    assert_never(data)


def _without(texts: list[str], places: "NDArray[bool_] | None", missing: str) -> list[str]:
    """Return texts with some of them replaced."""
    import numpy as np

    if places is not None:
        for place in np.flatnonzero(places).tolist():
            texts[place] = missing
    return texts


def _number(value: float) -> str:
    text = repr(value)
    return text[:-2] if text.endswith(".0") else text
