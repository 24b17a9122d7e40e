"""A draft: a copy of a frame that is changed bit by bit or value by value, and never sent.

Knows: the bits of identifier and data in one row, the chosen bit, the field or part that holds it, and every state
before. Does not know the screen, nor where the frame came from.
"""

import re
from collections import deque
from collections.abc import Iterator
from typing import NamedTuple

from rvsim.errors import InputError
from rvsim.faces.screen.tape import Piece, pieces
from rvsim.faces.text.identifier_parts import (
    IDENTIFIER_BITS,
    OF_THE_DGN,
    IdentifierPart,
    part_at,
    part_name,
    part_value,
    with_part,
)
from rvsim.faces.text.spell_build import raw_of
from rvsim.faces.text.spell_given import read_given
from rvsim.faces.text.spell_transport import complete_layout
from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

MAX_UNDO = 1000
"""The changes that can be undone. Our choice."""
_MAX_DGN_DIGITS = 5
_WRITABLE_STATES = (State.NO_DATA, State.UNCHANGED, State.OUT_OF_RANGE, State.ERROR)


class FieldBit(NamedTuple):
    """A bit of the data: its byte, its number in it from the least significant, the field that holds it, and its power
    of two in the field; without a field the bit is unused."""

    byte: int
    bit: int
    field: FieldSpec | None
    power: int


class IdentifierBit(NamedTuple):
    """A bit of the identifier: its number from the least significant, its part, and its power of two in the part."""

    bit: int
    part: IdentifierPart
    power: int


def field_at(layout: MessageSpec | None, byte: int, bit: int) -> tuple[FieldSpec | None, int]:
    """Return the field with a bit of the data, and the bit's power of two in it; None and 0 for an unused bit."""
    for field in layout.fields if layout is not None else ():
        place = 8 * byte + (7 - bit if field.big_endian else bit) - field.first
        if 0 <= place < field.length:
            return field, field.length - 1 - place if field.big_endian else place
    return None, 0


