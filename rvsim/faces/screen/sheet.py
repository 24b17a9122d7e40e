"""A widget that draws its own lines, one strip a row.

Knows: Textual's line interface, and which style each of our style names has in the present theme. Does not know what
the lines say. A row is asked for its line only when it is visible.
"""

from collections.abc import Callable, Sequence
from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip
from textual.widget import Widget

from rvsim.faces.screen.lines import Line, to_ascii

STYLES = ("plain", "strong", "dim", "notice", "warning", "fault", "chosen")


class Sheet(Widget):
    """Rows of text. ``top`` is the first visible row."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"sheet--{name}" for name in STYLES}
    DEFAULT_CSS = """
    Sheet { height: 1fr; width: 100%; background: $background; color: $foreground; }
    Sheet > .sheet--strong { text-style: bold; }
    Sheet > .sheet--dim { color: $text-muted; }
    Sheet > .sheet--notice { color: $text-accent; }
    Sheet > .sheet--warning { color: $text-warning; text-style: bold; }
    Sheet > .sheet--fault { color: $text-error; text-style: bold; }
    Sheet > .sheet--chosen { text-style: bold reverse; }
    """

    def __init__(self, *, id: str, ascii_only: bool = False) -> None:
        super().__init__(id=id)
        self.rows: Sequence[Callable[[], Line]] = ()
        self.top = 0
        self._ascii = ascii_only

    def show(self, rows: Sequence[Callable[[], Line]], keep: tuple[int, int] | None = None) -> None:
        """Show other rows; those from the first to the last of ``keep`` stay visible as far as they fit."""
        self.rows = rows
        height = max(1, self.size.height)
        if keep is not None:
            first, last = keep
            self.top = min(first, max(self.top, last - height + 2))
        self.top = max(0, min(self.top, len(rows) - height))
        self.refresh()

    def scroll(self, by: int) -> None:
        """Move over the rows."""
        self.top = max(0, min(self.top + by, len(self.rows) - max(1, self.size.height)))
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """Return one line of the widget."""
        width = self.size.width
        at = self.top + y
        if at >= len(self.rows):
            return Strip.blank(width, self._style("plain"))
        segments = [
            Segment(to_ascii(text) if self._ascii else text, self._style(style)) for text, style in self.rows[at]()
        ]
        return Strip(segments).adjust_cell_length(width, self._style("plain"))

    def _style(self, name: str) -> Style:
        return self.get_component_rich_style(f"sheet--{name}")
