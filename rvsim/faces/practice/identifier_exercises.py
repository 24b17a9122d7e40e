"""Exercises on the identifier: its parts, the DGN, and which of several frames goes first.

Knows: how the parts are cut out of the number, and what is usually done wrong. Does not know any message.
"""

from fractions import Fraction
from random import Random

from rvsim.faces.practice.exercise import Exercise, Hex, Kind, Number, usual_mistakes
from rvsim.faces.practice.material import Material
from rvsim.wire import ident

_BITS = "priority 3 bits, reserved 1, data page 1, message group byte 8, next byte 8, source 8"


def split(random: Random, material: Material, level: int) -> Exercise:
    """Ask for one part of an identifier: at first source and priority, then the DGN, then with a destination."""
    asked = random.choice({1: ("source",), 2: ("source", "priority", "dgn")}.get(level, ("dgn", "destination")))
    is_addressed = level >= 3 and random.random() < (1.0 if asked == "destination" else 0.6)
    identifier = _identifier(random, material, is_addressed=is_addressed)
    return {"source": _source, "priority": _priority, "dgn": _dgn, "destination": _destination}[asked](
        identifier, level
    )


def _identifier(random: Random, material: Material, *, is_addressed: bool) -> int:
    """Return one of the material, or for a message with a destination one that a request or a claim has."""
    if not is_addressed:
        return random.choice(material.identifiers)
    group = random.choice((0x0EA00, 0x0EE00, 0x0E800, 0x0EF00, 0x17F00))
    destination = ident.GLOBAL_ADDRESS if group == 0x0EE00 else random.choice(material.sources)
    return ident.join_identifier(6, group, random.choice(material.sources), destination)


def _source(identifier: int, level: int) -> Exercise:
    parts = ident.split_identifier(identifier)
    text = f"{identifier:08X}"
    right = Hex(parts.source)
    return Exercise(
        Kind.IDENTIFIER, level, (f"From which source address is the frame {text}?",), "two hex digits", right,
        "The source address is the last byte of the identifier.",
        (f"{text[:6]} {text[6:]}: the last byte is the source address, {right.shown} hex = {parts.source}.",
         "It does not say what the device is: that stands in its heartbeat."),
        usual_mistakes(right, [
            (Hex(identifier >> 8 & 0xFF), "That is the byte before the last one: the low byte of the DGN."),
            (Hex(identifier >> 24), "That is the first byte: priority and data page stand in it."),
        ]),
    )  # fmt: skip


def _priority(identifier: int, level: int) -> Exercise:
    parts = ident.split_identifier(identifier)
    text, top = f"{identifier:08X}", identifier >> 24
    right = Number(_whole(parts.priority))
    return Exercise(
        Kind.IDENTIFIER, level, (f"Which priority has the frame {text}?",), "a number from 0 to 7", right,
        "The identifier has 29 bits: the first byte of the eight digits holds only five of them. Divide it by 4.",
        (f"{text[:2]} hex = {top:05b} binary in five bits: the first three, {top >> 2:03b}, are priority "
         f"{parts.priority}.",
         f"{top} / 4 = {top >> 2}, the rest is the reserved bit and the data page. 0 goes first, 7 last."),
        usual_mistakes(right, [
            (Number(_whole(top >> 5)), "The identifier has 29 bits, not 32: the first byte has three bits less."),
            (Number(_whole(top & 7)), "These are the last bits of the first byte: reserved bit and data page."),
            (Number(_whole(int(text[0], 16))), "The first hex digit alone is not the priority: it has one bit of it."),
            (Number(_whole(int(text[1], 16))), "The second hex digit holds the end of the priority and the data page."),
        ]),
    )  # fmt: skip


