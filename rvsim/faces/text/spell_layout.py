"""A message as a whole: its bytes with types, units, steps, ranges, special codes and value names, and who sends it.

Knows: the text and the JSON of a layout. Does not know a single frame; `spell` explains that.
"""

from collections.abc import Iterator, Sequence
from typing import Any

from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.spell import as_text, source_text
from rvsim.faces.text.spell_example import example_frame
from rvsim.faces.text.spell_fields import ORIGIN_WORDS, exact, limits_text, place, wrapped
from rvsim.faces.text.spell_list import gap_text, subject_of
from rvsim.faces.text.spell_senders import Party, parties
from rvsim.logs.formats.jsonl import SCHEMA, json_text
from rvsim.rig.functions import by_command, by_status
from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Origin, Special, State
from rvsim.wire.spec import MessageSpec

_INDENT, _NOTE = "  ", "      "
_TYPES = {1: "bit", 2: "bit2", 4: "bit4", 8: "uint8", 16: "uint16", 24: "uint24", 32: "uint32"}
"""The data types by their bits. The names of 2, 8, 16 and 32 bits are the standard's (rv-c.com/node/522, 500, and from
memory), the others are made alike."""
_MAX_NAMED_CODES = 64
NAME_ONLY = "This message is known by its name only: no layout of it is established, so none is shown."
"""What is said of a message without fields."""


def type_of(field: FieldSpec) -> str:
    """Return the data type of a field in a word: ``uint16``; of another width in bits: ``19 bits``."""
    name = _TYPES.get(field.length, f"{field.length} bits")
    return name.replace("uint", "int") if field.signed and "uint" in name else name


def special_codes(field: FieldSpec) -> list[tuple[int, int, str]]:
    """Return the special codes of a field, neighbours with one meaning together: first, last, meaning."""
    found: list[tuple[int, int, str]] = []
    for raw, state in sorted(field.states.items()):
        if found and found[-1][1] == raw - 1 and found[-1][2] == str(state):
            found[-1] = (found[-1][0], raw, str(state))
        else:
            found.append((raw, raw, str(state)))
    return found


def code_text(field: FieldSpec, raw: int) -> str:
    """Return a raw integer as it is written for a field of its width: hex digits, or bits below a byte."""
    if field.length % 4 == 0 and field.length >= 8:
        return f"{raw & field.all_ones:0{field.length // 4}X}"
    return f"{raw & field.all_ones:0{field.length}b}" if field.length < 8 else f"{raw & field.all_ones:X}"


def layout_text(spec: MessageSpec, catalogue: Catalogue, units: DisplayUnits = METRIC) -> Iterator[str]:
    """Yield the layout of a message line by line, at the end a frame of it, worked."""
    found = parties(spec)
    yield f"{spec.name}, DGN {spec.dgn:05X} hex ({spec.dgn})"
    yield from wrapped(spec.comment)
    yield ""
    for fact in facts(spec, found):
        yield from wrapped(fact)
    if not spec.fields:
        yield ""
        yield from wrapped(NAME_ONLY)
        return
    yield ""
    yield from wrapped(counting_text(spec))
    for field in sorted(spec.fields, key=lambda one: one.first):
        yield f"{_INDENT}{field_heading(field)}"
        for note in field_notes(field, units):
            yield from wrapped(note, _NOTE)
    free = unused_text(spec)
    if free:
        yield from wrapped(free, _INDENT)
    frame = example_frame(spec, found)
    yield ""
    yield "A frame with invented values:"
    yield ""
    yield from as_text(frame, catalogue, units, origins=False)
    yield ""
    yield from wrapped(f"The same again: rvsim spell {frame.identifier:08X} {frame.data.hex().upper()}")


def counting_text(spec: MessageSpec) -> str:
    """Return how long a message is, and how its bytes and bits are counted."""
    count = f"{spec.length} byte{'' if spec.length == 1 else 's'}"
    return f"{count}. Bytes and bits count from 0; a number of several bytes is low byte first."


