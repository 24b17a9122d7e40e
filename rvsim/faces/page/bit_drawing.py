"""The bits of a frame as SVG: the rows of `bit_picture`, each group underlined and led to its words.

Knows: places in the drawing. Does not know what the bits are; colours come from the page's style.
"""

from collections.abc import Iterator, Sequence
from textwrap import wrap

from rvsim.faces.page.markup import Html, element
from rvsim.faces.text.bit_picture import BitRow

_WIDTH, _BIT, _LINE, _LETTER = 680, 11, 21, 7.6
"""Width of the drawing, of a bit, height of a line, and width of a letter, in pixels."""
_BELOW, _GAP = 5, 7
"""From the foot of the digits to the line under them; from a leader to its words."""


def bit_drawing(rows: Sequence[BitRow], title: str) -> Html:
    """Return the drawing; ``title`` is what it shows, for those who do not see it."""
    widest = max((len(row.groups[0].bits) for row in rows if len(row.groups) == 1), default=0)
    left = int(max(len(row.title) for row in rows) * _LETTER) + 2 * _GAP
    parts: list[Html] = []
    y = _LINE
    for row in rows:
        parts += _digits(row, left, y)
        if len(row.groups) == 1:
            words = _words(row.groups[0].words, left + widest * _BIT + 3 * _GAP, y)
            parts += words
            y += _LINE * max(len(words), 1) + 6
        else:
            y = _led_words(row, left, y, parts) + 6
    return element(
        "svg", *parts, class_="bits", viewBox=f"0 0 {_WIDTH} {y - _LINE + 12}", width=_WIDTH, role="img",
        aria_label=title,
    )  # fmt: skip


def _digits(row: BitRow, left: int, y: int) -> Iterator[Html]:
    """Yield the title of a row, and its digits, each group with a line under it."""
    yield element("text", row.title, x=0, y=y, class_="row-title")
    for group, start in zip(row.groups, row.starts, strict=True):
        first = left + start * _BIT
        places = " ".join(str(first + number * _BIT) for number in range(len(group.bits)))
        yield element("text", group.bits, x=places, y=y, class_="digits")
        yield _line((first, y + _BELOW), (first + len(group.bits) * _BIT - 3, y + _BELOW))


def _led_words(row: BitRow, left: int, y: int, parts: list[Html]) -> int:
    """Add the words of the groups under a row, the last group first; return where the next row stands."""
    below = y + _LINE
    for group, start in reversed(list(zip(row.groups, row.starts, strict=True))):
        x = left + start * _BIT + _BIT // 2 - 1
        words = _words(group.words, x + 2 * _GAP, below)
        parts += [_line((x, y + _BELOW), (x, below - _BELOW), (x + _GAP + 3, below - _BELOW)), *words]
        below += _LINE * len(words)
    return below


def _words(words: str, x: int, y: int) -> list[Html]:
    lines = wrap(words, max(int((_WIDTH - x) / _LETTER), 20))
    return [element("text", line, x=x, y=y + number * _LINE) for number, line in enumerate(lines)]


def _line(*points: tuple[int, int]) -> Html:
    return element("path", d="M" + " L".join(f"{x} {y}" for x, y in points), class_="leader")
