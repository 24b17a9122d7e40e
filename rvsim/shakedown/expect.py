"""What is expected of a run: the plans of expectations, as they are written.

Knows: the kinds of expectation and how each reads as a sentence. Does not know how one is judged (`judge`).
"""

from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from rvsim.rig.quantity import Duration, spoken
from rvsim.rig.table import Line
from rvsim.shakedown.quantities import Quantity
from rvsim.shakedown.sight import Sight
from rvsim.shakedown.words import InTheRig, KindWord, Positive, PresenceWord, Timed

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
    def told(self) -> str:
        """Say it, with the words of whoever wrote it first."""
        return f"{self.says}: {self.sentence}" if self.says else self.sentence


class SeenPlan(ExpectPlan):
    """A sight is seen so many times: at least once where nothing else is said."""

    expect: Literal["seen"]
    sight: Sight
    at_least: Annotated[int, Field(ge=1)] = 1
    at_most: Annotated[int, Field(ge=1)] | None = None

    @model_validator(mode="after")
    def _some_number(self) -> Self:
        if self.at_most is not None and self.at_most < self.at_least:
            raise ValueError(f"at_most {self.at_most} is below at_least {self.at_least}; no number of times is both")
        return self

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        times = f"at least {self.at_least} times" if self.at_least > 1 else "at least once"
        if self.at_most is not None:
            times = f"{self.at_least} to {self.at_most} times"
            if self.at_most == self.at_least:
                times = "once" if self.at_most == 1 else f"{self.at_most} times"
        return f"{self.sight} is seen {times}{self.part}"


class NeverPlan(ExpectPlan):
    """A sight is not seen at all."""

    expect: Literal["never"]
    sight: Sight

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        seen = f"{self.sight}".replace("any frame", "no frame")
        return f"{seen} is {'' if seen.startswith('no frame') else 'never '}seen{self.part}"


class EveryPlan(ExpectPlan):
    """A sight is seen again and again, never longer than ``gap`` apart, from the beginning of its part to the end."""

    expect: Literal["every"]
    sight: Sight
    gap: Positive

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.sight} is seen at least every {spoken(self.gap)}{self.part}"


class OrderPlan(ExpectPlan):
    """Sights are seen one after the other; what else is seen in between does not matter."""

    expect: Literal["order"]
    steps: Annotated[tuple[Sight, ...], Field(min_length=2, strict=False)]

    @property
    def sights(self) -> Mapping[str, Sight]:
        """The sights, by their place."""
        return {f"steps, item {number}": step for number, step in enumerate(self.steps, start=1)}

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"in this order{self.part}: {', then '.join(str(step) for step in self.steps)}"


class AnswerPlan(ExpectPlan):
    """Each time ``to`` is seen, ``sight`` is seen within a time; and ``to`` is seen at least once."""

    expect: Literal["answer"]
    to: Sight
    sight: Sight
    within: Positive

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"each {self.to} is followed by {self.sight} within {spoken(self.within)}{self.part}"


class OnlyAfterPlan(ExpectPlan):
    """A sight is not seen before another was."""

    expect: Literal["only_after"]
    sight: Sight
    after: Sight

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.sight} is seen only after {self.after}{self.part}"


class OnlyUntilPlan(ExpectPlan):
    """A sight is not seen any more once another was, but for a time of grace."""

    expect: Literal["only_until"]
    sight: Sight
    end: Sight
    grace: Duration = 0

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        grace = f", {spoken(self.grace)} of grace" if self.grace else ""
        return f"{self.sight} is seen only until {self.end}{grace}{self.part}"


class _Bounds(ExpectPlan):
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


class StaysPlan(_Bounds):
    """A field lies between bounds each time it is said, and is said at least once."""

    expect: Literal["stays"]
    sight: Sight

    @model_validator(mode="after")
    def _has_field(self) -> Self:
        if self.sight.field is None:
            raise ValueError("the sight has no field that could stay between bounds; name one")
        return self

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.sight} stays {self.bounds}{self.part}"


class RatePlan(_Bounds):
    """A sight is seen so many times a second on average."""

    expect: Literal["rate"]
    sight: Sight

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.sight} is seen {self.bounds} times a second on average{self.part}"


class WorldPlan(_Bounds):
    """A value of the vehicle itself lies between bounds at each second, or with ``once`` at some second."""

    expect: Literal["world"]
    value: Quantity
    once: bool = False

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.value} is {self.bounds} {'at some time' if self.once else 'all the time'}{self.part}"


class WiresPlan(_Bounds):
    """So many frames of the whole run were spoilt, collided, were acknowledged by nobody, or found no room."""

    expect: Literal["wires"]
    frames: Literal["spoilt", "collided", "unacknowledged", "given_up"]

    @model_validator(mode="after")
    def _whole_run(self) -> Self:
        if self.since or self.until is not None:
            raise ValueError("frames on the wires are counted over the whole run; leave from and until out")
        return self

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        words = {"unacknowledged": "acknowledged by nobody", "given_up": "given up"}
        return f"frames {words.get(self.frames, self.frames)}: {self.bounds}"


class PresencePlan(ExpectPlan):
    """A device is in a state of the roll call at some time, or ``throughout``."""

    expect: Literal["presence"]
    device: InTheRig
    state: PresenceWord
    throughout: bool = False

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.device} is {self.state} {'all the time' if self.throughout else 'at some time'}{self.part}"


class FlagPlan(ExpectPlan):
    """A flag is raised, or with ``raised = false`` none is; ``cleared`` wants it to be over by the end of its part."""

    expect: Literal["flag"]
    kind: KindWord | None = None
    subject: Line | None = None
    raised: bool = True
    cleared: bool = False

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.cleared and not self.raised:
            raise ValueError("what is never raised cannot be cleared; leave cleared out, or raised = false")
        return self

    @property
    def flag(self) -> str:
        """Say which flag."""
        return f"{f'the flag {self.kind}' if self.kind else 'a flag'}{f' of {self.subject}' if self.subject else ''}"

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        if not self.raised:
            return f"{self.flag.replace('a flag', 'any flag')} is never raised{self.part}"
        return f"{self.flag} is raised{' and cleared again' if self.cleared else ''}{self.part}"


Expectation = Annotated[
    SeenPlan
    | NeverPlan
    | EveryPlan
    | OrderPlan
    | AnswerPlan
    | OnlyAfterPlan
    | OnlyUntilPlan
    | StaysPlan
    | RatePlan
    | WorldPlan
    | WiresPlan
    | PresencePlan
    | FlagPlan,
    Field(discriminator="expect"),
]
