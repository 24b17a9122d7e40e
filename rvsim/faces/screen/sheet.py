"""A widget that draws rows of text, and announces the rows above and below its window.

Knows: Textual's line interface, and the Textual style of each style name in the present theme. Does not know the
meaning of the lines. A row is rendered only when it is visible.
"""

from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip
from textual.widget import Widget

from rvsim.faces.screen.lines import Line, Row, to_ascii, worst_tag
from rvsim.faces.screen.palettes import STYLES
from rvsim.faces.screen.theme import SHEET_CSS


class Sheet(Widget):
    """A window over rows of text; ``top`` is the number of the row at its first line."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"sheet--{name}" for name in STYLES}
    DEFAULT_CSS = SHEET_CSS

    def __init__(
        self, *, id: str, lock: AbstractContextManager[object] | None = None, ascii_only: bool = False
    ) -> None:
        """Make a sheet without rows; ``lock`` is held while a row is rendered, which may read the run."""
        super().__init__(id=id)
        self._lock_of_run = lock or nullcontext()
        self.rows: Sequence[Row] = ()
        self.top = 0
        self._ascii = ascii_only

    def set_rows(self, rows: Sequence[Row], keep: tuple[int, int] | None = None) -> None:
        """Show other rows; rows ``keep[0]`` to ``keep[1]`` are scrolled into the window as far as they fit."""
        self.rows = rows
        height = max(1, self.size.height)
        if keep is not None and len(rows) > height:
            first, last = keep
            above = min(first, 1)  # a row above or below the window is announced in a line of the window
            self.top = min(first - above, max(self.top, last - height + 2))
        self.top = max(0, min(self.top, len(rows) - height))
        self.refresh()

    def scroll(self, by: int) -> None:
        """Scroll by a number of rows."""
        self.top = max(0, min(self.top + by, len(self.rows) - max(1, self.size.height)))
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """Return one line of the widget."""
        width = self.size.width
        with self._lock_of_run:
            line = self._line(y)
        segments = [Segment(to_ascii(text) if self._ascii else text, self._style(style)) for text, style in line]
        return Strip(segments).adjust_cell_length(width, self._style("plain"))

    def _line(self, y: int) -> Line:
        """Return a line of the window: a row, or the announcement of hidden rows at an edge."""
        height, at = self.size.height, self.top + y
        if height > 2 and y == 0 and self.top > 0:
            return hidden_rows_line("above", self.rows[: at + 1])
        if height > 1 and y == height - 1 and at < len(self.rows) - 1:
            return hidden_rows_line("below", self.rows[at:])
        return self.rows[at].line() if at < len(self.rows) else ()

    def _style(self, name: str) -> Style:
        return self.get_component_rich_style(f"sheet--{name}")


def hidden_rows_line(where: str, rows: Sequence[Row]) -> Line:
    """Return the line that announces hidden rows: how many there are, and the worst flag among them."""
    sign = "↑" if where == "above" else "↓"
    worst = worst_tag(row.worst for row in rows)
    text = f" {sign} {len(rows)} more row{'s' if len(rows) > 1 else ''} {where}"
    if worst is None:
        return ((text, "dim"),)
    tag, style = worst
    severity = style.removesuffix("-tag")
    return ((f"{text}, worst: ", "dim"), (tag, style), (f" {severity.upper()}", severity))
