"""The arithmetic of a switch ladder: ohms, share of the reference, counts, bands, thresholds and preferred values.

Knows: a pull-up to the converter's own reference with resistors and switches below it, wired to ground or in series.
Does not know rigs, devices, nor which switch is pressed.

The voltage that the converter reads is V = Vref x R / (R + pull-up); it compares it with Vref itself, so only the share
R / (R + pull-up) counts, 0 to 1 (ratiometric). An open input has the share 1. Counts are shares times 2 to the power of
the converter's bits.
"""

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Literal, NamedTuple

E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
"""The preferred values of 5 % parts (IEC 60063:2015), two digits."""
E96 = tuple(round(100 * 10 ** (step / 96)) for step in range(96))
"""The preferred values of 1 % parts (IEC 60063:2015), three digits; the series is defined by this rounding."""
OPEN = math.inf
"""The resistance of an input on which no switch is pressed."""
NEW_CONTACT_OHM = 0.1
"""Resistance of a new contact: at most 50 to 100 milliohm (a chip maker's technical article)."""
AGED_CONTACT_OHM = 50.0
"""Resistance that a ladder's contact can reach with age, for checks of a plan. Our decision."""
MARGIN_COUNTS = 3
"""Error of a converter itself, in counts: offset, gain and noise. Our decision."""
MAX_EQUAL_STEPS = 256
"""More switches are not searched for: no input has as many. Our decision."""
_MAX_STEPS = 400
"""So many changes of a value are tried at most in a search for a wider margin."""
Wiring = Literal["to ground", "in series"]


class Band(NamedTuple):
    """The shares at which a converter can read one switch: the lowest, the nominal and the highest, 0 to 1."""

    low: float
    nominal: float
    high: float


class Gap(NamedTuple):
    """The room between the bands of two neighbours, as a share; below 0 they overlap. ``upper`` is None for open."""

    lower: str
    upper: str | None
    share: float


def share(ohm: float, pull_up_ohm: float) -> float:
    """Return R / (R + pull-up): the voltage at the converter as a share of its reference; 1 for an open input."""
    return 1.0 if ohm == OPEN else ohm / (ohm + pull_up_ohm)


def ohm_at(part: float, pull_up_ohm: float) -> float:
    """Return the resistance that has a share of the reference; infinite for 1."""
    return OPEN if part >= 1 else pull_up_ohm * part / (1 - part)


def parallel(first: float, second: float) -> float:
    """Return the resistance of two resistances beside each other; either may be 0 or infinite."""
    if first == OPEN or second == OPEN:
        return min(first, second)
    return first * second / (first + second) if first + second else 0.0


