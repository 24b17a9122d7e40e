"""The three lines at the top of the screen: what runs, how busy the bus is, who is there, which flags stand, the title.

Knows: what matters least when the window is narrow. Does not know Textual, nor what stands on a page.
"""

from rvsim.faces.screen.lines import Line, Span, ago, cut, longest_that_fits, plain
from rvsim.faces.screen.scene import Page, Scene
from rvsim.faces.text.flags import ExplainedFlags
from rvsim.watch.bus.bus_load import POSSIBLE_PERCENT
from rvsim.watch.flag import WORST_FIRST
from rvsim.watch.transitions import Presence

LEDGER_TITLE = "Ledger, house battery, amps"


def head(scene: Scene, busy: tuple[float, float], width: int) -> list[Line]:
    """Return the three lines at the top: what runs and how busy the bus is, who is there and which flags, the title.

    In narrow windows what matters least is left out first.
    """
    return [
        cut(line, width) for line in (_first_line(scene, busy, width), _second_line(scene, width), title(scene, width))
    ]


def _first_line(scene: Scene, busy: tuple[float, float], width: int) -> Line:
    load = f"Bus load {_percent(busy[0])} %"
    brief, load = f"{load}.", f"{load}, peak {_percent(busy[1])} %."
    if not scene.watch.trusts_times:
        load = brief = "Times run back: no load."
    elif busy[1] > POSSIBLE_PERCENT:
        load = f"{load[:-1]}: impossible."
    if scene.ended:
        load = brief = scene.ended
    still = ", standing still" if scene.paused and not scene.ended else ""
    still = f", {scene.speed:g} x" + still if scene.speed != 1 else still
    time = f"{ago(scene.now)} in"
    said = f"{scene.name}, {time}"
    forms = (
        f"{said}{still}, {scene.mode}.   {load}",
        f"{said}{still}, {scene.mode.partition(',')[0]}.   {load}",
        f"{said}{still}.   {load}",
        f"{said}{still}.   {brief}",
        f"{time}{still}.   {brief}",
        f"{time}.   {brief}",
    )
    return longest_that_fits([plain(form) for form in forms], width)


def _second_line(scene: Scene, width: int) -> Line:
    planned = [one for one in scene.watch.roll_call if one.planned]
    known = planned or scene.watch.roll_call
    here = sum(one.state in (Presence.PRESENT, Presence.LATE) for one in known)
    by_hand = sum(scene.by_hand(one.device) for one in planned)
    counted: Span = (f"{here} of {len(known)}", "strong")
    whose = " planned" if planned else " heard"
    flags = _counts(scene.account())
    hands: Line = ((f"; {by_hand}", "strong"), (" disturbed by hand", "plain")) if by_hand else ()
    order: Span = (f".   Order: {scene.order_words}.", "plain")
    end: Span = (".", "plain")
    forms: tuple[Line, ...] = (
        (counted, (f"{whose} present; ", "plain"), *flags, *hands, order),
        (counted, (f"{whose} present; ", "plain"), *flags, *hands, end),
        (counted, (" present; ", "plain"), *flags, *hands, end),
        (counted, (" present; ", "plain"), *flags, end),
        (*flags, end),
    )
    return longest_that_fits(forms, width)


def title(scene: Scene, width: int) -> Line:
    """Return the title of the page in a rule."""
    text = _title(scene)
    return (("── ", "dim"), (text, "plain"), (" " + "─" * max(0, width - len(text) - 4), "dim"))


def _title(scene: Scene) -> str:
    match scene.page:
        case Page.SAYS:
            return f"It says: all that {scene.chosen} says"
        case Page.TAPE:
            topics = len(scene.topics())
            which = f", message {scene.topic % topics + 1} of {topics}" if topics else ""
            return f"Tape: {scene.chosen}{which}, byte by byte"
        case Page.LEDGER:
            return LEDGER_TITLE
        case Page.FLAGS:
            stand = len(scene.watch.flags)
            cleared = len(scene.watch.all_flags) - stand
            return f"Flags: {stand} stand{'s' if stand == 1 else ''}, {cleared} cleared"
        case Page.WIRES:
            return "Wires: one turn on the bus, who sent, who waited"
        case Page.KEYS:
            return "Keys"
    return "Aboard: everybody on the trunk"


def _percent(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}"


def _counts(found: ExplainedFlags) -> Line:
    """Count causes, and flags that no cause explains."""
    severities = [cause.severity for cause in found.causes] + [flag.severity for flag in found.top]
    counted: list[Span] = []
    for severity in WORST_FIRST:
        number = severities.count(severity)
        if number:
            counted += [(", ", "plain"), (f"{number} {severity}{'s' if number > 1 else ''}", f"{severity}-tag")]
    return tuple(counted[1:]) or plain("no flag")
