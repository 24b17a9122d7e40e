"""The sources of the values of a user-defined device: constants, profiles, copies, and commands.

Knows: values in a field's unit as functions of time, and the raw integer of a value. Does not know messages, nor how a
source is written in a rig.
"""

from bisect import bisect_right
from typing import Protocol

from rvsim.devices.own.own_settings import OwnCopyPlan, OwnProfilePlan
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.frame import SECOND_US


def raw_nearest(field: FieldSpec, value: float | None) -> int:
    """Return the raw integer nearest to a value in the field's unit.

    A value outside the field's range gives the code for out of range; in a field without that code the one for no data,
    and in a field without special codes the nearest value.

    Raises:
        ValueError: the value is None, and the field has no code for no data.
    """
    if value is None:
        return field.sensor_raw(None)
    try:
        return field.raw(value)
    except ValueError:
        for state in (State.OUT_OF_RANGE, State.NO_DATA):
            code = field.code(state)
            if code is not None:
                return code
        low, high = field.raw_limits
        return low if value < field.value(low) else high


class ValueSource(Protocol):
    """The source of a field's value."""

    def value(self, now: int) -> float | None:
        """Return the value in the field's unit, None where there is none; ``now`` in microseconds."""


class Constant:
    """A constant value."""

    def __init__(self, value: float) -> None:
        self._value = value

    def value(self, _now: int) -> float:
        """Return the value."""
        return self._value


class Profile:
    """A value that follows a profile."""

    def __init__(self, plan: OwnProfilePlan) -> None:
        self._plan = plan
        self._times = [time for time, _ in plan.profile]

    def value(self, now: int) -> float:
        """Return the value at a time."""
        points, last = self._plan.profile, self._times[-1]
        moment = now % last if self._plan.repeat else now
        place = bisect_right(self._times, moment) - 1
        time, value = points[place]
        if self._plan.steps or place + 1 == len(points):
            return value
        later, other = points[place + 1]
        return value + (other - value) * (moment - time) / (later - time)


class CopiedValue:
    """The last value of another device, as long as it is not too old."""

    def __init__(self, plan: OwnCopyPlan, field: FieldSpec, lost_after_us: int) -> None:
        self._plan, self._field, self._lost_after_us = plan, field, lost_after_us
        self._last: tuple[int, float] | None = None
        """Time and value of the last frame; None where it had no value."""

    def receive(self, now: int, data: bytes) -> None:
        """Receive a frame of the copied message."""
        raw = self._field.raw_in(data)
        self._last = None
        if raw is not None and self._field.state(raw) is State.VALUE:
            self._last = (now, float(self._field.value(raw)))

    def value(self, now: int) -> float | None:
        """Return the copied value, scaled."""
        if self._last is None or now - self._last[0] > self._lost_after_us:
            return None
        return self._last[1] * self._plan.factor + self._plan.offset


class Ramp:
    """A value that moves to another at a rate; without a rate at once."""

    def __init__(self, begin: float, end: float, since: int, per_second: float | None) -> None:
        self._begin, self.end, self._since = begin, end, since
        self.duration_us = 0 if per_second is None else round(abs(end - begin) / per_second * SECOND_US)
        """The duration of the move, in microseconds."""

    def value(self, now: int) -> float:
        """Return the value at a time."""
        elapsed_us = now - self._since
        if elapsed_us >= self.duration_us:
            return self.end
        return self._begin + (self.end - self._begin) * elapsed_us / self.duration_us
