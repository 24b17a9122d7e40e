"""The page of flags: causes first, then every flag with its evidence and what to try next.

Knows: the order in which flags are read. Does not know what explains what (`watch.causes`), nor Textual.
"""

from collections.abc import Sequence

from rvsim.faces.screen.lines import Line, ago, plain, tag, wrapped
from rvsim.faces.screen.scene import Scene
from rvsim.faces.text.flags import account, tags
from rvsim.watch.flag import Flag


def flag_lines(scene: Scene, width: int) -> list[Line]:
    """Return causes, then every flag, those that stand first, with evidence and what to try next."""
    found = account(scene.watch.all_flags, scene.watch.causes)
    flags = sorted(scene.watch.all_flags, key=lambda flag: (flag.until is not None, -flag.number))
    lines: list[Line] = [] if flags else [plain("No flag so far.")]
    for cause in found.causes:
        over = f" until {ago(cause.until)}" if cause.until is not None else ""
        about = f"Cause of {tags(cause.flags)}: {cause.kind}, {cause.subject}, since {ago(cause.since)}{over}"
        lines += wrapped(about, width, "", "    ", "dim" if cause.until is not None else str(cause.severity))
        lines += wrapped(cause.text, width, "    ", "    ")
        lines += wrapped(f"Try next: {cause.advice}", width, "    ", "    ")
    for flag in flags:
        lines += _flag_in_full(flag, found.under.get(flag.number, ()), width)
    return lines


def _flag_in_full(flag: Flag, explains: Sequence[Flag], width: int) -> list[Line]:
    sign, style = tag(flag)
    until = f", cleared at {ago(flag.until)}" if flag.until is not None else ""
    about = f"{sign} {flag.severity}, {flag.subject}: {flag.kind} since {ago(flag.since)}{until}"
    lines = wrapped(about, width, "", "    ", "dim" if flag.until is not None else style)
    lines += wrapped(flag.text, width, "    ", "    ")
    if explains:
        lines += wrapped(f"This explains {tags(explains)}.", width, "    ", "    ")
    lines += wrapped(f"Try next: {flag.advice}", width, "    ", "    ")
    for one in flag.evidence:
        lines += wrapped(one, width, "    evidence: ", "      ", "dim")
    return lines
