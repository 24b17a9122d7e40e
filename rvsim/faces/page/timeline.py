"""The presence timeline: when each device was present, late, silent, asleep or unplanned, with its flags.

Knows: how each state is drawn, by its shape and not by its colour alone, and the same as a table. Does not know how
presence is found.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from rvsim.faces.page.drawing import Band, Window, bands, time_axis
from rvsim.faces.page.markup import Html, element, join
from rvsim.faces.page.tables import Cell, Column, seconds_cell, table
from rvsim.logs.presence import PresenceSpan
from rvsim.watch.transitions import Presence
from rvsim.wire.frame import SECOND_US

STATE_WORDS = {
    Presence.PRESENT: "present: a full bar",
    Presence.LATE: "late: a striped bar",
    Presence.SILENT: "silent: an empty frame",
    Presence.ASLEEP: "asleep: a dotted line",
    Presence.UNPLANNED: "unplanned: a hatched bar",
}
"""What each state is called and how it is drawn."""


class PresenceRow(NamedTuple):
    """A device, its states in their order, and its flags."""

    device: str
    spans: Sequence[PresenceSpan]
    flags: Sequence[Band]


def timeline(window: Window, rows: Sequence[PresenceRow], identifier: str) -> Html:
    """Return the timeline of the devices, from one end of the trunk to the other, and its table."""
    drawn = [_row(window, row) for row in rows]
    end = element("div", element("span", "Ω", class_="end", aria_hidden="true"), class_="trunk")
    used = {span.state for row in rows for span in row.spans}
    legend = element(
        "ul",
        *(
            element("li", element("span", element("span", class_=f"band {state}"), class_="swatch"), words)
            for state, words in STATE_WORDS.items()
            if state in used
        ),
        class_="legend",
    )
    return join((
        legend,
        element("div", time_axis(window), end, *drawn, end, class_="timeline", data_start=window.start,
                data_end=window.end),
        element(
            "details",
            element("summary", "The timeline as a table"),
            table(
                "Presence of the devices",
                (Column("Device", filters=True), Column("State", filters=True), Column("From, s", is_number=True),
                 Column("To, s", is_number=True)),
                _table_rows(rows),
                identifier=identifier,
                noun="period",
            ),
        ),
    ))  # fmt: skip


def _row(window: Window, row: PresenceRow) -> Html:
    states = [Band(str(span.state), span.since, span.until, _title(row.device, span)) for span in row.spans]
    flags, lanes = bands(window, row.flags)
    marks = element("div", flags, class_="marks", style=f"--lanes:{lanes}", aria_hidden="true") if flags else None
    return element(
        "div",
        element("span", row.device, class_="device"),
        element("div", bands(window, states)[0], class_="states", role="img", aria_label=_summary(row)),
        marks,
        class_="drop",
    )


def _title(device: str, span: PresenceSpan) -> str:
    return f"{device} {span.state} from {span.since / SECOND_US:.1f} s to {span.until / SECOND_US:.1f} s"


def _summary(row: PresenceRow) -> str:
    """Return what the drawing of a device shows, for those who do not see it."""
    counts = {state: sum(span.state is state for span in row.spans) for state in Presence}
    named = [f"{state} {'once' if count == 1 else f'{count} times'}" for state, count in counts.items() if count]
    return f"{row.device}: {', '.join(named) or 'no state is known'}"


def _table_rows(rows: Iterable[PresenceRow]) -> Iterable[tuple[str | Cell, ...]]:
    for row in rows:
        for span in row.spans:
            yield row.device, str(span.state), seconds_cell(span.since), seconds_cell(span.until)
