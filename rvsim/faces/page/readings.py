"""The readings of a page: a figure for each one that changed or has a flag of its own, and its points for the script.

Knows: how raw integers become values, labels and states in a figure. Does not know how series are collected
(`logs.plotted`), nor how the page's script draws them.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Any

from rvsim.faces.page.drawing import MAX_DRAWN_POINTS, Band, Window, bands, line, time_axis, value_labels
from rvsim.faces.page.markup import Html, element
from rvsim.faces.text.display_units import DisplayUnits
from rvsim.logs.plotted import SignalSeries
from rvsim.logs.reduced import reduce_points
from rvsim.wire.fields import Reading, State
from rvsim.wire.quantity_text import decimals_of

MAX_LEVELS = 10
"""Codes of a reading that each have a line of their own in a drawing; with more they are drawn as numbers."""

MAX_NAMED_FLAGS = 8
"""Flags that the sentence under a drawing names."""


@dataclass(frozen=True, eq=False)
class PlottedReading:
    """One reading of a page; ``flags`` are numbers in the page's list of bands."""

    identifier: str
    device: str
    message: str
    title: str
    signal: SignalSeries
    units: DisplayUnits
    gaps: Sequence[tuple[int, int]]
    flags: Sequence[int]
    has_own_flag: bool = False
    """Whether one of the flags is about this field alone."""
    starts_at_zero: bool = False
    """Whether the lower edge of its drawing is 0."""
    note: str = ""
    """What is drawn, where it is not a reading of frames."""

    @cached_property
    def points(self) -> tuple[list[int], list[int]]:
        """Times in microseconds and raw integers."""
        return self.signal.points()

    @cached_property
    def values(self) -> list[int]:
        """The raw integers that are values, in their order."""
        return [raw for raw in self.points[1] if self.signal.state(raw) is State.VALUE]

    @cached_property
    def levels(self) -> list[int] | None:
        """The raw integers that are drawn as lines of their own, in their order; None where numbers are drawn."""
        field = self.signal.field
        used = set(self.values)
        is_coded = bool(field.labels) and all(raw in field.labels for raw in used)
        return sorted(used) if is_coded and len(used) <= MAX_LEVELS else None

    @property
    def unchanged_since(self) -> int:
        """The time of its last change, or of its first reading where it never changed, in microseconds."""
        times, raws = self.points
        return next((times[at] for at in range(len(raws) - 1, 0, -1) if raws[at] != raws[at - 1]), times[0])

    @property
    def has_figure(self) -> bool:
        """Whether it is drawn: it changed, or has a flag of its own field."""
        return self.signal.series.changes > 0 or self.has_own_flag

    def text_of(self, raw: int) -> str:
        """Return an integer of the series as text: the name of a code, a number with its unit, or the state."""
        reading = Reading(self.signal.field, raw, self.signal.state(raw))
        if reading.state is State.VALUE and reading.label is None and self.signal.field.unit:
            return self.units.quantity(self.signal.field.quantity(raw))
        return reading.brief

    @cached_property
    def _scale(self) -> tuple[Fraction, Fraction]:
        """Factor and offset from a raw integer to the number that is shown."""
        field = self.signal.field
        _, factor, offset = self.units.conversion_of(field.quantity(0))
        return (
            Fraction(field.scale, field.unit_steps) * factor,
            Fraction(field.offset, field.unit_steps) * factor + offset,
        )

    @property
    def unit(self) -> str:
        """The unit that is shown, empty where it has none."""
        return self.units.conversion_of(self.signal.field.quantity(0)).unit

    @property
    def sort_key(self) -> float:
        """Return the last value as a number, for sorting."""
        return self.number(self.points[1][-1])

    def number(self, raw: int) -> float:
        """Return the number of a raw integer in the unit that is shown."""
        factor, offset = self._scale
        return float(raw * factor + offset)

    # Drawn without a script.

    def height(self, raw: int) -> float:
        """Return what stands for a value in a drawing: the number of its level, or its number."""
        return float(self.levels.index(raw)) if self.levels is not None else self.number(raw)

    def runs(self, most: int) -> Iterator[list[tuple[int, float]]]:
        """Yield the pieces of its line: interrupted by what is no value, and while its source sent nothing."""
        times, raws = self.points
        times, raws = reduce_points(times, raws, lambda raw: self.signal.state(raw) is State.VALUE, most)
        if times and times[-1] != self.points[0][-1]:
            times, raws = [*times, self.points[0][-1]], [*raws, self.points[1][-1]]
        gaps, run = list(self.gaps), list[tuple[int, float]]()
        for time, raw in zip(times, raws, strict=True):
            while gaps and gaps[0][1] <= time:
                since, _ = gaps.pop(0)
                if run:
                    yield [*run, (max(since, run[-1][0]), run[-1][1])]
                run = []
            if self.signal.state(raw) is State.VALUE:
                run.append((time, self.height(raw)))
            elif run:
                yield [*run, (time, run[-1][1])]
                run = []
        if run:
            yield run

    def specials(self) -> Iterator[Band]:
        """Yield the times at which it had no value, each with its state."""
        times, raws = self.points
        since: int | None = None
        state = State.VALUE
        for time, raw in zip(times, raws, strict=True):
            found = self.signal.state(raw)
            if found is not state and state is not State.VALUE and since is not None:
                yield Band("special", since, time, str(state), str(state))
            if found is not state:
                since, state = time, found
        if state is not State.VALUE and since is not None:
            yield Band("special", since, None, str(state), str(state))

    def figure(self, window: Window, flags: Sequence[Band]) -> Html:
        """Return its figure: caption, drawing, and the sentence of what is drawn."""
        heights = [self.height(raw) for raw in _ends(self.values)]
        low, high = (min(heights), max(heights)) if heights else (0.0, 1.0)
        if self.starts_at_zero:
            low = 0.0
        if low == high:
            low, high = low - 1, high + 1
        shown = self.levels if self.levels is not None else _ends(self.values)
        labels = {self.text_of(raw): self.height(raw) for raw in ([0, *shown[1:]] if self.starts_at_zero else shown)}
        mine = [flags[number] for number in self.flags]
        drawn = element(
            "div",
            time_axis(window),
            line(window, self.runs(MAX_DRAWN_POINTS), low, high),
            element("div", bands(window, self.specials())[0], class_="specials"),
            element("div", bands(window, mine)[0], class_="marks"),
            class_="canvas",
        )
        name = element("strong", self.title), " ", element("span", f"{self.message}, {self.device}", class_="whose")
        return element(
            "figure",
            element("figcaption", *name),
            element("div", value_labels(labels, low, high), drawn, class_="drawing"),
            element("p", self.sentence(mine), class_="facts"),
            id=self.identifier,
            class_="reading",
            data_low=low,
            data_high=high,
        )

    def sentence(self, flags: Sequence[Band]) -> str:
        """Return what the drawing shows in words, and how many of its points are drawn."""
        parts = []
        if self.values:
            ends = _ends(self.values)
            texts = [self.text_of(raw) for raw in ends]
            if self.levels is not None:
                parts.append(f"Codes: {', '.join(self.text_of(raw) for raw in self.levels)}")
            elif len(texts) == 1:
                parts.append(f"Always {texts[0]}")
            else:
                parts.append(f"From {texts[0]} to {texts[1]}")
        states = {band.title: 0 for band in self.specials()}
        for band in self.specials():
            states[band.title] += 1
        parts += [f"{state} {'once' if count == 1 else f'{count} times'}" for state, count in states.items()]
        parts.append(f"last {self.text_of(self.points[1][-1])}")
        if flags:
            more = f" and {len(flags) - MAX_NAMED_FLAGS} more" if len(flags) > MAX_NAMED_FLAGS else ""
            parts.append(f"flags {' '.join(band.tag for band in flags[:MAX_NAMED_FLAGS])}{more}")
        return f"{', '.join(parts)}. {self.count_text()}"

    def count_text(self) -> str:
        """Return how many points there are of how many readings."""
        if self.note:
            return self.note
        series, points = self.signal.series, len(self.points[0])
        readings = f"{series.readings} reading{'' if series.readings == 1 else 's'}"
        if series.is_reduced:
            return (
                f"Drawn: {points} points of {series.changes} changes in {readings}, with the lowest and the highest of "
                "each piece of time."
            )
        changes = f"{series.changes} change{'' if series.changes == 1 else 's'}"
        return f"Drawn: every change ({changes} in {readings})."

    # For the page's script.

    def stored_points(self) -> dict[str, Any]:
        """Return what the script draws again: differences of times and raw integers, and how an integer is shown.

        A value is ``(raw * scale[0] + scale[1]) / scale[2]`` in ``unit``.
        """
        times, raws = self.points
        factor, offset = self._scale
        divisor = _divisor(factor, offset)
        used = set(raws)
        states = {raw: str(self.signal.state(raw)) for raw in used if self.signal.state(raw) is not State.VALUE}
        labels = {raw: self.text_of(raw) for raw in used if raw not in states and raw in self.signal.field.labels}
        return {
            "id": self.identifier,
            "times": differences(times),
            "raws": differences(raws),
            "scale": [_number(factor * divisor), _number(offset * divisor), divisor],
            "decimals": decimals_of(abs(factor)),
            "unit": self.unit,
            "labels": labels,
            "levels": self.levels,
            "states": states,
            "gaps": [list(gap) for gap in self.gaps],
        }


def _ends(values: Sequence[int]) -> list[int]:
    return sorted({min(values), max(values)}) if values else []


def _divisor(*numbers: Fraction) -> int:
    """Return a number that makes whole numbers of some fractions; 1 where that would be a very large one."""
    divisor = 1
    for number in numbers:
        divisor = divisor * number.denominator // _common(divisor, number.denominator)
    return divisor if divisor <= 10**9 else 1


def _common(first: int, second: int) -> int:
    while second:
        first, second = second, first % second
    return first


def _number(exact: Fraction) -> int | float:
    return int(exact) if exact.denominator == 1 else float(exact)


def differences(numbers: Sequence[int]) -> list[int]:
    """Return the first number, then each one's difference from the one before."""
    return [number - before for before, number in zip([0, *numbers], numbers, strict=False)]
