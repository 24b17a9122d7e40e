"""Slips in writing an answer that is nearly right: another unit, hex for decimal, the decimal point, a missing digit.

Knows: what an answer and a written text have in common. Does not know what was asked.
"""

import re
from fractions import Fraction

from rvsim.faces.practice.exercise import (
    Answer,
    Bytes,
    Exercise,
    Hex,
    Number,
    Several,
    Words,
    plain_number,
    written_parts,
)

_LETTERS = str.maketrans({"o": "0", "O": "0", "l": "1", "I": "1"})
_POWERS = (1000, 100, 10)
_NUMBER_AND_UNIT = re.compile(r"([+-]?\d+(?:[.,]\d+)?) ?([a-z%°µ/]+)", re.IGNORECASE)


def why_wrong(exercise: Exercise, text: str) -> str | None:
    """Return what was done wrong in an answer: a known mistake or a slip; None where it is neither, or right."""
    if exercise.is_right(text):
        return None
    return exercise.why_wrong(text) or slip_in(exercise.chosen(text), exercise.answer)


def slip_in(text: str, answer: Answer) -> str | None:
    """Return what is wrong with a text that is nearly this answer, as a sentence; None where it is not near."""
    swapped = text.translate(_LETTERS)
    if swapped != text and not isinstance(answer, Words) and answer.fits(swapped):
        return "A letter stands for a digit: write 0 and 1."
    match answer:
        case Number():
            return _of_number(text.strip(), answer)
        case Hex():
            return _of_hex(text.strip(), answer)
        case Bytes():
            return _of_bytes(text, answer)
        case Words():
            return _of_binary(text.strip(), answer)
        case Several():
            return _of_several(text, answer)
    return None


def _of_number(text: str, right: Number) -> str | None:
    whole = right.value.numerator if right.value.denominator == 1 else None
    if whole is not None and re.fullmatch(r"\d{1,3}(?:[.,' ]\d{3})+", text) and int(re.sub(r"\D", "", text)) == whole:
        return "The point or comma was read as that of a decimal: write the number without it."
    if whole is not None and re.fullmatch("[0-9a-f]+", text.lower()) and int(text, 16) == whole:
        return f"That is the number in hex: in decimal it is {whole}."
    given = _NUMBER_AND_UNIT.fullmatch(text)
    value = plain_number(text, right.unit)
    if given is not None and value is None:
        number = Number(right.value, "", right.within)
        if number.fits(given[1]):
            return f"The number is right, the unit is not: it is in {right.unit}." if right.unit else "It has no unit."
        return f"Write it in {right.unit}." if right.unit else None
    return None if value is None else _of_value(value, right)


def _of_value(value: Fraction, right: Number) -> str | None:
    """Return the slip in a number that was read."""
    if right.value and abs(value + right.value) <= right.within:
        return "The sign is wrong."
    for power in _POWERS:
        for shifted in (value * power, value / power):
            if right.value and abs(shifted - right.value) <= min(right.within, abs(right.value) / 100):
                return "The decimal point is in the wrong place."
    if abs(value - right.value) <= max(2 * right.within, abs(right.value) * Fraction(2, 1000)) and right.within:
        return "Nearly: do not round before the end."
    return None


def _of_hex(text: str, right: Hex) -> str | None:
    if re.fullmatch(r"\d+", text) and int(text) == right.value:
        return f"That is the number in decimal: in hex it is {right.shown}."
    if re.fullmatch(r"(?:0b)?[01 ]+", text) and int(re.sub("0b| ", "", text) or "0", 2) == right.value:
        return f"That is the number in binary: in hex it is {right.shown}."
    return None


def _of_bytes(text: str, right: Bytes) -> str | None:
    digits = re.sub(r"0x|[\s:.,_-]", "", text.lower())
    parts = [part for part in re.split(r"[\s,]+", text.strip()) if part]
    if [int(part) if re.fullmatch(r"\d{1,3}", part) else -1 for part in parts] == list(right.data):
        return f"These are the bytes in decimal: in hex they are {right.shown}."
    if re.fullmatch("[0-9a-f]+", digits) is None:
        return None
    if len(parts) == len(right.data) and "".join(part.zfill(2) for part in parts).lower() == right.data.hex():
        return "Write two hex digits for each byte: 05, not 5."
    if len(digits) % 2:
        return f"{len(digits)} hex digits: two make a byte, so one is missing or too many."
    if len(digits) != 2 * len(right.data):
        return f"These are {len(digits) // 2} bytes: {len(right.data)} are asked for."
    if bytes.fromhex(digits) == right.data[::-1] and len(right.data) > 1:
        return "All bytes are in the opposite order."
    wrong = [place for place, byte in enumerate(bytes.fromhex(digits)) if byte != right.data[place]]
    return f"Only byte {wrong[0]} is wrong." if len(wrong) == 1 < len(right.data) else None


def _of_binary(text: str, right: Words) -> str | None:
    """Return the slip in an answer that is written in binary digits."""
    if re.fullmatch("[01]+", right.shown) is None:
        return None
    if re.fullmatch("[01]+", text) and int(text, 2) == int(right.shown, 2):
        return f"Write all {len(right.shown)} digits, zeros in front as well."
    if re.fullmatch(r"\d+", text) and int(text) == int(right.shown, 2):
        return f"That is the number in decimal: the bits are {right.shown}."
    if len(right.shown) > 1 and text == right.shown[::-1]:
        return "The digits are in the opposite order: the highest bit comes first."
    return None


def _of_several(text: str, right: Several) -> str | None:
    written = written_parts(text, right)
    if len(written) != len(right.parts):
        return f"{len(right.parts)} answers are asked for, and these are {len(written)}." if written else None
    if not right.is_ordered:
        hits = sum(any(part.fits(one) for one in written) for part in right.parts)
        return "One of both is right." if hits == 1 and len(right.parts) == 2 else None
    if all(part.fits(one) for part, one in zip(right.parts, reversed(written), strict=True)):
        return "Both are right, but in the opposite order."
    wrong = [place for place, part in enumerate(right.parts) if not part.fits(written[place])]
    if len(wrong) == len(right.parts):
        return None
    known = slip_in(written[wrong[0]], right.parts[wrong[0]])
    first = ("The first part is not right.", "The second part is not right.", "The third part is not right.")[wrong[0]]
    return f"{first} {known}" if known else first
