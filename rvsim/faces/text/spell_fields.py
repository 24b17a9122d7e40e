"""The fields of a frame as text: place, arithmetic, grades, comment; and the bits that no field uses.

Knows: the text of a single field. Does not know identifiers, what a whole message means, or where the lines go.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from textwrap import wrap
from typing import NamedTuple

from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.wire.fields import FieldSpec, Origin, Reading, State
from rvsim.wire.spec import MessageSpec

ORIGIN_WORDS = {
    Origin.PUBLISHED: "published",
    Origin.MEMORY: "from memory",
    Origin.UNSURE: "from memory, not sure",
    Origin.USER: "from your own definitions",
}
"""The grades in words, in spell and on the screen. `marks.LEGEND` has the same words for the signs * and **."""
WRITTEN_STATES = {str(state): state for state in (State.NO_DATA, State.UNCHANGED, State.OUT_OF_RANGE, State.ERROR)}
"""The states that can be written for a value of a frame that is built."""
STATE_WORDS = {
    State.RESERVED: "reserved by the standard, not a reading",
    State.OUT_OF_RANGE: "the sender says that its measurement is out of range",
}
"""The meaning of a special code, where the name of its state is not enough."""
NO_VALUE_STATES = frozenset({State.NO_DATA, State.UNCHANGED, State.MISSING})
"""States without a number: the comment of the field, which explains the number, is left out."""
WIDTH = 80
"""Columns at which explanations are wrapped."""
_MAX_SWITCH_BITS = 2
"""A field of so few bits is a list of codes even with one name."""


class FieldRow(NamedTuple):
    """A row of the table of fields: place, title, meaning; ``notes`` stand under it, ``grade`` behind it."""

    place: str
    title: str
    meaning: str
    grade: str = ""
    notes: tuple[str, ...] = ()


def rows(spec: MessageSpec, data: bytes, units: DisplayUnits = METRIC) -> list[FieldRow]:
    """Return a row for each field and each run of bits that no field uses, in the order of the bytes."""
    placed = [(reading.field.first, _row(reading, data, units)) for reading in spec.decode(data)]
    found = sorted([*placed, *_free_rows(spec, data)], key=lambda pair: pair[0])
    return list(_each_note_once(row for _, row in found))


def table(found: Sequence[FieldRow], usual: str) -> Iterator[str]:
    """Yield rows as lines in columns; a grade that is not the usual one stands behind its row."""
    place_width = max((len(row.place) for row in found), default=0)
    title_width = max((len(row.title) for row in found), default=0)
    for row in found:
        grade = f"  [{row.grade}]" if row.grade and row.grade != usual else ""
        title = f"{row.title:<{title_width}}  " if row.title else ""
        line = f"  {row.place:<{place_width}}  {title}{row.meaning}{grade}"
        indent = " " * (place_width + 6)
        if len(line) <= WIDTH:
            yield line
        else:  # the meaning below its title, which keeps its column
            yield f"  {row.place:<{place_width}}  {row.title}".rstrip()
            yield from clauses([*re.split("(?<=;) ", row.meaning), *([grade.strip()] if grade else [])], indent)
        for note in row.notes:
            yield from wrapped(note, indent)


def clauses(parts: Iterable[str], indent: str, between: str = " ") -> Iterator[str]:
    """Yield clauses in lines that end behind one of them where that is possible, so that no sum is cut in two."""
    line = ""
    for clause in parts:
        longer = f"{line}{between}{clause}" if line else f"{indent}{clause}"
        if line and len(longer) > WIDTH:
            yield f"{line}{between.rstrip()}"
            longer = f"{indent}{clause}"
        *whole, line = wrapped(longer.strip(), indent)
        yield from whole
    yield line


def wrapped(text: str, indent: str = "") -> list[str]:
    """Cut a text into lines of at most ``WIDTH`` columns, between words."""
    return wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)


def _row(reading: Reading, data: bytes, units: DisplayUnits) -> FieldRow:
    comment = explanation(reading)
    field = reading.field
    text = meaning(reading, data, units)
    if reading.state is State.VALUE and field.unit and not field.labels:
        text += f"; range {limits_text(field, units)}"
    return FieldRow(
        place(field),
        field.title,
        text,
        grades_text(reading),
        (comment,) if comment else (),
    )


def _each_note_once(found: Iterator[FieldRow]) -> Iterator[FieldRow]:
    """Leave out notes that stand under an earlier row: fields of one kind have one comment."""
    seen: set[str] = set()
    for row in found:
        yield row._replace(notes=tuple(note for note in row.notes if note not in seen))
        seen |= set(row.notes)


def explanation(reading: Reading) -> str:
    """Return the definition's comment on a field; "" where the frame has no value of it."""
    return "" if reading.state in NO_VALUE_STATES else reading.field.comment


def grades_text(reading: Reading) -> str:
    """Return how sure each shown part of a reading is: ``name published; place and code from memory``.

    The code is a part where its name is shown, or the name of a special code.
    """
    grades = reading.field.grades
    parts = {"name": grades.name, "place": grades.layout}
    if reading.field.unit or reading.field.scale != 1:
        parts = {"name": grades.name, "place and scale": grades.layout}
    if reading.state is State.VALUE and reading.label is not None and reading.raw is not None:
        parts["code"] = reading.field.code_grade(reading.raw)
    elif reading.origin not in parts.values():
        parts["code"] = reading.origin
    if len(set(parts.values())) == 1:
        return ORIGIN_WORDS[grades.name]
    same = [(grade, [part for part in parts if parts[part] is grade]) for grade in dict.fromkeys(parts.values())]
    return "; ".join(f"{' and '.join(named)} {ORIGIN_WORDS[grade]}" for grade, named in same)


