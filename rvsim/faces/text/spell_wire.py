"""A frame as the pair carries it: every bit with its name, stuff bits, how long it takes, and who wins against it.

Knows: the text and the JSON of a frame's bits. Does not know what the data mean.
"""

from collections.abc import Iterator
from itertools import groupby
from typing import Any, NamedTuple

from rvsim.faces.text.identifier_parts import part_at, part_name, part_text
from rvsim.faces.text.spell_fields import wrapped
from rvsim.logs.formats.jsonl import SCHEMA, json_text
from rvsim.wire.frame import Frame
from rvsim.wire.timing import BIT_RATE, STUFF_AFTER, Bit, FramePart, frame_bits, max_bits, min_bits

_EXPLAINED = {
    FramePart.START: "0: all clocks start here",
    FramePart.SRR: "1; a short one has RTR here",
    FramePart.IDE: "1: 18 bits more follow",
    FramePart.RTR: "0: a frame with data",
    FramePart.R1: "reserved",
    FramePart.R0: "reserved",
    FramePart.CRC: "check of all bits before it",
    FramePart.ACKNOWLEDGE: "0 from all that received it",
}
"""What a part is for (CAN Specification 2.0, part B)."""
_FIRST_BITS, _ALL_BITS = 11, 29
"""Bits of the identifier before SRR and IDE, and in all."""


class Piece(NamedTuple):
    """Neighbouring bits with one name, with the stuff bits among them."""

    title: str
    bits: tuple[Bit, ...]
    note: str = ""

    @property
    def text(self) -> str:
        """The bits in order, stuff bits in brackets."""
        return "".join(f"[{bit.value}]" if bit.is_stuff else str(bit.value) for bit in self.bits)


def pieces_of(frame: Frame) -> list[Piece]:
    """Return the bits of a frame by their parts, the data byte by byte."""
    found: list[Piece] = []
    byte = taken = 0
    for part, run in groupby(frame_bits(frame.identifier, frame.data), key=lambda bit: bit.part):
        bits = tuple(run)
        if part is FramePart.DATA:
            held: list[Bit] = []
            for bit in bits:
                if taken == 8 and not bit.is_stuff:
                    found.append(_byte_piece(frame, byte, held))
                    held, taken, byte = [], 0, byte + 1
                held.append(bit)
                taken += not bit.is_stuff
            found.append(_byte_piece(frame, byte, held))
        elif part is FramePart.IDENTIFIER:
            count = sum(not bit.is_stuff for bit in bits)
            found.append(Piece(f"identifier, {count} bits", bits))
        elif part is FramePart.LENGTH:
            found.append(Piece("length (DLC)", bits, _count(len(frame.data))))
        else:
            found.append(Piece(str(part), bits, _EXPLAINED.get(part, "")))
    return found


def _byte_piece(frame: Frame, byte: int, bits: list[Bit]) -> Piece:
    return Piece(f"data byte {byte}", tuple(bits), f"{frame.data[byte]:02X} hex")


def _count(count: int) -> str:
    return f"{count} byte{'' if count == 1 else 's'}"


def wire_text(frame: Frame, against: int | None = None) -> Iterator[str]:
    """Yield the bits of a frame line by line; ``against`` is the identifier of another frame that starts with it."""
    found = pieces_of(frame)
    yield f"{frame.identifier:08X}, carrying {frame.data.hex(' ').upper() or 'no data'}, on the pair"
    yield ""
    title_width = max(len(piece.title) for piece in found)
    bits_width = max(len(piece.text) for piece in found if piece.note)  # the identifier, often longer, has no note
    for piece in found:
        yield f"  {piece.title:<{title_width}}  {piece.text:<{bits_width}}  {piece.note}".rstrip()
    yield ""
    for sentence in wire_sentences(frame, against):
        yield from wrapped(sentence)


def wire_sentences(frame: Frame, against: int | None = None) -> Iterator[str]:
    """Yield what the bits of a frame are and how long they take, and who wins against another identifier."""
    bits = frame_bits(frame.identifier, frame.data)
    count, stuffed = len(frame.data), sum(bit.is_stuff for bit in bits)
    time_us = len(bits) * 1_000_000 // BIT_RATE
    yield (
        f"0 is dominant: it wins where one node sends 0 and another 1. A bit in brackets is a stuff bit: after "
        f"{STUFF_AFTER} equal bits the sender puts in the opposite one, up to the end of the CRC."
    )
    yield (
        f"{len(bits)} bits, {stuffed} of them stuff bits, the 3 between frames included: {time_us} µs at "
        f"{BIT_RATE // 1000} kbit/s. A frame of {_count(count)} has {min_bits(count)} to "
        f"{max_bits(count)} bits."
    )
    yield _arbitration(frame.identifier, against)


def _arbitration(identifier: int, against: int | None) -> str:
    if against is None:
        return (
            "If two nodes start together, the one whose identifier is the lower number goes on; the other one waits "
            "and sends again. `--against ID` shows the bit at which that happens."
        )
    if against == identifier:
        return (
            f"{against:08X} is the same identifier: both go on into the data, and the first data bit in which they "
            "differ is an error for the one that sends 1. No two nodes may send one identifier."
        )
    place = _ALL_BITS - (identifier ^ against).bit_length()
    winner, loser = sorted((identifier, against))
    where = f"bit {place + 1} of the identifier"
    if place >= _FIRST_BITS:
        where += f", bit {place - _FIRST_BITS + 1} of its second part,"
    equal = "no bit" if place == 0 else "the first bit" if place == 1 else f"the first {place} bits"
    return (
        f"Against {against:08X}, if both start together: {equal} of the identifiers {'is' if place < 2 else 'are'} "
        f"equal. At {where} {winner:08X} sends 0, dominant, and {loser:08X} sends 1: {winner:08X} goes on, and "
        f"{loser:08X} waits until the pair is free again. {_part_text(place, winner, loser)}"
    )


def _part_text(place: int, winner: int, loser: int) -> str:
    """Return which part of the identifier decided, with its value in both."""
    part, _ = part_at(place)
    name = part_name(loser, part)
    return f"That bit is in its {name}: {part_text(winner, part)} against {part_text(loser, part)}."


def wire_json(frame: Frame, against: int | None = None) -> str:
    """Return the bits of a frame as one JSON object.

    It has ``bits`` and ``stuff_bits`` (counts), ``microseconds``, ``parts`` (``part``, ``bits`` as text without stuff
    bits, ``stuffed`` with them in brackets), and ``against``: the identifier, whether this frame wins, and the bit
    of the identifier from 1 at which it is decided; null without another frame.
    """
    found = pieces_of(frame)
    bits = [bit for piece in found for bit in piece.bits]
    contest: dict[str, Any] | None = None
    if against is not None:
        place = None if against == frame.identifier else _ALL_BITS - (frame.identifier ^ against).bit_length() + 1
        contest = {"identifier": f"{against:08X}", "wins": frame.identifier < against, "bit": place}
    return json_text(
        {
            "schema": SCHEMA,
            "identifier": f"{frame.identifier:08X}",
            "bytes": frame.data.hex().upper(),
            "bits": len(bits),
            "stuff_bits": sum(bit.is_stuff for bit in bits),
            "microseconds": len(bits) * 1_000_000 // BIT_RATE,
            "parts": [
                {
                    "part": piece.title,
                    "bits": "".join(str(bit.value) for bit in piece.bits if not bit.is_stuff),
                    "stuffed": piece.text,
                }
                for piece in found
            ],
            "against": contest,
        }
    )
