"""The three lines at the top of the screen: the run and its bus load, devices and flags, the title of the page.

Knows: which part is left out first in a narrow window. Does not know Textual, nor the lines of a page.
"""

from typing import assert_never

from rvsim.faces.screen.lines import Line, Span, elapsed_text, fit_width, longest_that_fits, plain_line
from rvsim.faces.screen.scene import Page, Scene
from rvsim.faces.text.flags import ExplainedFlags
from rvsim.watch.bus.bus_load import MAX_POSSIBLE_PERCENT
from rvsim.watch.flag import WORST_FIRST
from rvsim.watch.transitions import Presence

LEDGER_TITLE = "Ledger, house battery, amps"
ENERGY_TITLE = "Energy: who gives heat, fuel, water and power, who takes, what is left"


def head_lines(scene: Scene, load: tuple[float, float], width: int) -> list[Line]:
    """Return the three lines at the top: the run and its bus load, devices and flags, the title of the page.

    Args:
        scene: what the screen shows.
        load: the bus load now and its peak, in percent.
        width: the columns of the window; in a narrow one the least important parts are left out.
    """
    return [
        fit_width(line, width)
        for line in (_run_line(scene, load, width), _device_count_line(scene, width), title_line(scene, width))
    ]


def _run_line(scene: Scene, load: tuple[float, float], width: int) -> Line:
    load_now, peak = load
    brief = f"Bus load {_percent_text(load_now)} %."
    full = f"{brief[:-1]}, peak {_percent_text(peak)} %."
    if not scene.watch.times_are_valid:
        full = brief = "Times run back: no load."
    elif peak > MAX_POSSIBLE_PERCENT:
        full = f"{full[:-1]}: impossible."
    if scene.ended:
        full = brief = scene.ended
    speed = f", {scene.speed:g} x" if scene.speed != 1 else ""
    pace = speed + (", paused" if scene.paused and not scene.ended else "")
    time = f"{elapsed_text(scene.now)} in"
    mark = "" if scene.mark is None else f", mark at {elapsed_text(scene.mark)}"
    name = f"{scene.name}, {time}"
    forms = (
        *((f"{name}{mark}{pace}, {scene.mode}.   {full}", f"{name}{mark}{pace}.   {full}") if mark else ()),
        *((f"{name}{mark}{pace}.   {brief}", f"{time}{mark}{pace}.   {brief}") if mark else ()),
        f"{name}{pace}, {scene.mode}.   {full}",
        f"{name}{pace}, {scene.mode.partition(',')[0]}.   {full}",
        f"{name}{pace}.   {full}",
        f"{name}{pace}.   {brief}",
        f"{time}{pace}.   {brief}",
        f"{time}.   {brief}",
    )
    return longest_that_fits([plain_line(form) for form in forms], width)


def _device_count_line(scene: Scene, width: int) -> Line:
    heard = scene.roll_call
    planned = [device for device in heard if device.planned]
    known = planned or heard
    present = sum(device.state in (Presence.PRESENT, Presence.LATE) for device in known)
    faulted = sum(scene.has_manual_fault(device.device) for device in planned)
    count: Span = (f"{present} of {len(known)}", "strong")
    whose = " planned" if planned else " heard"
    flags = _flag_counts(scene.account())
    manual_faults: Line = ((f"; {faulted}", "strong"), (" disturbed by hand", "plain")) if faulted else ()
    order: Span = (f".   Order: {scene.order_text}.", "plain")
    end: Span = (".", "plain")
    forms: tuple[Line, ...] = (
        (count, (f"{whose} present; ", "plain"), *flags, *manual_faults, order),
        (count, (f"{whose} present; ", "plain"), *flags, *manual_faults, end),
        (count, (" present; ", "plain"), *flags, *manual_faults, end),
        (count, (" present; ", "plain"), *flags, end),
        (*flags, end),
    )
    return longest_that_fits(forms, width)


def title_line(scene: Scene, width: int) -> Line:
    """Return the title of the page inside a horizontal rule."""
    text = _title_text(scene)
    return (("── ", "dim"), (text, "plain"), (" " + "─" * max(0, width - len(text) - 4), "dim"))


_FIXED_TITLES = {
    Page.ABOARD: "Aboard: every device on the trunk",
    Page.LEDGER: LEDGER_TITLE,
    Page.ENERGY: ENERGY_TITLE,
    Page.WIRES: "Wires: one turn on the bus, who sent, who waited; ← the turn before",
    Page.MOVED: "Moved: what moved when something was touched",
    Page.KEYS: "Keys",
}


def _title_text(scene: Scene) -> str:
    match scene.page:
        case Page.READINGS:
            return f"It says: everything that {scene.chosen} sends"
        case Page.TAPE if scene.draft_source is not None:
            return f"Tape: a copy of a frame of {scene.draft_source.device}; nothing is sent"
        case Page.TAPE:
            messages = len(scene.chosen_frames())
            which = f", message {scene.topic_index % messages + 1} of {messages}" if messages else ""
            return f"Tape: {scene.chosen}{which}, byte by byte"
        case Page.WIRES if scene.turns.held is not None:
            frames, place = scene.turns.held
            return f"Wires: turn {place + 1} of {len(frames)}, which stays; ← → the one before, the next"
        case Page.FLAGS:
            standing = len(scene.watch.flags)
            cleared = len(scene.watch.all_flags) - standing
            return f"Flags: {standing} stand{'s' if standing == 1 else ''}, {cleared} cleared"
        case Page.ABOARD | Page.LEDGER | Page.ENERGY | Page.WIRES | Page.MOVED | Page.KEYS:
            return _FIXED_TITLES[scene.page]
        case _:
            assert_never(scene.page)


def _percent_text(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}"


def _flag_counts(found: ExplainedFlags) -> Line:
    """Return how many causes there are, with the flags that no cause explains, by severity."""
    severities = [cause.severity for cause in found.causes] + [flag.severity for flag in found.top]
    counts: list[Span] = []
    for severity in WORST_FIRST:
        number = severities.count(severity)
        if number:
            counts += [(", ", "plain"), (f"{number} {severity}{'s' if number > 1 else ''}", f"{severity}-tag")]
    return tuple(counts[1:]) or plain_line("no flag")
