"""One frame explained byte by byte with the arithmetic: for a student, and for support with one odd frame.

Knows: the order of the explanation, as text and as JSON. Does not know buses or devices.
"""

import re
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, NamedTuple

from rvsim.errors import InputError
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.spell_fields import (
    NO_VALUE_STATES,
    ORIGIN_WORDS,
    WIDTH,
    FieldRow,
    grades_text,
    rows,
    table,
    wrapped,
)
from rvsim.faces.text.spell_meaning import meaning_of
from rvsim.faces.text.spell_transport import FrameMeaning, complete_layout
from rvsim.logs.formats.jsonl import SCHEMA, json_text, reading_fields
from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import Origin, Reading
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

UNDEFINED = "No message with this number is defined, so the bytes cannot be read."
UNREADABLE = "This message is known by its name only, so the bytes cannot be read."


def parse_frame(identifier: str, data: str) -> Frame:
    """Parse an identifier and data bytes as a person types them: hex, with or without 0x, spaces or colons.

    Raises:
        InputError: something is not hex, too long, or half a byte; one line for each.
    """
    problems = []
    bare = identifier.strip().lower().removeprefix("0x").removesuffix("h")
    number = int(bare, 16) if re.fullmatch("[0-9a-f]+", bare) else -1
    if number < 0:
        problems.append(f"identifier {identifier!r} is not hex: write it like 19FFE45E")
    elif number >= 1 << 29:
        problems.append(f"identifier {identifier} does not fit in 29 bits: the highest is 1FFFFFFF")
    digits = re.sub(r"[\s:.,_-]|0x", "", data.strip().lower())
    if not re.fullmatch("[0-9a-f]*", digits):
        problems.append(f"data {data!r} is not hex: write it like 01C864FFFFFFFFFF or 01:C8:64")
    elif len(digits) % 2:
        count = f"{len(digits)} hex digit{'' if len(digits) == 1 else 's'}"
        problems.append(f"data {data!r} has {count}: two make a byte, so one is missing or too many")
    elif len(digits) > 16:
        longer = (
            "; a longer message is sent in several frames, of which one can be explained" if len(digits) > 18 else ""
        )
        problems.append(f"data {data!r} has {len(digits) // 2} bytes: a frame holds 8 at most{longer}")
    if problems:
        raise InputError(*problems)
    return Frame(0, number, bytes.fromhex(digits))


def as_json(frame: Frame, catalogue: Catalogue) -> str:
    """Return the frame as one JSON object.

    Beside the parts of the identifier and ``fields`` (as in every JSON form, with ``grades`` of name, layout and codes
    and ``comment``) it has ``origin``, that of number and name of the message, and ``meaning``: what a frame of the
    network's services means as a whole, null for all others. A meaning has ``kind``, ``problems`` (what is wrong, as
    clauses), ``origin`` (the weakest of all its parts), and by its kind:

    - ``request to send``: ``size`` in bytes, ``packets``, ``limit`` (packets for each clear to send, 255 for no
      limit), ``dgn`` and ``message`` of the long message; ``end of message`` and ``broadcast announce`` without
      ``limit``; ``clear to send``: ``packets``, ``first``, ``dgn``, ``message``; ``abort``: ``reason``,
      ``reason_text``, ``dgn``, ``message``; ``unknown`` where a connection frame cannot be read;
    - ``data packet``: ``number``, ``data`` in hex, ``text`` (null where it is none);
    - ``product identification``: ``make``, ``model``, ``serial_number``, ``unit_number``;
      ``software identification``: ``software``, a list;
    - ``fault report``: ``fault`` (null for no fault, else ``spn``, ``fmi``, ``fmi_text``), ``dsa``, ``function``;
    - ``desired DGN`` and ``DGN acknowledged``: ``dgn``, ``message``.
    """
    parts = ident.split_identifier(frame.identifier)
    spec = catalogue.by_dgn(parts.dgn)
    meaning = meaning_of(spec, parts, frame.data, catalogue) if spec else None
    return json_text(
        {
            "schema": SCHEMA,
            "identifier": f"{frame.identifier:08X}",
            "priority": parts.priority,
            "dgn": f"{parts.dgn:05X}",
            "message": spec.name if spec else None,
            "source": parts.source,
            "destination": parts.destination,
            "origin": str(spec.origin) if spec else None,
            "fields": [_field_json(reading, spec) for reading in spec.decode(frame.data)] if spec else [],
            "meaning": meaning.as_json() if meaning else None,
        }
    )


