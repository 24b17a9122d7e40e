"""The line in which a text is typed, over the screen of a run: what to search for, or a note.

Knows: Textual. Does not know what the text is for.
"""

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen
from textual.widgets import Input

PROMPT_CSS = """
LinePrompt, LinePrompt:ansi { align: left bottom; background: transparent; }
LinePrompt Input, LinePrompt Input:focus {
    border: none; height: 1; width: 100%; background: $panel-back; color: $panel-front; padding: 0 1;
}
LinePrompt Input > .input--placeholder { color: $sheet-dim; }
LinePrompt Input > .input--cursor { color: $sheet-chosen; background: $sheet-chosen-back; }
"""


class LinePrompt(ModalScreen[str | None]):
    """Returns what was typed, without spaces around it; None where it was left.

    ``placeholder`` says what to type, and stands there until something is typed.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Leave", show=False)]

    def __init__(self, placeholder: str) -> None:
        super().__init__()
        self._placeholder = placeholder

    def compose(self) -> ComposeResult:
        """Make the line."""
        yield Input(placeholder=self._placeholder)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Return what was typed."""
        self.dismiss(event.value.strip())

    def action_leave(self) -> None:
        """Leave without a text."""
        self.dismiss(None)
