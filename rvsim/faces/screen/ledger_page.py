"""The page of the ledger: amperes given, taken and left, in columns.

Knows: the layout of the sums of `ledger`. Does not know Textual, nor how the sums are computed.
"""

from rvsim.faces.screen.head import LEDGER_TITLE
from rvsim.faces.screen.ledger import ledger_of
from rvsim.faces.screen.lines import Line, list_text, plain_line, wrap_text
from rvsim.faces.screen.scene import Page, Scene

MIN_COLUMNS_FOR_SUMS = 100
"""From this width on the sums are beside the columns; in a narrower window they are under them."""
SMALL_CURRENT_A = 0.1
"""Devices that take less are added up in one line."""


def ledger_lines(scene: Scene, width: int) -> list[Line]:
    """Return the ledger in columns, the currents of silent devices, and the devices without a figure."""
    sums = ledger_of(scene)
    given = [f"{name:<18}{amps:6.1f}" for name, amps in sums.given]
    small = [amps for _, amps in sums.taken if amps < SMALL_CURRENT_A]
    taken = [f"{name:<28}{amps:6.1f}" for name, amps in sums.taken if amps >= SMALL_CURRENT_A]
    if small:
        others = f"{len(small)} others, under {SMALL_CURRENT_A:g} A each"
        taken.append(f"{others:<28}{sum(small):6.1f}")
    measured_amps, unaccounted = _amps_text(sums.measured), _amps_text(sums.unaccounted)
    measured = f"{sums.measured_by[:17]} measures" if sums.measured_by is not None else "measured"
    right = [
        f"{'left for the battery':<26} {sums.left:9.1f}",
        f"{measured:<26} {measured_amps}",
        f"{'not accounted for':<26} {unaccounted}",
    ]
    heading: list[Line] = [] if scene.page is Page.LEDGER else [((LEDGER_TITLE, "strong"),)]
    lines: list[Line] = [*heading, ((f"  {'given':<26}{'taken':<36}", "dim"),)]
    right_column = right if width >= MIN_COLUMNS_FOR_SUMS else []
    for n in range(max(len(given), len(taken), len(right_column))):
        columns = [column[n] if n < len(column) else "" for column in (given, taken, right_column)]
        lines.append(plain_line(f"  {columns[0]:<26}{columns[1]:<36}{columns[2]}"))
    if not right_column:
        lines += [plain_line(f"  {text}") for text in right]
    for name, amps in sums.silent:
        if amps < SMALL_CURRENT_A:
            continue
        lines += wrap_text(
            f"The {name} took {amps:.1f} A before it fell silent: it may still be running.", width, "  ", "  "
        )
    if sums.unknown:
        lines += wrap_text(f"No figure in the rig for {list_text(sums.unknown)}.", width, "  ", "  ", "dim")
    return [*lines, *scene.energy.lines()] if scene.page is Page.LEDGER else lines


def _amps_text(amps: float | None) -> str:
    """Return a sum as text; zero is 0.0, never -0.0."""
    return f"{'no figure':>9}" if amps is None else f"{round(amps, 1) + 0.0:9.1f}"
