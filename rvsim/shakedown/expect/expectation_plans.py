"""The kinds of expectation, as a scenario writes them.

Knows: the keys of each kind, and how each reads as a sentence. Does not know how one is judged (`judge`).
"""

from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from rvsim.rig.field_types import Duration
from rvsim.rig.quantity import duration_text
from rvsim.rig.table import OneLineText
from rvsim.shakedown.checked_names import DeviceName, FlagKindName, PositiveDuration, PresenceName
from rvsim.shakedown.expect.plan_base import BoundsPlan, ExpectPlan
from rvsim.shakedown.expect.quantities import Quantity
from rvsim.shakedown.expect.sight import Sight


class SeenPlan(ExpectPlan):
    """A sight is seen a number of times: at least once unless a number is given."""

    expect: Literal["seen"]
    sight: Sight
    """What is seen."""
    at_least: Annotated[int, Field(ge=1)] = 1
    """The lowest number of times."""
    at_most: Annotated[int, Field(ge=1)] | None = None
    """The highest number of times."""

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.at_most is not None and self.at_most < self.at_least:
            raise ValueError(f"at_most {self.at_most} is below at_least {self.at_least}; no number meets both")
        return self

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        times = f"at least {self.at_least} times" if self.at_least > 1 else "at least once"
        if self.at_most is not None:
            times = f"{self.at_least} to {self.at_most} times"
            if self.at_most == self.at_least:
                times = "once" if self.at_most == 1 else f"{self.at_most} times"
        return f"{self.sight} is seen {times}{self.part_text}"


class EnteredPlan(ExpectPlan):
    """A field enters a state a number of times, and stays in it, and out of it in between, for a time.

    Entries are those of ``becomes`` in the sight. Only a time on or off whose start and end lie in this part of the run
    is judged: a state that holds from the first frame, or still holds at the end, is not too short. The field has to
    report a value at least once.
    """

    expect: Literal["entered"]
    sight: Sight
    """What is entered; it has "becomes"."""
    at_least_times: Annotated[int, Field(ge=0)] | None = None
    """The lowest number of entries, of all senders and instances that fit."""
    at_most_times: Annotated[int, Field(ge=0)] | None = None
    """The highest number of entries, of all senders and instances that fit."""
    at_most_per_hour: Annotated[int, Field(ge=1)] | None = None
    """The highest number of entries within any 60 minutes; of each sender and instance."""
    shortest_on: PositiveDuration | None = None
    """The state lasts at least this long each time; of each sender and instance."""
    shortest_off: PositiveDuration | None = None
    """The state stays away at least this long before it is entered again; of each sender and instance."""

    @model_validator(mode="after")
    def _possible(self) -> Self:
        low, high = self.at_least_times, self.at_most_times
        if self.sight.becomes is None:
            raise ValueError('the sight has no becomes; write what its field becomes, like becomes = "on"')
        if all(limit is None for limit in (low, high, self.at_most_per_hour, self.shortest_on, self.shortest_off)):
            raise ValueError(
                "nothing is expected; write at_least_times, at_most_times, at_most_per_hour, shortest_on or "
                "shortest_off"
            )
        if low is not None and high is not None and high < low:
            raise ValueError(f"at_most_times {high} is below at_least_times {low}; no number meets both")
        return self

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        low = f"at least {_times(self.at_least_times)}" if self.at_least_times is not None else ""
        high = f"at most {_times(self.at_most_times)}" if self.at_most_times is not None else ""
        parts = [f"is seen {' and '.join(filter(None, (low, high)))}"] if low or high else []
        if self.at_most_per_hour is not None:
            parts.append(f"is entered at most {_times(self.at_most_per_hour)} within 60 min")
        if self.shortest_on is not None:
            parts.append(f"lasts at least {duration_text(self.shortest_on)}")
        if self.shortest_off is not None:
            parts.append(f"is entered again after {duration_text(self.shortest_off)} at the earliest")
        return f"{self.sight} {', '.join(parts)}{self.part_text}"


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


class NeverPlan(ExpectPlan):
    """A sight is never seen."""

    expect: Literal["never"]
    sight: Sight
    """What is not seen."""

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        seen = f"{self.sight}".replace("any frame", "no frame")
        return f"{seen} is {'' if seen.startswith('no frame') else 'never '}seen{self.part_text}"


