"""Tables: their columns, and pieces of their rows as arrays.

Knows: the kinds of columns, and what stands for no value in each. Does not know what a table is about, nor files.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from numpy import bool_, float64, int64, integer
    from numpy.typing import NDArray


class ColumnKind(Enum):
    """What a column holds."""

    TIME = "time"
    """A moment in UTC."""
    NUMBER = "number"
    INTEGER = "integer"
    TEXT = "text"


class TableColumn(NamedTuple):
    """One column. ``texts`` are all texts that it can have, where they are known before the rows are.

    With ``is_required`` each row has a value, which takes less time to write.
    """

    name: str
    kind: ColumnKind
    texts: tuple[str, ...] | None = None
    is_required: bool = False


@dataclass(frozen=True)
class Table:
    """The name and the columns of a table. With ``is_placed`` all its rows are `PlacedRows`."""

    name: str
    columns: tuple[TableColumn, ...]
    is_placed: bool = False


class Times(NamedTuple):
    """Moments in microseconds since the epoch, and which of them are not known; None for a log without a date."""

    microseconds: "NDArray[int64] | None"
    missing: "NDArray[bool_] | None" = None


class Numbers(NamedTuple):
    """Numbers; not a number stands for no value."""

    values: "NDArray[float64]"


class Integers(NamedTuple):
    """Integers of at most 64 bits with a sign, and which of them are no values; None where all are values."""

    values: "NDArray[integer]"
    missing: "NDArray[bool_] | None" = None


class Texts(NamedTuple):
    """Texts by their places in ``names``, which are all different; -1 stands for no text."""

    codes: "NDArray[integer]"
    names: Sequence[str]


ColumnData = Times | Numbers | Integers | Texts


class TableRows(NamedTuple):
    """Some rows of a table: how many there are, and the data of each column by its name."""

    length: int
    columns: Mapping[str, ColumnData]


def same_text(name: str, count: int) -> Texts:
    """Return a column that has one text in all rows, or none where it is empty."""
    import numpy as np

    return Texts(np.full(count, 0 if name else -1, np.int8), (name,))


def text_list(texts: Sequence[str | None]) -> Texts:
    """Return a column of texts."""
    import numpy as np

    names = {text: place for place, text in enumerate(dict.fromkeys(text for text in texts if text is not None))}
    return Texts(np.array([-1 if text is None else names[text] for text in texts], np.int32), tuple(names))


def integer_list(integers: Sequence[int | None]) -> Integers:
    """Return a column of integers."""
    import numpy as np

    missing = np.array([integer is None for integer in integers], np.bool_)
    return Integers(np.array([integer or 0 for integer in integers], np.int64), missing)


def number_list(numbers: Sequence[float | None]) -> Numbers:
    """Return a column of numbers."""
    import numpy as np

    return Numbers(np.array([np.nan if number is None else number for number in numbers], np.float64))


def joined(pieces: Sequence[TableRows]) -> TableRows:
    """Return pieces of one table, which is at least one piece, as one."""
    import numpy as np

    if len(pieces) == 1:
        return pieces[0]
    lengths = [piece.length for piece in pieces]
    columns: dict[str, ColumnData] = {}
    for name in pieces[0].columns:
        parts = [piece.columns[name] for piece in pieces]
        columns[name] = _joined_column(parts, lengths)
    return TableRows(int(np.sum(lengths)), columns)


def _joined_column(parts: Sequence[ColumnData], lengths: Sequence[int]) -> ColumnData:
    import numpy as np

    texts = [part for part in parts if isinstance(part, Texts)]
    if texts:
        names = texts[0].names
        if all(part.names is names for part in texts):
            return Texts(np.concatenate([part.codes for part in texts]), names)
        places = {
            text: place for place, text in enumerate(dict.fromkeys(text for part in texts for text in part.names))
        }
        tables = [np.array([*(places[text] for text in part.names), -1], np.int32) for part in texts]
        return Texts(
            np.concatenate([table[part.codes] for table, part in zip(tables, texts, strict=True)]), tuple(places)
        )
    numbers = [part for part in parts if isinstance(part, Numbers)]
    if numbers:
        return Numbers(np.concatenate([part.values for part in numbers]))
    integers = [part for part in parts if isinstance(part, Integers)]
    if integers:
        return Integers(
            np.concatenate([part.values for part in integers]),
            _joined_mask([part.missing for part in integers], lengths),
        )
    times = [part for part in parts if isinstance(part, Times)]
    undated = [part.microseconds is None for part in times]
    if all(undated):
        return Times(None)
    masks = [
        np.ones(length, np.bool_) if part.microseconds is None else part.missing
        for part, length in zip(times, lengths, strict=True)
    ]
    moments = [
        np.zeros(length, np.int64) if part.microseconds is None else part.microseconds
        for part, length in zip(times, lengths, strict=True)
    ]
    return Times(np.concatenate(moments), _joined_mask(masks, lengths))


def _joined_mask(masks: "Sequence[NDArray[bool_] | None]", lengths: Sequence[int]) -> "NDArray[bool_] | None":
    import numpy as np

    if all(mask is None for mask in masks):
        return None
    filled = [np.zeros(length, np.bool_) if mask is None else mask for mask, length in zip(masks, lengths, strict=True)]
    return np.concatenate(filled)
