"""A table as lines that fit a terminal: columns as wide as their cells, broken within a cell where there is no room.

Knows: columns of text and of numbers. Does not know what a table is about.
"""

import re
from collections.abc import Iterator, Sequence
from textwrap import wrap

WIDE_GAP, NARROW_GAP = "  ", " "
"""Between two columns; the narrow one where the words have no room else."""
_MIN_COLUMN_WIDTH = 6
"""A column whose words are broken is made no narrower than this."""
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?|-?")


def table_lines(columns: Sequence[str], rows: Sequence[Sequence[str]], width: int, indent: str = "") -> Iterator[str]:
    """Yield the lines of a table with its heads; a column without any value is left out.

    Args:
        columns: the heads.
        rows: the cells, as many in each row as there are heads.
        width: how long a line may be; a table with very many columns can be wider.
        indent: what stands before each line.
    """
    filled = [place for place in range(len(columns)) if not rows or any(row[place] for row in rows)]
    cells = [[row[place] for place in filled] for row in (columns, *rows)]
    by_column = list(zip(*cells, strict=True))
    longest = [max(1, *map(len, column)) for column in by_column]
    words = [max((len(word) for cell in column for word in cell.split()), default=1) for column in by_column]
    gap = WIDE_GAP if sum(words) + len(WIDE_GAP) * (len(words) - 1) <= width - len(indent) else NARROW_GAP
    widths = _fitted(longest, words, width - len(indent) - len(gap) * (len(words) - 1))
    right = [bool(rows) and all(_NUMBER.fullmatch(cell) for cell in column[1:]) for column in by_column]
    for row in cells:
        broken = [wrap(cell, room, break_on_hyphens=False) or [""] for cell, room in zip(row, widths, strict=True)]
        for number in range(max(map(len, broken), default=0)):
            parts = [lines[number] if number < len(lines) else "" for lines in broken]
            aligned = [
                part.rjust(room) if is_right else part.ljust(room)
                for part, room, is_right in zip(parts, widths, right, strict=True)
            ]
            yield (indent + gap.join(aligned)).rstrip()


def _fitted(widths: list[int], words: list[int], room: int) -> list[int]:
    """Return the widths of columns that fit a line together: the widest give way first, words are broken last."""
    widths = list(widths)
    for least in (words, [min(word, _MIN_COLUMN_WIDTH) for word in words]):
        while sum(widths) > room:
            wider = [place for place, one in enumerate(widths) if one > least[place]]
            if not wider:
                break
            widths[max(wider, key=widths.__getitem__)] -= 1
    return widths
