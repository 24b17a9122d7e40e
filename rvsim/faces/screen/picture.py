"""The screen as an SVG picture: letters and coloured areas, nothing else.

Knows: SVG, and the width of a letter of a monospaced font. Does not know the texts. The picture names no font file and
has no window frame.
"""

import re
from collections.abc import Iterable
from xml.sax.saxutils import escape

from rich.color import Color
from rich.style import Style
from textual.strip import Strip

from rvsim.faces.screen.palettes import Palette

LETTER_WIDTH, LINE_HEIGHT, FONT_SIZE = 8.4, 17.0, 14.0
"""In units of the picture; a letter of most monospaced fonts is 0.6 of the font size wide. From memory."""
BASELINE = 12.8
MARGIN = 10.0
_WORD = re.compile(r"\S+")
_STANDARD = (
    "#000000", "#cd0000", "#00cd00", "#cdcd00", "#0000ee", "#cd00cd", "#00cdcd", "#e5e5e5",
    "#7f7f7f", "#ff0000", "#00ff00", "#ffff00", "#5c5cff", "#ff00ff", "#00ffff", "#ffffff",
)  # fmt: skip
"""The default 16 colours of xterm. From memory."""


def screen_svg(strips: Iterable[Strip], palette: Palette) -> str:
    """Return the lines of a terminal as an SVG document."""
    lines = list(strips)
    default_colours = ("#e5e5e5", "#000000") if palette.is_dark else ("#000000", "#ffffff")
    columns = max((strip.cell_length for strip in lines), default=0)
    width, height = columns * LETTER_WIDTH + 2 * MARGIN, len(lines) * LINE_HEIGHT + 2 * MARGIN
    back = _hex(Color.parse(palette.styles["plain"].background.removeprefix("ansi_")), default_colours[1])
    drawn = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'font-family="monospace" font-size="{FONT_SIZE:g}">',
        f'<rect width="{width:g}" height="{height:g}" fill="{back}"/>',
    ]
    for row, strip in enumerate(lines):
        column = 0
        for segment in strip:
            drawn += _segment_svg(segment.text, segment.style or Style(), column, row, default_colours, back)
            column += segment.cell_length
    return "\n".join([*drawn, "</svg>", ""])


def _segment_svg(
    text: str, style: Style, column: int, row: int, default_colours: tuple[str, str], screen_back: str
) -> Iterable[str]:
    """Return the rectangle behind a text, if its colour differs from the background of the screen, and its words."""
    front, back = _hex(style.color, default_colours[0]), _hex(style.bgcolor, default_colours[1])
    if style.reverse:
        front, back = back, front
    x, y = MARGIN + column * LETTER_WIDTH, MARGIN + row * LINE_HEIGHT
    if back != screen_back:
        width = len(text) * LETTER_WIDTH
        yield f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{LINE_HEIGHT:g}" fill="{back}"/>'
    bold = ' font-weight="bold"' if style.bold else ""
    line = ' text-decoration="underline"' if style.underline else ""
    for word in _WORD.finditer(text):  # each word has its own place, so that columns are aligned in any font
        at, wide = x + word.start() * LETTER_WIDTH, len(word[0]) * LETTER_WIDTH
        yield (
            f'<text x="{at:g}" y="{y + BASELINE:g}" textLength="{wide:g}" fill="{front}"{bold}{line}>'
            f"{escape(word[0])}</text>"
        )


def _hex(colour: Color | None, default: str) -> str:
    """Return a colour as ``#rrggbb``."""
    if colour is None or colour.is_default:
        return default
    if colour.number is not None and colour.number < len(_STANDARD):
        return _STANDARD[colour.number]
    return colour.get_truecolor().hex
