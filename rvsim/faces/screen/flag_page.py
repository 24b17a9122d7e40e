"""The page of flags: causes first, then every flag with its evidence and what to try next.

Knows: the order in which flags are read. Does not know what explains what (`watch.causes`), nor Textual.
"""

from collections.abc import Sequence

from rvsim.faces.screen.lines import Line, ago, plain, tag, with_tag, wrapped
from rvsim.faces.screen.scene import Scene
from rvsim.faces.text.display_units import DisplayUnits
from rvsim.faces.text.flags import explain_flags, tags
from rvsim.watch.flag import Flag


def flag_lines(scene: Scene, width: int) -> list[Line]:
    """Return causes, then every flag, those that stand first, with evidence and what to try next; cleared ones dim."""
    found = explain_flags(scene.watch.all_flags, scene.watch.causes)
    flags = sorted(scene.watch.all_flags, key=lambda flag: (flag.until is not None, -flag.number))
    lines: list[Line] = [] if flags else [plain("No flag so far.")]
    for cause in found.causes:
        over = f" until {ago(cause.until)}" if cause.until is not None else ""
        about = f"Cause of {tags(cause.flags)}: {cause.kind}, {cause.subject}, since {ago(cause.since)}{over}"
        is_over = cause.until is not None
        style = "dim" if is_over else "plain"
        lines += wrapped(about, width, "", "    ", "dim" if is_over else str(cause.severity))
        lines += wrapped(scene.units.render(cause.text), width, "    ", "    ", style)
        lines += wrapped(f"Try next: {cause.advice}", width, "    ", "    ", style)
    for flag in flags:
        lines += _flag_in_full(flag, found.under.get(flag.number, ()), scene.units, width)
    return lines


def _flag_in_full(flag: Flag, explains: Sequence[Flag], units: DisplayUnits, width: int) -> list[Line]:
    sign, tag_style = tag(flag)
    is_over = flag.until is not None
    style = "dim" if is_over else "plain"
    until = f", cleared at {ago(flag.until)}" if flag.until is not None else ""
    about = f"{sign} {flag.severity}, {flag.subject}: {flag.kind} since {ago(flag.since)}{until}"
    lines = wrapped(about, width, "", "    ", "dim" if is_over else str(flag.severity))
    if not is_over:
        lines = with_tag(lines, sign, tag_style)
    lines += wrapped(units.render(flag.text), width, "    ", "    ", style)
    if explains:
        lines += wrapped(f"This explains {tags(explains)}.", width, "    ", "    ", style)
    lines += wrapped(f"Try next: {flag.advice}", width, "    ", "    ", style)
    for one in flag.evidence:
        lines += wrapped(units.render(one), width, "    evidence: ", "      ", "dim")
    return lines
