"""The tape: a message spelled byte by byte in one running line; opened, a byte becomes its arithmetic.

Knows: how bytes are gathered into pieces that mean something. Does not know devices or the screen's state.
"""

from typing import NamedTuple

from rvsim.faces.screen.lines import Line, Span
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.marks import mark
from rvsim.faces.text.spell_fields import explanation, free_text, grades_text, limits_text, meaning
from rvsim.faces.text.spell_meaning import spoken_text
from rvsim.faces.text.spell_transport import PACKET_ORIGIN, complete_layout, payload_text
from rvsim.rig.functions import by_dsa
from rvsim.wire.diagnostics import SPN_PARTS, fault_in, fault_origins, fault_text
from rvsim.wire.fields import Origin, Reading, State
from rvsim.wire.spec import MessageSpec
from rvsim.wire.transfer.packets import PACKET

_EMPTY = frozenset({State.NO_DATA, State.UNCHANGED})
"""States of which nothing more is told than that."""


class Piece(NamedTuple):
    """Bytes ``first`` to ``last`` of a frame with the readings that stand in them; none where no field does."""

    first: int
    last: int
    held: bytes
    readings: tuple[Reading, ...]

    @property
    def bytes_text(self) -> str:
        """The bytes in hex."""
        return self.held.hex(" ").upper()


def pieces(spec: MessageSpec | None, data: bytes) -> list[Piece]:
    """Gather a frame's bytes: those that share a field, or are parts of one, belong together."""
    if spec is None or not spec.fields:
        return [Piece(0, len(data) - 1, data, ())] if data else []
    if spec.dgn == PACKET and len(data) > 1 and spec.needed == 1:
        return [Piece(0, 0, data[:1], spec.decode(data)), Piece(1, len(data) - 1, data[1:], ())]
    spec = complete_layout(spec, data)
    starts = {byte: byte for byte in range(len(data))}
    for first, last in _together(spec):
        for byte in range(first, min(last, len(data) - 1) + 1):
            starts[byte] = min(starts[byte], starts.get(first, byte))
    gathered: list[Piece] = []
    readings = spec.decode(data)
    for first in sorted(set(starts.values())):
        last = max(byte for byte, start in starts.items() if start == first)
        within = tuple(r for r in readings if first <= r.field.first_byte <= last)
        gathered.append(Piece(first, last, data[first : last + 1], within))
    return gathered


def _together(spec: MessageSpec) -> list[tuple[int, int]]:
    """Return the first and last byte of all that is one: each field, and the three parts of an SPN."""
    found = [(field.first_byte, field.last_byte) for field in spec.fields]
    if all(name in spec.by_name for name in SPN_PARTS):
        parts = [spec.by_name[name] for name in SPN_PARTS]
        found.append((min(field.first_byte for field in parts), max(field.last_byte for field in parts)))
    return sorted(found)


def _says(spec: MessageSpec, piece: Piece, units: DisplayUnits) -> tuple[str, list[Origin]]:
    """Return what a piece means, and where all that comes from that this rests on."""
    if not piece.readings:
        return ("no field", []) if spec.dgn != PACKET else (payload_text(piece.held), [PACKET_ORIGIN])
    fault = fault_in({reading.field.name: reading.raw for reading in piece.readings})
    if fault is not None:
        return fault_text(*fault), [*(reading.origin for reading in piece.readings), *fault_origins(*fault)]
    telling = [reading for reading in piece.readings if reading.state not in _EMPTY]
    if not telling:
        return str(piece.readings[0].state), [reading.origin for reading in piece.readings]
    said = [_told(reading, units) for reading in telling]
    return ", ".join(text for text, _ in said), [origin for _, origins in said for origin in origins]