class EveryPlan(ExpectPlan):
    """A sight is seen repeatedly, at most ``gap`` apart, from the start of its part to the end."""

    expect: Literal["every"]
    sight: Sight
    """What is seen again and again."""
    gap: PositiveDuration
    """The longest time in between."""

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        return f"{self.sight} is seen at least every {duration_text(self.gap)}{self.part_text}"


class OrderPlan(ExpectPlan):
    """Sights are seen one after the other; other frames in between do not matter."""

    expect: Literal["order"]
    steps: Annotated[tuple[Sight, ...], Field(min_length=2, strict=False)]
    """The sights in their order, at least two."""

    @property
    def sights(self) -> Mapping[str, Sight]:
        """The sights, by their position."""
        return {f"steps, item {number}": step for number, step in enumerate(self.steps, start=1)}

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        return f"in this order{self.part_text}: {', then '.join(str(step) for step in self.steps)}"


class AnswerPlan(ExpectPlan):
    """Each time ``to`` is seen, ``sight`` is seen within a time; and ``to`` is seen at least once."""

    expect: Literal["answer"]
    to: Sight
    """What has to be answered."""
    sight: Sight
    """The answer."""
    within: PositiveDuration
    """The longest time until the answer."""

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        return f"each {self.to} is followed by {self.sight} within {duration_text(self.within)}{self.part_text}"


class OnlyAfterPlan(ExpectPlan):
    """A sight is not seen before another sight was."""

    expect: Literal["only_after"]
    sight: Sight
    """What is not seen before."""
    after: Sight
    """What has to be seen first."""

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        return f"{self.sight} is seen only after {self.after}{self.part_text}"


class OnlyUntilPlan(ExpectPlan):
    """A sight is not seen after another sight was, except within a time of grace."""

    expect: Literal["only_until"]
    sight: Sight
    """What is not seen afterwards."""
    end: Sight
    """What ends it."""
    grace: Duration = 0
    """How long it may still be seen after the end."""

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        grace = f", plus {duration_text(self.grace)} of grace" if self.grace else ""
        return f"{self.sight} is seen only until {self.end}{grace}{self.part_text}"


class NeverWhilePlan(ExpectPlan):
    """A sight is not seen while a state lasts: a field in a state, or a value of the vehicle beyond a limit.

    A field is in the state from a frame that says so to the next one that says otherwise.
    """

    expect: Literal["never_while"]
    sight: Sight
    """What is not seen meanwhile."""
    during: Sight | None = None
    """The state, of a field: no becomes."""
    value: Quantity | None = None
    """The value of the vehicle, instead of a field."""
    above: float | None = None
    """The state lasts while the value is above this."""
    below: float | None = None
    """The state lasts while the value is below this."""
    grace: Duration = 0
    """How long it may still be seen after the state was entered."""

    @model_validator(mode="after")
    def _one_state(self) -> Self:
        if (self.during is None) == (self.value is None):
            raise ValueError("write during = { ... } for a field on the bus, or a value of the vehicle, and not both")
        limits = [limit for limit in (self.above, self.below) if limit is not None]
        if self.value is not None and len(limits) != 1:
            raise ValueError("write one limit of the value: above or below")
        if self.during is not None:
            if limits:
                raise ValueError("above and below need a value of the vehicle; write them inside during = { ... }")
            if self.during.field is None or self.during.becomes is not None:
                raise ValueError('during is a field in a state; write its field, and is = "...", above or below')
        return self

    def holds(self, value: float) -> bool:
        """Tell whether a value of the vehicle is beyond the limit."""
        if self.above is not None:
            return value > self.above
        return self.below is not None and value < self.below

    @property
    def state_text(self) -> str:
        """The state as text."""
        if self.during is not None:
            return str(self.during)
        limit = f"above {self.above:g}" if self.above is not None else f"below {self.below or 0:g}"
        return f"{self.value} is {limit}"

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        grace = f", from {duration_text(self.grace)} after its start" if self.grace else ""
        return f"{self.sight} is never seen while {self.state_text}{grace}{self.part_text}"


