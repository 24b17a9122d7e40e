"""Exercises on the data: where a field stands, its value, special values, and a frame that is built.

Knows: the arithmetic of fields as it is taught, and what is usually done wrong in it. Does not know identifiers.
"""

from collections.abc import Callable, Sequence
from fractions import Fraction
from random import Random

from rvsim.faces.practice.exercise import (
    Answer,
    Bytes,
    Exercise,
    Hex,
    Kind,
    Mistake,
    Number,
    Several,
    Words,
    usual_mistakes,
)
from rvsim.faces.practice.material import Material, SentFrame
from rvsim.faces.text.spell_fields import exact, place
from rvsim.faces.text.spell_layout import code_text
from rvsim.wire.fields import FieldSpec, Special, State

_WORDS = {
    State.NO_DATA: "no data",
    State.OUT_OF_RANGE: "out of range",
    State.RESERVED: "reserved",
    State.VALUE: "a value",
    State.UNCHANGED: "unchanged",
}


_OTHER_WORDS = {
    State.VALUE: ("value", "a reading", "a number"),
    State.NO_DATA: ("not available", "n/a", "nothing", "data not available"),
}
"""What else is right for a state; J1939 says not available for no data."""


def _frame_line(one: SentFrame, data: bytes | None = None) -> str:
    held = one.frame.data if data is None else data
    return f"  {one.spec.name}  {held.hex(' ').upper()}"


def _pick(
    random: Random, material: Material, wanted: Callable[[FieldSpec], bool]
) -> tuple[SentFrame, FieldSpec] | None:
    """Return a frame of the material and a field of it that is wanted; None where there is none."""
    frames = list(material.statuses)
    random.shuffle(frames)
    for one in frames:
        fields = [field for field in one.spec.fields if wanted(field)]
        if fields:
            return one, random.choice(fields)
    return None


def _is_whole(field: FieldSpec) -> bool:
    return field.length % 8 == 0 and not field.low_bit and not field.big_endian and not field.signed


def _rule(field: FieldSpec) -> str:
    offset = f" {'-' if field.offset < 0 else '+'} {exact(field, abs(field.offset))}" if field.offset else ""
    return f"number × {exact(field, field.scale)}{offset}, in {field.printed_unit}"


def find(random: Random, material: Material, level: int) -> Exercise | None:
    """Ask for the bytes of a field, or for its bits in a byte that several fields share."""
    if level <= 1:
        found = _pick(random, material, lambda field: _is_whole(field) and field.first > 0)
        return None if found is None else _bytes_of(*found, level)
    found = _pick(random, material, lambda field: field.length < 8)
    return None if found is None else _bits_of(*found, level)


def _bytes_of(one: SentFrame, field: FieldSpec, level: int) -> Exercise:
    first, last = field.first_byte, field.last_byte
    held = one.frame.data[first : last + 1]
    right = Bytes(held)
    early = f"Bytes count from 0: byte {first} is the one behind byte {first - 1}; you have taken them one too early."
    known: list[tuple[Answer, str]] = [(Bytes(one.frame.data[first - 1 : last]), early)]
    if first + len(held) < len(one.frame.data):
        known.append((Bytes(one.frame.data[first + 1 : last + 2]), "You have taken them one byte too late."))
    if len(held) > 1:
        known.append((Bytes(held[::-1]), "Write them in the order in which they stand in the frame."))
    bits = f"{field.first} to {field.first + field.length - 1}"
    return Exercise(
        Kind.PLACE, level,
        (_frame_line(one), f"The field {field.title} has the bits {bits}, counted from 0. Which bytes of this frame "
         "are it?"),
        "hex, as they stand in the frame", right,
        "Eight bits make a byte: divide the first bit by 8.",
        (f"Bit {field.first} / 8 = byte {first}; {field.length} bits are {len(held)} "
         f"byte{'' if len(held) == 1 else 's'}: {place(field)}.", f"They are {right.shown}."),
        usual_mistakes(right, known), one.frame.data,
    )  # fmt: skip


def _bits_of(one: SentFrame, field: FieldSpec, level: int) -> Exercise:
    byte, low = field.first_byte, field.first % 8
    held = one.frame.data[byte]
    raw = held >> low & field.all_ones
    bits = f"{raw:0{field.length}b}"
    right = Words(bits, (f"0b{bits}", f"{bits}b", " ".join(bits)))
    top = held >> (8 - low - field.length) & field.all_ones if low + field.length <= 8 else raw
    return Exercise(
        Kind.PLACE, level,
        (_frame_line(one), f"The field {field.title} is {place(field)}, counted from 0. Which bits has it in this "
         "frame?"),
        f"{field.length} binary digits, the highest first", right,
        "Write the byte as eight binary digits. Bit 0 is the last of them.",
        (f"Byte {byte} is {held:02X} hex = {held:08b} binary, bit 7 first and bit 0 last.",
         f"Its bits {low} to {low + field.length - 1} are {right.shown} = {raw}."
         if field.length > 1 else f"Its bit {low} is {right.shown}."),
        usual_mistakes(right, [(Words(f"{top:0{field.length}b}"),
                                "You have counted from the left: bit 0 is the last digit.")]),
        one.frame.data,
    )  # fmt: skip


