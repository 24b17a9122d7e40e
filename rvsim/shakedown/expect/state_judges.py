"""Judges of what is so: values of the vehicle, who is present, flags, and what the pair has told.

Knows: when each kind is met or broken. Does not know where the values come from, nor how a run is made.
"""

from collections.abc import Iterable, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

from rvsim.rig.quantity import time_text
from rvsim.shakedown.expect.expectation_plans import (
    FlagPlan,
    OwnAddressPlan,
    PresencePlan,
    WiresPlan,
    WorldPlan,
)
from rvsim.shakedown.expect.judge import Judge
from rvsim.shakedown.expect.quantities import QUANTITIES
from rvsim.watch.bus.wire_problems import WireProblems
from rvsim.watch.flag import Flag
from rvsim.watch.transitions import Presence
from rvsim.wire.frame import Frame
from rvsim.wire.quantity_text import Quantity, compose, figure
from rvsim.world.world import World


class _World(Judge):
    met = False
    nearest_value: float | None = None

    def second(self, time: int, world: World) -> None:
        if not self.covers(time):
            return
        _, read = QUANTITIES[self.plan.value]
        value = read(world)
        if self.plan.holds(value):
            self.met = True
        elif not self.plan.once:
            self.breaks(time, compose(self._written(value), f" at {time_text(time)}"))
        elif self.nearest_value is None or self._away(value) < self._away(self.nearest_value):
            self.nearest_value = value

    @property
    def figures(self) -> Iterable[Quantity]:
        unit, _ = QUANTITIES[self.plan.value]
        return (figure(bound, unit) for bound in (self.plan.at_least, self.plan.at_most) if bound is not None)

    def _written(self, value: float) -> Quantity:
        """Write a value that is not within the bounds, with the decimals that show it; one at least, as 18 is 18.0."""
        unit, _ = QUANTITIES[self.plan.value]
        text = self.plan.beyond(value, 4)
        exact = Decimal(text)
        step = Fraction(Decimal((0, (1,), min(-1, int(exact.as_tuple().exponent)))))
        return Quantity(Fraction(exact), step, unit, f"{text} {unit}")

    def _away(self, value: float) -> float:
        low, high = self.plan.at_least, self.plan.at_most
        return max(low - value if low is not None else 0.0, value - high if high is not None else 0.0)

    def finish(self, end: int) -> None:
        if not self.met and self.broken is None:
            near = () if self.nearest_value is None else ("; the nearest was ", self._written(self.nearest_value))
            last = self.end_of_part(end)
            self.breaks(last, compose(f"never so by {time_text(last)}", *near))


class _Wires(Judge):
    def wires(self, end: int, wires: WireProblems) -> None:
        counts = {
            "spoilt": wires.disturbed,
            "collided": wires.collided,
            "unacknowledged": wires.unacknowledged,
            "given_up": wires.overflowed,
        }
        count = counts[self.plan.frames]
        if not self.plan.holds(count):
            self.breaks(end, f"{count} frames")


class _Presence(Judge):
    state: Presence | None = None
    """Its state up to now."""
    met = False
    begun = False

    def presence(self, time: int, device: str, state: Presence) -> None:
        if device != self.plan.device:
            return
        self._begin(time)
        if self.plan.until is not None and time >= self.plan.until:
            return
        self.state = state
        if self.covers(time):
            self._look(time)

    def _begin(self, time: int) -> None:
        """Look at the state in which it was when the part began."""
        if not self.begun and time > self.plan.since:
            self.begun = True
            self._look(self.plan.since)

    def _look(self, time: int) -> None:
        if self.state is self.plan.state:
            self.met = True
        elif self.plan.throughout:
            self.breaks(time, f"{self.state or 'not heard yet'} at {time_text(time)}")

    def finish(self, end: int) -> None:
        self._begin(end)
        if not self.met:
            self.breaks(
                self.end_of_part(end), f"it was {self.state or 'never heard'} at {time_text(self.end_of_part(end))}"
            )


class _Flag(Judge):
    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.standing: dict[int, Flag] = {}
        self.raised = False

    def flag(self, time: int, flag: Flag) -> None:
        plan = self.plan
        if (plan.kind not in (None, flag.kind)) or (plan.subject not in (None, flag.subject)):
            return
        if self.plan.until is not None and time >= self.plan.until:
            return
        if flag.until is not None:
            self.standing.pop(flag.number, None)
            if time > plan.since:  # else it was over before the part began
                self._count(flag)
            return
        self.standing[flag.number] = flag
        if self.covers(time):
            self._count(flag)

    def _count(self, flag: Flag) -> None:
        self.raised = True
        if not self.plan.raised:
            self.breaks(max(flag.since, self.plan.since), compose(f"{flag.kind} of {flag.subject}: ", flag.text))

    def finish(self, end: int) -> None:
        for flag in self.standing.values():  # raised before the part began, and still there
            self._count(flag)
        part_end = self.end_of_part(end)
        if self.plan.raised and not self.raised:
            self.breaks(part_end, f"not raised by {time_text(part_end)}")
        elif self.plan.cleared and self.standing:
            text = next(iter(self.standing.values())).text
            self.breaks(part_end, compose(f"still there at {time_text(part_end)}: ", text))


class _OwnAddress(Judge):
    def intruder(self, time: int, frame: Frame, holder: str) -> None:
        if self.covers(time):
            self.breaks(time, f"seen at {time_text(time)} from outside: {frame}, and its address is held by {holder}")


STATE_JUDGES: Mapping[type, type[Judge]] = {
    WorldPlan: _World,
    WiresPlan: _Wires,
    PresencePlan: _Presence,
    FlagPlan: _Flag,
    OwnAddressPlan: _OwnAddress,
}
