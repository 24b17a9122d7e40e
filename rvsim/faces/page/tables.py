"""Tables of a page, which the page's script makes sortable, searchable and filterable.

Knows: columns and cells, and what the script needs of them. Does not know what the rows are about.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from rvsim.faces.page.markup import Content, Html, element, join
from rvsim.wire.frame import SECOND_US


@dataclass(frozen=True)
class Column:
    """A column: numbers stand on the right and sort by size; ``filters`` offers a choice among its texts."""

    title: str
    is_number: bool = False
    filters: bool = False


class Cell(NamedTuple):
    """A cell; ``key`` is the number by which it sorts where that is not its text."""

    content: Content
    key: float | None = None


MAX_ROWS = 2000
"""Rows of a table, which a browser can still sort at once; a damaged log can have very many messages. Our decision."""
_LAST = 1e18
"""The key of a cell that sorts behind all times."""
Row = Sequence[Cell | Content]


def seconds_cell(time: int | None, otherwise: str = "") -> Cell:
    """Return a time (microseconds) in seconds; None sorts last and is written ``otherwise``."""
    return Cell(otherwise, _LAST) if time is None else Cell(f"{time / SECOND_US:.1f}", time)


def table(caption: str, columns: Sequence[Column], rows: Iterable[Row], *, identifier: str, noun: str = "row") -> Html:
    """Return a table in its frame; rows are as long as ``columns``. ``noun`` is what one row is, for the count."""
    head = element(
        "tr",
        *(
            element(
                "th",
                column.title,
                scope="col",
                class_="number" if column.is_number else None,
                data_filter=column.filters,
            )
            for column in columns
        ),
    )
    every = list(rows)
    body = join(_row(columns, row) for row in every[:MAX_ROWS])
    made = element("table", element("caption", caption), element("thead", head), element("tbody", body))
    left_out = (
        element("p", f"The first {MAX_ROWS} of {len(every)} {noun}s. The JSON form has all of them.", class_="note")
        if len(every) > MAX_ROWS
        else None
    )
    return element("div", left_out, made, class_="table", id=identifier, data_noun=noun)


def _row(columns: Sequence[Column], row: Row) -> Html:
    return element("tr", *(_cell(place, *pair) for place, pair in enumerate(zip(columns, row, strict=True))))


def _cell(place: int, column: Column, content: Cell | Content) -> Html:
    cell = content if isinstance(content, Cell) else Cell(content)
    kind = "number" if column.is_number else None
    if place == 0:
        return element("th", cell.content, scope="row", class_=kind, data_key=cell.key)
    return element("td", cell.content, class_=kind, data_key=cell.key)
