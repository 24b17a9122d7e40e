"""The steps of a scenario: frames, faults and changes of the vehicle, at a time or on a condition.

Knows: how steps are written and when each is due. Does not know what a fault does, nor how a frame reaches the wires.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from rvsim.rig.field_types import Duration
from rvsim.rig.quantity import duration_text
from rvsim.rig.table import Mistake, OneLineText, Table
from rvsim.shakedown.checked_names import DefinedName, FrameBytes, PositiveDuration
from rvsim.shakedown.expect.quantities import Quantity
from rvsim.shakedown.expect.sight import Identifier, Sight
from rvsim.shakedown.switch_steps import (
    DEFAULT_HOLD_US,
    Overrides,
    Switched,
    override_mistakes,
    override_sentences,
    press_mistakes,
    press_sentence,
    switch_mistakes,
    switch_sentences,
)
from rvsim.shakedown.vehicle_change import VehicleChangePlan
from rvsim.shakedown.vehicle_names import VehicleNames
from rvsim.wire.quantity_text import compose


class SendPlan(Table):
    """A frame that a step sends: a message with its fields, or an identifier with bytes."""

    message: DefinedName | None = None
    """The message by its name; "fields" says what is in it."""
    fields: Mapping[DefinedName, float | OneLineText] = Field(default_factory=dict)
    """Values by field: a number in the field's unit, or the name of a code. Fields that are not named are all ones:
    "unchanged" in a command."""
    identifier: Identifier | None = None
    """The 29-bit identifier of the frame, instead of a message."""
    data: FrameBytes | None = Field(default=None, alias="bytes")
    """The data bytes that go with an identifier."""
    to: Annotated[int, Field(ge=0, le=255)] = 255
    """The destination of a message that has one; 255 is all nodes."""

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.message is None) == (self.identifier is None):
            raise ValueError("name a message and its fields, or an identifier and bytes, and not both")
        if self.identifier is not None and (self.fields or self.data is None):
            raise ValueError('an identifier needs bytes, like "01 FF", and cannot have fields')
        if self.message is not None and self.data is not None:
            raise ValueError("a message has fields, not bytes; omit bytes, or write an identifier")
        return self

    def __str__(self) -> str:
        if self.message is None:
            return f"{self.identifier} {self.data}".rstrip()
        fields = ", ".join(
            f"{name.replace('_', ' ')} {value if isinstance(value, str) else f'{value:g}'}"
            for name, value in self.fields.items()
        )
        return f"{self.message}{f' with {fields}' if fields else ''}"


class WhenPlan(Table):
    """A condition that a step waits for: a sight is seen, or a value of the vehicle crosses a limit."""

    seen: Sight | None = None
    """What has to be seen on the bus."""
    value: Quantity | None = None
    """The value of the vehicle that crosses a limit, instead of a sight."""
    above: float | None = None
    """The limit that the value rises above."""
    below: float | None = None
    """The limit that the value falls below."""

    @model_validator(mode="after")
    def _one_thing(self) -> Self:
        if (self.seen is None) == (self.value is None):
            raise ValueError("write seen = { ... } for something on the bus, or a value of the vehicle, and not both")
        limits = [limit for limit in (self.above, self.below) if limit is not None]
        if self.seen is not None and limits:
            raise ValueError(
                "above and below need a value of the vehicle; for a sight write them inside seen = { ... }"
            )
        if self.value is not None and len(limits) != 1:
            raise ValueError("write one limit that the value crosses: above or below")
        return self

    def holds(self, value: float) -> bool:
        """Tell whether a value of the vehicle is beyond the limit."""
        if self.above is not None:
            return value > self.above
        return self.below is not None and value < self.below

    def __str__(self) -> str:
        if self.seen is not None:
            return f"{self.seen} is seen"
        return f"{self.value} is {'above' if self.above is not None else 'below'} {self.above or self.below or 0:g}"


ACTIONS = ("send", "start", "stop", "change", "press", "switch", "override")
"""The keys of a step's action; a step has one."""


