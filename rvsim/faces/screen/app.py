"""The live screen: what each key does, the palette of commands, and four redraws a second.

Knows: Textual, and the `Control` of the run. Does not know what a page says (`pages`), nor whether a bench, a log or a
bus is behind it. An error in this module ends the screen; the run goes on.
"""

import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from functools import partial
from typing import ClassVar, assert_never

from textual.app import App, ComposeResult, SystemCommand
from textual.binding import Binding, BindingType
from textual.screen import Screen

from rvsim.errors import ENDING_SIGNALS, ExitCode, RvsimError, printable
from rvsim.faces.screen.draft import Draft
from rvsim.faces.screen.head import head_lines
from rvsim.faces.screen.keys import (
    BOUND_KEYS,
    DRAFT_ACTIONS,
    DRAFT_REFUSED_KEYS,
    DraftAction,
    ManualFaultAction,
    RowAction,
    available_actions,
)
from rvsim.faces.screen.ledger import ledger_of
from rvsim.faces.screen.line_prompt import PROMPT_CSS, LinePrompt
from rvsim.faces.screen.lines import fixed_row
from rvsim.faces.screen.pages import foot_lines, page_rows
from rvsim.faces.screen.palettes import DARK, DARK_16, LIGHT, LIGHT_16, Palette, palette_for, wants_no_colour
from rvsim.faces.screen.picture import screen_svg
from rvsim.faces.screen.scene import Mode, Page, Scene
from rvsim.faces.screen.sheet import Sheet
from rvsim.faces.screen.terminals import ContactRow, OutputRow
from rvsim.faces.screen.theme import APP_CSS, THEMES, theme_name, variables_of
from rvsim.faces.text.spell_build import BetweenStepsError
from rvsim.runs.control import RunControl
from rvsim.runs.manual_faults import ManualFaults
from rvsim.runs.manual_inputs import ManualInputs
from rvsim.runs.replay import ReplayRun
from rvsim.wire.quantity_text import compose

REDRAWS_PER_SECOND = 4
COMMANDED_BY_THERMOSTAT = frozenset({"furnace", "air_conditioner"})
"""The functions that a changed set point starts or stops."""
SET_POINT_STEP_C = 0.5
"""By how much one press of warmer or cooler changes the set point, in °C."""
MIN_SPEED, MAX_SPEED = 1 / 16, 1_000_000.0
"""The lowest and highest speed that keys can set, in seconds of the run per real second."""
FIXED_LINES = 8
"""Lines of the window that the lines at the bottom never take: the head, and five lines of the page."""
MIN_FOOT_LINES = 2
_OTHER_BACKGROUND = {DARK.name: LIGHT, LIGHT.name: DARK, DARK_16.name: LIGHT_16, LIGHT_16.name: DARK_16}


_DRAFT_ACTION_NAMES = frozenset({"step_bit", "step_draft_piece", "change_draft", "refuse_to_send"})


def _sentence(text: object) -> str:
    """Return a problem or a step as a sentence, a name at its start as it is written; all of it is made safe."""
    found = printable(str(text))
    is_name = "_" in found.partition(" ")[0] or "=" in found.partition(" ")[0]
    return f"{found}." if is_name else f"{found[:1].upper()}{found[1:]}."