class StaysPlan(BoundsPlan):
    """A field lies between bounds in every frame, and is seen at least once."""

    expect: Literal["stays"]
    sight: Sight
    """The frame and its field."""

    @model_validator(mode="after")
    def _has_field(self) -> Self:
        if self.sight.field is None:
            raise ValueError("the sight has no field to compare with the bounds; name one")
        return self

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        return f"{self.sight} stays {self.bounds_text}{self.part_text}"


class RatePlan(BoundsPlan):
    """A sight is seen a number of times a second, on average."""

    expect: Literal["rate"]
    sight: Sight
    """What is counted."""

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        return f"{self.sight} is seen {self.bounds_text} times a second on average{self.part_text}"


class WorldPlan(BoundsPlan):
    """A value of the simulated vehicle lies between bounds at each second, or with ``once`` at one second at least."""

    expect: Literal["world"]
    value: Quantity
    """The value of the vehicle."""
    once: bool = False
    """Whether one second within the bounds is enough."""

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        return f"{self.value} is {self.bounds_text} {'at some time' if self.once else 'at all times'}{self.part_text}"


FrameCount = Literal["spoilt", "collided", "unacknowledged", "given_up"]
_FRAME_COUNTS: Mapping[FrameCount, str] = {
    "spoilt": "spoilt",
    "collided": "collided",
    "unacknowledged": "not acknowledged",
    "given_up": "dropped",
}
"""What a sentence calls each count."""


class WiresPlan(BoundsPlan):
    """How many frames of the whole run were spoilt, collided, were not acknowledged, or were dropped (given up)."""

    expect: Literal["wires"]
    frames: FrameCount
    """What is counted: frames with a bit error, in a collision, without an acknowledgement, or dropped."""

    @model_validator(mode="after")
    def _whole_run(self) -> Self:
        if self.since or self.until is not None:
            raise ValueError("frames on the wires are counted over the whole run; omit from and until")
        return self

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        return f"frames {_FRAME_COUNTS[self.frames]}: {self.bounds_text}"


class PresencePlan(ExpectPlan):
    """A device is in a state of the roll call at some time, or ``throughout``."""

    expect: Literal["presence"]
    device: DeviceName
    """The device."""
    state: PresenceName
    """The state of the roll call."""
    throughout: bool = False
    """Whether it is in the state all the time, not only at some time."""

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        return f"{self.device} is {self.state} {'at all times' if self.throughout else 'at some time'}{self.part_text}"


class OwnAddressPlan(ExpectPlan):
    """No frame from outside the bench has the source address of a simulated device.

    Frames from outside are those of code under test on a python-can bus, or of a device on the bus that the bench is
    connected to. Address claims do not count: claiming is how an address is requested.
    """

    expect: Literal["own_address"]

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        return f"no frame from outside has the address of a simulated device{self.part_text}"


class FlagPlan(ExpectPlan):
    """A flag is raised, or with ``raised = false`` none is; with ``cleared`` it is cleared by the end of its part."""

    expect: Literal["flag"]
    kind: FlagKindName | None = None
    """The kind of flag; any kind if omitted."""
    subject: OneLineText | None = None
    """What the flag is about, a device or the bus; anything if omitted."""
    raised: bool = True
    """Whether the flag is raised; false: it must not be."""
    cleared: bool = False
    """Whether the flag has to be cleared by the end as well."""

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.cleared and not self.raised:
            raise ValueError("a flag that is never raised cannot be cleared; omit cleared, or raised = false")
        return self

    @property
    def flag_text(self) -> str:
        """Which flag, as text."""
        return f"{f'the flag {self.kind}' if self.kind else 'a flag'}{f' of {self.subject}' if self.subject else ''}"

    @property
    def sentence(self) -> str:
        """What is expected, in one sentence."""
        if not self.raised:
            return f"{self.flag_text.replace('a flag', 'any flag')} is never raised{self.part_text}"
        return f"{self.flag_text} is raised{' and cleared again' if self.cleared else ''}{self.part_text}"


Expectation = Annotated[
    SeenPlan
    | EnteredPlan
    | NeverPlan
    | EveryPlan
    | OrderPlan
    | AnswerPlan
    | OnlyAfterPlan
    | OnlyUntilPlan
    | NeverWhilePlan
    | StaysPlan
    | RatePlan
    | WorldPlan
    | WiresPlan
    | PresencePlan
    | OwnAddressPlan
    | FlagPlan,
    Field(discriminator="expect"),
]
"""An expectation of any kind."""