def _told(reading: Reading, units: DisplayUnits) -> tuple[str, list[Origin]]:
    """Return one reading for a person; the function that a DSA is of stands behind it."""
    function = by_dsa(reading.raw) if reading.field.name == "dsa" and reading.raw is not None else None
    if "dgn" in reading.field.name and reading.raw is not None:
        return f"{reading.field.title} {reading.raw:05X} hex", [reading.origin]
    if function is None or reading.raw is None:
        return f"{reading.field.title} {units.render(reading.brief)}", [reading.origin]
    return f"dsa {reading.raw}, {function.title}", [reading.origin, function.origin_of(reading.raw)]


def _unread(spec: MessageSpec | None, data: bytes) -> tuple[str, list[Origin]]:
    """Say what the bytes of a message without fields are."""
    if spec is None:
        return "without a definition here", []
    return spoken_text(spec, data) or ("known by name only", [])


def running(spec: MessageSpec | None, data: bytes, chosen: int | None = None, units: DisplayUnits = METRIC) -> Line:
    """Return the frame as one line of bytes, each followed by its meaning and the mark of its weakest part.

    Neighbours that say nothing are gathered.
    """
    number_of = [] if spec is None else [spec.origin]
    spans: list[Span] = []
    held: list[str] = []
    word, origins = "", list[Origin]()
    for number, piece in enumerate(pieces(spec, data)):
        says, rests_on = _says(spec, piece, units) if spec is not None and spec.fields else _unread(spec, data)
        is_chosen = number == chosen
        if held and (says != word or is_chosen or says not in ("no data", "unchanged", "no field")):
            spans += _item(held, word + mark(origins), False)
            held, origins = [], []
        held.append(piece.bytes_text)
        word, origins = says, [*origins, *rests_on, *number_of]
        if is_chosen:
            spans += _item(held, word + mark(origins), True)
            held, origins = [], []
    if held:
        spans += _item(held, word + mark(origins), False)
    return tuple(spans[1:])


def _item(held: list[str], says: str, chosen: bool) -> list[Span]:
    text = f"{' '.join(held)} {says}"
    return [(" · ", "dim"), (f"[{text}]", "chosen") if chosen else (text, "plain")]


def opened(spec: MessageSpec, data: bytes, chosen: int, units: DisplayUnits = METRIC) -> list[str]:
    """Return the arithmetic of one piece: each reading in it, its range, where it comes from, and what explains it."""
    gathered = pieces(spec, data)
    if not gathered:
        return ["The frame carries no data."]
    piece = gathered[min(chosen, len(gathered) - 1)]
    if not piece.readings and spec.dgn == PACKET:
        return [f"{piece.bytes_text}: {payload_text(piece.held)} of a long message."]
    if not spec.fields:
        return [f"{piece.bytes_text}: {_unread(spec, data)[0]}."]
    if not piece.readings:
        return [f"{piece.bytes_text}: {free_text(piece.bytes_text, set(piece.held) == {0xFF})}."]
    lines = []
    if len(piece.readings) > 1 and piece.first == piece.last:
        lines.append(f"{piece.bytes_text} hex = {_split(piece)}")
    told: set[str] = set()
    for reading in piece.readings:
        comment = explanation(reading)
        lines.append(_arithmetic(reading, data, "" if comment in told else comment, units))
        told.add(comment)
    return lines


def _split(piece: Piece) -> str:
    """Write a packed byte in bits, cut where its fields meet, most significant first."""
    bits = f"{piece.held[0]:08b}"
    cuts = {8 - reading.field.low_bit for reading in piece.readings} | {
        8 - reading.field.low_bit - reading.field.length for reading in piece.readings
    }
    return "".join(("|" if place in cuts and place else "") + bit for place, bit in enumerate(bits))


def _arithmetic(reading: Reading, data: bytes, comment: str, units: DisplayUnits) -> str:
    """Say of one reading what its bits mean, its range, how sure each part of that is, and what explains it."""
    field = reading.field
    parts = [f"{field.title}  {meaning(reading, data, units)}."]
    if reading.label is None and not field.labels:
        parts.append(f"Whole range {limits_text(field, units)}.")
    parts.append(f"Origin: {grades_text(reading)}.")
    return "   ".join([*parts, comment]).rstrip()
