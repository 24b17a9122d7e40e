"""The bits of a frame as a picture: groups of bits in rows, each group with its meaning, and the picture as text.

Knows: which bits of a frame belong together, and what each group is called. Does not know how a row is drawn elsewhere.
"""

from collections.abc import Iterable, Iterator
from itertools import groupby, pairwise
from textwrap import wrap
from typing import NamedTuple

from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.spell import identifier_parts
from rvsim.faces.text.spell_fields import WIDTH
from rvsim.faces.text.spell_transport import complete_layout
from rvsim.faces.text.spell_wire import pieces_of
from rvsim.wire.fields import FieldSpec, Reading
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

BETWEEN = 2
"""Columns between two groups of bits in a row."""
_MIN_WORDS = 24
"""Columns that words have at least, however far on the right they begin."""
UNUSED = "unused"


class BitGroup(NamedTuple):
    """Neighbouring bits, the highest first, and what they are; without words where the row has none for them."""

    bits: str
    words: str


class BitRow(NamedTuple):
    """A row of the picture: what it is, and its groups of bits from left to right."""

    title: str
    groups: tuple[BitGroup, ...]

    @property
    def starts(self) -> list[int]:
        """The column in which each group begins, counted from the first bit of the row."""
        return [sum(len(group.bits) + BETWEEN for group in self.groups[:at]) for at in range(len(self.groups))]


def frame_rows(frame: Frame, spec: MessageSpec | None, units: DisplayUnits = METRIC) -> list[BitRow]:
    """Return the rows of a frame: its identifier, and each byte with its fields, bit 7 first."""
    found = [BitRow("identifier", tuple(BitGroup(*part) for part in identifier_parts(frame.identifier)))]
    if spec is not None and spec.fields:
        spec = complete_layout(spec, frame.data)
    readings = spec.decode(frame.data) if spec is not None else ()
    return found + [
        BitRow(f"byte {byte}, {held:02X}", tuple(_byte_groups(byte, held, readings, units)))
        for byte, held in enumerate(frame.data)
    ]


def _byte_groups(byte: int, held: int, readings: Iterable[Reading], units: DisplayUnits) -> Iterator[BitGroup]:
    """Yield the groups of bits of a byte: those of each field, and those that no field uses."""
    of_bit: dict[int, Reading] = {}
    for reading in readings:
        of_bit |= dict.fromkeys(_bits_in(reading.field, byte), reading)
    for _, run in groupby(range(7, -1, -1), key=lambda bit: id(of_bit.get(bit))):
        places = list(run)
        bits = "".join(str(held >> place & 1) for place in places)
        yield BitGroup(bits, _words(of_bit.get(places[0]), byte, units))


def _bits_in(field: FieldSpec, byte: int) -> range:
    """Return the bits of a byte that belong to a field, counted from 0 for the lowest."""
    first, end = field.first, field.first + field.length
    if field.big_endian:  # counted from the highest bit of byte 0
        first, end = max(first, 8 * byte), min(end, 8 * byte + 8)
        return range(8 * byte + 8 - end, 8 * byte + 8 - first) if first < end else range(0)
    return range(max(first - 8 * byte, 0), min(end - 8 * byte, 8))


def _words(reading: Reading | None, byte: int, units: DisplayUnits) -> str:
    if reading is None:
        return UNUSED
    field = reading.field
    if field.first_byte == field.last_byte:
        return f"{field.title}: {units.render(reading.brief)}"
    lowest, highest = (field.last_byte, field.first_byte) if field.big_endian else (field.first_byte, field.last_byte)
    if byte == lowest:
        return f"{field.title}, low byte: {units.render(reading.brief)}"
    return f"{field.title}, {'high' if byte == highest else 'middle'} byte"


def wire_rows(frame: Frame) -> list[BitRow]:
    """Return the rows of a frame on the pair: a row for each part, stuff bits in brackets."""
    return [BitRow(piece.title, (BitGroup(piece.text, piece.note),)) for piece in pieces_of(frame)]


def picture_text(rows: Iterable[BitRow]) -> Iterator[str]:
    """Yield a picture as lines of text: a row of bits, and under it a line for the words of each of its groups."""
    found = list(rows)
    width = max(len(row.title) for row in found)
    widest = max((len(row.groups[0].bits) for row in found if len(row.groups) == 1), default=0)
    for row in found:
        bits = (" " * BETWEEN).join(group.bits for group in row.groups)
        if len(row.groups) == 1:
            yield f"  {row.title:<{width}}  {bits:<{widest}}  {row.groups[0].words}".rstrip()
            continue
        yield f"  {row.title:<{width}}  {bits}"
        for at in range(len(row.groups) - 1, -1, -1):
            yield from _words_lines(row, at, " " * (width + 4))


def _words_lines(row: BitRow, at: int, indent: str) -> Iterator[str]:
    """Yield the words of a group, led to its first bit; bars go on to the groups that have no words yet."""
    starts = row.starts
    bars = "".join(f"{'|':<{following - start}}" for start, following in pairwise(starts))
    before = indent + bars[: starts[at]]
    first, *others = wrap(row.groups[at].words, max(WIDTH - len(before) - 3, _MIN_WORDS))
    yield f"{before}'- {first}"
    yield from (f"{before}   {line}" for line in others)
