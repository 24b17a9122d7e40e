"""The live screen: keys and palette, four looks a second.

Knows: Textual. Does not know what a page says (`pages`), nor what runs behind it: a bench, a log or a bus, in the hand
of a `Control`. An error in here ends the screen, not what runs.
"""

import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from typing import ClassVar

from textual.app import App, ComposeResult, SystemCommand
from textual.binding import Binding, BindingType
from textual.screen import Screen

from rvsim.errors import ENDING_SIGNALS, Exit
from rvsim.faces.screen.head import head
from rvsim.faces.screen.keys import DEEDS, available
from rvsim.faces.screen.lines import Line, Row, made
from rvsim.faces.screen.pages import body, foot
from rvsim.faces.screen.palettes import DARK, DARK_16, LIGHT, LIGHT_16, Palette, palette_for, wants_no_colour
from rvsim.faces.screen.picture import picture_of
from rvsim.faces.screen.scene import Mode, Page, Scene
from rvsim.faces.screen.sheet import Sheet
from rvsim.faces.screen.theme import APP_CSS, THEMES, theme_name, variables_of
from rvsim.runs.control import RunControl
from rvsim.runs.manual_faults import ManualFaults

LOOKS_A_SECOND = 4
HALF_A_DEGREE = 0.5
_OTHER_BACKGROUND = {DARK.name: LIGHT, LIGHT.name: DARK, DARK_16.name: LIGHT_16, LIGHT_16.name: DARK_16}
SLOWEST, FASTEST = 1 / 16, 1_000_000.0
"""Speeds that keys can choose."""