def _field_json(reading: Reading, spec: MessageSpec) -> dict[str, Any]:
    grades, raw = reading.field.grades, reading.raw
    codes = grades.codes if raw is None else reading.field.code_grade(raw)
    return {
        **reading_fields(reading, spec.origin),
        "grades": {"name": str(grades.name), "layout": str(grades.layout), "codes": str(codes)},
        "comment": reading.field.comment or None,
    }


def as_text(frame: Frame, catalogue: Catalogue, units: DisplayUnits = METRIC, *, origins: bool = True) -> Iterator[str]:
    """Yield the explanation of a frame, line by line; a value in ``units`` stands behind its arithmetic.

    Without ``origins`` the lines on the message itself are left out: who publishes it, and its description.
    """
    parts, data = ident.split_identifier(frame.identifier), frame.data
    spec = catalogue.by_dgn(parts.dgn)
    yield f"{frame.identifier:08X}, carrying {data.hex(' ').upper() or 'no data'}"
    yield ""
    yield from _identifier(frame.identifier, spec)
    yield ""
    if spec is None:
        yield UNDEFINED
        return
    told = explain(frame, spec, catalogue, units)
    yield from table(told.rows, told.usual)
    for remark in told.remarks:
        yield from wrapped(remark, "" if remark == UNREADABLE else "  ")
    if origins or not spec.fields:
        yield ""
        yield from wrapped(told.origins)
    if spec.comment and origins:
        yield from wrapped(spec.comment)


class Explanation(NamedTuple):
    """The data of a frame, explained: ``rows`` of fields, ``remarks`` under them, and ``origins``, all sentences.

    ``usual`` is the grade of most rows, which ``origins`` says, so that it need not stand at each of them.
    """

    rows: tuple[FieldRow, ...]
    usual: str
    remarks: tuple[str, ...]
    origins: str


def explain(frame: Frame, spec: MessageSpec, catalogue: Catalogue, units: DisplayUnits = METRIC) -> Explanation:
    """Explain the data of a frame of a message."""
    data = frame.data
    meaning = meaning_of(spec, ident.split_identifier(frame.identifier), data, catalogue)
    told = tuple(_meaning(meaning))
    if not spec.fields:
        number = f"Number: {ORIGIN_WORDS[spec.origin]}{source_text(spec)}."
        return Explanation((), "", told if meaning is not None else (UNREADABLE,), number)
    layout = complete_layout(spec, data)
    found = _with_data(rows(layout, data, units), meaning)
    usual = _usual(layout, data)
    origins = _origins(spec, usual, {row.grade for row in found if row.grade})
    return Explanation(tuple(found), usual, (*_length(layout, data), *told), origins)


def identifier_text(frame: Frame, catalogue: Catalogue) -> Iterator[str]:
    """Yield the explanation of an identifier alone, line by line."""
    spec = catalogue.by_dgn(ident.dgn_of(frame.identifier))
    yield from _identifier(frame.identifier, spec)
    if spec is not None:
        yield f"Its data byte by byte: rvsim spell {spec.name}"


def _identifier(identifier: int, spec: MessageSpec | None) -> Iterator[str]:
    for line in identifier_lines(identifier, spec):
        yield from wrapped(line) if len(line) > WIDTH else [line]


def identifier_lines(identifier: int, spec: MessageSpec | None) -> Iterator[str]:
    """Yield the bits of an identifier by their parts, and how the DGN is put together from them.

    ``spec`` is the definition of that DGN. The first line has all bits; no line is wrapped.
    """
    found = identifier_parts(identifier)
    yield "Identifier, 29 bits:  " + " ".join(bits for bits, _ in found)
    for bits, title in found:
        note = f"; {_about_source(identifier & 0xFF)}" if title == found[-1][1] else ""
        yield f"  {bits:>8}  {title}{note}"
    yield from identifier_sentences(identifier, spec)


def _about_source(address: int) -> str:
    """Return what a source address says of its sender; the two that no node has are those of SAE J1939-81."""
    if address == ident.NULL_ADDRESS:
        return "null address: its sender has none"
    if address == ident.GLOBAL_ADDRESS:
        return "no node has it, it stands for all"
    return "it does not say what a device is"


