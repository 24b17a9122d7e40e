"""A table as lines that fit a terminal: columns as wide as their cells, broken within a cell where there is no room.

Knows: columns of text and of numbers. Does not know what a table is about.
"""

import re
from collections.abc import Iterator, Sequence
from textwrap import wrap

GAP = "  "
"""Between two columns."""
_MIN_COLUMN_WIDTH = 6
"""A column is made no narrower than this, or than its longest word if that is shorter."""
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?|-?")


def table_lines(columns: Sequence[str], rows: Sequence[Sequence[str]], width: int, indent: str = "") -> Iterator[str]:
    """Yield the lines of a table with its heads.

    Args:
        columns: the heads.
        rows: the cells, as many in each row as there are heads.
        width: how long a line may be; a table with very many columns can be wider.
        indent: what stands before each line.
    """
    cells = [columns, *rows]
    widths = _fitted([max(len(row[place]) for row in cells) for place in range(len(columns))], width - len(indent))
    right = [bool(rows) and all(_NUMBER.fullmatch(row[place]) for row in rows) for place in range(len(columns))]
    for row in cells:
        broken = [wrap(cell, room, break_on_hyphens=False) or [""] for cell, room in zip(row, widths, strict=True)]
        for number in range(max(map(len, broken))):
            parts = [lines[number] if number < len(lines) else "" for lines in broken]
            aligned = [
                part.rjust(room) if is_right else part.ljust(room)
                for part, room, is_right in zip(parts, widths, right, strict=True)
            ]
            yield (indent + GAP.join(aligned)).rstrip()


def _fitted(widths: list[int], width: int) -> list[int]:
    """Return the widths of columns that fit a line together: the widest give way first."""
    widths = list(widths)
    too_much = sum(widths) + len(GAP) * (len(widths) - 1) - width
    while too_much > 0:
        widest = max(widths)
        if widest <= _MIN_COLUMN_WIDTH:
            break
        place = widths.index(widest)
        widths[place] -= 1
        too_much -= 1
    return widths