@dataclass(frozen=True)
class Ladder:
    """One ladder: its resistors by switch, in the order of the file.

    ``tolerance`` is a share: 0.05 for parts of 5 %. ``contact_ohm`` is the resistance of a closed contact: at most that
    in a worst case, at least none.
    """

    pull_up_ohm: float
    rungs: Mapping[str, float]
    wired: Wiring = "to ground"
    tolerance: float = 0.05
    adc_bits: int = 10
    contact_ohm: float = NEW_CONTACT_OHM

    @property
    def counts(self) -> int:
        """How many counts the converter has."""
        return 1 << self.adc_bits

    @cached_property
    def tap_ohm(self) -> Mapping[str, float]:
        """The resistance of each switch to ground while it alone is pressed, without that of its contact.

        In series a switch shortens the chain at its place: what remains are its resistor and those before it.
        """
        if self.wired == "to ground":
            return dict(self.rungs)
        total, taps = 0.0, {}
        for name, ohm in self.rungs.items():
            total += ohm
            taps[name] = total
        return taps

    def ohm(self, contacts: Mapping[str, float]) -> float:
        """Return the resistance of the input to ground, for the resistance of each closed contact by its switch."""
        if self.wired == "to ground":
            total = OPEN
            for name, contact in contacts.items():
                total = parallel(total, self.rungs[name] + contact)
            return total
        total = OPEN
        for name, ohm in reversed(list(self.rungs.items())):  # from the far end of the chain
            total = parallel(total, contacts.get(name, OPEN))
            total += ohm
        return total

    def share_of(self, ohm: float) -> float:
        """Return the share of the reference for a resistance of the input."""
        return share(ohm, self.pull_up_ohm)

    def reading(self, ohm: float) -> int:
        """Return what an ideal converter reads for a resistance of the input: whole counts, the highest for open."""
        return min(self.counts - 1, int(self.share_of(ohm) * self.counts))

    # Bands.

    @cached_property
    def bands(self) -> Mapping[str, Band]:
        """The band of each switch in the worst case, lowest share first: its resistors one way, the pull-up the other.

        Switches of one share stay in the order of the file.
        """
        found = {
            name: _band(ohm, self.pull_up_ohm, self.tolerance, self.contact_ohm) for name, ohm in self.tap_ohm.items()
        }
        return dict(sorted(found.items(), key=lambda item: item[1].nominal))

    @cached_property
    def gaps(self) -> tuple[Gap, ...]:
        """The room between neighbours in the worst case, lowest share first; the last one is to the open input."""
        named = list(self.bands.items())
        between = [Gap(low, high, above.low - below.high) for (low, below), (high, above) in pairwise(named)]
        last, band = named[-1]
        return (*between, Gap(last, None, 1.0 - band.high))

    def margin_counts(self, gap: Gap) -> float:
        """Return the counts between two neighbours that are left after the error of the converter itself."""
        return gap.share * self.counts - MARGIN_COUNTS

    # What is read.

    @cached_property
    def thresholds(self) -> tuple[float, ...]:
        """The shares half way between neighbours, lowest first; the last one is to the open input."""
        nominal = [band.nominal for band in self.bands.values()]
        return tuple((low + high) / 2 for low, high in pairwise([*nominal, 1.0]))

    def nearest(self, part: float) -> str | None:
        """Return the switch whose thresholds enclose a share, None for an open input.

        A share that is exactly a threshold belongs to the switch above it.
        """
        place = bisect_right(self.thresholds, part)
        names = tuple(self.bands)
        return names[place] if place < len(names) else None

    def within(self, part: float) -> str | None:
        """Return the switch in whose worst-case band a share lies, with the converter's own error; None for none."""
        error = MARGIN_COUNTS / self.counts
        fitting = [name for name, band in self.bands.items() if band.low - error <= part <= band.high + error]
        return min(fitting, key=lambda name: abs(self.bands[name].nominal - part)) if fitting else None

    def read_together(self, *pressed: str) -> str | None:
        """Return the switch that is read while several are pressed: they are parallel, or in series the nearest one."""
        return self.nearest(self.share_of(self.ohm(dict.fromkeys(pressed, self.contact_ohm))))

    def flip_ohm(self, name: str) -> float:
        """Return the contact resistance at which a switch is read as its neighbour above, or as none.

        It is in series with the resistors of the switch; parts have their nominal values.
        """
        place = list(self.bands).index(name)
        return ohm_at(self.thresholds[place], self.pull_up_ohm) - self.tap_ohm[name]

    def least_flip_ohm(self, name: str) -> float:
        """Return the contact resistance at which a switch can be read as its neighbour above, or as none.

        As ``flip_ohm``, with its own parts at the unfavourable end of their tolerance; 0 or less where it is misread
        with a contact of no resistance. Thresholds are those of nominal parts.
        """
        place = list(self.bands).index(name)
        limit = ohm_at(self.thresholds[place], self.pull_up_ohm * (1 - self.tolerance))
        return limit - self.tap_ohm[name] * (1 + self.tolerance)

    def leaving_ohm(self, name: str) -> float:
        """Return the contact resistance at which a switch of nominal parts is above its own band and the error."""
        limit = self.bands[name].high + MARGIN_COUNTS / self.counts
        return ohm_at(limit, self.pull_up_ohm) - self.tap_ohm[name]

    def leak_ohm(self, name: str) -> float | None:
        """Return the resistance from the input to ground at which a switch is read as the one below it.

        Moisture, or dirt. None for the lowest switch, which has none below it.
        """
        place = list(self.bands).index(name)
        if not place:
            return None
        limit, own = ohm_at(self.thresholds[place - 1], self.pull_up_ohm), self.tap_ohm[name]
        return OPEN if own <= limit else own * limit / (own - limit)