class Draft:
    """A copy of a frame. ``place`` is the chosen bit in the order in which bits are written: identifier, then data."""

    def __init__(self, frame: Frame, catalogue: Catalogue, byte: int | None = None) -> None:
        """Copy a frame; the first bit of ``byte`` is chosen, None: the first bit of the identifier."""
        self.heard = self.frame = frame
        self._catalogue = catalogue
        self._before: deque[tuple[Frame, int]] = deque(maxlen=MAX_UNDO)
        self.place = 0 if byte is None or not frame.data else IDENTIFIER_BITS + 8 * byte

    # What it is.

    @property
    def spec(self) -> MessageSpec | None:
        """The definition of the message that the identifier names now; None where there is none."""
        return self._catalogue.by_dgn(ident.dgn_of(self.frame.identifier))

    @property
    def layout(self) -> MessageSpec | None:
        """The definition with the fields of a connection frame's control byte."""
        spec = self.spec
        return None if spec is None else complete_layout(spec, self.frame.data)

    @property
    def pieces(self) -> list[Piece]:
        """The groups of bytes of the tape's line."""
        return pieces(self.spec, self.frame.data)

    @property
    def bits(self) -> int:
        """The number of bits that can be chosen."""
        return IDENTIFIER_BITS + 8 * len(self.frame.data)

    @property
    def changed_bits(self) -> int:
        """How many bits differ from the frame as it was heard."""
        return (_bits_of(self.frame) ^ _bits_of(self.heard)).bit_count()

    @property
    def piece_number(self) -> int | None:
        """The number of the piece with the chosen bit; None where that is in the identifier."""
        if self.place < IDENTIFIER_BITS:
            return None
        byte = (self.place - IDENTIFIER_BITS) // 8
        return next(number for number, piece in enumerate(self.pieces) if piece.first <= byte <= piece.last)

    @property
    def chosen(self) -> FieldBit | IdentifierBit:
        """The chosen bit, and what holds it."""
        if self.place < IDENTIFIER_BITS:
            part, power = part_at(self.place)
            return IdentifierBit(IDENTIFIER_BITS - 1 - self.place, part, power)
        byte, bit = divmod(self.place - IDENTIFIER_BITS, 8)
        return FieldBit(byte, 7 - bit, *field_at(self.layout, byte, 7 - bit))

    # The choice.

    def step_bit(self, by: int) -> None:
        """Choose the bit ``by`` places further on, at most the last and at least the first."""
        self.place = max(0, min(self.bits - 1, self.place + by))

    def step_piece(self, by: int) -> None:
        """Choose the first bit of the piece ``by`` places further on; the identifier is the piece before the first."""
        firsts = [0, *(IDENTIFIER_BITS + 8 * piece.first for piece in self.pieces)]
        here = self.piece_number
        at = 0 if here is None else here + 1
        self.place = firsts[max(0, min(len(firsts) - 1, at + by))]

    # Changes.

    def flip(self) -> None:
        """Change the chosen bit."""
        self._change(_bits_of(self.frame) ^ 1 << self.bits - 1 - self.place)

    def set_bit(self, value: int) -> None:
        """Make the chosen bit 0 or 1, and choose the next one."""
        mask = 1 << self.bits - 1 - self.place
        self._change(_bits_of(self.frame) & ~mask | (mask if value else 0))
        self.step_bit(1)

    def set_value(self, text: str) -> str:
        """Give what holds the chosen bit another value, and return the step from the value to its bits.

        Raises:
            BetweenStepsError: the value lies between two steps of its field.
            ValueError: it is none that can be sent; the text says what can.
        """
        chosen = self.chosen
        if isinstance(chosen, IdentifierBit):
            return self._set_part(chosen.part, text.strip())
        if chosen.field is None:
            raise ValueError(self._without_field(chosen))
        raw, step = raw_of(chosen.field, text.strip())
        self._set_raw(chosen.field, raw)
        return f"{chosen.field.title}: {step}"

    def step_value(self, by: int) -> None:
        """Give what holds the chosen bit the next integer but ``by``.

        Raises:
            ValueError: there is no such integer in so many bits; or it is a DGN, which has no next one.
        """
        chosen = self.chosen
        if isinstance(chosen, IdentifierBit):
            self._step_part(chosen.part, by)
            return
        field = chosen.field
        if field is None:
            raise ValueError(self._without_field(chosen))
        raw = field.raw_in(self.frame.data)
        if raw is None:
            raise ValueError(f"the frame is too short for {field.title}")
        low, high = (field.raw_limits[0], field.raw_limits[1]) if field.signed else (0, field.all_ones)
        if not low <= raw + by <= high:
            end = "highest" if by > 0 else "lowest"
            raise ValueError(f"{raw} is the {end} number in {field.length} bits")
        self._set_raw(field, raw + by)

    def undo(self) -> bool:
        """Undo the last change; return whether there was one."""
        if not self._before:
            return False
        self.frame, self.place = self._before.pop()
        return True

    def revert(self) -> None:
        """Make it the frame as it was heard; this can be undone as well."""
        self._replace(self.heard)

    def suggestions(self) -> list[str]:
        """Return what can be written for the chosen bit's value, as far as it has names."""
        chosen = self.chosen
        if isinstance(chosen, IdentifierBit):
            return sorted(self._catalogue.names) if self._is_of_dgn(chosen.part) else []
        if chosen.field is None:
            return []
        states = set(chosen.field.states.values())
        named = [str(state) for state in _WRITABLE_STATES if state in states]
        return list(dict.fromkeys([*chosen.field.codes, *named]))

    def wanted(self) -> str | None:
        """Return what to write for the chosen bit's value; None where no value can be written."""
        chosen = self.chosen
        if isinstance(chosen, FieldBit):
            if chosen.field is None:
                return None
            unit = f"a number in {chosen.field.printed_unit}" if chosen.field.unit else "a number"
            forms = [unit, *self._named()]
            return f"{chosen.field.title}: {', '.join(forms)}"
        if self._is_of_dgn(chosen.part):
            return "DGN: the name of a message, or its number in hex"
        if chosen.part is IdentifierPart.PRIORITY:
            return "priority: 0 (goes first) to 7"
        if chosen.part is IdentifierPart.SPECIFIC:
            return "destination: an address in hex, or all"
        return "source address: in hex, 00 to FF"

    def _named(self) -> Iterator[str]:
        chosen = self.chosen
        if isinstance(chosen, FieldBit) and chosen.field is not None:
            if chosen.field.codes:
                yield "the name of a code"
            if State.NO_DATA in chosen.field.states.values():
                yield "no data"
            elif State.UNCHANGED in chosen.field.states.values():
                yield "unchanged"
            yield "or 0x and hex"

    def _without_field(self, chosen: FieldBit) -> str:
        why = "belongs to no field" if self.spec is not None and self.spec.fields else "is in no known layout"
        return f"bit {chosen.bit} of byte {chosen.byte} {why}: space changes the bit alone"

    def _is_of_dgn(self, part: IdentifierPart) -> bool:
        if part is IdentifierPart.SPECIFIC:
            return not ident.is_addressed(ident.dgn_of(self.frame.identifier))
        return part in OF_THE_DGN

    def _change(self, bits: int) -> None:
        count = 8 * len(self.frame.data)
        data = (bits & (1 << count) - 1).to_bytes(len(self.frame.data))
        self._replace(self.frame._replace(identifier=bits >> count, data=data))

    def _replace(self, frame: Frame) -> None:
        if frame != self.frame:
            self._before.append((self.frame, self.place))
            self.frame = frame

    def _set_raw(self, field: FieldSpec, raw: int) -> None:
        layout = self.layout
        assert layout is not None
        self._replace(self.frame._replace(data=layout.replace(self.frame.data, field.name, raw)))

    # The identifier.

    def _set_part(self, part: IdentifierPart, text: str) -> str:
        identifier = self.frame.identifier
        if self._is_of_dgn(part):
            return self._set_dgn(text)
        if part is IdentifierPart.PRIORITY:
            if re.fullmatch("[0-7]", text) is None:
                raise ValueError(f"priority {text}: write 0 (goes first) to 7")
            value, step = int(text), f"priority {text} = {int(text):03b} binary"
        else:
            value = _address(part_name(identifier, part), text)
            step = f"{part_name(identifier, part)} {value:02X} hex = {value:08b} binary"
        self._replace(self.frame._replace(identifier=with_part(identifier, part, value)))
        return step

    def _step_part(self, part: IdentifierPart, by: int) -> None:
        if self._is_of_dgn(part):
            raise ValueError("a DGN has no next one: enter takes the name of a message or its number")
        value = part_value(self.frame.identifier, part) + by
        if not 0 <= value <= (7 if part is IdentifierPart.PRIORITY else 0xFF):
            raise ValueError(f"{value - by:X} hex is the {'highest' if by > 0 else 'lowest'} number there")
        self._replace(self.frame._replace(identifier=with_part(self.frame.identifier, part, value)))

    def _set_dgn(self, text: str) -> str:
        """Put in another DGN; where it needs a destination and has none yet, that is all nodes."""
        dgn = self._dgn(text)
        parts = ident.split_identifier(self.frame.identifier)
        destination = parts.destination
        if not ident.is_addressed(dgn):
            destination = None
        elif destination is None:
            destination = ident.GLOBAL_ADDRESS
        identifier = ident.join_identifier(parts.priority, dgn, parts.source, destination)
        self._replace(self.frame._replace(identifier=identifier))
        page, group, low = dgn >> 16, dgn >> 8 & 0xFF, dgn & 0xFF
        return f"DGN {dgn:05X}: data page {page}, {group:02X} hex, " + (
            f"{low:02X} hex"
            if destination is None
            else f"below F0 hex: the next byte is a destination, {destination:02X}"
        )

    def _dgn(self, text: str) -> int:
        bare = text.upper().removeprefix("0X")
        if re.fullmatch("[0-9A-F]+", bare):
            if len(bare) > _MAX_DGN_DIGITS or int(bare, 16) >= ident.DGN_LIMIT:
                raise ValueError(f"DGN {text} does not fit in 18 bits: the highest is {ident.DGN_LIMIT - 1:05X} hex")
            dgn = int(bare, 16)
            return dgn & ~0xFF if ident.is_addressed(dgn) else dgn
        try:
            name = read_given([text], self._catalogue).message
        except InputError as error:
            raise ValueError(str(error)) from None
        if name is None:
            raise ValueError(f"{text} is no message: write a name, or the DGN in hex")
        return self._catalogue.by_name(name).dgn


def _bits_of(frame: Frame) -> int:
    """Return identifier and data as one row of bits."""
    return frame.identifier << 8 * len(frame.data) | int.from_bytes(frame.data)


def _address(title: str, text: str) -> int:
    if title == "destination" and text.lower() == "all":
        return ident.GLOBAL_ADDRESS
    bare = text.lower().removeprefix("0x")
    if re.fullmatch("[0-9a-f]{1,2}", bare) is None:
        raise ValueError(f"{title} {text} is not an address in hex: write 00 to FF, like 44")
    return int(bare, 16)
