"""Takes one frame apart, byte by byte with the arithmetic: for a student, and for support with one odd frame.

Knows: how a layout is told in words. Does not know buses or devices.
"""

import json
import re
from collections.abc import Iterator
from itertools import pairwise

from rvsim.errors import InputError
from rvsim.logs.jsonl import SCHEMA, reading_fields
from rvsim.rig.functions import by_dsa
from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.diagnostics import FAILURE_MODES
from rvsim.wire.fields import FieldSpec, Origin, Reading, State
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

_HOLD_A_DGN = frozenset({"desired_dgn", "dgn_acknowledged", "dgn_of_the_long_message"})
ORIGIN_WORDS = {
    Origin.PUBLISHED: "published",
    Origin.MEMORY: "from memory",
    Origin.UNSURE: "from memory, not sure",
    Origin.USER: "from your own definitions",
}


def parse_frame(identifier: str, data: str) -> Frame:
    """Read an identifier and data bytes as a person types them: hex, with or without 0x, spaces or colons.

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
        problems.append(f"data {data!r} has {len(digits)} hex digits: two make a byte, so one is missing or too many")
    elif len(digits) > 16:
        problems.append(f"data {data!r} has {len(digits) // 2} bytes: a frame holds 8 at most")
    if problems:
        raise InputError(*problems)
    return Frame(0, number, bytes.fromhex(digits))


def as_json(frame: Frame, catalogue: Catalogue) -> str:
    """Return the frame as one JSON object."""
    parts = ident.split(frame.identifier)
    spec = catalogue.by_dgn(parts.dgn)
    return json.dumps(
        {
            "schema": SCHEMA,
            "identifier": f"{frame.identifier:08X}",
            "priority": parts.priority,
            "dgn": f"{parts.dgn:05X}",
            "message": spec.name if spec else None,
            "source": parts.source,
            "destination": parts.destination,
            "fields": [reading_fields(reading) for reading in spec.decode(frame.data)] if spec else [],
        },
        ensure_ascii=False,
    )


def as_text(frame: Frame, catalogue: Catalogue) -> Iterator[str]:
    """Return the frame spelled out, line by line."""
    parts = ident.split(frame.identifier)
    spec = catalogue.by_dgn(parts.dgn)
    yield f"{frame.identifier:08X}, carrying {frame.data.hex(' ').upper() or 'no data'}"
    yield ""
    yield from _identifier(frame.identifier, parts, spec)
    yield ""
    if spec is None:
        yield "No message with this number is defined, so the bytes cannot be read."
        return
    if spec.fields:
        yield from _fields(spec, frame.data)
        yield from _named(spec, frame.data, catalogue)
    else:
        yield "This message is known by its name only, so the bytes cannot be read."
    yield ""
    source = f" ({spec.source})" if spec.source not in ("", "memory") else ""
    yield f"Number{' and layout' if spec.fields else ''}: {ORIGIN_WORDS[spec.origin]}{source}."
    if spec.comment:
        yield spec.comment


def _identifier(identifier: int, parts: ident.Identifier, spec: MessageSpec | None) -> Iterator[str]:
    bits = f"{identifier:029b}"
    cuts = (0, 3, 4, 5, 13, 21, 29)
    yield "Identifier, 29 bits:  " + " ".join(bits[a:b] for a, b in pairwise(cuts))
    yield f"  {bits[:3]:>8}  priority {parts.priority} (0 goes first)"
    yield f"  {bits[3]:>8}  reserved"
    yield f"  {bits[4]:>8}  data page"
    form, specific = identifier >> 16 & 0xFF, identifier >> 8 & 0xFF
    if ident.is_addressed(parts.dgn):
        to = "everyone" if parts.destination == ident.GLOBAL else f"address {parts.destination:02X} hex"
        yield f"  {bits[5:13]}  PDU format {form:02X} hex, below F0: the next byte is a destination"
        yield f"  {bits[13:21]}  to {to}"
    else:
        yield f"  {bits[5:13]}  PDU format {form:02X} hex, F0 or above: for all, the next byte belongs to the number"
        yield f"  {bits[13:21]}  PDU specific {specific:02X} hex"
    yield f"  {bits[21:]}  from address {parts.source:02X} hex ({parts.source}), which does not tell what a device is"
    yield f"DGN {parts.dgn:05X} hex: {spec.name if spec else 'not known'}"
    if identifier < 1 << 11:
        yield "So short a number may be an 11-bit identifier; this network uses 29 bits only."


def _fields(spec: MessageSpec, data: bytes) -> Iterator[str]:
    readings = spec.decode(data)
    places = {reading.field.name: _place(reading.field) for reading in readings}
    wide = max(map(len, places.values()), default=0)
    long = max((len(reading.field.title) for reading in readings), default=0)
    for reading in readings:
        grade = reading.origin if reading.origin is not spec.origin else None
        note = f"  [{ORIGIN_WORDS[grade]}]" if grade is not None else ""
        yield f"  {places[reading.field.name]:<{wide}}  {reading.field.title:<{long}}  {meaning(reading, data)}{note}"
    unused = _unused(spec, data)
    if unused:
        yield f"  {unused}"
    if len(data) < spec.needed:
        yield f"  The frame has {len(data)} bytes and the message {spec.length}: what is missing counts as no data."
    elif len(data) > spec.length:
        yield f"  The frame has {len(data)} bytes and the message {spec.length}: the rest has no meaning here."


def _named(spec: MessageSpec, data: bytes, catalogue: Catalogue) -> Iterator[str]:
    """Name the message that a DGN within the data stands for, the function of a DSA, and a failure mode."""
    for reading in spec.decode(data):
        if reading.field.name == "dsa" and reading.raw is not None and (function := by_dsa(reading.raw)) is not None:
            yield f"  The dsa {reading.raw} is that of a {function.title} ({function.source})."
        if reading.field.name == "fmi" and reading.raw is not None and reading.raw in FAILURE_MODES:
            yield f"  FMI {reading.raw}: {FAILURE_MODES[reading.raw]} (SAE J1939-73)."
        if reading.field.name in _HOLD_A_DGN and reading.raw is not None:
            other = catalogue.by_dgn(reading.raw)
            yield f"  The {reading.field.title} {reading.raw:05X} hex is {other.name if other else 'not known'}."


def _place(field: FieldSpec) -> str:
    """Say where a field stands, bytes and bits counted from 0 as in the standard's tables."""
    first, last = field.first_byte, field.last_byte
    if first == last:
        if field.length == 8:
            return f"byte {first}"
        low = field.low_bit
        return f"byte {first} bit {low}" if field.length == 1 else f"byte {first} bits {low}-{low + field.length - 1}"
    text = f"bytes {first}-{last}"
    if field.length % 8 or field.low_bit:
        text += f", {field.length} bits"
    return text


