"""What motors move between two ends: where it is, what stops it, and which current its motor takes.

Knows: travel times, limit switches, obstructions, and that a motor with both of its wires at plus does not turn. Does
not know who drives a motor, nor what must hold while it moves: outputs and devices hand in what they feed.

Each end of a motor is at plus while the output, or the relay, of its way is on, and at ground while it is off: half
bridges and pairs of changeover relays are wired so (common practice, no source). So with both on nothing moves and no
current flows, and with both off the motor is braked and stands at once.

Only changes cost time: a host plans the call at the end of a way. Times are microseconds of the run.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Literal

from rvsim.rig.motions import STALL_SHARE, WAYS, MotionKind, MotionPlan, Way
from rvsim.rig.switching import OutputPlan
from rvsim.world.loads import NOMINAL_VOLTS, Load, Transient
from rvsim.world.relays import Relay

MIN_TURNING_VOLTS = 6.0
"""Below this voltage a motor of 12 V does not turn under load. Common practice, no source."""
State = Literal["at rest", "moving", "blocked"]
"""What the motor does on a way that is fed: "at rest" is without current."""
After = Callable[[int, Callable[[], None]], None]
"""Calls a function so many microseconds from now."""


def _nobody(_name: str, _now: int) -> None:
    """Call nobody."""


class Motion:
    """One motion. ``share`` is how far it is out, 0 to 1."""

    def __init__(self, plan: MotionPlan, amps: float, stall_amps: float) -> None:
        self.plan, self.amps, self.stall_amps = plan, amps, stall_amps
        self._share = plan.start_percent / 100
        self._since = 0
        self.feeds: dict[Way, float] = dict.fromkeys(WAYS, 0.0)
        """The share of the time for which each way is fed, 0 to 1."""
        self.is_obstructed = False
        """Whether something is in its way, wherever it is."""
        self.is_switch_closed = False
        """Whether its limit switches no longer open."""
        self.is_locked = False
        """Whether its device keeps it from moving out."""
        self.told: dict[Way, State] = dict.fromkeys(WAYS, "at rest")
        """What those who feed it know."""
        self.moves = 0
        """How often its end was planned anew."""

    @property
    def way(self) -> Way | None:
        """The way on which its motor is fed, None with both of its wires at the same potential."""
        out, back = self.feeds["extend"] > 0 and not self.is_locked, self.feeds["retract"] > 0
        return None if out == back else "extend" if out else "retract"

    def share(self, now: int) -> float:
        """Return how far it is out, 0 to 1."""
        way = self.way
        if way is None or self.is_obstructed:
            return self._share
        gone = self.feeds[way] * max(0, now - self._since) / self.plan.travel_us(way)
        return min(1.0, self._share + gone) if way == "extend" else max(0.0, self._share - gone)

    def settle(self, now: int) -> None:
        """Keep its place, before something changes."""
        self._share, self._since = self.share(now), now

    def state(self, way: Way) -> State:
        """Return what its motor does on a way, at the time when it was settled."""
        if self.way != way:
            return "at rest"
        if self._share == (1.0 if way == "extend" else 0.0):
            return "at rest" if self.plan.stop_at_end and not self.is_switch_closed else "blocked"
        return "blocked" if self.is_obstructed else "moving"

    def due(self) -> int | None:
        """Return when it comes to the end of its way, None while it does not move."""
        way = self.way
        if way is None or self.state(way) != "moving":
            return None
        left = 1.0 - self._share if way == "extend" else self._share
        return self._since + max(1, round(left * self.plan.travel_us(way) / self.feeds[way]))

    def reach_end(self, now: int) -> None:
        """Note that it is at the end of its way."""
        self._share, self._since = (1.0 if self.way == "extend" else 0.0), now

    def motor_amps(self, way: Way, volts: float) -> float:
        """Return the current of its motor on a way at a voltage, while it is fed all the time."""
        match self.state(way):
            case "moving":  # the current is that of its torque, whatever the voltage: common practice, no source
                return self.amps
            case "blocked":  # a motor at rest is a resistance
                return self.stall_amps * volts / NOMINAL_VOLTS
            case _:
                return 0.0


class MotionLoad(Load):
    """The motor of a motion as an output sees it, on the way of this output.

    ``relay`` is the changeover relay whose rest contact feeds the way back, None where another output does.
    """

    def __init__(self, motions: "Motions", motion: Motion, way: Way, output: OutputPlan, relay: Relay | None) -> None:
        peak = motion.stall_amps if output.peak_amps is None else output.peak_amps
        super().__init__("motor", motion.amps, peak, output.wire.ohm if output.wire is not None else 0.0)
        self._motions, self._motion, self._way, self._relay = motions, motion, way, relay
        self._fed: Way = way

    def running_amps(self, duty: float, volts: float) -> float:
        """Return its running current at a duty, 0 to 1, and a voltage."""
        if duty <= 0 or volts <= 0 or self.is_open:
            return 0.0
        return (self._motion.motor_amps(self._fed, volts) + self.more_amps * volts / NOMINAL_VOLTS) * duty

    def set_duty(self, duty: float, volts: float, now: int) -> Transient:
        """Feed the motor from ``now`` on; return its current, which is none at a limit switch that is open."""
        is_fed = volts >= MIN_TURNING_VOLTS and not self.is_open
        by_rest = not duty and self._relay is not None and self._relay.is_rest_contact_closed
        feeds: dict[Way, float] = {self._way: duty if is_fed else 0.0}
        if self._relay is not None:
            feeds["retract"] = float(by_rest and is_fed)
        self._fed = "retract" if by_rest else self._way
        self._motions.feed(self._motion, feeds, now, told=self._fed)
        drawn = 1.0 if by_rest else duty
        return super().set_duty(0.0 if self._motion.state(self._fed) == "at rest" else drawn, volts, now)


class Motions:
    """All motions by their names; KeyError for a name that is none.

    ``tell`` is called with an output whose motor's current has changed, and ``tell_device`` with the device that
    drives a motion by itself, each with the time. Without ``after`` nobody is told that a way has ended.
    """

    def __init__(self, plans: Sequence[MotionPlan], outputs: Mapping[str, OutputPlan]) -> None:
        self.after: After | None = None
        self.tell: Callable[[str, int], None] = _nobody
        self.tell_device: Callable[[str, int], None] = _nobody
        self._motions: dict[str, Motion] = {}
        self._by_output: dict[str, tuple[Motion, Way]] = {}
        for plan in plans:
            self._add(plan, outputs)

    def _add(self, plan: MotionPlan, outputs: Mapping[str, OutputPlan]) -> Motion:
        amps = plan.amps
        if amps is None:
            amps = max((outputs[name].amps or 0.0 for name in plan.outputs.values() if name in outputs), default=0.0)
        stall = STALL_SHARE * amps if plan.stall_amps is None else plan.stall_amps
        motion = self._motions[plan.name] = Motion(plan, amps, stall)
        for way, output in plan.outputs.items():
            self._by_output[output] = motion, way
        return motion

    def __getitem__(self, name: str) -> Motion:
        return self._motions[name]

    @property
    def names(self) -> list[str]:
        """The names of all motions."""
        return list(self._motions)

    def of_device(self, device: str, what: MotionKind, amps: float, travel_us: int) -> Motion:
        """Return the motion of a device; one of its own, with these figures, where the rig has none."""
        found = self.planned_of(device)
        if found is None:
            plan = MotionPlan(name=device, what=what, device=device, amps=amps)
            found = self._add(plan.model_copy(update={"travel": travel_us}), {})
        return found

    def planned_of(self, device: str) -> Motion | None:
        """Return the motion that the rig gives a device, None where it gives none."""
        return next((motion for motion in self._motions.values() if motion.plan.device == device), None)

    def load_of(self, output: OutputPlan, relay: Relay | None) -> MotionLoad | None:
        """Return what hangs on an output that moves something, None for one that moves nothing."""
        found = self._by_output.get(output.name)
        if found is None:
            return None
        motion, way = found
        return MotionLoad(self, motion, way, output, relay if motion.plan.retract is None else None)

    def percent(self, name: str, now: int) -> float:
        """Return how far a motion is out, 0 to 100."""
        return 100 * self._motions[name].share(now)

    # What drives it.

    def feed(self, motion: Motion, feeds: Mapping[Way, float], now: int, *, told: Way | None = None) -> None:
        """Feed the ways of a motion from now on; who feeds the way ``told`` learns what comes of it by asking."""
        if any(motion.feeds[way] != duty for way, duty in feeds.items()):
            motion.settle(now)
            motion.feeds.update(feeds)
            self._follow(motion, now, told)

    def drive(self, motion: Motion, way: Way | None, now: int, duty: float = 1.0) -> None:
        """Let a device move its motion on a way, None: stop it; ``duty`` is the share of the time, 0 to 1."""
        self.feed(motion, {one: duty if one == way else 0.0 for one in WAYS}, now, told=way)

    # What goes wrong, and what keeps it from moving.

    def set_obstructed(self, name: str, *, is_obstructed: bool, now: int) -> None:
        """Put something in the way of a motion, or take it away."""
        motion = self._motions[name]
        motion.settle(now)
        motion.is_obstructed = is_obstructed
        self._follow(motion, now)

    def set_switch_closed(self, name: str, *, is_closed: bool, now: int) -> None:
        """Let the limit switches of a motion no longer open, or repair them."""
        motion = self._motions[name]
        motion.settle(now)
        motion.is_switch_closed = is_closed
        self._follow(motion, now)

    def set_locked(self, motion: Motion, *, is_locked: bool, now: int) -> None:
        """Keep a motion from moving out, or let it."""
        if motion.is_locked != is_locked:
            motion.settle(now)
            motion.is_locked = is_locked
            self._follow(motion, now)

    def _follow(self, motion: Motion, now: int, told: Way | None = None) -> None:
        """Tell whose current has changed, and plan the end of the way."""
        motion.moves += 1
        moves, due = motion.moves, motion.due()
        changed = []
        for way in WAYS:
            state = motion.state(way)
            if state != motion.told[way]:
                motion.told[way] = state
                if way != told:
                    changed.append(way)
        if self.after is None:
            return
        if changed:
            self.after(0, lambda: self._tell(motion, changed, now))
        if due is not None:
            self.after(due - now, lambda: self._end(motion, moves, due))

    def _end(self, motion: Motion, moves: int, now: int) -> None:
        if motion.moves == moves:  # otherwise it was fed differently meanwhile
            motion.reach_end(now)
            self._follow(motion, now)

    def _tell(self, motion: Motion, ways: Sequence[Way], now: int) -> None:
        outputs, device = motion.plan.outputs, motion.plan.device
        for output in dict.fromkeys(outputs.get(way, outputs.get("extend")) for way in ways):
            if output is not None:
                self.tell(output, now)
        if not outputs and device is not None:
            self.tell_device(device, now)
