"""What every expectation has as it is written, and what those have that lie between bounds.

Knows: the words for an expectation, the part of the run in which it counts, its sights. Does not know any kind.
"""

from collections.abc import Mapping
from typing import Self

from pydantic import Field, model_validator

from rvsim.rig.quantity import Duration, spoken
from rvsim.rig.table import Line
from rvsim.shakedown.checked_names import Timed
from rvsim.shakedown.expect.sight import Sight

_ALL_DIGITS = 17
"""With so many decimal digits every number of 64 bits is itself again (IEEE 754)."""


class ExpectPlan(Timed):
    """What every expectation has: words for it, and the part of the run in which it counts."""

    says: Line | None = None
    """What it is about in the words of whoever wrote it; without it the sentence of its kind stands there."""
    since: Duration = Field(default=0, alias="from")

    @property
    def sights(self) -> Mapping[str, Sight]:
        """The sights it is about, by the key that each stands under."""
        return {key: value for key in type(self).model_fields if isinstance(value := getattr(self, key), Sight)}

    @property
    def part(self) -> str:
        """Say in which part of the run it counts."""
        start = f" from {spoken(self.since)}" if self.since else ""
        return start + (f" until {spoken(self.until)}" if self.until is not None else "")

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        raise NotImplementedError

    @property
    def full_sentence(self) -> str:
        """Say it, with the words of whoever wrote it first."""
        return f"{self.says}: {self.sentence}" if self.says else self.sentence


class Bounds(ExpectPlan):
    """An expectation of a number that lies between two others."""

    at_least: float | None = None
    at_most: float | None = None

    @model_validator(mode="after")
    def _some_room(self) -> Self:
        if self.at_least is None and self.at_most is None:
            raise ValueError("at_least, at_most or both are missing; write the lowest and the highest value")
        if self.at_least is not None and self.at_most is not None and self.at_most < self.at_least:
            raise ValueError(f"at_most {self.at_most:g} is below at_least {self.at_least:g}; no value is both")
        return self

    @property
    def bounds(self) -> str:
        """Say the bounds."""
        low = f"at least {self.at_least:g}" if self.at_least is not None else ""
        high = f"at most {self.at_most:g}" if self.at_most is not None else ""
        return " and ".join(bound for bound in (low, high) if bound)

    def holds(self, value: float) -> bool:
        """Tell whether a value lies within."""
        return not (
            (self.at_least is not None and value < self.at_least) or (self.at_most is not None and value > self.at_most)
        )

    def beyond(self, value: float, digits: int) -> str:
        """Write a value that is not within: with so many digits, or as many more as it takes to see that it is not."""
        texts = (f"{value:.{number}g}" for number in range(digits, _ALL_DIGITS + 1))
        return next(text for text in texts if not self.holds(float(text)))
