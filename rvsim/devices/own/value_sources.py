"""Where the fields of a device of one's own take their values from: constants, profiles, copies, and commands.

Knows: values in a field's unit as functions of time, and the raw integer that says one. Does not know messages, nor
how any of this is written in a rig beyond its plan.
"""

from bisect import bisect_right
from typing import Protocol

from rvsim.devices.own.own_settings import OwnCopyPlan, OwnProfilePlan
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.frame import SECOND_US


def said(field: FieldSpec, value: float | None) -> int:
    """Return the raw integer that says a value in the field's unit as well as the field can.

    What is beyond its range is said to be so; a field without a code for that says no data, and one without any
    special codes its nearest value.

    Raises:
        ValueError: there is no value, and the field has no code for no data.
    """
    if value is None:
        return field.measured(None)
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
    """Where a field's value comes from."""

    def value(self, now: int) -> float | None:
        """Return it in the field's unit, None where there is none; ``now`` in microseconds."""


class Constant:
    """One value for ever."""

    def __init__(self, value: float) -> None:
        self._value = value

    def value(self, _now: int) -> float:
        """Return it."""
        return self._value


class Profile:
    """A profile at work."""

    def __init__(self, plan: OwnProfilePlan) -> None:
        self._plan = plan
        self._times = [time for time, _ in plan.profile]

    def value(self, now: int) -> float:
        """Return the value of a moment."""
        points, last = self._plan.profile, self._times[-1]
        moment = now % last if self._plan.repeat else now
        place = bisect_right(self._times, moment) - 1
        time, value = points[place]
        if self._plan.steps or place + 1 == len(points):
            return value
        later, other = points[place + 1]
        return value + (other - value) * (moment - time) / (later - time)


class Copied:
    """What somebody else said last, as long as it is not too old."""

    def __init__(self, plan: OwnCopyPlan, field: FieldSpec, lost_after: int) -> None:
        self._plan, self._field, self._lost_after = plan, field, lost_after
        self._last: tuple[int, float] | None = None
        """When it was said, and what; None where it was no value."""

    def receive(self, now: int, data: bytes) -> None:
        """Take a frame of the copied message."""
        raw = self._field.raw_in(data)
        self._last = None
        if raw is not None and self._field.state(raw) is State.VALUE:
            self._last = (now, float(self._field.value(raw)))

    def value(self, now: int) -> float | None:
        """Return it, scaled."""
        if self._last is None or now - self._last[0] > self._lost_after:
            return None
        return self._last[1] * self._plan.factor + self._plan.offset


class Moving:
    """On the way from one value to another, at a rate; without one it is there at once."""

    def __init__(self, begin: float, end: float, since: int, per_second: float | None) -> None:
        self._begin, self.end, self._since = begin, end, since
        self.takes = 0 if per_second is None else round(abs(end - begin) / per_second * SECOND_US)
        """How long it is on the way, in microseconds."""

    def value(self, now: int) -> float:
        """Return where it is."""
        gone = now - self._since
        return self.end if gone >= self.takes else self._begin + (self.end - self._begin) * gone / self.takes
