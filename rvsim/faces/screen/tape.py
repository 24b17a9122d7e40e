"""The tape: a message spelled byte by byte in one running line; opened, a byte becomes its arithmetic.

Knows: how bytes are gathered into pieces that mean something. Does not know devices or the screen's state.
"""

from typing import NamedTuple

from rvsim.faces.screen.lines import Line, Span
from rvsim.faces.spell import ORIGIN_WORDS, meaning
from rvsim.wire.fields import Reading, State
from rvsim.wire.spec import MessageSpec


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
    starts = {byte: byte for byte in range(len(data))}
    for field in spec.fields:
        for byte in range(field.first_byte, min(field.last_byte, len(data) - 1) + 1):
            starts[byte] = min(starts[byte], starts.get(field.first_byte, byte))
    gathered: list[Piece] = []
    readings = spec.decode(data)
    for first in sorted(set(starts.values())):
        last = max(byte for byte, start in starts.items() if start == first)
        within = tuple(r for r in readings if first <= r.field.first_byte <= last)
        gathered.append(Piece(first, last, data[first : last + 1], within))
    return gathered


def _says(piece: Piece) -> str:
    telling = [r for r in piece.readings if r.state not in (State.NO_DATA, State.UNCHANGED)]
    if telling:
        return ", ".join(f"{r.field.title} {r.brief}" for r in telling)
    return str(piece.readings[0].state) if piece.readings else "no field"


def _unread(spec: MessageSpec | None) -> str:
    """Say why the bytes of a message cannot be read; nothing where they can."""
    return "without a definition here" if spec is None else "" if spec.fields else "known by name only"


def running(spec: MessageSpec | None, data: bytes, chosen: int | None = None) -> Line:
    """Return the frame as one line of bytes, each followed by its meaning; neighbours that say nothing are gathered."""
    spans: list[Span] = []
    held: list[str] = []
    word = ""
    for number, piece in enumerate(pieces(spec, data)):
        says, is_chosen = _unread(spec) or _says(piece), number == chosen
        if held and (says != word or is_chosen or says not in ("no data", "unchanged", "no field")):
            spans += _item(held, word, False)
            held = []
        held.append(piece.bytes_text)
        word = says
        if is_chosen:
            spans += _item(held, word, True)
            held = []
    if held:
        spans += _item(held, word, False)
    return tuple(spans[1:])


def _item(held: list[str], says: str, chosen: bool) -> list[Span]:
    text = f"{' '.join(held)} {says}"
    return [(" · ", "dim"), (f"[{text}]", "chosen") if chosen else (text, "plain")]


def opened(spec: MessageSpec, data: bytes, chosen: int) -> list[str]:
    """Return the arithmetic of one piece: each reading in it, its range, and where its layout comes from."""
    gathered = pieces(spec, data)
    if not gathered:
        return ["The frame carries no data."]
    piece = gathered[min(chosen, len(gathered) - 1)]
    if not piece.readings:
        return [f"{piece.bytes_text}: these bits belong to no field of this message."]
    lines = []
    if len(piece.readings) > 1 and piece.first == piece.last:
        lines.append(f"{piece.bytes_text} hex = {_split(piece)}")
    return lines + [f"{reading.field.title}  {meaning(reading, data)}.{_about(reading)}" for reading in piece.readings]


def _split(piece: Piece) -> str:
    """Write a packed byte in bits, cut where its fields meet, most significant first."""
    bits = f"{piece.held[0]:08b}"
    cuts = {8 - reading.field.low_bit for reading in piece.readings} | {
        8 - reading.field.low_bit - reading.field.length for reading in piece.readings
    }
    return "".join(("|" if place in cuts and place else "") + bit for place, bit in enumerate(bits))


def _about(reading: Reading) -> str:
    field = reading.field
    said = f"   layout {ORIGIN_WORDS[field.grades.layout]}"
    if reading.label is not None or field.labels:
        return said
    low, high = field.raw_limits
    return f"   Whole range {field.text(low)} to {field.text(high)} {field.spoken_unit}".rstrip() + "." + said
