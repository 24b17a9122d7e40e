"""What is expected of a run: the plans of expectations, as they are written.

Knows: the kinds of expectation and how each reads as a sentence. Does not know how one is judged (`judge`).
"""

from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from rvsim.rig.quantity import Duration, duration_text
from rvsim.rig.table import OneLineText
from rvsim.shakedown.checked_names import InTheRig, KindWord, Positive, PresenceWord
from rvsim.shakedown.expect.plan_base import Bounds, ExpectPlan
from rvsim.shakedown.expect.quantities import Quantity
from rvsim.shakedown.expect.sight import Sight


class SeenPlan(ExpectPlan):
    """A sight is seen so many times: at least once where nothing else is said."""

    expect: Literal["seen"]
    sight: Sight
    """What is seen."""
    at_least: Annotated[int, Field(ge=1)] = 1
    """The lowest number of times."""
    at_most: Annotated[int, Field(ge=1)] | None = None
    """The highest number of times."""

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


class EnteredPlan(ExpectPlan):
    """A field enters a state so many times, and the state lasts: each time on, and each time off in between.

    Entries are those of ``becomes`` in the sight. A stay counts whose two ends lie in this part of the run: what is so
    from the first frame on, or is still so at the end, is not too short. The field has to say a value at least once.
    """

    expect: Literal["entered"]
    sight: Sight
    """What is entered; it has "becomes"."""
    at_least_times: Annotated[int, Field(ge=0)] | None = None
    """The lowest number of entries, of all senders and instances that fit."""
    at_most_times: Annotated[int, Field(ge=0)] | None = None
    """The highest number of entries, of all senders and instances that fit."""
    shortest_on: Positive | None = None
    """The state lasts at least this long each time; of each sender and instance."""
    shortest_off: Positive | None = None
    """The state stays away at least this long before it is entered again; of each sender and instance."""

    @model_validator(mode="after")
    def _possible(self) -> Self:
        low, high = self.at_least_times, self.at_most_times
        if self.sight.becomes is None:
            raise ValueError('the sight has no becomes; write what its field becomes, like becomes = "on"')
        if all(limit is None for limit in (low, high, self.shortest_on, self.shortest_off)):
            raise ValueError("write at_least_times, at_most_times, shortest_on or shortest_off: what is expected of it")
        if low is not None and high is not None and high < low:
            raise ValueError(f"at_most_times {high} is below at_least_times {low}; no number of times is both")
        return self

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        low = f"at least {_times(self.at_least_times)}" if self.at_least_times is not None else ""
        high = f"at most {_times(self.at_most_times)}" if self.at_most_times is not None else ""
        parts = [f"is seen {' and '.join(filter(None, (low, high)))}"] if low or high else []
        if self.shortest_on is not None:
            parts.append(f"lasts at least {duration_text(self.shortest_on)}")
        if self.shortest_off is not None:
            parts.append(f"comes again after {duration_text(self.shortest_off)} at the earliest")
        return f"{self.sight} {', '.join(parts)}{self.part}"


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


class NeverPlan(ExpectPlan):
    """A sight is not seen at all."""

    expect: Literal["never"]
    sight: Sight
    """What is not seen."""

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        seen = f"{self.sight}".replace("any frame", "no frame")
        return f"{seen} is {'' if seen.startswith('no frame') else 'never '}seen{self.part}"


class EveryPlan(ExpectPlan):
    """A sight is seen again and again, never longer than ``gap`` apart, from the beginning of its part to the end."""

    expect: Literal["every"]
    sight: Sight
    """What is seen again and again."""
    gap: Positive
    """The longest time in between."""

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.sight} is seen at least every {duration_text(self.gap)}{self.part}"


class OrderPlan(ExpectPlan):
    """Sights are seen one after the other; what else is seen in between does not matter."""

    expect: Literal["order"]
    steps: Annotated[tuple[Sight, ...], Field(min_length=2, strict=False)]
    """The sights in their order, at least two."""

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
    """What has to be answered."""
    sight: Sight
    """The answer."""
    within: Positive
    """The longest time until the answer."""

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"each {self.to} is followed by {self.sight} within {duration_text(self.within)}{self.part}"


class OnlyAfterPlan(ExpectPlan):
    """A sight is not seen before another was."""

    expect: Literal["only_after"]
    sight: Sight
    """What is not seen before."""
    after: Sight
    """What has to be seen first."""

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.sight} is seen only after {self.after}{self.part}"


class OnlyUntilPlan(ExpectPlan):
    """A sight is not seen any more once another was, but for a time of grace."""

    expect: Literal["only_until"]
    sight: Sight
    """What is not seen afterwards."""
    end: Sight
    """What ends it."""
    grace: Duration = 0
    """How long it may still be seen after the end."""

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        grace = f", {duration_text(self.grace)} of grace" if self.grace else ""
        return f"{self.sight} is seen only until {self.end}{grace}{self.part}"


class StaysPlan(Bounds):
    """A field lies between bounds each time it is said, and is said at least once."""

    expect: Literal["stays"]
    sight: Sight
    """The frame and its field."""

    @model_validator(mode="after")
    def _has_field(self) -> Self:
        if self.sight.field is None:
            raise ValueError("the sight has no field that could stay between bounds; name one")
        return self

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.sight} stays {self.bounds}{self.part}"


class RatePlan(Bounds):
    """A sight is seen so many times a second on average."""

    expect: Literal["rate"]
    sight: Sight
    """What is counted."""

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.sight} is seen {self.bounds} times a second on average{self.part}"


class WorldPlan(Bounds):
    """A value of the vehicle itself lies between bounds at each second, or with ``once`` at some second."""

    expect: Literal["world"]
    value: Quantity
    """The value of the vehicle."""
    once: bool = False
    """Whether one second within the bounds is enough."""

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.value} is {self.bounds} {'at some time' if self.once else 'all the time'}{self.part}"


class WiresPlan(Bounds):
    """So many frames of the whole run were spoilt, collided, were acknowledged by nobody, or found no room."""

    expect: Literal["wires"]
    frames: Literal["spoilt", "collided", "unacknowledged", "given_up"]
    """What is counted: frames with a bit error, in a collision, without an acknowledgement, or dropped."""

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
    """The device."""
    state: PresenceWord
    """The state of the roll call."""
    throughout: bool = False
    """Whether it is in the state all the time, not only at some time."""

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"{self.device} is {self.state} {'all the time' if self.throughout else 'at some time'}{self.part}"


class OwnAddressPlan(ExpectPlan):
    """Whoever takes part from outside sends from no address that a simulated device holds.

    That is code under test on a python-can bus, or a device on the bus in front of the bench. Claims of an address do
    not count: claiming is how an address is asked for.
    """

    expect: Literal["own_address"]

    @property
    def sentence(self) -> str:
        """Say what is expected."""
        return f"nobody from outside sends from an address that a simulated device holds{self.part}"


class FlagPlan(ExpectPlan):
    """A flag is raised, or with ``raised = false`` none is; ``cleared`` wants it to be over by the end of its part."""

    expect: Literal["flag"]
    kind: KindWord | None = None
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
    | EnteredPlan
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
    | OwnAddressPlan
    | FlagPlan,
    Field(discriminator="expect"),
]