def _dgn(identifier: int, level: int) -> Exercise:
    parts = ident.split_identifier(identifier)
    text = f"{identifier:08X}"
    group = identifier >> 16 & 0xFF
    right = Hex(parts.dgn, 5)
    if ident.is_addressed(parts.dgn):
        rule = f"{group:02X} is below F0: the next byte is the destination, and 00 stands for it in the DGN."
    else:
        rule = f"{group:02X} is F0 or above: a broadcast, so the next byte belongs to the DGN."
    return Exercise(
        Kind.IDENTIFIER, level, (f"Which DGN has the frame {text}?",), "five hex digits", right,
        f"{_BITS}. Below F0 hex the next byte is a destination.",
        (f"Without the source address: {text[:6]}. Of its first byte {text[:2]} only the last two bits belong to the "
         f"DGN: {identifier >> 24 & 3}.", rule, f"So the DGN is {right.shown} hex."),
        usual_mistakes(right, [
            (Hex(identifier >> 8 & 0x3FFFF, 5),
             f"{group:02X} is below F0: the byte behind it is a destination, and counts as 00 in the DGN."),
            (Hex(parts.dgn & 0xFFFF, 5),
             "The data page is missing: the first digit is the last bit of the first byte."),
            (Hex(identifier >> 8 & 0x3FF00, 5),
             f"{group:02X} is F0 or above: no destination, the next byte belongs to the DGN."),
            (Hex(identifier >> 8, 6),
             "The priority is still in it: of the first byte only two bits belong to the DGN."),
        ]),
    )  # fmt: skip


def _destination(identifier: int, level: int) -> Exercise:
    parts = ident.split_identifier(identifier)
    text = f"{identifier:08X}"
    right = Hex(parts.destination if parts.destination is not None else 0)
    return Exercise(
        Kind.IDENTIFIER, level, (f"For which address is the frame {text}?",), "two hex digits; FF is all", right,
        "A message group byte below F0 hex has the destination in the byte behind it.",
        (f"The second byte, {text[2:4]}, is below F0: the third, {text[4:6]}, is the destination.",
         "FF is the global address: all nodes." if parts.destination == ident.GLOBAL_ADDRESS else
         "Only the node with this address has to act on it; all others hear it as well."),
        usual_mistakes(right, [
            (Hex(parts.source), "That is the source address: who sends it."),
            (Hex(identifier >> 16 & 0xFF), "That is the message group byte; the byte behind it is the destination."),
        ]),
    )  # fmt: skip


def turn(random: Random, material: Material, level: int) -> Exercise:
    """Ask which of three frames goes first if all start together."""
    first = random.choice(material.identifiers)
    others = [
        ident.join_identifier(random.choice((3, 5, 7)), 0x1FECA, first & 0xFF),
        ident.join_identifier(6, 0x0EA00, random.choice(material.sources), random.choice(material.sources)),
        first & ~0xFF | random.randrange(0x40, 0xA0),
        ident.join_identifier(6, 0x1FF9C, random.choice(material.sources)),
    ]
    shown = list(dict.fromkeys([first, *random.sample(others, 2)]))
    random.shuffle(shown)
    winner = min(shown)
    right = Hex(winner, 8)
    lines = tuple(f"  {one:08X} = {one:029b}" for one in shown)
    return Exercise(
        Kind.TURN, level, ("These nodes start to send at one moment. Which frame goes first?", *lines),
        "its identifier", right,
        "0 is dominant: at the first bit in which they differ, the one that sends 0 goes on.",
        ("All send bit by bit and listen. Who sends 1 and hears 0 stops and waits.",
         f"So the lowest number goes first: {winner:08X}. {_why(winner, shown)}"),
        usual_mistakes(right, [
            (Hex(max(shown), 8), "That is the highest number: a recessive 1 loses against a dominant 0."),
            (Hex(min(shown, key=lambda one: one & 0xFF), 8),
             "The source address is the last thing that is compared: the bits before it have decided already."),
        ]),
    )  # fmt: skip


def _why(winner: int, shown: list[int]) -> str:
    second = sorted(shown)[1]
    place = 30 - (winner ^ second).bit_length()
    part = "priority" if place <= 3 else "DGN" if place <= 21 else "source address"
    return f"Against {second:08X} bit {place} decides, a bit of the {part}."


def _whole(number: int) -> Fraction:
    return Fraction(number)