# Preferred values.


def preferred_ohm(ohm: float, series: Sequence[int] = E24) -> float:
    """Return the nearest preferred value to a resistance, 0 for 0."""
    if ohm <= 0:
        return 0.0
    return min(_around(ohm, series), key=lambda value: abs(value - ohm))


def _around(ohm: float, series: Sequence[int]) -> tuple[float, ...]:
    """Return the preferred values of the decade of a resistance, and the first one above it, lowest first."""
    exponent = math.floor(math.log10(ohm) + 1e-9) - len(str(series[0])) + 1
    decade = 10.0**exponent if exponent >= 0 else 1 / 10.0**-exponent
    return (*(value * decade for value in series), series[0] * decade * 10)


def equal_step_ohms(count: int, pull_up_ohm: float) -> tuple[float, ...]:
    """Return the resistances to ground that divide the shares from 0 to open into equal steps, lowest first."""
    return tuple(ohm_at(place / count, pull_up_ohm) for place in range(count))


@lru_cache(maxsize=256)
def most_equal_steps(tolerance: float, adc_bits: int) -> int:
    """Return for how many switches in equal steps a converter has room, with its own error; at least 1.

    The resistors have any value within their tolerance, and contacts no resistance; the pull-up does not matter.
    """
    fitting, too_many = 1, MAX_EQUAL_STEPS + 1
    while too_many - fitting > 1:  # the more switches, the less room
        middle = (fitting + too_many) // 2
        ohms = equal_step_ohms(middle, 1.0)
        if _smallest_gap(ohms, 1.0, tolerance, 0.0) * (1 << adc_bits) >= MARGIN_COUNTS:
            fitting = middle
        else:
            too_many = middle
    return fitting


@lru_cache(maxsize=512)
def suggested_ohms(
    count: int, pull_up_ohm: float, tolerance: float = 0.05, series: Sequence[int] = E24
) -> tuple[float, ...]:
    """Return preferred values to ground for so many switches, lowest first, with a wide smallest gap.

    It starts with the preferred values nearest to equal steps, and changes one value after another to a neighbour in
    the series as long as the smallest gap grows.
    """
    ohms = [preferred_ohm(ohm, series) for ohm in equal_step_ohms(count, pull_up_ohm)]
    best = _smallest_gap(ohms, pull_up_ohm, tolerance)
    for _ in range(_MAX_STEPS):
        trials = [
            [*ohms[:place], value, *ohms[place + 1 :]]
            for place in range(1, count)
            for value in _beside(ohms[place], series)
        ]
        rated = [(_smallest_gap(trial, pull_up_ohm, tolerance), trial) for trial in trials]
        found, trial = max(rated, default=(best, ohms))
        if found <= best:
            break
        best, ohms = found, trial
    return tuple(ohms)


@lru_cache(maxsize=4096)
def _beside(ohm: float, series: Sequence[int]) -> tuple[float, ...]:
    values = sorted({*_around(ohm / 1.2, series), *_around(ohm, series), *_around(ohm * 1.2, series)})
    place = min(range(len(values)), key=lambda number: abs(values[number] - ohm))
    return tuple(values[number] for number in (place - 1, place + 1) if 0 <= number < len(values))


def _band(ohm: float, pull_up_ohm: float, tolerance: float, contact_ohm: float) -> Band:
    lower, higher = 1 - tolerance, 1 + tolerance
    return Band(
        share(ohm * lower, pull_up_ohm * higher),
        share(ohm, pull_up_ohm),
        share(ohm * higher + contact_ohm, pull_up_ohm * lower),
    )


def _smallest_gap(
    ohms: Iterable[float], pull_up_ohm: float, tolerance: float, contact_ohm: float = NEW_CONTACT_OHM
) -> float:
    bands = [_band(ohm, pull_up_ohm, tolerance, contact_ohm) for ohm in sorted(ohms)]
    return min([above.low - below.high for below, above in pairwise(bands)] + [1.0 - bands[-1].high])
