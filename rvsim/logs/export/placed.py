"""Rows of a table by their entries: what many rows have in common is kept once, with the places of its rows.

Knows: how columns are put together of entries, and how they become arrays with one element for each row. Does not know
what a table is about, nor files. The readings of a block are such rows: some thousand different readings and the times
of its frames stand for half a million rows.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple, Protocol, assert_never

from rvsim.logs.export.table import ColumnData, Integers, Numbers, TableRows, Texts, Times

if TYPE_CHECKING:
    from numpy import bool_, intp
    from numpy.typing import NDArray


class PlacedPart(NamedTuple):
    """Consecutive rows, which have entries from ``start`` up to ``stop`` (at least one).

    Row by row they have the entries at ``places``, counted from ``start``, or these entries in their order where that
    is None; and all of it so many times, one after the other.
    """

    start: int
    stop: int
    places: "NDArray[intp] | None" = None
    repeats: int = 1

    @property
    def once(self) -> int:
        """The number of rows without repeats."""
        return self.stop - self.start if self.places is None else len(self.places)

    @property
    def rows(self) -> int:
        """The number of rows."""
        return self.once * self.repeats


class Placed(NamedTuple):
    """A column: its entries, and parts that have all of the entries, one part after the other."""

    entries: ColumnData
    parts: Sequence[PlacedPart]


class PlacedRows(NamedTuple):
    """Some rows of a table: how many there are, and each column by its name."""

    length: int
    columns: Mapping[str, Placed]


class TableWriter(Protocol):
    """Writes one table to one file."""

    def prepare(self, rows: TableRows | PlacedRows) -> Callable[[], None]:
        """Return what writes the next rows; it may be called in another thread, before more rows are written."""

    def close(self) -> None:
        """Write what belongs at the end; the file itself is closed by who opened it."""


def dense(rows: TableRows | PlacedRows) -> TableRows:
    """Return rows with one element for each row in every column."""
    if isinstance(rows, TableRows):
        return rows
    places: dict[int, NDArray[intp]] = {}
    columns: dict[str, ColumnData] = {}
    for name, (entries, parts) in rows.columns.items():
        if id(parts) not in places:  # several columns have the same parts
            places[id(parts)] = _places(parts)
        columns[name] = _taken(entries, places[id(parts)])
    return TableRows(rows.length, columns)


def _places(parts: Sequence[PlacedPart]) -> "NDArray[intp]":
    """Return the place of the entry of each row."""
    import numpy as np

    pieces = [np.empty(0, np.intp)]
    for part in parts:
        once = np.arange(part.start, part.stop) if part.places is None else part.places + part.start
        pieces.append(np.tile(once, part.repeats))
    return np.concatenate(pieces)


def _taken(entries: ColumnData, places: "NDArray[intp]") -> ColumnData:
    match entries:
        case Texts():
            return Texts(entries.codes.take(places), entries.names)
        case Numbers():
            return Numbers(entries.values.take(places))
        case Integers():
            return Integers(entries.values.take(places), _taken_mask(entries.missing, places))
        case Times():
            if entries.microseconds is None:
                return entries
            return Times(entries.microseconds.take(places), _taken_mask(entries.missing, places))
    assert_never(entries)


def _taken_mask(missing: "NDArray[bool_] | None", places: "NDArray[intp]") -> "NDArray[bool_] | None":
    return None if missing is None else missing.take(places)
