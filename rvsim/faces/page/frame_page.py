"""The page of one message or one frame, built or on the pair: its tape, the picture of its bits, the explanation.

Knows: what stands on the page. Does not know how anything is explained (`faces.text`), nor how a page is made one file
(`page`).
"""

from collections.abc import Iterable, Sequence

from rvsim.faces.page.bit_drawing import bit_drawing
from rvsim.faces.page.calculator_data import definitions
from rvsim.faces.page.markup import Html, element, join
from rvsim.faces.page.message_parts import field_list, message_body, tape
from rvsim.faces.page.page import Page
from rvsim.faces.page.reference_page import SCRIPTS, STYLES
from rvsim.faces.text.bit_picture import BitRow, frame_rows, picture_text, wire_rows
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.spell import UNDEFINED, explain, identifier_parts, identifier_sentences
from rvsim.faces.text.spell_build import Built, data_steps, filling_sentences, identifier_steps
from rvsim.faces.text.spell_example import example_frame
from rvsim.faces.text.spell_senders import parties
from rvsim.faces.text.spell_wire import wire_sentences
from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec


def message_page(spec: MessageSpec, units: DisplayUnits = METRIC) -> Page:
    """Return the page of a message: its layout, the bits of a worked frame, its calculator."""
    page = _page(spec.name, f"DGN {spec.dgn:05X} hex ({spec.dgn} decimal).")
    page.add_section("message", "The message", _article(spec, units))
    if spec.fields:
        frame = example_frame(spec, parties(spec))
        rows = frame_rows(frame, spec, units)
        line = tape(frame, spec, units)
        page.add_section("bits", "The bits of a frame with invented values", line, *_picture(rows, frame))
    page.add(definitions([spec]))
    return page


def frame_page(
    frame: Frame,
    catalogue: Catalogue,
    units: DisplayUnits = METRIC,
    *,
    notes: Iterable[str] = (),
    built: Built | None = None,
    has_data: bool = True,
) -> Page:
    """Return the page of a frame.

    Args:
        frame: the frame.
        catalogue: the definitions.
        units: the units in which values are shown beside the metric ones.
        notes: what was understood otherwise than it was written.
        built: how the frame was built, if it was.
        has_data: whether the data bytes were given; without them only the identifier is explained.
    """
    parts = ident.split_identifier(frame.identifier)
    spec = catalogue.by_dgn(parts.dgn)
    name = spec.name if spec is not None else f"DGN {parts.dgn:05X}, not known here"
    to = "" if parts.destination is None else " to all" if parts.destination == 0xFF else f" to {parts.destination:02X}"
    page = _page(
        f"{frame.identifier:08X} {frame.data.hex(' ').upper()}".strip(), f"{name}, from {parts.source:02X}{to}."
    )
    page.add(join(element("p", note) for note in notes))
    if has_data:
        page.add(tape(frame, spec, units))
    if built is not None:
        page.add_section("steps", "How it was built", *_steps(built))
    page.add_section("bits", "Its bits", *_picture(frame_rows(frame, spec, units), frame))
    page.add_section("identifier", "The identifier", _identifier(frame.identifier, spec))
    if has_data:
        page.add_section("bytes", "The data bytes", *_data(frame, spec, catalogue, units))
    if spec is not None:
        given = f"{frame.identifier:08X} {frame.data.hex().upper()}" if has_data else None
        page.add_section("message", f"The message {spec.name}", _article(spec, units, given))
    page.add(definitions([spec] if spec is not None else []))
    return page


def wire_page(frame: Frame, against: int | None = None) -> Page:
    """Return the page of a frame as the pair carries it; ``against`` is the identifier of another one."""
    page = _page(f"{frame.identifier:08X} {frame.data.hex(' ').upper()}".strip(), "The frame as the pair carries it.")
    sentences = (element("p", sentence) for sentence in wire_sentences(frame, against))
    page.add_section("bits", "Every bit, with its name", *_picture(wire_rows(frame), frame))
    page.add_section("time", "Stuff bits, time, and who goes first", *sentences)
    page.add(definitions(()))
    return page


def _page(title: str, sentence: str) -> Page:
    page = Page(title, scripts=SCRIPTS, styles=STYLES)
    page.add_head(title, sentence)
    return page


def _article(spec: MessageSpec, units: DisplayUnits, frame: str | None = None) -> Html:
    """Return a message; its calculator begins with a frame (identifier and data in hex), or with the worked one."""
    body = message_body(spec, units)
    return element("article", body, class_="message", id=f"{spec.dgn:05X}", data_name=spec.name, data_frame=frame)


def _picture(rows: Sequence[BitRow], frame: Frame) -> tuple[Html, Html]:
    drawing = element("div", bit_drawing(rows, f"The bits of {frame.identifier:08X}"), class_="picture", tabindex=0)
    text = element("pre", "\n".join(picture_text(rows)), tabindex=0)
    return drawing, element("details", element("summary", "The same as text"), text, class_="again")


def _steps(built: Built) -> tuple[Html, ...]:
    fields = [join([element("dt", heading), element("dd", step)]) for heading, step in data_steps(built)]
    filling = (element("p", f"{sentence[0].upper()}{sentence[1:]}.") for sentence in filling_sentences(built))
    together = element("ul", *(element("li", sentence) for sentence in identifier_steps(built)))
    return element("dl", *fields), *filling, element("h4", "The identifier"), together


def _identifier(identifier: int, spec: MessageSpec | None) -> Html:
    items = (element("li", element("code", bits), f" {title}") for bits, title in identifier_parts(identifier))
    sentences = (element("p", sentence) for sentence in identifier_sentences(identifier, spec))
    whose = element("p", "A source address does not say what a device is.")
    return join([element("ul", *items, class_="told"), *sentences, whose])


def _data(frame: Frame, spec: MessageSpec | None, catalogue: Catalogue, units: DisplayUnits) -> Iterable[Html]:
    if spec is None:
        yield element("p", UNDEFINED)
        return
    told = explain(frame, spec, catalogue, units)
    yield field_list(told.rows, told.usual)
    for remark in (*told.remarks, told.origins):
        yield element("p", remark)
