"""One message on a page: its facts, its fields, a worked frame, and the place of its calculator.

Knows: what stands there, in which order; texts are those of `spell_layout`. Does not know the page around it.
"""

from collections.abc import Iterable

from rvsim.faces.page.markup import Html, breakable, element, join
from rvsim.faces.screen.tape import spelled_line
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.marks import LEGEND
from rvsim.faces.text.spell_example import example_frame
from rvsim.faces.text.spell_fields import FieldRow, rows
from rvsim.faces.text.spell_layout import (
    NAME_ONLY,
    counting_text,
    facts,
    field_heading,
    field_notes,
    unused_text,
)
from rvsim.faces.text.spell_list import gap_text
from rvsim.faces.text.spell_senders import parties
from rvsim.faces.text.spell_transport import complete_layout
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec


def message_body(spec: MessageSpec, units: DisplayUnits = METRIC) -> Html:
    """Return all that `spell` says of a message; its worked frame gives way to the calculator on the screen."""
    found = parties(spec)
    parts = [
        element("p", spec.comment) if spec.comment else None,
        element("ul", *(element("li", fact) for fact in facts(spec, found)), class_="told"),
    ]
    if not spec.fields:
        return join([*parts, element("p", NAME_ONLY)])
    frame = example_frame(spec, found)
    fields = [
        join([element("dt", field_heading(field)), *(element("dd", note) for note in field_notes(field, units))])
        for field in sorted(spec.fields, key=lambda one: one.first)
    ]
    free = unused_text(spec)
    worked = element(
        "div",
        element("h4", "A frame with invented values"),
        tape(frame, spec, units),
        field_list(rows(complete_layout(spec, frame.data), frame.data, units)),
        class_="worked",
    )
    return join(
        [
            *parts,
            element("div", class_="place"),
            element("h4", "Bytes"),
            element("p", counting_text(spec)),
            element("dl", *fields),
            element("p", free) if free else None,
            worked,
        ]
    )


def message_summary(spec: MessageSpec) -> Html:
    """Return a message in one line: its DGN, its name, how often it is sent."""
    gap = gap_text(spec) if spec.fields else "known by name only"
    return join(
        [
            element("span", f"{spec.dgn:05X}", class_="dgn"),
            " ",
            element("h3", breakable(spec.name)),
            " ",
            element("span", f"{spec.dgn} decimal{f'; {gap}' if gap else ''}", class_="facts"),
        ]
    )


def tape(frame: Frame, spec: MessageSpec | None, units: DisplayUnits = METRIC) -> Html:
    """Return a frame as one running line: its identifier, then its bytes, each with its meaning."""
    spans = [
        element("span", text, class_="note") if style == "dim" else text
        for text, style in spelled_line(spec, frame.data, units=units)
    ]
    line = element("p", element("b", f"{frame.identifier:08X}"), " ", *spans, class_="tape")
    return join([line, element("p", LEGEND, class_="note")])


def field_list(found: Iterable[FieldRow], usual: str = "") -> Html:
    """Return the rows of a frame's fields: place, title, arithmetic, a grade that is not the usual one, notes."""
    return element("dl", *(_field_row(row, usual) for row in found))


def _field_row(row: FieldRow, usual: str) -> Html:
    grade = f" [{row.grade}]" if row.grade and row.grade != usual else ""
    title = f"{row.place}: {row.title}" if row.title else row.place
    notes = (element("dd", note, class_="note") for note in row.notes)
    return join([element("dt", title), element("dd", f"{row.meaning}{grade}"), *notes])