class LiveScreen(App[int]):
    """The screen over one run. ``look`` draws what is true now; the timer calls it."""

    ENABLE_COMMAND_PALETTE = True
    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(deed.key, deed.action, deed.name, show=False) for deed in DEEDS),
        Binding("ctrl+c", "interrupt", "Interrupt", show=False, priority=True),
    ]
    CSS = APP_CSS

    def __init__(
        self,
        scene: Scene,
        control: RunControl,
        clock: Callable[[], int],
        *,
        hands: ManualFaults | None = None,
        next_flag: Callable[[], None] | None = None,
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
        if hands is not None:
            scene.by_hand = hands.has_fault
        self._control, self._clock = control, clock
        self._hands, self._next_flag = hands, next_flag
        self._ascii = ascii_only
        self._follow = False
        self.title = "rvsim"

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Return the variables of our style sheets, for the theme that Textual begins with."""
        return dict(variables_of(DARK))

    def export_screenshot(self, **_: object) -> str:
        """Return the screen as an SVG picture."""
        return picture_of(self.screen._compositor.render_strips(), self.palette)

    def compose(self) -> ComposeResult:
        """Three sheets: head, page, foot."""
        for name in ("head", "page", "foot"):
            yield Sheet(id=name, ascii_only=self._ascii)

    def on_mount(self) -> None:
        """Begin to look."""
        for number in ENDING_SIGNALS:
            with suppress(NotImplementedError, RuntimeError, ValueError):
                import asyncio

                asyncio.get_running_loop().add_signal_handler(number, self.exit, int(Exit.INTERRUPTED))
        self.set_interval(1 / LOOKS_A_SECOND, self.look)
        self.call_after_refresh(self.look)

    def on_resize(self) -> None:
        """Draw for the new size at once."""
        self.call_after_refresh(self.look)

    def look(self) -> None:
        """Draw everything as it is now."""
        width = self.size.width
        with self._control.lock:
            self.scene.now, self.scene.paused = self._clock(), self._control.paused
            self.scene.speed = self._control.speed
            load = self.scene.watch.load.percent(self.scene.now)
            self._sheet("head").show([made(line) for line in head(self.scene, load, width)])
            lines = foot(self.scene, width)
            most = max(2, self.size.height - 8)
            self._sheet("foot").styles.height = min(len(lines), most)
            self._sheet("foot").show([made(line) for line in lines[-most:]])
            rows, chosen = body(self.scene, width)
            follow = self.scene.page is Page.ABOARD or self._follow
            self._follow = False
            locked = [Row(partial(self._locked, row.line), row.worst) for row in rows]
            self._sheet("page").show(locked, chosen if follow else None)

    def _locked(self, line: Callable[[], Line]) -> Line:
        with self._control.lock:
            return line()

    def _sheet(self, name: str) -> Sheet:
        return self.query_one(f"#{name}", Sheet)

    # Deeds.

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:  # noqa: ARG002 Textual's form
        """Name everything that can be done here in the palette; some of it has no key."""
        for deed in available(self.scene.mode):
            yield SystemCommand(deed.name, f"key {deed.key}", partial(self.run_action, deed.action))
        if self.palette.name in _OTHER_BACKGROUND:
            other = "light" if self.palette.is_dark else "dark"
            yield SystemCommand(f"Colours for a {other} background", "no key", self.action_other_background)
        yield SystemCommand("Save a picture of the screen (SVG)", "no key", self.deliver_screenshot)

    def action_other_background(self) -> None:
        """Change from dark to light, or back."""
        self.palette = _OTHER_BACKGROUND.get(self.palette.name, self.palette)
        self.theme = theme_name(self.palette)
        self.look()

    def action_step(self, by: int) -> None:
        """Choose another device; on the pages without devices, scroll a line."""
        if self.scene.page in (Page.ABOARD, Page.SAYS, Page.TAPE):
            with self._control.lock:
                self.scene.step(by)
            if self.scene.mode is Mode.BENCH:
                self.scene.deed = ""
        else:
            self._sheet("page").scroll(by)
        self.look()

    def action_open(self) -> None:
        """Open or close the chosen device."""
        self.scene.toggle()
        self.look()

    def action_page(self, name: str) -> None:
        """Go to a page; the key of the present page goes back to Aboard."""
        page = Page(name)
        self.scene.page = Page.ABOARD if page is self.scene.page else page
        self._sheet("page").top = 0
        self.look()

    def action_next_message(self) -> None:
        """Go to the device's next message."""
        self.scene.topic, self.scene.piece = self.scene.topic + 1, None
        self.look()

    def action_sideways(self, by: int) -> None:
        """Choose another reading of the chosen device; on the tape, open another byte."""
        if self.scene.page is Page.TAPE:
            self.scene.piece = 0 if self.scene.piece is None else max(0, self.scene.piece + by)
        elif self.scene.page in (Page.ABOARD, Page.SAYS):
            with self._control.lock:
                self.scene.step_reading(by)
            self._follow = True
        if self.scene.mode is Mode.BENCH:
            self.scene.deed = ""
        self.look()

    def action_turn(self) -> None:
        """Go to the next order."""
        self.scene.turn()
        self.look()

    def action_hand(self, deed: str) -> None:
        """Do something to the chosen device."""
        device = self.scene.chosen
        if device is None or self._hands is None:
            self._no_hands()
            return
        if deed == "restore":
            self._ask(partial(self._hands.restore, device))
            return
        if deed == "silence":
            self._ask(partial(self._disturb, device, self._hands.silence))
            return
        with self._control.lock:
            target = self.scene.target()
        if target is None:
            self.scene.deed = f"{device} has sent no reading yet"
            self.look()
        else:
            act = self._hands.hold if deed == "hold" else self._hands.corrupt
            self._ask(partial(self._disturb, device, partial(act, message=target.message, field=target.field)))

    def _disturb(self, device: str, act: Callable[[str], str]) -> str:
        said = act(device)
        return f"{said}; b restores it" if self._hands is not None and self._hands.has_fault(device) else said

    def action_warmer(self, by: int) -> None:
        """Command the thermostat half a degree up or down."""
        if self._hands is None:
            self._no_hands()
            return
        self._ask(partial(self._hands.change_set_point, by * HALF_A_DEGREE))

    def _no_hands(self) -> None:
        what = "A log" if self.scene.mode is Mode.LOG else "A bus that is listened to"
        self.scene.deed = f"{what} cannot be disturbed; rvsim bench can."
        self.look()

    def _ask(self, deed: Callable[[], str]) -> None:
        def do() -> None:
            self.scene.deed = deed()

        if self.scene.ended:
            self.scene.deed = "The run has ended; devices can no longer be changed."
        else:
            self._control.request(do)
        self.look()

    def action_pause(self) -> None:
        """Let simulated time, or that of a log, stand still, or go on."""
        if self.scene.mode is Mode.BUS:
            self.scene.deed = "A bus does not stand still."
        elif not self.scene.ended:
            self._control.pause(not self._control.paused)
        self.look()

    def action_pace(self, factor: float) -> None:
        """Let time run faster or slower."""
        if self.scene.mode is Mode.BUS:
            self.scene.deed = "A bus has its own time."
        elif not self.scene.ended:
            self._control.set_speed(min(FASTEST, max(SLOWEST, self._control.speed * factor)))
            self.scene.deed = f"{self._control.speed:g} x real time"
        self.look()

    def action_next_flag(self) -> None:
        """Go on to where the next flag is raised, and stand still there."""
        go = self._next_flag
        if go is None:
            self.scene.deed = "Only a log can go on to its next flag."
            self.look()
            return

        def do() -> str:
            go()
            return "On to the next flag."

        self._ask(do)

    def action_scroll(self, pages: int) -> None:
        """Move over the page."""
        sheet = self._sheet("page")
        if self.scene.page is Page.ABOARD:
            with self._control.lock:
                self.scene.step(pages * max(1, sheet.size.height - 2))
        else:
            sheet.scroll(pages * max(1, sheet.size.height - 2))
        self.look()

    def action_leave(self) -> None:
        """End the run."""
        self.exit(int(Exit.GOOD))

    def action_interrupt(self) -> None:
        """End the run as Ctrl-C does everywhere."""
        self.exit(int(Exit.INTERRUPTED))
