"""A draft on the tape: the copied frame as one running line with its bits, and the arithmetic of the chosen one.

Knows: how a bit, a value and the frame as it was heard are written. Does not know the state of the screen, nor keys.
"""

from rvsim.faces.screen.draft import Draft, FieldBit, IdentifierBit, field_at
from rvsim.faces.screen.lines import Line, Span, text_of, wrap_text
from rvsim.faces.screen.tape import Piece, arithmetic_lines, spelled_line
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.identifier_parts import (
    CUTS,
    IDENTIFIER_BITS,
    OF_THE_DGN,
    IdentifierPart,
    identifier_words,
    part_name,
)
from rvsim.faces.text.marks import LEGEND, mark
from rvsim.faces.text.spell import identifier_lines
from rvsim.faces.text.spell_fields import exact
from rvsim.faces.text.spell_meaning import spoken_text
from rvsim.wire import ident
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

_BEFORE, _BEHIND = "\x0e", "\x0f"
"""Enclose the chosen bit while a text is wrapped; each becomes a parenthesis."""
MAX_FRAME_BYTES = 8
"""The bytes that one frame can hold, and `rvsim spell` takes."""


def draft_lines(draft: Draft, heard_text: str, units: DisplayUnits = METRIC, *, width: int) -> list[Line]:
    """Return a draft line by line; ``heard_text`` is the frame that it was copied from, in words."""
    count = draft.changed_bits
    changed = f"{count} bit{'' if count == 1 else 's'} changed" if count else "Not changed yet"
    lines = wrap_text(f"A copy of {heard_text}; nothing is sent. {changed}.", width, " ", "  ", "strong")
    text = f"{_identifier_text(draft)} · {_data_text(draft, units)}" if draft.frame.data else _identifier_text(draft)
    for line in wrap_text(text, width, "  ", "  "):
        lines.append(_with_chosen_bit(line))
    chosen = draft.chosen
    for sentence in _chosen_bit_sentences(draft, units):
        lines += wrap_text(sentence, width, "  ", "    ")
    if isinstance(chosen, IdentifierBit):
        for each in list(identifier_lines(draft.frame.identifier, draft.spec))[1:]:
            lines += wrap_text(each, width, "  ", "  ")
    elif draft.spec is not None and draft.spec.fields:
        number = draft.piece_number or 0
        for each in arithmetic_lines(draft.spec, draft.frame.data, number, units, with_bits=False):
            lines += wrap_text(each, width, "  ", "    ")
    lines += wrap_text(LEGEND, width, "  ", "  ", "dim")
    return lines + wrap_text(command_text(draft.frame), width, "  ", "    ", "dim")


def command_text(frame: Frame) -> str:
    """Return the command that explains a frame on standard output."""
    if len(frame.data) > MAX_FRAME_BYTES:
        return "A long message, put together from several frames: rvsim spell takes single frames."
    return f"As text: rvsim spell {frame.identifier:08X} {frame.data.hex().upper()}".rstrip()


def _identifier_text(draft: Draft) -> str:
    """Return the identifier as an item of the running line, opened where the chosen bit is in it."""
    identifier, spec = draft.frame.identifier, draft.spec
    words = identifier_words(identifier, spec.name if spec is not None else "")
    words += mark((spec.origin,)) if spec is not None else " (not known)"
    if draft.place >= IDENTIFIER_BITS:
        return f"{identifier:08X} {words}"
    bits = f"{identifier:0{IDENTIFIER_BITS}b}"
    shown = "".join(
        ("|" if place and place in CUTS else "") + _bit_text(bit, is_chosen=place == draft.place)
        for place, bit in enumerate(bits)
    )
    return f"[{identifier:08X} = {shown} {words}]"


def _data_text(draft: Draft, units: DisplayUnits) -> str:
    number = draft.piece_number
    bits = "" if number is None else _piece_bits(draft, draft.pieces[number])
    return text_of(spelled_line(draft.spec, draft.frame.data, number, units, chosen_bits=bits))


