"""The page of a comparison: how much is different, every difference, what counts as one, and what was not judged.

Knows: what stands on the page. Does not know what counts as a difference (`logs.compare`), nor how a page is made
one file (`page`).
"""

from pathlib import Path

from rvsim.errors import printable
from rvsim.faces.page.markup import Html, breakable, element, join
from rvsim.faces.page.page import Page
from rvsim.faces.page.tables import Column, Row, table
from rvsim.faces.text.compare_text import SAME, TITLES, count_line, log_line
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.logs.compare import THRESHOLDS, Comparison, Difference, Sort
from rvsim.logs.summary import LogSummary


def compare_page(found: Comparison, units: DisplayUnits = METRIC) -> Page:
    """Return the page of a comparison."""
    title = f"{_names(found.before)} and {_names(found.after)}, compared"
    page = Page(printable(title))
    page.add_head(title, SAME if found.is_same else f"{count_line(found.differences)}.")
    lines = [f"Before: {log_line(found.before)}", f"After: {log_line(found.after)}"]
    page.add(
        element("ul", *(element("li", line) for line in [*lines, *(f"Not compared: {one}." for one in found.notes)]))
    )
    sections = {
        "differences": ("Differences", _differences(found, units)),
        "not-judged": ("In one log only, not judged", _not_judged(found)),
        "devices": ("Devices that are in both logs", _devices(found)),
        "thresholds": ("What counts as a difference", _thresholds()),
    }
    for name, (heading, content) in sections.items():
        if content:
            page.add_section(name, heading, content)
    return page


def _names(found: LogSummary) -> str:
    return ", ".join(Path(log.name).name for log in found.logs)


def _differences(found: Comparison, units: DisplayUnits) -> Html:
    if found.is_same:
        return join(())
    columns = (
        Column("What", filters=True), Column("Sort", filters=True), Column("Device", filters=True), Column("Message"),
        Column("Reading"), Column("Before"), Column("After"),
    )  # fmt: skip
    rows = (_row(one, units) for one in found.differences)
    return table("Differences", columns, rows, identifier="difference-table", noun="difference")


def _row(one: Difference, units: DisplayUnits) -> Row:
    texts = (None if text is None else breakable(units.render(text)) for text in (one.before, one.after))
    return (
        TITLES[one.aspect],
        str(one.sort),
        one.device or "bus",
        breakable(one.message or ""),
        (one.field or "").replace("_", " "),
        *texts,
    )


def _not_judged(found: Comparison) -> Html:
    if not found.not_judged:
        return join(())
    columns = (
        Column("Only", filters=True),
        Column("Device", filters=True),
        Column("Message"),
        Column("Why", filters=True),
    )
    rows = (
        (
            "before" if one.sort is Sort.GONE else "after",
            one.device,
            breakable(one.message or "the whole device"),
            one.why,
        )
        for one in found.not_judged
    )
    return table("In one log only, not judged", columns, rows, identifier="not-judged-table", noun="message")


def _devices(found: Comparison) -> Html:
    if not found.matches:
        return join(())
    columns = (Column("Before"), Column("After"), Column("Known by", filters=True))
    rows = ((match.before.label, match.after.label, str(match.by)) for match in found.matches)
    return table("Devices that are in both logs", columns, rows, identifier="device-table", noun="device")


def _thresholds() -> Html:
    rows = ((TITLES[aspect], rule) for aspect, rule in THRESHOLDS.items())
    return table(
        "What counts as a difference", (Column("What"), Column("Rule")), rows, identifier="threshold-table", noun="rule"
    )
