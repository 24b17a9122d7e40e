"""The page of flags: causes first, then every flag with its evidence and what to try next.

Knows: the order and layout of flags. Does not know which cause explains a flag (`watch.causes`), nor Textual.
"""

from collections.abc import Sequence

from rvsim.faces.screen.lines import Line, elapsed_text, paint_tag, plain_line, tag_span, wrap_text
from rvsim.faces.screen.scene import Scene
from rvsim.faces.text.display_units import DisplayUnits
from rvsim.faces.text.flags import explain_flags, tags
from rvsim.watch.flag import Flag

MAX_LISTED_GAPS = 5
"""Times in which nobody listened that are listed; the rest is counted."""


def flag_lines(scene: Scene, width: int) -> list[Line]:
    """Return the causes, the standing flags, and the cleared ones (dim), each with evidence and what to try next."""
    found = explain_flags(scene.watch.all_flags, scene.watch.causes)
    flags = sorted(scene.watch.all_flags, key=lambda flag: (flag.until is not None, -flag.number))
    lines: list[Line] = [] if flags else [plain_line("No flag so far.")]
    for cause in found.causes:
        until = f" until {elapsed_text(cause.until)}" if cause.until is not None else ""
        about = f"Cause of {tags(cause.flags)}: {cause.kind}, {cause.subject}, since {elapsed_text(cause.since)}{until}"
        is_over = cause.until is not None
        style = "dim" if is_over else "plain"
        lines += wrap_text(about, width, "", "    ", "dim" if is_over else str(cause.severity))
        lines += wrap_text(scene.units.render(cause.text), width, "    ", "    ", style)
        lines += wrap_text(f"Try next: {cause.advice}", width, "    ", "    ", style)
    for flag in flags:
        lines += _full_flag_lines(flag, found.under.get(flag.number, ()), scene.units, width)
    return lines + _gap_lines(scene, width)


def _gap_lines(scene: Scene, width: int) -> list[Line]:
    """Return lines about the last times in which nobody listened, the latest first."""
    gaps = list(scene.watch.listening_gaps)[::-1]
    lines: list[Line] = []
    for gap in gaps[:MAX_LISTED_GAPS]:
        text = f"{gap}"
        lines += wrap_text(text[0].upper() + text[1:] + ".", width, "", "    ")
    if len(gaps) > MAX_LISTED_GAPS:
        lines.append(plain_line(f"{len(gaps) - MAX_LISTED_GAPS} earlier such gaps"))
    return lines


def _full_flag_lines(flag: Flag, explains: Sequence[Flag], units: DisplayUnits, width: int) -> list[Line]:
    sign, tag_style = tag_span(flag)
    is_over = flag.until is not None
    style = "dim" if is_over else "plain"
    until = f", cleared at {elapsed_text(flag.until)}" if flag.until is not None else ""
    about = f"{sign} {flag.severity}, {flag.subject}: {flag.kind} since {elapsed_text(flag.since)}{until}"
    lines = wrap_text(about, width, "", "    ", "dim" if is_over else str(flag.severity))
    if not is_over:
        lines = paint_tag(lines, sign, tag_style)
    lines += wrap_text(units.render(flag.text), width, "    ", "    ", style)
    if explains:
        lines += wrap_text(f"This explains {tags(explains)}.", width, "    ", "    ", style)
    lines += wrap_text(f"Try next: {flag.advice}", width, "    ", "    ", style)
    for evidence in flag.evidence:
        lines += wrap_text(units.render(evidence), width, "    evidence: ", "      ", "dim")
    return lines