def _piece_bits(draft: Draft, piece: Piece) -> str:
    """Return the bits of a piece byte by byte, a bar where two fields meet within a byte."""
    layout, texts = draft.layout, []
    for byte in range(piece.first, piece.last + 1):
        text, before = "", None
        for bit in range(7, -1, -1):
            held = field_at(layout, byte, bit)[0]
            place = IDENTIFIER_BITS + 8 * byte + 7 - bit
            value = str(draft.frame.data[byte] >> bit & 1)
            text += ("|" if bit < 7 and held is not before else "") + _bit_text(value, is_chosen=place == draft.place)
            before = held
        texts.append(text)
    return " ".join(texts)


def _bit_text(bit: str, *, is_chosen: bool) -> str:
    return f"{_BEFORE}{bit}{_BEHIND}" if is_chosen else bit


def _with_chosen_bit(line: Line) -> Line:
    """Return a wrapped line with the chosen bit, if it is in it, in parentheses and in its style."""
    edge, (text, style) = line
    before, found, rest = text.partition(_BEFORE)
    if not found:
        return line
    bit, _, behind = rest.partition(_BEHIND)
    spans: list[Span] = [edge, (before, style), (f"({bit})", "chosen"), (behind, style)]
    return tuple(spans)


# The chosen bit.


def _chosen_bit_sentences(draft: Draft, units: DisplayUnits) -> list[str]:
    chosen = draft.chosen
    if isinstance(chosen, IdentifierBit):
        return [_identifier_bit_text(draft.frame.identifier, chosen)]
    if chosen.field is None:
        if draft.spec is not None and spoken_text(draft.spec, draft.frame.data) is not None:
            held = draft.frame.data[chosen.byte]
            letter = repr(chr(held)) if chr(held).isascii() and chr(held).isprintable() else "no letter"
            return [f"Bit {chosen.bit} of byte {chosen.byte}, in a text: {held:02X} hex is {letter}."]
        if draft.spec is None or not draft.spec.fields:
            return [f"Bit {chosen.bit} of byte {chosen.byte}: no layout is known, so it has no meaning here."]
        return [f"Bit {chosen.bit} of byte {chosen.byte} belongs to no field; unused bits are sent as 1."]
    heard = _heard_text(draft.heard, draft.spec, chosen, draft.frame, units)
    return [f"Bit {chosen.bit} of byte {chosen.byte} is {_worth(chosen.field, chosen.power)}.{heard}"]


def _identifier_bit_text(identifier: int, chosen: IdentifierBit) -> str:
    name = part_name(identifier, chosen.part)
    of_the_dgn = chosen.part in OF_THE_DGN and name != "destination"
    worth = "" if chosen.part is IdentifierPart.RESERVED else f", worth {1 << chosen.power}"
    return f"Bit {chosen.bit} of the identifier: {name}{worth}{'; part of the DGN' if of_the_dgn else ''}."


def _worth(field: FieldSpec, power: int) -> str:
    number = f"bit {power} of {field.title}: {1 << power}"
    if field.signed and power == field.length - 1:
        number = f"bit {power} of {field.title}: -{1 << power}"
        return f"{number}, the sign"
    if field.scale == field.unit_steps and not field.offset:
        return f"{number} {field.printed_unit}" if field.unit else f"{number}{' in the code' if field.labels else ''}"
    return f"{number} × {exact(field, field.scale)} = {exact(field, field.scale << power)} {field.printed_unit}"


def _heard_text(heard: Frame, spec: MessageSpec | None, chosen: FieldBit, now: Frame, units: DisplayUnits) -> str:
    """Return what the field with the chosen bit was as it was heard, where that is another value now."""
    field = chosen.field
    if spec is None or field is None or ident.dgn_of(heard.identifier) != ident.dgn_of(now.identifier):
        return ""
    before = next((reading for reading in spec.decode(heard.data) if reading.field.name == field.name), None)
    if before is None or before.raw == field.raw_in(now.data):
        return ""
    return f" As heard: {units.render(before.brief)}."
