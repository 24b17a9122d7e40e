"""The line in which a text to search for is typed, over the screen of a run.

Knows: Textual. Does not know in what is searched.
"""

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen
from textual.widgets import Input

SEARCH_CSS = """
SearchPrompt, SearchPrompt:ansi { align: left bottom; background: transparent; }
SearchPrompt Input, SearchPrompt Input:focus {
    border: none; height: 1; width: 100%; background: $panel-back; color: $panel-front; padding: 0 1;
}
SearchPrompt Input > .input--placeholder { color: $sheet-dim; }
SearchPrompt Input > .input--cursor { color: $sheet-chosen; background: $sheet-chosen-back; }
"""


class SearchPrompt(ModalScreen[str | None]):
    """Returns the text, empty for the one before; None where it was left."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Leave", show=False)]

    def __init__(self, before: str) -> None:
        super().__init__()
        self._before = before

    def compose(self) -> ComposeResult:
        """Make the line."""
        again = f" (enter: {self._before})" if self._before else ""
        yield Input(placeholder=f"search on for a device, message, field or flag{again}; esc leaves")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Return what was typed."""
        self.dismiss(event.value.strip())

    def action_leave(self) -> None:
        """Leave without a search."""
        self.dismiss(None)