class StepPlan(Table):
    """One step: its time or condition, and its action."""

    at: Duration | None = None
    """The time at which it is done, since the start."""
    every: PositiveDuration | None = None
    """The interval at which it is done again and again."""
    since: Duration = Field(default=0, alias="from")
    """With "every": the first time."""
    until: Duration | None = None
    """With "every": the time after which it is not done any more; the end of the run if omitted."""
    when: WhenPlan | None = None
    """The event on which it is done."""
    wait: Duration = 0
    """The time between "when" and the action."""
    each_time: bool = False
    """Whether it is done on each "when", not only on the first."""
    send: SendPlan | None = None
    """The frame that is sent."""
    start: OneLineText | None = None
    """The name of a fault that is applied."""
    stop: OneLineText | None = None
    """The name of a fault that is removed."""
    change: VehicleChangePlan | None = None
    """What changes in the vehicle or around it, like { shore_power = false }."""
    press: OneLineText | None = None
    """The switch or key that is pressed, by its name: "galley switch", "door ladder.galley", "bed keypad.night"."""
    hold: PositiveDuration = DEFAULT_HOLD_US
    """With "press": how long it is held. Common practice, no source."""
    switch: Switched | None = None
    """Switches that stay as they are set, like { "bilge switch" = "on" }."""
    override: Overrides | None = None
    """Outputs that are set by hand at their module, like { "galley light" = "on" }; "none": as commanded again."""

    @model_validator(mode="after")
    def _one_moment(self) -> Self:
        moments = [name for name in ("at", "every", "when") if getattr(self, name) is not None]
        actions = [name for name in ACTIONS if getattr(self, name) is not None]
        if len(moments) != 1:
            raise ValueError("write one of at, every and when")
        if len(actions) != 1:
            raise ValueError(f"write one of {', '.join(ACTIONS[:-1])} and {ACTIONS[-1]}")
        if self.every is None and (self.since or self.until is not None):
            raise ValueError("from and until need every")
        if self.until is not None and self.until <= self.since:
            raise ValueError(
                f"until {duration_text(self.until)} is not after from, {duration_text(self.since)}; "
                "the step is never due"
            )
        if self.when is None and (self.wait or self.each_time):
            raise ValueError("wait and each_time need when")
        if self.press is None and "hold" in self.model_fields_set:
            raise ValueError("hold needs press")
        if self.switch == {}:
            raise ValueError('switch names nothing; write a switch, like { "bilge switch" = "on" }')
        if self.override == {}:
            raise ValueError('override names nothing; write an output, like { "galley light" = "on" }')
        return self

    @field_validator("start", "stop")
    @classmethod
    def _a_fault(cls, name: str | None, info: ValidationInfo) -> str | None:
        known = (info.context or {}).get("faults")
        if name is not None and known is not None and name not in known:
            raise ValueError(
                f'no fault has the name "{name}"'
                + (f"; the named faults are {', '.join(known)}" if known else "; give a fault a name")
            )
        return name

    def times(self, end: int) -> Sequence[int]:
        """Return the times at which it is due in a run that ends at ``end``; none for a step that waits."""
        if self.every is not None:
            return range(self.since, end if self.until is None else min(end, self.until), self.every)
        return (self.at,) if self.at is not None and self.at < end else ()

    def mistakes(self, names: VehicleNames) -> Iterator[Mistake]:
        """Yield the names that the rig does not have, or that mean something else in it; places are below the step."""
        if self.change is not None:
            for mistake in self.change.mistakes(names):
                yield mistake._replace(place=("change", *mistake.place))
        if self.press is not None:
            yield from press_mistakes(self.press, names.contacts)
        yield from switch_mistakes(self.switch or {}, names.contacts)
        yield from override_mistakes(self.override or {}, names.outputs)

    @property
    def uses_switches(self) -> bool:
        """Whether a person presses, sets or overrides something."""
        return self.press is not None or self.switch is not None or self.override is not None

    @property
    def switched_sentence(self) -> str:
        """What a person presses or sets, in words."""
        if self.press is not None:
            return press_sentence(self.press, self.hold)
        return ", ".join([*switch_sentences(self.switch or {}), *override_sentences(self.override or {})])

    @property
    def sentence(self) -> str:
        """The step as a sentence."""
        if self.at is not None:
            moment = f"at {duration_text(self.at)}"
        elif self.every is not None:
            until = f" until {duration_text(self.until)}" if self.until is not None else ""
            moment = f"every {duration_text(self.every)} from {duration_text(self.since)}{until}"
        else:
            later = f"{duration_text(self.wait)} after" if self.wait else "when"
            moment = f"{later} {self.when}{', each time' if self.each_time else ''}"
        if self.send is not None:
            action = f"{self.send} is sent"
        elif self.change is not None:
            action = self.change.sentence
        elif self.uses_switches:
            action = self.switched_sentence
        else:
            action = f'"{self.start or self.stop}" {"starts" if self.start else "stops"}'
        return compose(f"{moment}: ", action)
