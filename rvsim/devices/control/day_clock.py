"""The time of day as a panel knows it, and a schedule of set points.

Knows: that DATE_TIME_STATUS sets the clock where somebody sends it, and that it goes on by itself from its setting
otherwise; which point of a schedule holds at a time, also past midnight. Does not know what the set points are for.
"""

import re
from collections.abc import Sequence
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from rvsim.devices.device import Settings
from rvsim.rig.quantity import shown
from rvsim.wire.fields import State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

DAY_MINUTES = 24 * 60
_TIME = re.compile(r"([01]\d|2[0-3]):([0-5]\d)", re.ASCII)


def _check_time(text: str) -> str:
    if not _TIME.fullmatch(text):
        raise ValueError(f'{shown(text)} is not a time of day; write hours and minutes, like "06:30"')
    return text


TimeOfDay = Annotated[str, AfterValidator(_check_time)]
"""Hours and minutes, like "06:30"."""
SetPointC = Annotated[float, Field(ge=5, le=45)]


def minutes_of(text: str) -> int:
    """Return the minutes since midnight of a checked time of day."""
    hours, minutes = text.split(":")
    return 60 * int(hours) + int(minutes)


class SchedulePoint(Settings):
    """Set points from a time of day on, until the next point."""

    at: TimeOfDay
    """The time of day, like "06:30"."""
    heat_c: SetPointC | None = None
    """What it heats to from then on; as before if omitted."""
    cool_c: SetPointC | None = None
    """What it cools to from then on; as before if omitted."""

    @model_validator(mode="after")
    def _sets_something(self) -> Self:
        if self.heat_c is None and self.cool_c is None:
            raise ValueError("it sets nothing; write heat_c or cool_c")
        return self


class DayClock:
    """The clock of one panel; it starts at a time of day, in minutes since midnight."""

    def __init__(self, spec: MessageSpec, start_minutes: int) -> None:
        self._spec = spec
        self._offset_us = start_minutes * 60 * SECOND_US

    def receive(self, now: int, data: bytes) -> None:
        """Set the clock by a DATE_TIME_STATUS; a frame without hour and minute changes nothing."""
        values = {one.field.name: one.raw for one in self._spec.decode(data) if one.state is State.VALUE}
        hour, minute, second = (values.get(name) for name in ("hour", "minute", "second"))
        if hour is None or minute is None or hour >= 24 or minute >= 60:
            return
        self._offset_us = ((60 * hour + minute) * 60 + (second or 0)) * SECOND_US - now

    def minute(self, now: int) -> int:
        """Return the minute of the day, 0 to 1439."""
        return (now + self._offset_us) // (60 * SECOND_US) % DAY_MINUTES


def schedule_values(points: Sequence[SchedulePoint], minute: int) -> tuple[float | None, float | None]:
    """Return the set points for heat and for cooling at a minute of the day; None where no point has one.

    Before the first point of a day the last one of the day before holds.
    """
    ordered = sorted(points, key=lambda point: minutes_of(point.at))
    past = [point for point in ordered if minutes_of(point.at) <= minute]
    in_time = [*(point for point in ordered if point not in past), *past]
    heat = next((point.heat_c for point in reversed(in_time) if point.heat_c is not None), None)
    cool = next((point.cool_c for point in reversed(in_time) if point.cool_c is not None), None)
    return heat, cool


def is_within(minute: int, start: int, end: int) -> bool:
    """Return whether a minute of the day is in a span of it, which may go past midnight."""
    return start <= minute < end if start <= end else minute >= start or minute < end
