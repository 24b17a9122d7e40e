"""The keys that every expectation has, and those of expectations about a number between bounds.

Knows: the title of an expectation, the part of the run in which it counts, its sights. Does not know any kind.
"""

from collections.abc import Mapping
from typing import Self

from pydantic import Field, model_validator

from rvsim.rig.field_types import Duration
from rvsim.rig.quantity import duration_text
from rvsim.rig.table import OneLineText
from rvsim.shakedown.checked_names import TimeSpan
from rvsim.shakedown.expect.sight import Sight

_MAX_DIGITS = 17
"""Significant decimal digits with which every number of 64 bits is read back exactly (IEEE 754)."""


class ExpectPlan(TimeSpan):
    """The keys of every expectation: a title, and the part of the run in which it counts."""

    says: OneLineText | None = None
    """What is expected, in your words; the report shows them first."""
    since: Duration = Field(default=0, alias="from")
    """The time from which it counts, since the start of the run."""

    @property
    def sights(self) -> Mapping[str, Sight]:
        """The sights of this expectation, by their keys."""
        return {key: value for key in type(self).model_fields if isinstance(value := getattr(self, key), Sight)}

    @property
    def part_text(self) -> str:
        """The part of the run in which it counts, as text; empty for the whole run."""
        start = f" from {duration_text(self.since)}" if self.since else ""
        return start + (f" until {duration_text(self.until)}" if self.until is not None else "")

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        raise NotImplementedError

    @property
    def full_sentence(self) -> str:
        """The sentence, after the author's words."""
        return f"{self.says}: {self.sentence}" if self.says else self.sentence


class BoundsPlan(ExpectPlan):
    """An expectation of a number between two bounds, both included."""

    at_least: float | None = None
    """The lowest value that meets it."""
    at_most: float | None = None
    """The highest value that meets it."""

    @model_validator(mode="after")
    def _some_room(self) -> Self:
        if self.at_least is None and self.at_most is None:
            raise ValueError("at_least and at_most are missing; write the lowest value, the highest value, or both")
        if self.at_least is not None and self.at_most is not None and self.at_most < self.at_least:
            raise ValueError(f"at_most {self.at_most:g} is below at_least {self.at_least:g}; no value is both")
        return self

    @property
    def bounds_text(self) -> str:
        """The bounds as text."""
        low = f"at least {self.at_least:g}" if self.at_least is not None else ""
        high = f"at most {self.at_most:g}" if self.at_most is not None else ""
        return " and ".join(bound for bound in (low, high) if bound)

    def holds(self, value: float) -> bool:
        """Tell whether a value lies within the bounds."""
        return not (
            (self.at_least is not None and value < self.at_least) or (self.at_most is not None and value > self.at_most)
        )

    def outside_text(self, value: float, digits: int) -> str:
        """Return a value outside the bounds as text.

        It has ``digits`` significant digits, or as many more as are needed to show that it is outside.
        """
        texts = (f"{value:.{number}g}" for number in range(digits, _MAX_DIGITS + 1))
        return next(text for text in texts if not self.holds(float(text)))
