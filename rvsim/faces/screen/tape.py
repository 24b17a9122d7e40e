"""The tape: a frame in one line, each byte followed by its meaning, and the arithmetic of a chosen byte.

Knows: how the bytes of a frame are grouped by its fields. Does not know devices or the state of the screen.
"""

from typing import NamedTuple

from rvsim.faces.screen.lines import Line, Span
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.marks import mark
from rvsim.faces.text.spell_fields import explanation, free_text, grades_text, limits_text, meaning
from rvsim.faces.text.spell_meaning import spoken_text
from rvsim.faces.text.spell_transport import PACKET_ORIGIN, complete_layout, payload_text
from rvsim.rig.functions import by_dsa
from rvsim.wire.diagnostics import SPN_PARTS, fault_in_fields, fault_origins, fault_text
from rvsim.wire.fields import Origin, Reading, State
from rvsim.wire.spec import MessageSpec
from rvsim.wire.transfer.packets import DATA_TRANSFER

_EMPTY = frozenset({State.NO_DATA, State.UNCHANGED})
"""States that are shown alone, without the title of the field."""


class Piece(NamedTuple):
    """The bytes ``first`` to ``last`` of a frame with the readings in them; without a field there are no readings."""

    first: int
    last: int
    data: bytes
    readings: tuple[Reading, ...]

    @property
    def bytes_text(self) -> str:
        """The bytes in hexadecimal."""
        return self.data.hex(" ").upper()


def pieces(spec: MessageSpec | None, data: bytes) -> list[Piece]:
    """Return the bytes of a frame in groups: bytes of one field are together, and fields that share a byte."""
    if spec is None or not spec.fields:
        return [Piece(0, len(data) - 1, data, ())] if data else []
    if spec.dgn == DATA_TRANSFER and len(data) > 1 and spec.min_length == 1:
        return [Piece(0, 0, data[:1], spec.decode(data)), Piece(1, len(data) - 1, data[1:], ())]
    spec = complete_layout(spec, data)
    starts = {byte: byte for byte in range(len(data))}
    for first, last in _joint_ranges(spec):
        for byte in range(first, min(last, len(data) - 1) + 1):
            starts[byte] = min(starts[byte], starts.get(first, byte))
    gathered: list[Piece] = []
    readings = spec.decode(data)
    for first in sorted(set(starts.values())):
        last = max(byte for byte, start in starts.items() if start == first)
        within = tuple(r for r in readings if first <= r.field.first_byte <= last)
        gathered.append(Piece(first, last, data[first : last + 1], within))
    return gathered


def _joint_ranges(spec: MessageSpec) -> list[tuple[int, int]]:
    """Return the first and last byte of each group that stays together: each field, and the three parts of an SPN."""
    found = [(field.first_byte, field.last_byte) for field in spec.fields]
    if all(name in spec.by_name for name in SPN_PARTS):
        parts = [spec.by_name[name] for name in SPN_PARTS]
        found.append((min(field.first_byte for field in parts), max(field.last_byte for field in parts)))
    return sorted(found)


def _piece_meaning(spec: MessageSpec, piece: Piece, units: DisplayUnits) -> tuple[str, list[Origin]]:
    """Return the meaning of a piece, and the origins of everything that it depends on."""
    if not piece.readings:
        return ("unused", []) if spec.dgn != DATA_TRANSFER else (payload_text(piece.data), [PACKET_ORIGIN])
    fault = fault_in_fields({reading.field.name: reading.raw for reading in piece.readings})
    if fault is not None:
        return fault_text(*fault), [*(reading.origin for reading in piece.readings), *fault_origins(*fault)]
    with_value = [reading for reading in piece.readings if reading.state not in _EMPTY]
    if not with_value:
        return str(piece.readings[0].state), [reading.origin for reading in piece.readings]
    found = [_reading_text(reading, units) for reading in with_value]
    return ", ".join(text for text, _ in found), [origin for _, origins in found for origin in origins]


def titled(title: str, text: str) -> str:
    """Return a reading with its title, once where the name of its code begins with it: group 1."""
    return text if text.split(" ")[0] in (title, f"{title}s") else f"{title} {text}"


def _reading_text(reading: Reading, units: DisplayUnits) -> tuple[str, list[Origin]]:
    """Return a reading in words with its origins; the function of a DSA follows its number."""
    function = by_dsa(reading.raw) if reading.field.name == "dsa" and reading.raw is not None else None
    if "dgn" in reading.field.name and reading.raw is not None:
        return f"{reading.field.title} {reading.raw:05X} hex", [reading.origin]
    if function is None or reading.raw is None:
        return titled(reading.field.title, units.render(reading.brief)), [reading.origin]
    return f"dsa {reading.raw}, {function.title}", [reading.origin, function.origin_of(reading.raw)]


