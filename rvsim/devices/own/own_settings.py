"""The settings of a user-defined device in a rig.

Knows: the keys, and what is wrong with them whatever the messages are. Does not know any message (`definition_check`
does), nor what the device does with its settings (`own_device` does).
"""

from collections.abc import Mapping
from itertools import pairwise
from math import isfinite
from typing import Annotated, Self, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator, ValidationError, model_validator

from rvsim.errors import did_you_mean
from rvsim.rig.field_types import Duration
from rvsim.rig.quantity import duration_as_typed, duration_text, shown
from rvsim.rig.table import Mistake, OneLineText, Table, validation_error

MIN_GAP_US = 10_000
"""A shorter gap counts as a typing mistake: one frame takes half a millisecond on the bus (from memory: some 128 bits
at 250 kbit/s), and the shortest gap of our definitions is 100 ms."""
MAX_AMPS = 1000.0
"""The bound of a current of a small vehicle; it only finds typing mistakes (our choice)."""
MAX_VALUE = 1e18
"""Above the range of every field: the widest has 32 bits. Common practice, no source."""


def _long_enough_gap(gap: int) -> int:
    if gap < MIN_GAP_US:
        raise ValueError(f"{duration_text(gap)} is too short a gap; write {duration_as_typed(MIN_GAP_US)} or more")
    return gap


def _point_pair(given: object) -> object:
    if not isinstance(given, list | tuple) or len(given) != 2:
        raise ValueError(f'{shown(given)} is not a point of a profile; write its time and its value: ["10s", 4.0]')
    return tuple(given)


def _ordered_points(points: tuple[tuple[int, float], ...]) -> tuple[tuple[int, float], ...]:
    if not points:
        raise ValueError('a profile needs a point; write its time and its value: [["0s", 4.0]]')
    problems = [
        Mistake(
            (number,),
            f"{duration_text(later)} is not after {duration_text(time)}; write the points in order of time",
            later,
        )
        for number, ((time, _), (later, _)) in enumerate(pairwise(points), 1)
        if later <= time
    ]
    if points[0][0] != 0:
        text = f'the first point is at {duration_text(points[0][0])}; a profile starts at "0s"'
        problems.insert(0, Mistake((0,), text, points[0][0]))
    if problems:
        raise validation_error("profile", problems)
    return points


_Model = TypeVar("_Model", bound=Table)


class OwnProfilePlan(Table):
    """Values over time since the start, on a straight line from each point to the next.

    After the last point its value stays. With ``repeat`` the profile starts again there, so that the last point gives
    the duration and, without ``steps``, the end of the last line.
    """

    profile: Annotated[
        tuple[Annotated[tuple[Duration, float], BeforeValidator(_point_pair)], ...],
        Field(strict=False),
        AfterValidator(_ordered_points),
    ]
    """Points in order of time, each a time since the start and a value in the field's unit, like [["0s", 4.0],
    ["30s", 7.0]]."""
    steps: bool = False
    """Whether each value holds until the next; if false, straight lines lead from value to value."""
    repeat: bool = False
    """Whether the profile starts again after its last point."""

    @model_validator(mode="after")
    def _check_repeat(self) -> Self:
        if self.repeat and len(self.profile) == 1:
            raise ValueError("a profile of one point cannot repeat; add the point at which it starts again")
        return self


class OwnCopyPlan(Table):
    """The value of a field of another device, times ``factor``, plus ``offset``; no data while it is not received."""

    copy_of: OneLineText = Field(alias="copy")
    """The message that is copied from."""
    field: OneLineText
    """The field that is copied."""
    instance: Annotated[int, Field(ge=0, le=255)] | None = None
    """The instance in the message; if omitted, whatever was sent last."""
    function: OneLineText | None = None
    """The function that the heartbeat of the sender reports, for a message that several devices send for one
    instance."""
    factor: float = 1.0
    """What the value is multiplied by."""
    offset: float = 0.0
    """What is added afterwards."""


Value = float | str | OwnProfilePlan | OwnCopyPlan


def _value(given: object) -> Value:
    """Return the value of a field; which of the four forms it has is decided first, so that one mistake is one line."""
    if isinstance(given, Mapping):
        if "profile" in given:
            return _table(OwnProfilePlan, given)
        if "copy" in given:
            return _table(OwnCopyPlan, given)
    elif isinstance(given, str):
        return given
    elif isinstance(given, int | float) and not isinstance(given, bool) and abs(given) < MAX_VALUE and isfinite(given):
        return float(given)
    raise ValueError(
        f"{shown(given)} is not a value of a field; write a number, the name of a code in quotes, "
        '{ profile = [["0s", 4.0]] } or { copy = "MESSAGE", field = "its_field" }'
    )


def _table(model: type[_Model], given: Mapping[str, object]) -> _Model:
    known = [field.alias or name for name, field in model.model_fields.items()]
    unknown = [
        Mistake((key,), f"unknown key {shown(key)}{did_you_mean(key, known)}; remove it or correct the name", value)
        for key, value in given.items()
        if key not in known
    ]
    try:
        plan = model.model_validate({key: value for key, value in given.items() if key in known})
    except ValidationError as found:
        raise validation_error("field", unknown, found) from None
    if unknown:
        raise validation_error("field", unknown)
    return plan


