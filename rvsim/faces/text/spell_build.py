"""A frame built out of a message's name and values of its fields, each step written out.

Knows: how a value is written, and the raw integer that stands for it. Does not know who would send the frame.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Any

from rvsim.errors import InputError, did_you_mean
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.spell_example import ANY_ADDRESS
from rvsim.faces.text.spell_fields import WRITTEN_STATES, clauses, exact, limits_text, wrapped
from rvsim.faces.text.spell_given import GivenValue
from rvsim.faces.text.spell_layout import code_text, field_heading
from rvsim.faces.text.spell_senders import parties
from rvsim.logs.formats.jsonl import SCHEMA, json_text
from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

_NUMBER = re.compile(r"([+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+))\s*(\S*)")
_DECIMAL_COMMA = re.compile(r"([+-]?[0-9]+),([0-9]+)")
_HEX_BEHIND = re.compile(r"[0-9a-f]+ ?(?:h|hex)", re.IGNORECASE)
_HEX_LETTERS = re.compile(r"(?=[0-9a-f]*[a-f])[0-9a-f]{2,}", re.IGNORECASE)
_RAW = re.compile(r"0x([0-9a-f]+)", re.IGNORECASE)
_MAX_LISTED_CODES = 12


@dataclass(frozen=True)
class Built:
    """A built frame, and the steps to each of its fields."""

    spec: MessageSpec
    frame: Frame
    raws: Mapping[str, int]
    steps: tuple[str, ...]
    why_source: str
    before: Frame | None = None
    """The frame that was changed; None where all of it was built."""


def change(
    spec: MessageSpec,
    frame: Frame,
    values: Sequence[GivenValue],
    *,
    source: int | None = None,
    destination: int | None = None,
    priority: int | None = None,
) -> Built:
    """Change some fields of a frame; all other bits stay. Parts of the identifier that are None stay as well.

    Raises:
        InputError: one line for each mistake.
    """
    raws, steps = _raws(spec, values, destination)
    data = frame.data
    try:
        for name, raw in raws.items():
            data = spec.replace(data, name, raw)
    except ValueError as problem:
        raise InputError(f"{problem}: give the whole frame") from None
    parts = ident.split_identifier(frame.identifier)
    identifier = ident.join_identifier(
        parts.priority if priority is None else priority,
        parts.dgn,
        parts.source if source is None else source,
        parts.destination if destination is None else destination,
    )
    why = "given" if source is not None else "as it was"
    return Built(spec, Frame(0, identifier, data), raws, steps, why, frame)


def build(
    spec: MessageSpec,
    values: Sequence[GivenValue],
    *,
    source: int | None = None,
    destination: int | None = None,
    priority: int | None = None,
) -> Built:
    """Build a frame; a field without a value is all ones: no data, or in a command unchanged.

    Args:
        spec: the message.
        values: the values; a number in the field's unit, the name of a code, a state such as ``no data``, or the raw
            integer in hex behind 0x.
        source: the source address; None for that of a shipped device that sends the message, else 80 hex.
        destination: the destination of a message that has one; None for all nodes.
        priority: None for that of the message.

    Raises:
        InputError: one line for each mistake.
    """
    raws, steps = _raws(spec, values, destination)
    why = "given"
    if source is None:
        sender = next((one for one in parties(spec) if one.sends), None)
        source, why = (
            (ANY_ADDRESS, "invented: give your own with --source")
            if sender is None
            else (sender.address, f"that of {sender.device} in {sender.rig}; give your own with --source")
        )
    if destination is None and ident.is_addressed(spec.dgn):
        destination = ident.GLOBAL_ADDRESS
    identifier = ident.join_identifier(spec.priority if priority is None else priority, spec.dgn, source, destination)
    return Built(spec, Frame(0, identifier, spec.encode(raws)), raws, steps, why)


def _raws(
    spec: MessageSpec, values: Sequence[GivenValue], destination: int | None
) -> tuple[Mapping[str, int], tuple[str, ...]]:
    """Return the raw integers of values by field, and the step to each.

    Raises:
        InputError: one line for each mistake; a destination for a broadcast is one.
    """
    if not spec.fields:
        raise InputError(f"{spec.name} is known by name only: no layout is established, so no frame can be built")
    problems: list[str] = []
    raws: dict[str, int] = {}
    steps: list[str] = []
    for name, text in values:
        try:
            field = _field(spec, name)
            if field.name in raws:
                raise ValueError(f"{field.name} is given twice; write it once")
            raws[field.name], step = raw_of(field, text)
            steps.append(step)
        except ValueError as problem:
            problems.append(f"{spec.name}: {problem}")
    if destination is not None and not ident.is_addressed(spec.dgn):
        problems.append(f"{spec.name} is a broadcast: it has no destination; leave --destination out")
    if problems:
        raise InputError(*problems)
    return raws, tuple(steps)


def _field(spec: MessageSpec, name: str) -> FieldSpec:
    wanted = re.sub(r"[\s-]+", "_", name.strip()).lower()
    if wanted in spec.by_name:
        return spec.by_name[wanted]
    close = did_you_mean(wanted, spec.by_name)
    raise ValueError(f"it has no field {name}{close}; its fields are {', '.join(spec.by_name)}")


class BetweenStepsError(ValueError):
    """A value lies between two steps of its field; ``nearest`` are the values of these steps, the lower one first."""

    def __init__(self, text: str, nearest: Sequence[str]) -> None:
        super().__init__(text)
        self.nearest = tuple(nearest)


def raw_of(field: FieldSpec, text: str) -> tuple[int, str]:
    """Return the raw integer of a value as a person writes it, and the step from the one to the other.

    Raises:
        BetweenStepsError: the value lies between two steps; the text names both.
        ValueError: the value cannot be sent; the text says what can.
    """
    if not text:
        raise ValueError(f"{field.name} has no value; write one behind the =, like {field.name}={_example(field)}")
    if (code := _code(field, text)) is not None:
        return code, f"{field.labels[code]} is the code {code} = {_shown(field, code)}"
    words = text.lower().replace("_", " ")
    if words in WRITTEN_STATES:
        return _special(field, WRITTEN_STATES[words])
    raw = _RAW.fullmatch(text)
    if raw is not None:
        number = int(raw[1], 16)
        if number > field.all_ones:
            raise ValueError(
                f"{field.name}={text} does not fit in {field.length} bits: the highest is 0x{field.all_ones:X}"
            )
        if field.signed and number > field.raw_limits[1]:
            number -= 1 << field.length
        return number, f"raw {_shown(field, number)}, as given"
    if _HEX_BEHIND.fullmatch(text) and not field.unit.lower().endswith("h"):  # but hours and ampere-hours
        digits = re.sub("(?i) ?h(?:ex)?$", "", text)
        raise ValueError(f"{field.name}={text}: write a raw integer in hex with 0x in front, 0x{digits}")
    if not field.unit and not field.labels and _HEX_LETTERS.fullmatch(text):
        raise ValueError(f"{field.name}={text}: write a raw integer in hex with 0x in front, 0x{text}")
    text = _DECIMAL_COMMA.sub(r"\1.\2", text, count=1)
    number_and_unit = _NUMBER.fullmatch(text)
    if number_and_unit is None:
        raise ValueError(f"{field.name}={text} is {_no_value(field, text)}")
    _check_unit(field, number_and_unit[2])
    return _scaled(field, Fraction(number_and_unit[1]), number_and_unit[1])


def _code(field: FieldSpec, text: str) -> int | None:
    wanted = text.lower().replace("_", " ")
    return next((raw for label, raw in field.codes.items() if label.lower().replace("_", " ") == wanted), None)


def _no_value(field: FieldSpec, text: str) -> str:
    labels = list(field.codes)
    if not labels:
        return f"not a number: write one in {field.printed_unit or 'whole steps'}, or no data; {limits_text(field)}"
    close = did_you_mean(text, labels)
    listed = ", ".join(labels[:_MAX_LISTED_CODES]) + (" ..." if len(labels) > _MAX_LISTED_CODES else "")
    return f"neither a number nor one of its codes{close}: {listed}"


def _check_unit(field: FieldSpec, unit: str) -> None:
    allowed = {field.unit.lower(), field.printed_unit.lower(), ""} | ({"c", "°c"} if field.unit == "degC" else set())
    if unit.lower() not in allowed:
        takes = f"is in {field.printed_unit}, not in {unit};" if field.unit else f"has no unit: leave {unit} out and"
        raise ValueError(f"{field.name} {takes} write the number alone")


def _special(field: FieldSpec, state: State) -> tuple[int, str]:
    code = field.code(state)
    if code is None:
        raise ValueError(f"{field.name} has no code for {state}")
    return code, f"{state} is {_shown(field, code)}"


def _scaled(field: FieldSpec, value: Fraction, text: str) -> tuple[int, str]:
    steps = (value * field.unit_steps - field.offset) / field.scale
    low, high = field.raw_limits
    if not low <= steps <= high:
        raise ValueError(f"{field.name}={text} is outside its range: write {limits_text(field)}")
    raw = int(steps) if steps.denominator == 1 else None
    if raw is None:
        below = steps.numerator // steps.denominator
        nearest = [one for one in (below, below + 1) if one <= high]
        near = " or ".join(f"{_value(field, one)} ({_shown(field, one)})" for one in nearest)
        raise BetweenStepsError(
            f"{field.name}={text} lies between two steps of {exact(field, field.scale)}: write the nearest, {near}",
            [exact(field, one * field.scale + field.offset) for one in nearest],
        )
    state = field.state(raw)
    if state is not State.VALUE:
        raise ValueError(f"{field.name}={text} cannot be sent: {_shown(field, raw)} means {state} in this field")
    return raw, _arithmetic(field, text, raw)


def _value(field: FieldSpec, raw: int) -> str:
    return f"{exact(field, raw * field.scale + field.offset)} {field.printed_unit}".rstrip()


def _arithmetic(field: FieldSpec, text: str, raw: int) -> str:
    """Return the way from a value to its raw integer: the arithmetic of a reading, the other way round."""
    unit = f" {field.printed_unit}" if field.unit else ""
    shown = _shown(field, raw)
    label = field.labels.get(raw)
    if label is not None:
        return f"{text} is the code of {label} = {shown}"
    if field.scale == field.unit_steps and not field.offset:
        return f"{text}{unit} = {shown}"
    offset = ""
    if field.offset:
        offset = f" {'+' if field.offset < 0 else '-'} {exact(field, abs(field.offset))}"
    divided = f"({text}{offset})" if offset else text
    return f"{divided} / {exact(field, field.scale)} = {raw} = {shown}"


def _shown(field: FieldSpec, raw: int) -> str:
    return f"{code_text(field, raw)} {'hex' if field.length >= 8 else 'binary'}"


def _example(field: FieldSpec) -> str:
    return next(iter(field.codes), None) or exact(field, field.scale + field.offset)


# Text and JSON.


def built_text(built: Built, catalogue: Catalogue, units: DisplayUnits = METRIC) -> Iterator[str]:
    """Yield how a frame was built, line by line."""
    from rvsim.faces.text.spell import as_text

    spec, frame = built.spec, built.frame
    yield f"{spec.name}, DGN {spec.dgn:05X} hex: {spec.length} bytes"
    if built.before is not None:
        yield f"Changed: {built.before.identifier:08X} {built.before.data.hex(' ').upper()}"
    yield ""
    for heading, step in data_steps(built):
        yield f"  {heading}"
        yield from clauses(step.split("; "), "      ", "; ")
    for sentence in filling_sentences(built):
        yield from wrapped(sentence, "  ")
    yield ""
    for sentence in identifier_steps(built):
        yield from wrapped(sentence, "  ")
    yield ""
    yield f"The frame: {frame.identifier:08X} {frame.data.hex(' ').upper()}"
    yield ""
    yield "Read back:"
    yield ""
    yield from as_text(frame, catalogue, units, origins=False)


def data_steps(built: Built) -> Iterator[tuple[str, str]]:
    """Yield place, name and type of each field that was given, and the step from its value to its bytes."""
    data = built.frame.data
    given = [built.spec.by_name[name] for name in built.raws]
    for field, step in zip(given, built.steps, strict=True):
        held = data[field.first_byte : field.last_byte + 1].hex(" ").upper()
        if field.length % 8 == 0 and field.length > 8 and not field.big_endian:
            step += f"; low byte first: {held}"
        elif field.length % 8:
            step += f"; with the other bits of the byte {held} hex"
        yield field_heading(field), step


def filling_sentences(built: Built) -> Iterator[str]:
    """Yield what the bits hold for which nothing was given."""
    if built.before is not None:
        yield "all other bits stay as they were"
        return
    rest = [field for field in built.spec.fields if field.name not in built.raws]
    if rest:
        state = "unchanged" if any(field.code(State.UNCHANGED) is not None for field in rest) else "no data"
        yield f"all ones ({state}): {', '.join(field.title for field in rest)}"
    yield "bits without a field are ones as well (rv-c.com/node/522)"


def identifier_steps(built: Built) -> Iterator[str]:
    """Yield how the identifier was put together."""
    parts = ident.split_identifier(built.frame.identifier)
    low = parts.dgn & 0xFF
    yield f"priority {parts.priority} = {parts.priority:03b} binary, then a reserved bit 0"
    page, group = parts.dgn >> 16, parts.dgn >> 8 & 0xFF
    if parts.destination is not None:
        yield (
            f"DGN {parts.dgn:05X}: data page {page}, {group:02X} hex, below F0: the next byte is the destination "
            f"{parts.destination:02X} hex"
        )
    else:
        yield f"DGN {parts.dgn:05X}: data page {page}, {group:02X} hex, {low:02X} hex"
    yield f"source address {parts.source:02X} hex ({built.why_source})"
    bits = f"{built.frame.identifier:029b}"
    cuts = (0, 3, 4, 5, 13, 21, 29)
    spread = " ".join(bits[first:last] for first, last in pairwise(cuts))
    yield f"together {spread} = {built.frame.identifier:08X} hex"


def built_json(built: Built) -> str:
    """Return a built frame as one JSON object: ``identifier``, ``bytes``, and the ``raws`` and ``steps`` by field."""
    given: dict[str, Any] = {
        name: {"raw": raw, "step": step} for (name, raw), step in zip(built.raws.items(), built.steps, strict=True)
    }
    return json_text(
        {
            "schema": SCHEMA,
            "message": built.spec.name,
            "dgn": f"{built.spec.dgn:05X}",
            "identifier": f"{built.frame.identifier:08X}",
            "bytes": built.frame.data.hex().upper(),
            "fields": given,
        }
    )