def _meaning_without_fields(spec: MessageSpec | None, data: bytes) -> tuple[str, list[Origin]]:
    """Return the meaning of the bytes of a message without fields, with its origins."""
    if spec is None:
        return "without a definition here", []
    return spoken_text(spec, data) or ("known by name only", [])


def spelled_line(
    spec: MessageSpec | None,
    data: bytes,
    chosen: int | None = None,
    units: DisplayUnits = METRIC,
    *,
    chosen_bits: str = "",
) -> Line:
    """Return the frame as one line of bytes, each followed by its meaning and the mark of its weakest origin.

    Neighbouring bytes without data are grouped. ``chosen`` is the number of the piece in brackets, ``chosen_bits`` its
    bits as text, which stand behind its bytes where they are given.
    """
    message_origin = [] if spec is None else [spec.origin]
    spans: list[Span] = []
    byte_texts: list[str] = []
    text, origins = "", list[Origin]()
    for number, piece in enumerate(pieces(spec, data)):
        piece_text, piece_origins = (
            _piece_meaning(spec, piece, units)
            if spec is not None and spec.fields
            else _meaning_without_fields(spec, data)
        )
        is_chosen = number == chosen
        if byte_texts and (piece_text != text or is_chosen or piece_text not in ("no data", "unchanged", "unused")):
            spans += _spans_of(byte_texts, text + mark(origins), is_chosen=False)
            byte_texts, origins = [], []
        byte_texts.append(f"{piece.bytes_text} = {chosen_bits}" if is_chosen and chosen_bits else piece.bytes_text)
        text, origins = piece_text, [*origins, *piece_origins, *message_origin]
        if is_chosen:
            spans += _spans_of(byte_texts, text + mark(origins), is_chosen=True)
            byte_texts, origins = [], []
    if byte_texts:
        spans += _spans_of(byte_texts, text + mark(origins), is_chosen=False)
    return tuple(spans[1:])


def _spans_of(byte_texts: list[str], meaning_text: str, *, is_chosen: bool) -> list[Span]:
    text = f"{' '.join(byte_texts)} {meaning_text}"
    return [(" · ", "dim"), (f"[{text}]", "chosen") if is_chosen else (text, "plain")]


def arithmetic_lines(
    spec: MessageSpec, data: bytes, chosen: int, units: DisplayUnits = METRIC, *, with_bits: bool = True
) -> list[str]:
    """Return the arithmetic of one piece: each reading in it with its range, its origin and its explanation.

    ``with_bits`` puts the bits of a byte with several fields first.
    """
    found = pieces(spec, data)
    if not found:
        return ["The frame carries no data."]
    piece = found[min(chosen, len(found) - 1)]
    if not piece.readings and spec.dgn == DATA_TRANSFER:
        return [f"{piece.bytes_text}: {payload_text(piece.data)} of a long message."]
    if not spec.fields:
        return [f"{piece.bytes_text}: {_meaning_without_fields(spec, data)[0]}."]
    if not piece.readings:
        return [f"{piece.bytes_text}: {free_text(piece.bytes_text, is_filled=set(piece.data) == {0xFF})}."]
    lines = []
    if with_bits and len(piece.readings) > 1 and piece.first == piece.last:
        lines.append(f"{piece.bytes_text} hex = {_bits_text(piece)}")
    explained: set[str] = set()
    for reading in piece.readings:
        comment = explanation(reading)
        lines.append(_reading_arithmetic(reading, data, "" if comment in explained else comment, units))
        explained.add(comment)
    return lines


def _bits_text(piece: Piece) -> str:
    """Return a byte in bits, most significant first, with a bar at each border of a field."""
    bits = f"{piece.data[0]:08b}"
    cuts = {8 - reading.field.low_bit for reading in piece.readings} | {
        8 - reading.field.low_bit - reading.field.length for reading in piece.readings
    }
    return "".join(("|" if place in cuts and place else "") + bit for place, bit in enumerate(bits))


def _reading_arithmetic(reading: Reading, data: bytes, comment: str, units: DisplayUnits) -> str:
    """Return the meaning of the bits of one reading, the range of its field, its origins and its explanation."""
    field = reading.field
    parts = [f"{field.title}  {meaning(reading, data, units)}."]
    if reading.label is None and not field.labels:
        parts.append(f"Whole range {limits_text(field, units)}.")
    parts.append(f"Origin: {grades_text(reading)}.")
    return "   ".join([*parts, comment]).rstrip()
