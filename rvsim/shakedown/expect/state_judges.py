"""Judges of states: values of the vehicle, presence in the roll call, flags, and what the wires reported.

Knows: when each kind is met, and when it fails. Does not know where the values come from, nor how a run is made.
"""

from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from typing import assert_never

from rvsim.rig.quantity import time_text
from rvsim.shakedown.expect.expectation_plans import (
    FlagPlan,
    OwnAddressPlan,
    PresencePlan,
    WiresPlan,
    WorldPlan,
)
from rvsim.shakedown.expect.judge import Judge
from rvsim.shakedown.expect.quantities import quantity
from rvsim.watch.bus.wire_problems import WireProblems
from rvsim.watch.flag import Flag
from rvsim.watch.transitions import Presence
from rvsim.wire.frame import Frame
from rvsim.wire.quantity_text import Quantity, compose, figure


class WorldJudge(Judge[WorldPlan]):
    """Compares a value of the vehicle with the bounds at each second."""

    met = False
    nearest_value: float | None = None

    @property
    def value_name(self) -> str:
        """The value of the vehicle."""
        return self.plan.value

    def needs_value(self, time: int) -> bool:
        """Return whether the time is in its part of the run."""
        return self.covers(time)

    def observe_value(self, time: int, value: float) -> None:
        """Fail if the value is outside the bounds, unless one second within them is enough."""
        if self.plan.holds(value):
            self.met = True
        elif not self.plan.once:
            self.fail(time, compose(self._value_text(value), f" at {time_text(time)}"))
        elif self.nearest_value is None or self._distance(value) < self._distance(self.nearest_value):
            self.nearest_value = value

    @property
    def figures(self) -> Iterable[Quantity]:
        """The bounds."""
        unit, _ = quantity(self.plan.value)
        return (figure(bound, unit) for bound in (self.plan.at_least, self.plan.at_most) if bound is not None)

    def _value_text(self, value: float) -> Quantity:
        """Write a value that is not within the bounds, with the decimals that show it; one at least, as 18 is 18.0."""
        unit, _ = quantity(self.plan.value)
        text = self.plan.outside_text(value, 4)
        exact = Decimal(text)
        step = Fraction(Decimal((0, (1,), min(-1, int(exact.as_tuple().exponent)))))
        return Quantity(Fraction(exact), step, unit, f"{text} {unit}")

    def _distance(self, value: float) -> float:
        low, high = self.plan.at_least, self.plan.at_most
        return max(low - value if low is not None else 0.0, value - high if high is not None else 0.0)

    def finish(self, end: int) -> None:
        """Fail if the value was never within the bounds."""
        if not self.met and self.failure is None:
            near: tuple[str | Quantity, ...] = ()
            if self.nearest_value is not None:
                near = ("; the nearest value was ", self._value_text(self.nearest_value))
            last = self.end_of_part(end)
            self.fail(last, compose(f"never by {time_text(last)}", *near))


class WiresJudge(Judge[WiresPlan]):
    """Compares a count of frames on the wires with the bounds."""

    def observe_wires(self, end: int, wires: WireProblems) -> None:
        """Fail if the count is outside the bounds."""
        count = self._count(wires)
        if not self.plan.holds(count):
            self.fail(end, "1 frame" if count == 1 else f"{count} frames")

    def _count(self, wires: WireProblems) -> int:
        match self.plan.frames:
            case "spoilt":
                return wires.disturbed
            case "collided":
                return wires.collided
            case "unacknowledged":
                return wires.unacknowledged
            case "given_up":
                return wires.overflowed
            case other:
                assert_never(other)


class PresenceJudge(Judge[PresencePlan]):
    """Follows the state of one device in the roll call."""

    state: Presence | None = None
    """The state of the device up to now."""
    met = False
    has_begun = False

    def observe_presence(self, time: int, device: str, state: Presence) -> None:
        """Follow the state of the device."""
        if device != self.plan.device:
            return
        self._check_start(time)
        if self.plan.until is not None and time >= self.plan.until:
            return
        self.state = state
        if self.covers(time):
            self._judge_state(time)

    def _check_start(self, time: int) -> None:
        """Judge the state that the device was in when the part began."""
        if not self.has_begun and time > self.plan.since:
            self.has_begun = True
            self._judge_state(self.plan.since)

    def _judge_state(self, time: int) -> None:
        if self.state is self.plan.state:
            self.met = True
        elif self.plan.throughout:
            self.fail(time, f"{self.state or 'not seen yet'} at {time_text(time)}")

    def finish(self, end: int) -> None:
        """Fail if the device was never in the state."""
        self._check_start(end)
        if not self.met:
            last = self.end_of_part(end)
            self.fail(last, f"it was {self.state or 'never seen'} at {time_text(last)}")


class FlagJudge(Judge[FlagPlan]):
    """Follows the flags that an expectation is about."""

    def _prepare(self) -> None:
        self.standing: dict[int, Flag] = {}
        self.raised = False

    def observe_flag(self, time: int, flag: Flag) -> None:
        """Follow the flags; fail if one is raised that should not be."""
        plan = self.plan
        if (plan.kind not in (None, flag.kind)) or (plan.subject not in (None, flag.subject)):
            return
        if self.plan.until is not None and time >= self.plan.until:
            return
        if flag.until is not None:
            self.standing.pop(flag.number, None)
            if time > plan.since:  # otherwise it ended before the part began
                self._count(flag)
            return
        self.standing[flag.number] = flag
        if self.covers(time):
            self._count(flag)

    def _count(self, flag: Flag) -> None:
        self.raised = True
        if not self.plan.raised:
            self.fail(max(flag.since, self.plan.since), compose(f"{flag.kind} of {flag.subject}: ", flag.text))

    def finish(self, end: int) -> None:
        """Fail if no flag was raised, or one was not cleared."""
        for flag in self.standing.values():  # raised before the part began, and not cleared
            self._count(flag)
        part_end = self.end_of_part(end)
        if self.plan.raised and not self.raised:
            self.fail(part_end, f"not raised by {time_text(part_end)}")
        elif self.plan.cleared and self.standing:
            text = next(iter(self.standing.values())).text
            self.fail(part_end, compose(f"not cleared by {time_text(part_end)}: ", text))


class OwnAddressJudge(Judge[OwnAddressPlan]):
    """Fails when a frame from outside has the source address of a simulated device."""

    def observe_outside_frame(self, time: int, frame: Frame, holder: str) -> None:
        """Fail: the address is held by a simulated device."""
        if self.covers(time):
            self.fail(time, f"seen at {time_text(time)} from outside: {frame}, and its address is held by {holder}")
