"""An exercise: a question, its answer, a hint, and the mistakes that are usually made in it.

Knows: how a written answer is compared with the right one, and with those of known mistakes. Does not know what is
asked, nor who asks.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import Protocol

from rvsim.faces.practice.written_words import LABELS, MINUS, UNIT_WORDS
from rvsim.wire.quantity_text import decimal_text

LEVELS = (1, 2, 3, 4, 5)
_MAX_DECIMALS = 6
"""Decimals of a number that is shown: those of every step in the definitions."""


class Kind(StrEnum):
    """What is practised."""

    IDENTIFIER = "split an identifier"
    PLACE = "find a field"
    SCALE = "scale a value"
    BUILD = "build a frame"
    STATE = "special values"
    MISSING = "missing device"
    SHARED = "shared instance"
    FAULT = "read a DM_RV"
    LOAD = "bus load"
    OHMS = "terminators"
    TURN = "who goes first"
    FLAG = "which flag comes next"
    PUBLISHED = "published examples"


class Answer(Protocol):
    """A right answer, or that of a known mistake."""

    @property
    def shown(self) -> str:
        """The answer as a person would write it."""

    def fits(self, text: str) -> bool:
        """Tell whether a written answer is this one."""


@dataclass(frozen=True)
class Number:
    """A number with its unit; ``within`` is how far a written one may be off. Hex is written behind 0x or before h."""

    value: Fraction
    unit: str = ""
    within: Fraction = Fraction(0)

    @property
    def shown(self) -> str:
        """The number with its unit."""
        return f"{_decimal(self.value)} {self.unit}".strip()

    def fits(self, text: str) -> bool:
        """Tell whether the text is this number; the unit may be left out, and a comma stands for a point."""
        found = plain_number(text, self.unit)
        return found is not None and abs(found - self.value) <= self.within


@dataclass(frozen=True)
class Hex:
    """A number that is written in hex, as an address or a DGN; 0x, h and leading zeros do not matter."""

    value: int
    digits: int = 2

    @property
    def shown(self) -> str:
        """The number in hex with its usual digits."""
        return f"{self.value:0{self.digits}X}"

    def fits(self, text: str) -> bool:
        """Tell whether the text is this number in hex."""
        bare = re.sub(r"hex$|h$|^0x|\s", "", text.strip().lower())
        return re.fullmatch("[0-9a-f]{1,8}", bare) is not None and int(bare, 16) == self.value


@dataclass(frozen=True)
class Bytes:
    """Bytes in hex, with or without blanks."""

    data: bytes

    @property
    def shown(self) -> str:
        """The bytes with blanks between them."""
        return self.data.hex(" ").upper()

    def fits(self, text: str) -> bool:
        """Tell whether the text is these bytes."""
        digits = re.sub(r"0x|[\s:.,_-]", "", text.lower())
        return digits == self.data.hex()


@dataclass(frozen=True)
class Words:
    """One of several ways to say it; case, blanks and underscores do not matter."""

    shown: str
    others: tuple[str, ...] = ()

    def fits(self, text: str) -> bool:
        """Tell whether the text is one of them."""
        return _plain(text) in {_plain(one) for one in (self.shown, *self.others)}


@dataclass(frozen=True)
class Several:
    """Several answers, in any order or in this one, with blanks or commas between them."""

    parts: tuple[Answer, ...]
    is_ordered: bool = True

    @property
    def shown(self) -> str:
        """The answers, one after another."""
        return " ".join(part.shown for part in self.parts)

    def fits(self, text: str) -> bool:
        """Tell whether the text has all of them and nothing else."""
        written = written_parts(text, self)
        if len(written) != len(self.parts):
            return False
        orders = [list(self.parts)] if self.is_ordered else [list(self.parts), list(reversed(self.parts))]
        return any(all(part.fits(one) for part, one in zip(order, written, strict=True)) for order in orders)


def written_parts(text: str, answer: Several) -> list[str]:
    """Return the parts of a written answer without their labels, like ``SPN 260, FMI 3``."""
    bare = LABELS.sub(" ", text)
    written = [part for part in re.split(r"[\s,;/&+#]+|\band\b", bare) if part]
    if len(written) > len(answer.parts) and isinstance(answer.parts[-1], Bytes):  # bytes with blanks between them
        last = len(answer.parts) - 1
        written = [*written[:last], " ".join(written[last:])]
    return written


@dataclass(frozen=True)
class Mistake:
    """A wrong answer that is known, and why it is wrong."""

    answer: Answer
    why: str


@dataclass(frozen=True)
class Exercise:
    """One exercise.

    ``question`` and ``explanation`` are lines of at most 80 columns. ``form`` says how the answer is written. ``data``
    are the bytes that stand in the question, for the blank grid of a printed sheet.
    """

    kind: Kind
    level: int
    question: tuple[str, ...]
    form: str
    answer: Answer
    hint: str
    explanation: tuple[str, ...]
    mistakes: tuple[Mistake, ...] = ()
    data: bytes | None = None
    options: tuple[str, ...] = field(default=())
    """The answers to choose from, where there are any; a letter stands for each."""

    def is_right(self, text: str) -> bool:
        """Tell whether a written answer is right; with options their letter counts too."""
        return self.answer.fits(self.chosen(text))

    def why_wrong(self, text: str) -> str | None:
        """Return what was done wrong, None where it is no known mistake."""
        written = self.chosen(text)
        return next((known.why for known in self.mistakes if known.answer.fits(written)), None)

    def chosen(self, text: str) -> str:
        """Return the written answer, or the option for which its letter stands."""
        letter = text.strip().lower().rstrip(").")
        if self.options and len(letter) == 1 and 0 <= (place := ord(letter) - ord("a")) < len(self.options):
            return self.options[place]
        return text


def usual_mistakes(right: Answer, known: Sequence[tuple[Answer, str]]) -> tuple[Mistake, ...]:
    """Return the known mistakes whose answers differ from the right one and from each other."""
    found: list[Mistake] = []
    for answer, why in known:
        if not right.fits(answer.shown) and all(not one.answer.fits(answer.shown) for one in found):
            found.append(Mistake(answer, why))
    return tuple(found)


def plain_number(text: str, unit: str) -> Fraction | None:
    """Return the number in a text, whose unit may be left out; None where it is none, or in another unit."""
    bare = text.strip().replace(",", ".").lower().translate(MINUS)
    units = {unit.lower(), unit.lower().replace("°", ""), f"deg{unit[-1:].lower()}"} if unit else set()
    units.update(UNIT_WORDS.get(unit, ()))
    for one in sorted(units, key=len, reverse=True):
        bare = bare.removesuffix(one).strip() if one else bare
    bare = bare.removesuffix("ohms").removesuffix("ohm").strip()
    if (digits := re.fullmatch(r"0x([0-9a-f]+)|([0-9a-f]+) ?(?:h|hex)", bare)) is not None:
        return Fraction(int(digits[1] or digits[2], 16))
    if re.fullmatch(r"[+-]?(?:\d+(?:\.\d+)?|\.\d+)", bare.replace(" ", "")) is None:
        return None
    return Fraction(bare.replace(" ", ""))


def _decimal(value: Fraction) -> str:
    """Return the number exactly where it has few decimals, as those of definitions have; else rounded."""
    text = decimal_text(round(value * 10**_MAX_DECIMALS), _MAX_DECIMALS)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _plain(text: str) -> str:
    return re.sub(r"[\s_-]+", " ", text.strip().lower()).removesuffix(".")