def meaning(reading: Reading, data: bytes) -> str:
    """Say what a reading's bits are and what they mean, with the arithmetic where there is any."""
    field, raw = reading.field, reading.raw
    if raw is None:
        return "missing: the frame is too short"
    held = data[field.first_byte : field.last_byte + 1].hex(" ").upper()
    shown = held if not field.length % 8 and not field.low_bit else f"{raw:0{field.length}b}"
    if not field.big_endian and len(held) > 2 and not field.length % 8:
        shown += f", low byte first: {raw:0{field.length // 4}X} hex"
    if reading.state is not State.VALUE:
        named = f", {reading.shown_label}" if reading.shown_label else ""
        return f"{shown}: {reading.state}{named}"
    if reading.label is not None:
        return f"{shown}: {raw} = {reading.label}"
    return f"{shown}: {raw}{_arithmetic(field, raw)}"


def _arithmetic(field: FieldSpec, raw: int) -> str:
    """Write how the value comes from the raw integer, where there is anything to do."""
    unit = f" {field.spoken_unit}" if field.unit else ""
    if field.scale == field.unit_steps and not field.offset:
        return unit
    step = field.text_of(field.scale)
    offset = f" {'-' if field.offset < 0 else '+'} {field.text_of(abs(field.offset))}" if field.offset else ""
    return f" × {step}{offset} = {field.text(raw)}{unit}"


def _unused(spec: MessageSpec, data: bytes) -> str:
    """Name the bytes that belong to no field."""
    used = {byte for field in spec.fields for byte in range(field.first_byte, field.last_byte + 1)}
    free = [byte for byte in range(len(data)) if byte not in used]
    if not free:
        return ""
    held = " ".join(f"{data[byte]:02X}" for byte in free)
    named = f"byte {free[0]} belongs" if len(free) == 1 else f"bytes {', '.join(map(str, free))} belong"
    return f"{named} to no field: {held}"