def place(field: FieldSpec) -> str:
    """Return the place of a field, bytes and bits counted from 0 as in the standard's tables."""
    first, last = field.first_byte, field.last_byte
    if first == last:
        if field.length == 8:
            return f"byte {first}"
        return f"byte {first} {_bits_text(field.low_bit, field.length)}"
    text = f"bytes {first}-{last}"
    if field.length % 8 or field.low_bit:
        text += f", {field.length} bits"
    return text


def _bits_text(low: int, length: int) -> str:
    return f"bit {low}" if length == 1 else f"bits {low}-{low + length - 1}"


def meaning(reading: Reading, data: bytes, units: DisplayUnits = METRIC) -> str:
    """Return a reading's bits and their meaning, with the arithmetic where there is any.

    The arithmetic is in the unit of the definition; the result in ``units`` stands behind it.
    """
    field, raw = reading.field, reading.raw
    if raw is None:
        return "missing: the frame is too short"
    shown, is_hex = _bits_of(field, raw, data)
    if reading.state is not State.VALUE:
        shown = shown.partition(",")[0] if reading.state in NO_VALUE_STATES else shown.replace(": ", " ")
        label = reading.shown_label
        named = f", {label}" if label and label != str(reading.state) else ""
        return f"{shown}: {STATE_WORDS.get(reading.state, str(reading.state))}{named}"
    number = f"{shown} {'hex' if is_hex else 'binary'} = {raw}"
    if reading.label is not None:
        return f"{number}: {reading.label}"
    if _is_list_of_codes(field):
        return f"{number}: a code without a name here"
    return f"{number}{_arithmetic(field, raw, units)}"


def _is_list_of_codes(field: FieldSpec) -> bool:
    """Tell whether each value is meant to have a name; not that of an instance, or of a number with one named value."""
    if field.unit or field.name == "instance":
        return False
    return len(field.labels) > 1 or (field.length <= _MAX_SWITCH_BITS and bool(field.labels))


def _bits_of(field: FieldSpec, raw: int, data: bytes) -> tuple[str, bool]:
    """Return a field's bits as they stand in the frame, and whether they are hex digits."""
    if field.length % 8 or field.low_bit:
        if field.length > 8:
            return f"{raw & field.all_ones:0{-(-field.length // 4)}X}", True
        return f"{raw & field.all_ones:0{field.length}b}", False
    held = data[field.first_byte : field.last_byte + 1].hex(" ").upper()
    if len(held) == 2 or field.big_endian:
        return held, True
    return f"{held}, low byte first: {raw & field.all_ones:0{field.length // 4}X}", True


def _arithmetic(field: FieldSpec, raw: int, units: DisplayUnits) -> str:
    """Return how the value is computed from the raw integer; only the unit where nothing is computed."""
    converted = units.exact(field.quantity(raw)) if field.unit else None
    unit = (f" {field.printed_unit}" if field.unit else "") + (f" {converted}" if converted else "")
    if field.scale == field.unit_steps and not field.offset:
        return unit
    step = exact(field, field.scale)
    offset = f" {'-' if field.offset < 0 else '+'} {exact(field, abs(field.offset))}" if field.offset else ""
    return f"; {raw} × {step}{offset} = {exact(field, raw * field.scale + field.offset)}{unit}"


def exact(field: FieldSpec, steps: int) -> str:
    """Return a number of a field's smallest steps as exact decimal text, without trailing zeros."""
    text = field.text_of(steps)
    return text.rstrip("0").rstrip(".") if "." in text else text


def limits_text(field: FieldSpec, units: DisplayUnits = METRIC) -> str:
    """Return the whole range of a field: ``0 to 125 %``; in ``units``, if these are others, in parentheses."""
    low, high = (exact(field, raw * field.scale + field.offset) for raw in field.raw_limits)
    metric = f"{low} to {high} {field.printed_unit}".rstrip()
    least, most = (field.quantity(raw) for raw in field.raw_limits)
    if units.exact(most) is None:
        return metric
    return f"{metric} ({units.quantity(least._replace(names_unit=False))} to {units.quantity(most)})"


# Bits that no field uses.


def _free_rows(spec: MessageSpec, data: bytes) -> Iterator[tuple[int, FieldRow]]:
    """Return a row, with the place of its first bit, for each run of bytes and each run of bits without a field."""
    free = spec.encode(dict.fromkeys(spec.by_name, 0))[: len(data)]
    for is_whole, run in groupby(range(len(free)), key=lambda byte: free[byte] == 0xFF):
        held = list(run)
        if is_whole:
            first, last = held[0], held[-1]
            where = f"byte {first}" if first == last else f"bytes {first}-{last}"
            part = data[first : last + 1]
            yield 8 * first, FieldRow(where, "", free_text(part.hex(" ").upper(), is_filled=set(part) == {0xFF}))
        else:
            for byte in held:
                yield from _free_bits(byte, free[byte], data[byte])


def _free_bits(byte: int, free: int, held: int) -> Iterator[tuple[int, FieldRow]]:
    for is_free, run in groupby(range(8), key=lambda bit: bool(free >> bit & 1)):
        bits = list(run)
        if is_free:
            text = f"{held >> bits[0] & (1 << len(bits)) - 1:0{len(bits)}b}"
            where = f"byte {byte} {_bits_text(bits[0], len(bits))}"
            yield 8 * byte + bits[0], FieldRow(where, "", free_text(text, is_filled="0" not in text))


def free_text(held: str, *, is_filled: bool) -> str:
    """Return whether bits that no field uses are sent as the standard requires (rv-c.com/node/522)."""
    return "unused, filled with ones" if is_filled else f"unused, but not filled with ones: {held}"
