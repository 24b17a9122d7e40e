"""Lines of the screen as plain data, and the few shapes that are drawn with characters.

Knows: spans of text with the name of a style, rails, drop-wire marks, cutting and wrapping. Does not know
Textual, colours, what is said, nor which sign stands for which in ASCII (`signs`).
"""

from collections.abc import Callable, Iterable, Sequence
from textwrap import wrap
from typing import NamedTuple

from rvsim.faces.text.signs import SAME_WIDTH
from rvsim.watch.flag import WORST_FIRST, Flag
from rvsim.watch.transitions import Presence

Span = tuple[str, str]
"""A text and the name of its style, one of `palettes.STYLES`."""
Line = tuple[Span, ...]


class Row(NamedTuple):
    """A row of a page that is put into words only when it is drawn, and the tag of the worst flag that it shows."""

    line: Callable[[], Line]
    worst: Span | None = None


_NO_BREAK = "\x1f"
"""Stands for a blank at which no line is cut, while lines are being cut."""
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
"""How the drop wire of a device is drawn; the word stands beside it always."""


def plain(text: str) -> Line:
    """Return a line of one style."""
    return ((text, "plain"),)


def text_of(line: Line) -> str:
    """Return a line without its styles."""
    return "".join(text for text, _ in line)


def to_ascii(text: str) -> str:
    """Return a text with every drawn sign as ASCII, same width."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def cut(line: Line, width: int) -> Line:
    """Return a line that is exactly ``width`` wide: cut with a mark, or filled up with blanks."""
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


def tag(flag: Flag) -> Span:
    """Return the tag that ties a flag to its device: ``(n)``, ``<n>`` or ``[n]`` by severity."""
    return flag.tag, f"{flag.severity}-tag"


def worst_tag(tags: Iterable[Span | None]) -> Span | None:
    """Return the first of the worst tags; None where there is none."""
    found = [one for one in tags if one is not None]
    return min(found, key=lambda one: _TAG_STYLES.index(one[1]), default=None)


def made(line: Line) -> Row:
    """Return a row of a line that is in words already; the tags in it are its flags."""
    return Row(lambda: line, worst_tag(span for span in line if span[1] in _TAG_STYLES))


def with_tag(lines: Sequence[Line], head: str, style: str) -> list[Line]:
    """Return wrapped lines whose text begins with the tags ``head``, with these painted as tags."""
    (edge, (text, body), *rest), *more = lines
    if not text.startswith(head):
        return list(lines)
    return [(edge, (head, style), (text[len(head) :], body), *rest), *more]


def longest_that_fits(forms: Sequence[Line], width: int) -> Line:
    """Return the first of several forms of a line that is not wider than ``width``, else the last."""
    return next((form for form in forms if len(text_of(form)) <= width), forms[-1])


def beside(left: Line, right: Line, width: int) -> Line:
    """Return a line with ``right`` at its right edge, which stays whole while ``left`` is cut."""
    room = width - sum(len(text) for text, _ in right)
    return (*cut(left, max(0, room)), *right) if right else cut(left, width)


def rail(value: float | None, past: float | None, low: float, high: float, width: int) -> str:
    """Draw a rail: ``├──▒──●──┤``, ● where the value is now and ▒ where it came from; an end holds what lies beyond."""
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


def wrapped(text: str, width: int, first: str = "", later: str = "", style: str = "plain") -> list[Line]:
    """Return a text as lines of at most ``width``, with what stands before the first and before each later one.

    Ten letters beside that are the least, however small the width.
    """
    room = max(10, width - max(len(first), len(later)))
    kept = text.replace(" *", f"{_NO_BREAK}*")  # a mark stays beside what it marks
    pieces = wrap(kept, room, break_long_words=True, break_on_hyphens=False) or [""]
    pieces = [piece.replace(_NO_BREAK, " ") for piece in pieces]
    return [((first if n == 0 else later, "dim"), (piece, style)) for n, piece in enumerate(pieces)]


def joined(parts: Iterable[str], last: str = " and ") -> str:
    """Join words as a person lists them."""
    words: Sequence[str] = list(parts)
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + last + words[-1] if words else ""


def ago(microseconds: int) -> str:
    """Say a time span shortly: ``0.8 s``, ``43 s``, ``2 min 31 s``, ``3 h 05 min``, ``6 d 4 h``."""
    seconds = microseconds / 1e6
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
