"""Judges of what is so: values of the vehicle, who is present, flags, and what the pair has told.

Knows: when each kind is met or broken. Does not know where the values come from, nor how a run is made.
"""

from collections.abc import Mapping
from typing import Any

from rvsim.rig.quantity import moment
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
from rvsim.world.world import World


class _World(Judge):
    met = False
    nearest_value: float | None = None

    def second(self, time: int, world: World) -> None:
        if not self.covers(time):
            return
        unit, read = QUANTITIES[self.plan.value]
        value = read(world)
        if self.plan.holds(value):
            self.met = True
        elif not self.plan.once:
            self.breaks(time, f"{self.plan.beyond(value, 4)} {unit} at {moment(time)}")
        elif self.nearest_value is None or self._away(value) < self._away(self.nearest_value):
            self.nearest_value = value

    def _away(self, value: float) -> float:
        low, high = self.plan.at_least, self.plan.at_most
        return max(low - value if low is not None else 0.0, value - high if high is not None else 0.0)

    def finish(self, end: int) -> None:
        if not self.met and self.broken is None:
            unit, _ = QUANTITIES[self.plan.value]
            near = (
                ""
                if self.nearest_value is None
                else f"; the nearest was {self.plan.beyond(self.nearest_value, 4)} {unit}"
            )
            self.breaks(self.end_of_part(end), f"never so by {moment(self.end_of_part(end))}{near}")


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
            self.breaks(time, f"{self.state or 'not heard yet'} at {moment(time)}")

    def finish(self, end: int) -> None:
        self._begin(end)
        if not self.met:
            self.breaks(
                self.end_of_part(end), f"it was {self.state or 'never heard'} at {moment(self.end_of_part(end))}"
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
            self.breaks(max(flag.since, self.plan.since), f"{flag.kind} of {flag.subject}: {flag.text}")

    def finish(self, end: int) -> None:
        for flag in self.standing.values():  # raised before the part began, and still there
            self._count(flag)
        part_end = self.end_of_part(end)
        if self.plan.raised and not self.raised:
            self.breaks(part_end, f"not raised by {moment(part_end)}")
        elif self.plan.cleared and self.standing:
            self.breaks(part_end, f"still there at {moment(part_end)}: {next(iter(self.standing.values())).text}")


class _OwnAddress(Judge):
    def intruder(self, time: int, frame: Frame, holder: str) -> None:
        if self.covers(time):
            self.breaks(time, f"seen at {moment(time)} from outside: {frame}, and its address is held by {holder}")


STATE_JUDGES: Mapping[type, type[Judge]] = {
    WorldPlan: _World,
    WiresPlan: _Wires,
    PresencePlan: _Presence,
    FlagPlan: _Flag,
    OwnAddressPlan: _OwnAddress,
}