def facts(spec: MessageSpec, found: Sequence[Party]) -> Iterator[str]:
    """Yield the facts of a message as sentences: subject, gap and priority, who sends and takes it, its grades."""
    gap = gap_text(spec)
    yield f"Subject: {subject_of(spec)}."
    sent = f"Sent {gap}" if gap.startswith(("every", "as ", "on ")) else f"Sent: {gap}" if gap else "Sent: not known"
    yield f"{sent}; priority {spec.priority} (0 goes first, 7 last)."
    if ident.is_addressed(spec.dgn):
        yield "Its frames have a destination: PDU format below F0 hex."
    else:
        yield "Its frames are broadcast to all: PDU format F0 hex or above."
    yield from _party_sentences(spec, found)
    grades = dict.fromkeys(grade for field in spec.fields for grade in field.grades)
    named = f" Its fields are {_listed([ORIGIN_WORDS[grade] for grade in grades])}." if grades else ""
    yield f"Number and name: {ORIGIN_WORDS[spec.origin]}{source_text(spec)}.{named}"


def _party_sentences(spec: MessageSpec, found: Sequence[Party]) -> Iterator[str]:
    status, command = by_status(spec.name), by_command(spec.name)
    if status is not None:
        yield f"Status of the function {status.title}."
    if command is not None:
        yield f"Command to the function {command.title}; any device may send it."
    for title, sends in (("Sent by", True), ("Taken by", False)):
        devices = list(dict.fromkeys(one.text for one in found if one.sends is sends))
        if devices:
            more = f" and {len(devices) - 3} more" if len(devices) > 3 else ""
            yield f"{title}: {'; '.join(devices[:3])}{more}."
    if spec.is_protocol:
        yield "It belongs to no function: any node may send it."
    elif not found:
        yield "No device of the shipped rigs has a function with this message."


def field_heading(field: FieldSpec) -> str:
    """Return the place, the name and the type of a field."""
    return f"{place(field)}: {field.title}, {type_of(field)}"


def field_notes(field: FieldSpec, units: DisplayUnits = METRIC) -> Iterator[str]:
    """Yield what the numbers of a field mean, its codes, its special codes, its grades and its comment."""
    named = _named_codes(field)
    if not field.labels or field.unit:
        yield _scale_text(field, units)
    if named:
        yield named
    special = _special_text(field)
    if special:
        yield special
    yield _grades_text(field)
    if field.comment:
        yield field.comment


def _scale_text(field: FieldSpec, units: DisplayUnits) -> str:
    unit = f" {field.printed_unit}" if field.unit else ""
    span = limits_text(field, units)
    if field.scale == field.unit_steps and not field.offset:
        kind = f"a number{' of' + unit if unit else ''}" if unit or not field.labels else "a code"
        return f"{kind}, {span}"
    step = exact(field, field.scale)
    offset = f" {'-' if field.offset < 0 else '+'} {exact(field, abs(field.offset))}" if field.offset else ""
    return f"number × {step}{offset} ={unit}: {span} in steps of {step}{unit}"


def _named_codes(field: FieldSpec) -> str:
    labels = [(raw, label) for raw, label in sorted(field.labels.items()) if raw not in field.states]
    parts = []
    for raw, label in labels[:_MAX_NAMED_CODES]:
        alarm = field.alarms.get(raw)
        parts.append(f"{raw} {label}{f' ({alarm.severity})' if alarm is not None else ''}")
    if len(labels) > _MAX_NAMED_CODES:
        parts.append(f"and {len(labels) - _MAX_NAMED_CODES} more")
    return f"codes: {', '.join(parts)}" if parts else ""


