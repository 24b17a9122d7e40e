"""The line in which a text is typed, over the screen of a run: what to search for, or a note.

Knows: Textual. Does not know what the text is for.
"""

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen
from textual.suggester import SuggestFromList
from textual.widgets import Input

PROMPT_CSS = """
LinePrompt, LinePrompt:ansi { align: left bottom; background: transparent; }
LinePrompt Input, LinePrompt Input:focus {
    border: none; height: 1; width: 100%; background: $panel-back; color: $panel-front; padding: 0 1;
}
LinePrompt Input > .input--placeholder, LinePrompt Input > .input--suggestion { color: $sheet-dim; }
LinePrompt Input > .input--cursor { color: $sheet-chosen; background: $sheet-chosen-back; }
"""


class LinePrompt(ModalScreen[str | None]):
    """Returns what was typed, without spaces around it; None where it was left.

    ``placeholder`` says what to type, and stands there until something is typed. ``suggestions`` are texts that can be
    typed: the up and down keys go through them, and the right key completes one that was begun.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Leave", show=False),
        Binding("up", "suggest(-1)", "Suggestion before", show=False),
        Binding("down", "suggest(1)", "Next suggestion", show=False),
    ]

    def __init__(self, placeholder: str, suggestions: Sequence[str] = ()) -> None:
        super().__init__()
        self._placeholder, self._suggestions = placeholder, suggestions

    def compose(self) -> ComposeResult:
        """Make the line."""
        suggester = SuggestFromList(self._suggestions, case_sensitive=False) if self._suggestions else None
        yield Input(placeholder=self._placeholder, suggester=suggester)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Return what was typed."""
        self.dismiss(event.value.strip())

    def action_suggest(self, by: int) -> None:
        """Put the next suggestion, or the one before, into the line."""
        line, texts = self.query_one(Input), self._suggestions
        if texts:
            at = texts.index(line.value) + by if line.value in texts else (0 if by > 0 else -1)
            line.value = texts[at % len(texts)]
            line.cursor_position = len(line.value)

    def action_leave(self) -> None:
        """Leave without a text."""
        self.dismiss(None)