class LiveScreen(App[int]):
    """The screen of one run. A timer calls ``redraw``, which draws the state of that moment."""

    ENABLE_COMMAND_PALETTE = True
    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(entry.key, entry.action, entry.name, show=False) for entry in DRAFT_ACTIONS),
        *(Binding(key, "refuse_to_send", "Nothing is sent from a copy", show=False) for key in DRAFT_REFUSED_KEYS),
        *(Binding(key, action, name, show=False) for key, action, name in BOUND_KEYS),
        Binding("ctrl+c", "interrupt", "Interrupt", show=False, priority=True),
    ]
    CSS = APP_CSS + PROMPT_CSS

    def __init__(
        self,
        scene: Scene,
        control: RunControl,
        clock: Callable[[], int],
        *,
        manual_faults: ManualFaults | None = None,
        manual_inputs: ManualInputs | None = None,
        mark: Callable[[str], None] | None = None,
        next_flag: Callable[[], None] | None = None,
        replay: ReplayRun | None = None,
        ascii_only: bool = False,
        light: bool = False,
        palette: Palette | None = None,
    ) -> None:
        if not wants_no_colour(os.environ):
            os.environ.pop("NO_COLOR", None)  # empty counts as not set, but not to Textual
        super().__init__(ansi_color=True if wants_no_colour(os.environ) else None)
        self.palette = palette or palette_for(
            os.environ, light=light, few_colours=self.console.color_system in (None, "standard")
        )
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = theme_name(self.palette)
        for name in set(self.available_themes) - {theme.name for theme in THEMES}:
            self.unregister_theme(name)
        self.scene = scene
        if manual_faults is not None:
            scene.has_manual_fault = manual_faults.has_fault
        self._control, self._clock = control, clock
        self._manual_faults, self._manual_inputs, self._replay = manual_faults, manual_inputs, replay
        self._mark = mark
        self._next_flag = next_flag if replay is None else replay.next_flag
        self._searched = ""
        self._ascii = ascii_only
        self._scroll_to_chosen = False
        self.title = "rvsim"

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Return the variables of our style sheets for the theme that Textual starts with."""
        return dict(variables_of(DARK))

    def export_screenshot(self, **_: object) -> str:
        """Return the screen as an SVG picture."""
        return screen_svg(self.screen._compositor.render_strips(), self.palette)

    def compose(self) -> ComposeResult:
        """Make the three sheets: head, page and foot."""
        for name in ("head", "page", "foot"):
            yield Sheet(id=name, lock=self._control.lock, ascii_only=self._ascii)

    def on_mount(self) -> None:
        """Start the timer, and end the run on a signal."""
        for number in ENDING_SIGNALS:
            with suppress(NotImplementedError, RuntimeError, ValueError):
                import asyncio

                asyncio.get_running_loop().add_signal_handler(number, self.exit, int(ExitCode.INTERRUPTED))
        self.set_interval(1 / REDRAWS_PER_SECOND, self.redraw)
        self.call_after_refresh(self.redraw)

    def on_resize(self) -> None:
        """Redraw for the new size at once."""
        self.call_after_refresh(self.redraw)

    def redraw(self) -> None:
        """Draw everything as it is now."""
        width = self.size.width
        with self._control.lock, self.scene.one_moment():
            self.scene.now, self.scene.paused = self._clock(), self._control.paused
            self.scene.speed = self._control.speed
            if self.scene.energy.is_due(self.scene.now):
                self.scene.energy.add(self.scene.now, ledger_of(self.scene))
            load = self.scene.watch.bus_load.percent(self.scene.now)
            self._sheet("head").set_rows([fixed_row(line) for line in head_lines(self.scene, load, width)])
            lines = foot_lines(self.scene, width)
            height = max(MIN_FOOT_LINES, self.size.height - FIXED_LINES)
            self._sheet("foot").styles.height = min(len(lines), height)
            self._sheet("foot").set_rows([fixed_row(line) for line in lines[-height:]])
            rows, chosen = page_rows(self.scene, width)
            keeps_chosen_visible = self.scene.page is Page.ABOARD or self._scroll_to_chosen
            self._scroll_to_chosen = False
            self._sheet("page").set_rows(rows, chosen if keeps_chosen_visible else None)

    def _sheet(self, name: str) -> Sheet:
        return self.query_one(f"#{name}", Sheet)

    # Actions of keys.

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:  # noqa: ARG002 Textual's form
        """Return the commands of the palette: every action of a key, and a few without a key."""
        here = DRAFT_ACTIONS[:-1] if self.scene.is_drafting else ()
        for entry in (*here, *available_actions(self.scene.mode)):
            yield SystemCommand(entry.name, f"key {entry.key}", partial(self.run_action, entry.action))
        if self.palette.name in _OTHER_BACKGROUND:
            other = "light" if self.palette.is_dark else "dark"
            yield SystemCommand(f"Colours for a {other} background", "no key", self.action_other_background)
        yield SystemCommand("Save a picture of the screen (SVG)", "no key", self.deliver_screenshot)

    def action_other_background(self) -> None:
        """Change between the dark and the light palette."""
        self.palette = _OTHER_BACKGROUND.get(self.palette.name, self.palette)
        self.theme = theme_name(self.palette)
        self.redraw()

    def action_step(self, by: int) -> None:
        """Choose the next or previous device; on the pages without devices, scroll by lines."""
        if self.scene.page in (Page.ABOARD, Page.READINGS, Page.TAPE):
            with self._control.lock:
                self.scene.step(by)
            if self.scene.mode is Mode.BENCH:
                self.scene.status_text = ""
        else:
            self._sheet("page").scroll(by)
        self.redraw()

    def action_open(self) -> None:
        """Open or close the chosen device."""
        self.scene.toggle()
        self.redraw()

    def action_page(self, name: str) -> None:
        """Go to a page; the key of the page that is shown goes back to Aboard."""
        page = Page(name)
        self.scene.page = Page.ABOARD if page is self.scene.page else page
        self._sheet("page").top = 0
        self.redraw()

    def action_next_message(self) -> None:
        """Show the next message of the device on the tape."""
        with self._control.lock:
            kept = self.scene.next_message()
        self.scene.status_text = kept or self.scene.status_text
        self.redraw()

    def action_step_reading(self, by: int) -> None:
        """Choose the next or previous reading of the chosen device; on the tape, a byte; on Wires, a turn."""
        if self.scene.page is Page.TAPE:
            self.scene.step_piece(by)
        elif self.scene.page is Page.WIRES:
            with self._control.lock:
                self.scene.turns.step(by)
        elif self.scene.page in (Page.ABOARD, Page.READINGS):
            with self._control.lock:
                self.scene.step_reading(by)
            self._scroll_to_chosen = True
        if self.scene.mode is Mode.BENCH:
            self.scene.status_text = ""
        self.redraw()

    # A draft on the tape.

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:  # noqa: ARG002 Textual's form
        """Tell whether an action is available: those of a draft only while one is on the page."""
        return self.scene.is_drafting if action in _DRAFT_ACTION_NAMES else True

    def action_take_draft(self) -> None:
        """Copy the frame on the tape, to be changed; from another page, go back to the copy that is there."""
        if self.scene.draft is None:
            with self._control.lock:
                self.scene.status_text = self.scene.take_draft()
        self.scene.page = Page.TAPE
        self._sheet("page").top = 0
        self._draft_changed()

    def action_refuse_to_send(self) -> None:
        """Say that nothing is sent while a draft is on the tape."""
        self.scene.status_text = "A copy is on the tape, and nothing is sent from it; esc goes back to the frame."
        self.redraw()

    def action_step_bit(self, by: int) -> None:
        """Choose another bit of the draft."""
        if self.scene.draft is not None:
            self.scene.draft.step_bit(by)
        self._draft_changed("")

    def action_step_draft_piece(self, by: int) -> None:
        """Choose the next byte of the draft, or the one before."""
        if self.scene.draft is not None:
            self.scene.draft.step_piece(by)
        self._draft_changed("")

    def action_change_draft(self, name: str) -> None:
        """Change the draft, undo that, or leave it.

        Args:
            name: the value of a `DraftAction`.
        """
        draft, text = self.scene.draft, ""
        if draft is None:
            return
        action = DraftAction(name)
        match action:
            case DraftAction.FLIP:
                draft.flip()
            case DraftAction.SET | DraftAction.CLEAR:
                draft.set_bit(int(action is DraftAction.SET))
            case DraftAction.STEP_UP | DraftAction.STEP_DOWN:
                try:
                    draft.step_value(1 if action is DraftAction.STEP_UP else -1)
                except ValueError as problem:
                    text = _sentence(problem)
            case DraftAction.ASK_VALUE:
                self._ask_for_value(draft)
                return
            case DraftAction.UNDO:
                text = "" if draft.undo() else "Nothing to undo: this is the frame as it was heard."
            case DraftAction.REVERT:
                draft.revert()
                text = "The frame as it was heard; u takes that back."
            case DraftAction.LEAVE:
                with self._control.lock:
                    text = self.scene.put_draft_away()
            case _:
                assert_never(action)
        self._draft_changed(text)

    def _ask_for_value(self, draft: Draft, suggestions: Sequence[str] = ()) -> None:
        """Ask for a value of what holds the chosen bit; a value that cannot be is answered, and asked for again."""
        wanted = draft.wanted()
        if wanted is None:
            self._set_value(draft, "")  # the draft says why there is none
            return
        found = suggestions or draft.suggestions()
        more = f"; ↑ ↓ {' or '.join(suggestions)}" if suggestions else "; ↑ ↓ names" if found else ""

        def put_in(text: str | None) -> None:
            if text is None or not text or self.scene.draft is not draft:
                self._draft_changed("")
                return
            nearest = self._set_value(draft, text)
            if nearest is not None:
                self._ask_for_value(draft, nearest)

        self.push_screen(LinePrompt(f"{wanted}{more}; esc leaves", found), put_in)

    def _set_value(self, draft: Draft, text: str) -> Sequence[str] | None:
        """Put a value into the draft and say how; where it cannot be, say why, and return the nearest ones that can.

        None means that it is in.
        """
        try:
            step = draft.set_value(text)
        except ValueError as problem:
            self._draft_changed(_sentence(problem))
            return problem.nearest if isinstance(problem, BetweenStepsError) else ()
        self._draft_changed(_sentence(step))
        return None

    def _draft_changed(self, status: str | None = None) -> None:
        """Draw the draft with its chosen bit in the window; ``status`` is the sentence at the bottom."""
        if status is not None:
            self.scene.status_text = status
        self._scroll_to_chosen = True
        self.redraw()

    def action_next_order(self) -> None:
        """List the devices in the next order."""
        self.scene.next_order()
        self.redraw()

    def action_manual_fault(self, name: str) -> None:
        """Apply a manual fault to the chosen device or reading, or remove all of the device's.

        Args:
            name: the value of a `ManualFaultAction`.
        """
        device, faults = self.scene.chosen, self._manual_faults
        if device is None or faults is None:
            self._report_unavailable()
            return
        action = ManualFaultAction(name)
        match action:
            case ManualFaultAction.SILENCE:
                self._request(partial(self._apply, device, partial(faults.silence, device)), [device])
            case ManualFaultAction.HOLD:
                self._apply_to_reading(device, faults.hold)
            case ManualFaultAction.CORRUPT:
                self._apply_to_reading(device, faults.corrupt)
            case ManualFaultAction.RESTORE:
                self._request(partial(faults.restore, device), [device])
            case _:
                assert_never(action)

    def _apply_to_reading(self, device: str, apply: Callable[[str, str, str], str]) -> None:
        with self._control.lock:
            target = self.scene.target()
        if target is None:
            self.scene.status_text = f"{device} has sent no reading yet"
            self.redraw()
        else:
            self._request(partial(self._apply, device, partial(apply, device, target.message, target.field)), [device])

    def _apply(self, device: str, apply: Callable[[], str]) -> str:
        text = apply()
        faults = self._manual_faults
        return f"{text}; b restores it" if faults is not None and faults.has_fault(device) else text

    def action_use_row(self, name: str) -> None:
        """Press, hold or release the chosen switch or key, or set the chosen output by hand.

        Args:
            name: the value of a `RowAction`.
        """
        inputs = self._manual_inputs
        if inputs is None:
            self._report_unavailable()
            return
        with self._control.lock, self.scene.one_moment():
            row = self.scene.chosen_row()
        device = self.scene.chosen
        if row is None or device is None:
            self.scene.status_text = "Open a module or a keypad (enter), and choose one of its rows (↓)."
            self.redraw()
            return
        action = RowAction(name)
        act = _output_act(inputs, row, action) if isinstance(row, OutputRow) else _contact_act(inputs, row, action)
        if isinstance(act, str):
            self.scene.status_text = act
            self.redraw()
        else:
            self._request(act, [device])

    def action_warmer(self, by: int) -> None:
        """Command the thermostat half a degree up or down."""
        if self._manual_faults is None:
            self._report_unavailable()
            return
        heating = [plan.name for plan in self.scene.plans.values() if COMMANDED_BY_THERMOSTAT & plan.functions.keys()]
        self._request(partial(self._manual_faults.change_set_point, by * SET_POINT_STEP_C), heating)

    def _report_unavailable(self) -> None:
        what = "A log" if self.scene.mode is Mode.LOG else "A bus that is listened to"
        self.scene.status_text = f"{what} cannot be disturbed; rvsim bench can."
        self.redraw()

    def _request(self, action: Callable[[], str], devices: Iterable[str]) -> None:
        """Have the run's own thread do something to devices; what it returns is shown at the bottom.

        The caution of each kind of device follows, once.
        """

        def run_and_report() -> None:
            text, caution = action(), self.scene.untold_caution(devices)
            self.scene.status_text = compose(text, "." if caution else "", caution)

        if self.scene.ended:
            self.scene.status_text = "The run has ended; devices can no longer be changed."
        else:
            self._control.request(run_and_report)
        self.redraw()

    def action_pause(self) -> None:
        """Pause a bench or a log, or let it go on."""
        if self.scene.mode is Mode.BUS:
            self.scene.status_text = "A bus cannot be paused."
        elif not self.scene.ended:
            self._control.pause(paused=not self._control.paused)
        self.redraw()

    def action_change_speed(self, factor: float) -> None:
        """Multiply the speed of a bench or a log."""
        if self.scene.mode is Mode.BUS:
            self.scene.status_text = "The speed of a bus cannot be changed."
        elif not self.scene.ended:
            self._control.set_speed(min(MAX_SPEED, max(MIN_SPEED, self._control.speed * factor)))
            self.scene.status_text = f"{self._control.speed:g} x real time"
        self.redraw()

    def action_next_flag(self) -> None:
        """Go on in a log to where the next flag is raised, and pause there."""
        go = self._next_flag
        if go is None:
            self.scene.status_text = "Only a log can go on to its next flag."
            self.redraw()
            return

        self._go_through_log(go, "Reading on to the next flag.")

    def _go_through_log(self, go: Callable[[], None], text: str) -> None:
        """Have the run's own thread go somewhere in the log; ``text`` stands at the bottom meanwhile."""

        def go_and_report() -> None:
            self.scene.status_text = text
            go()

        if self.scene.ended and self._replay is None:
            self.scene.status_text = "The run has ended; devices can no longer be changed."
        else:
            self._control.request(go_and_report)
        self.redraw()

    def _way(self, go: Callable[[ReplayRun], None], text: str) -> None:
        if self._replay is None:
            self.scene.status_text = "Only a log has ways on and back."
            self.redraw()
        else:
            self._go_through_log(partial(go, self._replay), text)

    def action_previous_flag(self) -> None:
        """Go back in a log to where the flag before was raised, and pause there."""
        self._way(ReplayRun.previous_flag, "Reading the log again.")

    def action_step_frames(self, by: int) -> None:
        """Go one frame of a log on or back, and pause there."""
        self._way(lambda replay: replay.step_frames(by), "")

    def action_set_mark(self) -> None:
        """Mark this place of a log; on a bench or a bus, this moment with a note."""
        if self.scene.mode is not Mode.LOG:
            self._ask_for_note()
            return

        def set_mark(replay: ReplayRun) -> None:
            replay.set_mark()
            self.scene.mark = replay.observed_until

        self._way(set_mark, "Marked; M goes back here.")

    def _ask_for_note(self) -> None:
        """Ask for a note; what moved in the seconds before is shown with it."""
        if self.scene.ended or self._mark is None:
            self.scene.status_text = "The run has ended; no moment can be marked."
            self.redraw()
            return
        with self._control.lock:
            self.scene.touches.begin_note(self._clock())
        mark = self._mark

        def keep(note: str | None) -> None:
            if note is None:
                return
            self.scene.status_text = ""
            try:
                mark(printable(note))
            except RvsimError as error:
                self.scene.status_text = printable(str(error))
            self.scene.page = Page.MOVED
            self._sheet("page").top = 0
            self.redraw()

        self.push_screen(LinePrompt("what was touched, like: pressed galley light; enter marks it, esc leaves"), keep)

    def action_go_to_mark(self) -> None:
        """Go to the place of a log that was marked."""
        self._way(ReplayRun.go_to_mark, "Reading the log again.")

    def action_search(self) -> None:
        """Ask for a text, and go on in a log to where it is told of."""
        if self._replay is None:
            self._way(ReplayRun.next_flag, "")
            return

        def search(text: str | None) -> None:
            self._searched = text or self._searched
            wanted = self._searched
            if text is not None and wanted:
                self._way(lambda replay: replay.search(wanted), f"Searching on for {wanted}.")

        again = f" (enter: {self._searched})" if self._searched else ""
        self.push_screen(LinePrompt(f"search on for a device, message, field or flag{again}; esc leaves"), search)

    def action_scroll(self, pages: int) -> None:
        """Scroll by whole windows; on Aboard, choose a device that far away."""
        sheet = self._sheet("page")
        if self.scene.page is Page.ABOARD:
            with self._control.lock:
                self.scene.step(pages * max(1, sheet.size.height - 2))
        else:
            sheet.scroll(pages * max(1, sheet.size.height - 2))
        self.redraw()

    def action_end_run(self) -> None:
        """End the run and the screen."""
        self.exit(int(ExitCode.GOOD))

    def action_interrupt(self) -> None:
        """End the run and the screen as Ctrl-C does in every command."""
        self.exit(int(ExitCode.INTERRUPTED))