class OwnLoadPlan(Table):
    """The value of a field that the device sends, times ``factor``, plus ``offset``, in amperes."""

    field: OneLineText
    """The field, as MESSAGE.field; while it has no value the current is 0."""
    instance: Annotated[int, Field(ge=0, le=255)] | None = None
    """The instance of the message, where the device sends it for several."""
    factor: float = 1.0
    """What the value is multiplied by."""
    offset: float = 0.0
    """What is added afterwards."""


Load = float | OwnProfilePlan | OwnLoadPlan


def _load(given: object) -> Load:
    """Return the current of the device; which of the three forms it has is decided first, as for `Value`."""
    plan: Load
    if isinstance(given, Mapping) and "profile" in given:
        plan = _table(OwnProfilePlan, given)
        values = [amps for _, amps in plan.profile]
    elif isinstance(given, Mapping) and "field" in given:
        plan, values = _table(OwnLoadPlan, given), []
    elif isinstance(given, int | float) and not isinstance(given, bool) and isfinite(given):
        plan = float(given)
        values = [plan]
    else:
        raise ValueError(
            f"{shown(given)} is not a current; write a number of amperes, "
            '{ profile = [["0s", 4.0]] } or { field = "MESSAGE.field", factor = 0.1 }'
        )
    for amps in values:
        if abs(amps) > MAX_AMPS:
            raise ValueError(f"{amps:g} A is outside -{MAX_AMPS:g} to {MAX_AMPS:g} A; below 0 the device is a source")
    return plan


class OwnMessagePlan(Table):
    """A message that is sent at its gap; a field that is not in ``fields`` is no data."""

    message: OneLineText
    """The message by its name."""
    instance: Annotated[int, Field(ge=0, le=255)] | None = None
    """The instance in the message; if omitted, that of the device's function that it is the status of."""
    gap: Annotated[Duration, AfterValidator(_long_enough_gap)] | None = None
    """The time from one frame to the next, 10ms or more; that of the definition if omitted."""
    fields: Mapping[str, Annotated[Value, PlainValidator(_value)]] = Field(default_factory=dict)
    """Values by field: a number in its unit, the name of a code, a profile or a copy; fields that are not named are
    no data."""


def _check_targets(sets: Mapping[str, str]) -> Mapping[str, str]:
    if not sets:
        raise ValueError('it sets no field; write { field_of_the_command = "MESSAGE.field" }')
    problems = [
        Mistake((name,), f"{shown(target)} is not a field; write it as MESSAGE.field", target)
        for name, target in sets.items()
        if target.count(".") != 1
    ]
    if problems:
        raise validation_error("sets", problems)
    return sets


class OwnAnswerPlan(Table):
    """The effect of a command: each of its fields in ``sets`` sets ``MESSAGE.field``; that message is sent at once."""

    command: OneLineText
    """The command message by its name."""
    instance: Annotated[int, Field(ge=0, le=255)] | None = None
    """The instance of the command; if omitted, that of the message which it sets."""
    sets: Annotated[Mapping[str, str], AfterValidator(_check_targets)]
    """What each field of the command sets, as MESSAGE.field of what is sent."""
    after: Duration = 0
    """How long the device takes to obey."""
    per_second: Annotated[float, Field(ge=1e-6, le=1e9)] | None = None
    """How fast the field moves to its new value, in its unit; at once if omitted."""
    at_least: float | None = None
    """The lowest value that is set; a lower command sets this."""
    at_most: float | None = None
    """The highest value that is set; a higher command sets this."""

    @model_validator(mode="after")
    def _check_limits(self) -> Self:
        if self.at_least is not None and self.at_most is not None and self.at_most < self.at_least:
            raise ValueError(f"at_most {self.at_most:g} is below at_least {self.at_least:g}; no value fits both")
        return self

    def bounded(self, value: float) -> float:
        """Return a commanded value, limited to ``at_least`` and ``at_most``."""
        if self.at_least is not None:
            value = max(value, self.at_least)
        return value if self.at_most is None else min(value, self.at_most)


class OwnSettings(Table):
    """The messages that the device sends, and the commands that it obeys."""

    message: Annotated[tuple[OwnMessagePlan, ...], Field(strict=False)] = ()
    """The messages that it sends, a table each."""
    answer: Annotated[tuple[OwnAnswerPlan, ...], Field(strict=False)] = ()
    """The commands that it obeys, a table each."""
    amps: Annotated[Load, PlainValidator(_load)] | None = None
    """The current that it draws, below 0 that it gives: a number, a profile, or a field that it sends; if omitted, what
    its functions take at rest."""
    source_volts: Annotated[float, Field(gt=5, lt=20)] = 14.4
    """The highest voltage at which it gives current, where its current is below 0. Common practice, no source."""

    @property
    def is_source(self) -> bool:
        """Whether it gives current at some time."""
        match self.amps:
            case OwnProfilePlan():
                return any(amps < 0 for _, amps in self.amps.profile)
            case OwnLoadPlan():
                return self.amps.factor < 0 or self.amps.offset < 0
            case float():
                return self.amps < 0
            case _:
                return False