def scale(random: Random, material: Material, level: int) -> Exercise | None:
    """Ask for the value of a field: at first of one byte, then low byte first, then with an offset."""

    def wanted(field: FieldSpec) -> bool:
        is_plain = _is_whole(field) and field.unit != "" and not field.labels and field.scale != field.unit_steps
        if not is_plain:
            return False
        if level <= 1:
            return field.length == 8 and not field.offset
        return field.length == 16 and (level == 2) == (field.offset == 0) if level <= 3 else field.length >= 16

    found = _pick(random, material, wanted) or _pick(random, material, lambda one: _is_whole(one) and one.unit != "")
    if found is None:
        return None
    one, field = found
    raw = _some_raw(random, one, field)
    data = one.spec.replace(one.frame.data, field.name, raw)
    held = data[field.first_byte : field.last_byte + 1]
    right = Number(_value(field, raw), field.printed_unit, _half_step(field))
    return Exercise(
        Kind.SCALE, level,
        (_frame_line(one, data), f"{field.title} is in {place(field)}: {_rule(field)}. What is its value?"),
        f"a number in {field.printed_unit}", right,
        "Several bytes are low byte first: write them in the other order, then make one number of the hex digits."
        if len(held) > 1 else "Make a number of the two hex digits, then multiply.",
        _worked(field, held, raw, right), _scale_mistakes(right, field, held, raw), data,
    )  # fmt: skip