def _special_text(field: FieldSpec) -> str:
    kind = "hex" if field.length >= 8 else "binary"
    parts = []
    for first, last, state in special_codes(field):
        span = code_text(field, first) if first == last else f"{code_text(field, first)} to {code_text(field, last)}"
        label = field.labels.get(first)
        parts.append(f"{span} {state}{f', {label}' if label and label != state else ''}")
    if parts:
        return f"special codes, in {kind}: {'; '.join(reversed(parts))}"
    return "no special codes: all ones are a value as any other" if field.special is Special.NONE else ""


def _grades_text(field: FieldSpec) -> str:
    name, layout, codes = field.grades
    parts: dict[Origin, list[str]] = {}
    has_codes = any(raw not in field.states for raw in field.labels)
    layout_title = "place and scale" if field.unit or field.scale != 1 else "place"
    for title, grade in (("name", name), (layout_title, layout), *((("codes", codes),) if has_codes else ())):
        parts.setdefault(grade, []).append(title)
    return "; ".join(f"{_listed(titles)} {ORIGIN_WORDS[grade]}" for grade, titles in parts.items())


def unused_text(spec: MessageSpec) -> str:
    """Return which bytes and bits no field of a message uses; "" where all are used."""
    free = spec.encode(dict.fromkeys(spec.by_name, 0))
    bits = sum(byte.bit_count() for byte in free)
    if not bits:
        return ""
    whole = [str(number) for number, byte in enumerate(free) if byte == 0xFF]
    named = f"byte{'' if len(whole) == 1 else 's'} {_listed(whole)}" if whole else ""
    others = bits - 8 * len(whole)
    rest = f"{others} more bit{'' if others == 1 else 's'}" if others else ""
    return f"Unused: {' and '.join(part for part in (named, rest) if part)}, sent as ones."


def _listed(words: Sequence[str]) -> str:
    return " and ".join(part for part in (", ".join(words[:-1]), words[-1] if words else "") if part)


# JSON.


def layout_json(spec: MessageSpec) -> str:
    """Return the layout as one JSON object, with ``senders``, ``fields`` and a worked ``example``.

    A field has ``bytes`` (first and last), ``bits`` (its first bit and the bits of its length, counted through the
    frame from 0), ``type``, ``unit``, ``step``, ``offset``, ``low``, ``high`` (exact decimal text), ``codes`` (by the
    raw number), ``special`` (``first``, ``last``, ``state``), ``grades`` and ``comment``.
    """
    found = parties(spec)
    frame = example_frame(spec, found) if spec.fields else None
    return json_text(
        {
            "schema": SCHEMA,
            "message": spec.name,
            "dgn": f"{spec.dgn:05X}",
            "subject": subject_of(spec),
            "priority": spec.priority,
            "length": spec.length,
            "gap_ms": None if spec.gap_us is None else spec.gap_us / 1000,
            "rule": spec.rule or None,
            "origin": str(spec.origin),
            "source": spec.source or None,
            "comment": spec.comment or None,
            "senders": [one._asdict() for one in found],
            "fields": [_field_json(field) for field in sorted(spec.fields, key=lambda one: one.first)],
            "example": None
            if frame is None
            else {"identifier": f"{frame.identifier:08X}", "bytes": frame.data.hex().upper()},
        }
    )


def _field_json(field: FieldSpec) -> dict[str, Any]:
    low, high = (exact(field, raw * field.scale + field.offset) for raw in field.raw_limits)
    return {
        "field": field.name,
        "bytes": [field.first_byte, field.last_byte],
        "bits": [field.first, field.first + field.length - 1],
        "type": type_of(field),
        "unit": field.unit or None,
        "step": exact(field, field.scale),
        "offset": exact(field, field.offset),
        "low": low,
        "high": high,
        "codes": {str(raw): label for raw, label in sorted(field.labels.items()) if raw not in field.states},
        "special": [
            {"first": first, "last": last, "state": state, "label": field.labels.get(first)}
            for first, last, state in special_codes(field)
            if State(state)
        ],
        "grades": {
            "name": str(field.grades.name),
            "layout": str(field.grades.layout),
            "codes": str(field.grades.codes),
        },
        "comment": field.comment or None,
    }
