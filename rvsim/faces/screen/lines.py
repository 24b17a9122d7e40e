"""Lines of the screen as plain data, and the shapes that are drawn with characters.

Knows: spans of text with the name of a style, rails, drop-wire marks, cutting and wrapping. Does not know
Textual, colours, the meaning of a text, nor the ASCII form of a sign (`signs`).
"""

from collections.abc import Callable, Iterable, Sequence
from textwrap import wrap
from typing import NamedTuple

from rvsim.faces.text.signs import SAME_WIDTH
from rvsim.watch.flag import WORST_FIRST, Flag
from rvsim.watch.transitions import Presence
from rvsim.wire.frame import SECOND_US

Span = tuple[str, str]
"""A text and the name of its style, which is one of `palettes.STYLES`."""
Line = tuple[Span, ...]


class Row(NamedTuple):
    """A row of a page: a function that renders its line when it is drawn, and the tag of the worst flag in it."""

    line: Callable[[], Line]
    worst: Span | None = None


_NO_BREAK = "\x1f"
"""Replaces a space at which no line may break while a text is wrapped."""
MIN_WRAP_COLUMNS = 10
_ASCII = str.maketrans(SAME_WIDTH)
_TAG_STYLES = tuple(f"{severity}-tag" for severity in WORST_FIRST)
MARKS = {
    Presence.PRESENT: "╠═══",
    Presence.LATE: "╠══~",
    Presence.SILENT: "╠═ ═",
    Presence.ASLEEP: "╠═ z",
    Presence.UNPLANNED: "+═══",
    None: "╠═ ?",
}
"""The drawing of a device's drop wire by its presence, None while it is awaited; the word is always beside it."""


def plain_line(text: str) -> Line:
    """Return a line of one span in the style "plain"."""
    return ((text, "plain"),)


def text_of(line: Line) -> str:
    """Return the text of a line without styles."""
    return "".join(text for text, _ in line)


def to_ascii(text: str) -> str:
    """Return a text in ASCII, with the same width; a letter without an ASCII form becomes a question mark."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def fit_width(line: Line, width: int) -> Line:
    """Return a line of exactly ``width`` columns: cut and ended with "…", or filled with spaces."""
    left, spans = width, []
    whole = sum(len(text) for text, _ in line)
    for text, style in line:
        if left <= 0:
            break
        kept = text[:left]
        if len(kept) == left and whole > width:
            kept = kept[:-1] + "…"
        spans.append((kept, style))
        left -= len(kept)
    if left > 0:
        spans.append((" " * left, "plain"))
    return tuple(spans)


def tag_span(flag: Flag) -> Span:
    """Return the tag of a flag: ``(n)`` for a notice, ``<n>`` for a warning, ``[n]`` for a fault."""
    return flag.tag, f"{flag.severity}-tag"


def worst_tag(tags: Iterable[Span | None]) -> Span | None:
    """Return the first tag of the worst severity; None without a tag."""
    found = [tag for tag in tags if tag is not None]
    return min(found, key=lambda tag: _TAG_STYLES.index(tag[1]), default=None)


def fixed_row(line: Line) -> Row:
    """Return a row of a line that is already rendered; its tags are found in the line."""
    return Row(lambda: line, worst_tag(span for span in line if span[1] in _TAG_STYLES))


def paint_tag(lines: Sequence[Line], head: str, style: str) -> list[Line]:
    """Return wrapped lines with the tags ``head`` at the start of their text in ``style``."""
    (edge, (text, body), *rest), *more = lines
    if not text.startswith(head):
        return list(lines)
    return [(edge, (head, style), (text[len(head) :], body), *rest), *more]


def longest_that_fits(forms: Sequence[Line], width: int) -> Line:
    """Return the first form of a line that is not wider than ``width``, else the last form."""
    return next((form for form in forms if len(text_of(form)) <= width), forms[-1])


def with_right_edge(left: Line, right: Line, width: int) -> Line:
    """Return a line with ``right`` at its right edge; only ``left`` is cut."""
    left_width = width - sum(len(text) for text, _ in right)
    return (*fit_width(left, max(0, left_width)), *right) if right else fit_width(left, width)


def draw_rail(value: float | None, past: float | None, low: float, high: float, width: int) -> str:
    """Return a rail such as ``├──▒──●──┤``: ● is now, ▒ an earlier value; a value beyond an end is drawn at the end."""
    inner = max(1, width - 2)
    signs = ["─"] * inner

    def place(at: float) -> int:
        share = (at - low) / (high - low) if high > low else 0.0
        return min(inner - 1, max(0, round(share * (inner - 1))))

    if past is not None:
        signs[place(past)] = "▒"
    if value is not None:
        signs[place(value)] = "●"
    return f"├{''.join(signs)}┤"


def wrap_text(text: str, width: int, first: str = "", later: str = "", style: str = "plain") -> list[Line]:
    """Return a text as lines of at most ``width`` columns.

    Args:
        text: the text.
        width: the columns; at least `MIN_WRAP_COLUMNS` remain for the text, however small the width.
        first: the prefix of the first line.
        later: the prefix of each later line.
        style: the style of the text; a prefix is dim.
    """
    columns = max(MIN_WRAP_COLUMNS, width - max(len(first), len(later)))
    unbroken = text.replace(" *", f"{_NO_BREAK}*")  # an origin mark stays on the line of its word
    pieces = wrap(unbroken, columns, break_long_words=True, break_on_hyphens=False) or [""]
    pieces = [piece.replace(_NO_BREAK, " ") for piece in pieces]
    return [((first if n == 0 else later, "dim"), (piece, style)) for n, piece in enumerate(pieces)]


def list_text(items: Iterable[str], last: str = " and ") -> str:
    """Return items as a list in a sentence: ``a, b and c``."""
    words: Sequence[str] = list(items)
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + last + words[-1] if words else ""


def elapsed_text(microseconds: int) -> str:
    """Return a duration as a short text: ``0.8 s``, ``43 s``, ``2 min 31 s``, ``3 h 05 min``, ``6 d 4 h``."""
    seconds = microseconds / SECOND_US
    if seconds < 10:
        return f"{seconds:.1f} s"
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{int(seconds) // 60} min {int(seconds) % 60:02d} s"
    minutes = int(seconds) // 60
    return (
        f"{minutes // 60} h {minutes % 60:02d} min"
        if minutes < 2880
        else f"{minutes // 1440} d {minutes % 1440 // 60} h"
    )


def interval_text(microseconds: int) -> str:
    """Return the interval of a message as a short text: ``2.4 ms``, ``95 ms``, ``1.0 s``."""
    if microseconds >= SECOND_US:
        return f"{microseconds / SECOND_US:.1f} s"
    milliseconds = microseconds / 1000
    return f"{milliseconds:.1f} ms" if milliseconds < 10 else f"{milliseconds:.0f} ms"