def _output_act(inputs: ManualInputs, row: OutputRow, action: RowAction) -> Callable[[], str] | str:
    """Return what a key does to an output, or a sentence where it does nothing."""
    match action:
        case RowAction.PRESS:
            return f"{row.name} is an output: 1 and 0 set it on or off by hand, u lets it be as commanded."
        case RowAction.ON:
            return partial(inputs.override, row.name, "on")
        case RowAction.OFF:
            return partial(inputs.override, row.name, "off")
        case RowAction.AS_COMMANDED:
            return partial(inputs.override, row.name, None)
        case _:
            assert_never(action)


def _contact_act(inputs: ManualInputs, row: ContactRow, action: RowAction) -> Callable[[], str] | str:
    """Return what a key does to a switch or a key of a keypad, or a sentence where it does nothing."""
    is_maintained = row.plan is not None and row.plan.is_maintained
    match action:
        case RowAction.PRESS:
            return partial(inputs.press, row.name)
        case RowAction.ON:
            return partial(inputs.switch, row.name, on=True) if is_maintained else partial(inputs.hold, row.name)
        case RowAction.OFF:
            return partial(inputs.switch, row.name, on=False) if is_maintained else partial(inputs.release, row.name)
        case RowAction.AS_COMMANDED:
            return f"{row.name} is no output: only an output is set by hand."
        case _:
            assert_never(action)