def identifier_parts(identifier: int) -> list[tuple[str, str]]:
    """Return the six parts of an identifier: the bits of each as text, and what they are."""
    parts = ident.split_identifier(identifier)
    bits = f"{identifier:029b}"
    group, low = identifier >> 16 & 0xFF, identifier >> 8 & 0xFF
    if ident.is_addressed(parts.dgn):
        to = "everyone" if parts.destination == ident.GLOBAL_ADDRESS else f"address {parts.destination:02X} hex"
        specific = f"destination (PDU specific): to {to}"
    else:
        specific = f"low byte of the DGN (PDU specific): {low:02X} hex"
    titles = (
        f"priority {parts.priority} (0 goes first)",
        "reserved",
        "data page",
        f"message group byte (PDU format): {group:02X} hex",
        specific,
        f"source address: {parts.source:02X} hex ({parts.source})",
    )
    return [(bits[a:b], title) for (a, b), title in zip(pairwise((0, 3, 4, 5, 13, 21, 29)), titles, strict=True)]


def identifier_sentences(identifier: int, spec: MessageSpec | None) -> Iterator[str]:
    """Yield how the DGN is put together from the parts of an identifier."""
    dgn = ident.dgn_of(identifier)
    page, group, low = dgn >> 16, dgn >> 8 & 0xFF, dgn & 0xFF
    if ident.is_addressed(dgn):
        yield f"{group:02X} is below F0: the byte behind it is a destination, and 00 stands for it in the DGN."
    else:
        yield f"{group:02X} is F0 or above: a broadcast, and the byte behind it belongs to the DGN."
    yield f"DGN {page:X} {group:02X} {low:02X} = {dgn:05X} hex: {spec.name if spec else 'not known'}"
    if identifier < 1 << 11:
        yield "This may be an 11-bit identifier; this network uses 29 bits only."


def _with_data(found: list[FieldRow], meaning: FrameMeaning | None) -> list[FieldRow]:
    """Return the rows with the row of a meaning's data in place of the bytes that no field holds."""
    if meaning is None or meaning.data is None:
        return found
    title, text = meaning.data
    last = len(bytes.fromhex(meaning.facts["data"]))
    where = "byte 1" if last == 1 else f"bytes 1-{last}"
    return [*(row for row in found if row.title), FieldRow(where, title, text)]


def _length(spec: MessageSpec, data: bytes) -> Iterator[str]:
    count = f"{len(data)} byte{'' if len(data) == 1 else 's'}"
    if len(data) < spec.min_length:
        counts = "" if spec.is_protocol else ": the missing fields count as no data"
        yield f"The frame has {count} and the message {spec.length}{counts}."
    elif len(data) > spec.length:
        yield f"The frame has {count} and the message {spec.length}: the other bytes have no meaning here."


def _meaning(meaning: FrameMeaning | None) -> Iterator[str]:
    """Yield what the frame means as a whole, how sure that is, and what is wrong in it."""
    if meaning is None:
        return
    for sentence in meaning.sentences:
        last = sentence is meaning.sentences[-1] and meaning.origin is not Origin.PUBLISHED
        yield sentence + (f" [{ORIGIN_WORDS[meaning.origin]}]" if last else "")
    for problem in meaning.problems:
        yield f"Wrong in this frame: {problem}."


# Origins.


def _usual(spec: MessageSpec, data: bytes) -> str:
    """Return the most frequent grades of the fields that have a value; the first of several equally frequent ones."""
    readings = spec.decode(data)
    with_value = [reading for reading in readings if reading.state not in NO_VALUE_STATES] or readings
    return Counter(map(grades_text, with_value)).most_common(1)[0][0]


def _origins(spec: MessageSpec, usual: str, grades: set[str]) -> str:
    """Return the origins of number and fields, in one sentence if they have one grade."""
    own, source = ORIGIN_WORDS[spec.origin], source_text(spec)
    if grades == {own}:
        return f"Number and layout: {own}{source}."
    which = "Fields without a note in brackets" if len(grades) > 1 else "Fields"
    return f"Number: {own}{source}. {which}: {usual}."


def source_text(spec: MessageSpec) -> str:
    """Return who publishes a message, in parentheses; which parts are from memory stands at each field."""
    named = [part for part in spec.source.split("; ") if part and part != "memory"]
    return f" ({'; '.join(named)})" if named else ""
