"""Texts that keep the numbers in them: a sentence in metric units that can be rendered in other units.

Knows: which parts of a text are quantities, their exact values and steps, and how many decimals a step needs. Does not
know any other unit: whoever shows a text to a person converts it (`faces/text/display_units.py`).

A ``QuantityText`` is a string, the metric one, which JSON, files and comparisons of texts use. An f-string
keeps the string and loses the quantities, so text that is shown to a person is put together by ``compose``.
"""

from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import NamedTuple, Self


class Quantity(NamedTuple):
    """A number with its unit.

    ``value`` is exact, in ``unit`` as definitions write it (``degC``). ``step`` is the resolution of the
    number, in the same unit; 0 for a figure that somebody wrote, of which all digits count. ``text`` is how it is
    written in metric units; it ends with the unit where ``names_unit``. A difference of two temperatures converts
    otherwise than a temperature: ``is_difference``.
    """

    value: Fraction
    step: Fraction
    unit: str
    text: str
    names_unit: bool = True
    is_difference: bool = False


class Equivalents(NamedTuple):
    """Figures in other units, in parentheses after a text that somebody else wrote; empty in metric units.

    Such a text cannot be converted itself.
    """

    quantities: tuple[Quantity, ...]


Part = str | Quantity | Equivalents


class QuantityText(str):
    """A text with quantities in it; as a string it is the text in metric units."""

    parts: tuple[Part, ...]

    def __new__(cls, *parts: Part) -> Self:
        """Put it together from its parts."""
        text = super().__new__(cls, "".join(map(_metric, parts)))
        text.parts = parts
        return text

    def __getnewargs__(self) -> tuple[Part, ...]:  # type: ignore[override]
        """Return what a copy in another process is made of."""
        return self.parts

    def __add__(self, other: str) -> str:
        return compose(self, other)

    def __radd__(self, other: str) -> str:
        return compose(other, self)


def compose(*parts: Part) -> str:
    """Return parts as one text, which keeps the quantities of all of them."""
    flat = tuple(_flat(parts))
    return QuantityText(*flat) if any(not isinstance(part, str) for part in flat) else "".join(map(_metric, flat))


def join(separator: str, texts: Iterable[str]) -> str:
    """Return texts with a separator between them, as ``str.join`` does, with the quantities of all of them."""
    return compose(*[part for text in texts for part in (separator, text)][1:])


def figure(value: float, unit: str, *, names_unit: bool = True, is_difference: bool = False) -> Quantity:
    """Return a figure that somebody wrote, such as a limit; a finite number in ``unit``."""
    text = f"{value:g} {printed_unit(unit)}".rstrip() if names_unit else f"{value:g}"
    return Quantity(Fraction(value), Fraction(0), unit, text, names_unit, is_difference)


def printed_unit(unit: str) -> str:
    """Return a unit as it is printed: degC becomes °C."""
    return "°C" if unit == "degC" else unit


def decimals_of(step: Fraction) -> int:
    """Return how many decimals a number with this step is shown with: those of the power of ten nearest to the step.

    Nearest by ratio, and never above 1: 0.03125 has two decimals (33.94), 0.05 one (14.2), 0.5 none (50). Our decision:
    so a number is rounded by less than 1.6 steps. A figure (step 0) has none.
    """
    decimals = 0
    while 0 < 10 * (step * 10**decimals) ** 2 < 1:
        decimals += 1
    return decimals


def rounded(value: Fraction, decimals: int) -> str:
    """Write a number with so many decimals; halves go up."""
    return decimal_text((2 * value * 10**decimals + 1) // 2, decimals)


def decimal_text(scaled: int, decimals: int) -> str:
    """Write an integer number of ``10 ** -decimals`` exactly."""
    whole, part = divmod(abs(scaled), 10**decimals)
    sign = "-" if scaled < 0 else ""
    return f"{sign}{whole}.{part:0{decimals}d}" if decimals else f"{sign}{whole}"


def _metric(part: Part) -> str:
    if isinstance(part, Quantity):
        return part.text
    return "" if isinstance(part, Equivalents) else str(part)


def _flat(parts: Iterable[Part]) -> Iterator[Part]:
    for part in parts:
        if isinstance(part, QuantityText):
            yield from part.parts
        elif part not in ("", Equivalents(())):
            yield part
