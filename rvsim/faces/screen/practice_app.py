"""Practice on the screen: one exercise at a time, a line for the answer, the explanation under it.

Knows: Textual, and the session of exercises. Does not know any exercise, nor where the score is kept.
"""

import os
from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Input

from rvsim.errors import ENDING_SIGNALS, ExitCode, InputError
from rvsim.faces.cli.exits import say
from rvsim.faces.practice.course import LEVEL_TITLES
from rvsim.faces.practice.exercise import Exercise
from rvsim.faces.practice.plain import HINT, LEAVE_OUT
from rvsim.faces.practice.score import save_run, score_file
from rvsim.faces.practice.session import Reply, Session
from rvsim.faces.practice.sheet import question_lines
from rvsim.faces.screen.lines import Line, fixed_row, plain_line
from rvsim.faces.screen.palettes import DARK, Palette, palette_for, wants_no_colour
from rvsim.faces.screen.picture import screen_svg
from rvsim.faces.screen.sheet import Sheet
from rvsim.faces.screen.show import is_ascii_terminal
from rvsim.faces.screen.theme import APP_CSS, THEMES, theme_name, variables_of
from rvsim.faces.text.spell_fields import wrapped

_CSS = """
#answer, #answer:focus {
    border: none; height: 1; width: 100%; background: $panel-back; color: $panel-front; padding: 0 1;
}
#answer > .input--placeholder { color: $sheet-dim; }
#answer > .input--cursor { color: $sheet-chosen; background: $sheet-chosen-back; }
#keys { height: 1; }
"""


class PracticeScreen(App[int]):
    """The exercises of one session; each answer is judged at once, and the next exercise follows on Enter."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "End", show=False),
        Binding("ctrl+c", "interrupt", "Interrupt", show=False, priority=True),
        Binding("pageup", "scroll(-5)", "Up", show=False),
        Binding("pagedown", "scroll(5)", "Down", show=False),
    ]
    CSS = APP_CSS + _CSS

    def __init__(
        self,
        session: Session,
        how: str,
        *,
        light: bool = False,
        ascii_only: bool = False,
        palette: Palette | None = None,
    ) -> None:
        super().__init__(ansi_color=True if wants_no_colour(os.environ) else None)
        self.palette = palette or palette_for(
            os.environ, light=light, few_colours=self.console.color_system in (None, "standard")
        )
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = theme_name(self.palette)
        self.session, self._how, self._ascii = session, how, ascii_only
        self._asked: Exercise | None = session.current
        self._hint: str | None = None
        self._reply: Reply | None = None
        self.title = "rvsim"

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Return the variables of our style sheets for the theme that Textual starts with."""
        return dict(variables_of(DARK))

    def export_screenshot(self, **_: object) -> str:
        """Return the screen as an SVG picture."""
        return screen_svg(self.screen._compositor.render_strips(), self.palette)

    def compose(self) -> ComposeResult:
        """Make the page, the line for the answer, and the line of keys."""
        yield Sheet(id="page", ascii_only=self._ascii)
        yield Input(id="answer")
        yield Sheet(id="keys", ascii_only=self._ascii)

    def on_mount(self) -> None:
        """Show the first exercise."""
        for number in ENDING_SIGNALS:
            with suppress(NotImplementedError, RuntimeError, ValueError):
                import asyncio

                asyncio.get_running_loop().add_signal_handler(number, self.exit, int(ExitCode.INTERRUPTED))
        self._show()

    def on_resize(self) -> None:
        """Draw for the new size."""
        self.call_after_refresh(self._show)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Judge the answer, show the hint, or go on to the next exercise."""
        text = event.value.strip()
        event.input.value = ""
        if self._reply is not None:
            self._next()
        elif text.lower() in HINT:
            self._hint = self.session.hint()
        elif self.session.current is not None:
            self._reply = self.session.answer(None if text.lower() in LEAVE_OUT else text)
        else:
            self.action_leave()
        self._show()

    def _next(self) -> None:
        self._reply = self._hint = None
        self._asked = self.session.current

    def action_leave(self) -> None:
        """End the practice."""
        self.exit(int(ExitCode.GOOD if self.session.is_passed else ExitCode.NOT_GOOD))

    def action_interrupt(self) -> None:
        """End as an interrupted program does."""
        self.exit(int(ExitCode.INTERRUPTED))

    def action_scroll(self, by: int) -> None:
        """Scroll a page that is higher than the window."""
        self.query_one("#page", Sheet).scroll(by)

    def _show(self) -> None:
        lines = list(self._lines())
        shown = (len(lines) - 1, len(lines) - 1) if self._reply is not None else (0, 0)
        self.query_one("#page", Sheet).set_rows([fixed_row(line) for line in lines], shown)
        self.query_one("#keys", Sheet).set_rows([fixed_row(self._keys())])
        answer = self.query_one("#answer", Input)
        answer.placeholder = self._placeholder()
        answer.focus()

    def _placeholder(self) -> str:
        if self._reply is not None:
            return "Enter: next" if self.session.current is not None else "Enter: the result"
        return "Enter: end" if self._asked is None else f"your answer: {self._asked.form}"

    def _keys(self) -> Line:
        text = " Enter answers; empty: leave it out   ?: a hint, half of the points   Esc: end"
        return ((text, "dim"),)

    def _lines(self) -> Iterator[Line]:
        session = self.session
        number = len(session.answered) + (self._reply is None)
        of = f"{min(number, len(session.exercises))} of {len(session.exercises)}"
        yield ((f" Level {session.level}: {LEVEL_TITLES[session.level]}", "strong"), (f"   {of}", "dim"),
               (f"   {session.points} points", "plain"))  # fmt: skip
        yield ()
        if self._asked is None:
            yield from (plain_line(f" {line}") for line in session.summary())
            yield ()
            yield ((f" The same again: {self._how}", "dim"),)
            return
        yield ((f" {self._asked.kind}", "strong"),)
        yield from (plain_line(f" {line}") for line in question_lines(self._asked))
        if self._hint is not None:
            yield ()
            yield from (((f" {line}", "notice"),) for line in wrapped(f"Hint: {self._hint}"))
        if self._reply is not None:
            yield ()
            yield from _reply_lines(self._reply)


def _reply_lines(reply: Reply) -> Iterator[Line]:
    first, *rest = reply.lines
    yield ((f" {first}", "strong" if reply.is_right else "fault"),)
    for line in rest:
        yield from (plain_line(f" {part}") for part in wrapped(line))


def show_practice(exercises: Sequence[Exercise], level: int, how: str, *, light: bool, date: str) -> int:
    """Practise on the screen, keep the score, and return the exit code: NOT_GOOD unless the level is passed."""
    session = Session(exercises, level)
    code = PracticeScreen(session, how, light=light, ascii_only=is_ascii_terminal()).run()
    if session.answered:
        try:
            save_run(score_file(), session, date)
        except InputError as error:
            say(*error.problems)
        say(*session.summary())
    return ExitCode.NOT_GOOD if code is None else code