def _some_raw(random: Random, one: SentFrame, field: FieldSpec) -> int:
    """Return the frame's own number where it is a value whose bytes differ, else another one that is likely."""
    own = field.raw_in(one.frame.data)
    if own is not None and field.state(own) is State.VALUE and own and (field.length == 8 or own % 257):
        return own
    low, high = field.raw_limits
    middle = -field.offset // field.scale if field.offset < 0 else 0
    return min(max(middle + random.randrange(1, max(2, min(2000, high - low) // 2)), low), high)


def _value(field: FieldSpec, raw: int) -> Fraction:
    return Fraction(raw * field.scale + field.offset, field.unit_steps)


def _half_step(field: FieldSpec) -> Fraction:
    """Return how far a rounded answer may be off: less than half a step."""
    return Fraction(field.scale, field.unit_steps) * Fraction(49, 100)


def _worked(field: FieldSpec, held: bytes, raw: int, right: Number) -> tuple[str, ...]:
    number = held[::-1].hex().upper()
    turned = f"{held.hex(' ').upper()}, low byte first: {number} hex" if len(held) > 1 else f"{number} hex"
    offset = f" {'-' if field.offset < 0 else '+'} {exact(field, abs(field.offset))}" if field.offset else ""
    return (f"{turned} = {raw}.", f"{raw} × {exact(field, field.scale)}{offset} = {right.shown}.")


def _scale_mistakes(right: Number, field: FieldSpec, held: bytes, raw: int) -> tuple[Mistake, ...]:
    turned = int.from_bytes(held, "big")
    unit, within = field.printed_unit, right.within
    step = Fraction(field.scale, field.unit_steps)
    known: list[tuple[Answer, str]] = [
        (Number(_value(field, turned), unit, within),
         "The bytes are in the wrong order: the low byte comes first, so write them the other way round."),
        (Number(raw * step, unit, within),
         f"The offset is missing: {exact(field, field.offset)} has to be added at the end."),
        (Number(Fraction(raw), unit), "That is the number itself: it still has to be multiplied by its step."),
        (Number(turned * step, unit, within), "Wrong order of the bytes, and the offset is missing."),
        (Number(Fraction(raw + field.offset // field.unit_steps), unit), "The step is missing: multiply first, then "
         "add the offset."),
        (Number((Fraction(raw) + Fraction(field.offset, field.unit_steps)) * step, unit, within),
         "Multiply first, then add the offset."),
    ]  # fmt: skip
    return usual_mistakes(right, known)


def special(random: Random, material: Material, level: int) -> Exercise | None:
    """Ask what a field says: a value, or one of the special codes of its type."""
    found = _pick(random, material, lambda one: _is_whole(one) and one.special is Special.MEASURED and bool(one.unit))
    if found is None:
        return None
    one, field = found
    state = random.choice((State.NO_DATA, State.OUT_OF_RANGE, State.RESERVED, State.VALUE))
    codes = [raw for raw, known in field.states.items() if known is state]
    raw = random.choice(codes) if codes else field.raw_limits[1] - random.randrange(0, 4)
    data = one.spec.replace(one.frame.data, field.name, raw)
    held = data[field.first_byte : field.last_byte + 1]
    right = Words(_WORDS[state], _OTHER_WORDS.get(state, ()))
    number = Number(_value(field, raw), field.printed_unit, _half_step(field))
    ones = code_text(field, field.all_ones)
    return Exercise(
        Kind.STATE, level,
        (_frame_line(one, data), f"{field.title} is in {place(field)}, with {_rule(field)}. What does the sender say?"),
        "a value, no data, out of range or reserved", right,
        f"All ones are no data, one less is out of range, and the next three are reserved: {ones} is all ones here.",
        (f"{held.hex(' ').upper()} is {code_text(field, raw)} hex: "
         + (f"below the special codes, so a value, {number.shown}." if state is State.VALUE else
            f"{right.shown}. It is no reading of {number.shown}."),
         "The special codes are told before the number is multiplied."),
        usual_mistakes(right, [
            *(((number, "A special code is read as a number: look at the bits before you multiply."),)
              if state is not State.VALUE else ()),
            *((Words(word), _why_state(field, raw, state)) for word in _WORDS.values() if word != right.shown),
        ]),
        data, options=("a value", "no data", "out of range", "reserved"),
    )  # fmt: skip


def _why_state(field: FieldSpec, raw: int, state: State) -> str:
    ones = field.all_ones
    below = ones - raw
    if state is State.VALUE:
        return f"The highest value is {code_text(field, field.raw_limits[1])}: only what is above it is special."
    return f"It is {'all ones' if not below else f'{below} below all ones'}: {_WORDS[state]}."


def build(random: Random, material: Material, level: int) -> Exercise | None:
    """Ask for the data of a frame with an instance and one value, all else no data; at the top level for the whole."""

    def wanted(field: FieldSpec) -> bool:
        return _is_whole(field) and field.unit != "" and not field.labels and field.length <= 16

    frames = [
        one
        for one in material.statuses
        if one.spec.instance is not None and one.spec.instance.length == 8 and any(map(wanted, one.spec.fields))
    ]
    if not frames:
        return None
    one = random.choice(frames)
    field = random.choice([one_field for one_field in one.spec.fields if wanted(one_field)])
    assert one.spec.instance is not None
    instance = one.spec.instance.raw_in(one.frame.data) or 1
    raw = _some_raw(random, one, field)
    data = one.spec.encode({one.spec.instance.name: instance, field.name: raw})
    value = Number(_value(field, raw), field.printed_unit)
    whole = level >= 5
    right: Answer = Several((Hex(one.frame.identifier, 8), Bytes(data))) if whole else Bytes(data)
    question = [
        f"Build the data of {one.spec.name}, {one.spec.length} bytes: byte 0 is instance {instance}, and in "
        f"{place(field)} {field.title} is {value.shown} ({_rule(field)}). All else is no data.",
    ]
    if whole:
        parts = one.frame.identifier
        question.append(f"Write the identifier before it: priority {parts >> 26}, DGN {one.spec.dgn:05X}, from "
                        f"{parts & 0xFF:02X} hex; the data without blanks.")  # fmt: skip
    form = "identifier and data in hex" if whole else f"{one.spec.length} bytes in hex"
    return Exercise(
        Kind.BUILD, level, tuple(question), form, right,
        "From the value to the number: take the offset away, divide by the step, low byte first. No data: FF.",
        _built_lines(one, field, instance, raw, value, data, whole=whole),
        _build_mistakes(one, field, instance, raw, data, right), None,
    )  # fmt: skip


def _built_lines(
    one: SentFrame, field: FieldSpec, instance: int, raw: int, value: Number, data: bytes, *, whole: bool
) -> tuple[str, ...]:
    offset = ""
    if field.offset:
        offset = f" {'+' if field.offset < 0 else '-'} {exact(field, abs(field.offset))}"
    held = data[field.first_byte : field.last_byte + 1].hex(" ").upper()
    number = f"({value.shown}{offset}) / {exact(field, field.scale)} = {raw} = {code_text(field, raw)} hex"
    lines = [f"{number}{f', low byte first {held}' if field.length > 8 else ''}.",
             f"Instance {instance} is {instance:02X}. All else stays FF: {data.hex(' ').upper()}."]  # fmt: skip
    if whole:
        lines.append(f"The identifier: {one.frame.identifier:08X}.")
    return tuple(lines)


def _build_mistakes(
    one: SentFrame, field: FieldSpec, instance: int, raw: int, data: bytes, right: Answer
) -> tuple[Mistake, ...]:
    first, last = field.first_byte, field.last_byte
    turned = data[:first] + data[first : last + 1][::-1] + data[last + 1 :]
    zeros = bytes(held if number == 0 or first <= number <= last else 0 for number, held in enumerate(data))
    known: list[tuple[bytes, str]] = [
        (turned, "The bytes of the number are in the wrong order: the low byte comes first."),
        (zeros, "What is not given is FF, no data: 00 would be a value."),
    ]
    steps = raw + (field.offset // field.scale if field.offset else 0)
    if field.offset and 0 <= steps <= field.all_ones:
        assert one.spec.instance is not None
        forgotten = one.spec.encode({one.spec.instance.name: instance, field.name: steps})
        known.append((forgotten, "The offset is missing: it has to be taken away before you divide."))
    answers: Sequence[tuple[Answer, str]] = [
        (Several((right.parts[0], Bytes(held))) if isinstance(right, Several) else Bytes(held), why)
        for held, why in known
    ]
    return usual_mistakes(right, answers)
