"""One expectation held against a run, as it goes by: a small state machine for each kind.

Knows: when each kind is met or broken, and what came nearest. Does not know how a run is made, nor how an outcome is
told. Times are integer microseconds; a part of a run holds its beginning and not its end.
"""

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from rvsim.rig.quantity import spoken
from rvsim.shakedown.expect import (
    AnswerPlan,
    EveryPlan,
    Expectation,
    FlagPlan,
    NeverPlan,
    OnlyAfterPlan,
    OnlyUntilPlan,
    OrderPlan,
    PresencePlan,
    RatePlan,
    SeenPlan,
    StaysPlan,
    WiresPlan,
    WorldPlan,
)
from rvsim.shakedown.quantities import QUANTITIES
from rvsim.shakedown.sight import Near, Spotter
from rvsim.watch.flag import Flag
from rvsim.watch.transitions import Presence
from rvsim.watch.wires import Wires
from rvsim.wire.frame import Frame
from rvsim.world.world import World

SECOND = 1_000_000


def moment(time: int) -> str:
    """Write a time of the run, as flags do: cut to milliseconds, so that nothing is shown later than it was."""
    return f"{time // SECOND}.{time % SECOND // 1000:03d} s"


class Broken(NamedTuple):
    """Why an expectation is not met, and when that was known."""

    time: int
    found: str


class Judge:
    """What every judge has. Subclasses take in what they are about, and say at the end whether it was met."""

    def __init__(
        self, plan: Expectation, spotters: Mapping[str, Spotter], on_broken: Callable[["Judge"], None]
    ) -> None:
        self.plan: Any = plan
        self.spotters = spotters
        self.broken: Broken | None = None
        self.nearest: Near | None = None
        """The frame that came nearest to being the sight, where one did."""
        self._on_broken = on_broken

    def covers(self, time: int) -> bool:
        """Tell whether a moment is in the part of the run in which this counts."""
        until = self.plan.until
        return bool(self.plan.since <= time and (until is None or time < until))

    def end_of_part(self, end: int) -> int:
        """Return where its part ends in a run that ends at ``end``."""
        return end if self.plan.until is None else min(end, self.plan.until)

    def breaks(self, time: int, found: str) -> None:
        """Note that it is not met; the first time counts."""
        if self.broken is None:
            self.broken = Broken(time, found)
            self._on_broken(self)

    def _sees(self, key: str, frame: Frame, device: str) -> bool:
        """Tell whether a frame is one of its sights, and keep the nearest that was not."""
        spotter = self.spotters[key]
        if not spotter.could_be(frame, device):
            return False
        if spotter.is_met(frame):
            return True
        near = spotter.near(frame)
        if self.nearest is None or near.away <= self.nearest.away:
            self.nearest = near
        return False

    # What subclasses fill in.

    @property
    def awaited(self) -> Sequence[Spotter]:
        """The sights that it still looks for."""
        return list(self.spotters.values())

    def frame(self, time: int, frame: Frame, device: str) -> None:
        """Take a frame of one of its DGNs."""

    def second(self, time: int, world: World) -> None:
        """Take a whole second."""

    def presence(self, time: int, device: str, state: Presence) -> None:
        """Take a change in the roll call."""

    def flag(self, time: int, flag: Flag) -> None:
        """Take a flag that was raised or cleared; ``until`` tells which."""

    def wires(self, end: int, wires: Wires) -> None:
        """Take what the pair has told in the whole run."""

    def finish(self, end: int) -> None:
        """Decide what is still open at the end of the run."""


class _Seen(Judge):
    count = 0

    def frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self._sees("sight", frame, device):
            self.count += 1
            if self.plan.at_most is not None and self.count > self.plan.at_most:
                self.breaks(time, f"seen for the {_nth(self.count)} time at {moment(time)}: {frame}")

    def finish(self, end: int) -> None:
        if self.count < self.plan.at_least:
            seen = "not seen" if not self.count else f"seen {'once' if self.count == 1 else f'{self.count} times'}"
            self.breaks(self.end_of_part(end), f"{seen} by {moment(self.end_of_part(end))}")


class _Never(Judge):
    def frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self._sees("sight", frame, device):
            self.breaks(time, f"seen at {moment(time)}: {frame} of {device}")


class _Every(Judge):
    last: int | None = None

    def frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self._sees("sight", frame, device):
            self._check(time)
            self.last = time

    def _check(self, time: int) -> None:
        last = self.plan.since if self.last is None else self.last
        if time - last > self.plan.gap:
            since = f"after {moment(last)}" if self.last is not None else f"from {moment(last)} on"
            self.breaks(last + self.plan.gap, f"not seen for {spoken(time - last)} {since}")

    def finish(self, end: int) -> None:
        if end > self.plan.since:
            self._check(self.end_of_part(end))


class _Order(Judge):
    reached = 0
    last = ""

    @property
    def awaited(self) -> Sequence[Spotter]:
        return list(self.spotters.values())[self.reached : self.reached + 1]

    def frame(self, time: int, frame: Frame, device: str) -> None:
        keys = list(self.spotters)
        if self.reached < len(keys) and self.covers(time) and self._sees(keys[self.reached], frame, device):
            self.reached += 1
            self.nearest = None
            self.last = f"{_nth(self.reached)} at {moment(time)}"

    def finish(self, end: int) -> None:
        if self.reached < len(self.spotters):
            waited = self.plan.steps[self.reached]
            done = f"the {self.last}, then" if self.last else "from the start on"
            self.breaks(self.end_of_part(end), f"{done} {waited} not seen by {moment(self.end_of_part(end))}")


class _Answer(Judge):
    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.asked = 0
        self.open: deque[int] = deque()

    def frame(self, time: int, frame: Frame, device: str) -> None:
        if self._sees("sight", frame, device):
            self._late(time)
            self.open.clear()
        if self.covers(time) and self.spotters["to"].sees(frame, device):
            self._late(time)
            self.open.append(time)
            self.asked += 1

    def _late(self, time: int) -> None:
        """Tell of answers that are overdue; those that are due after the part are left open."""
        now = self.end_of_part(time)
        while self.open and now - self.open[0] > self.plan.within:
            asked = self.open.popleft()
            self.breaks(
                asked + self.plan.within, f"asked at {moment(asked)}, no answer by {moment(asked + self.plan.within)}"
            )

    def finish(self, end: int) -> None:
        self._late(end)
        if not self.asked:
            self.breaks(self.end_of_part(end), f"never asked: {self.plan.to} was not seen")


class _OnlyAfter(Judge):
    met = False

    def frame(self, time: int, frame: Frame, device: str) -> None:
        self.met = self.met or self.spotters["after"].sees(frame, device)
        if not self.met and self.covers(time) and self._sees("sight", frame, device):
            self.breaks(time, f"seen too early at {moment(time)}: {frame} of {device}")


class _OnlyUntil(Judge):
    ended: int | None = None

    def frame(self, time: int, frame: Frame, device: str) -> None:
        over = self.ended is not None and time > self.ended + self.plan.grace
        if over and self.covers(time) and self._sees("sight", frame, device):
            self.breaks(time, f"seen at {moment(time)}, after {moment(self.ended or 0)}: {frame} of {device}")
        if self.ended is None and self.spotters["end"].sees(frame, device):
            self.ended = time


class _Stays(Judge):
    seen = False

    def frame(self, time: int, frame: Frame, device: str) -> None:
        spotter = self.spotters["sight"]
        if not self.covers(time) or not spotter.could_be(frame, device):
            return
        self.seen = True
        value = spotter.value(frame)
        if value is None or not self.plan.holds(value):
            self.breaks(time, f"{spotter.near(frame).said} at {moment(time)}: {frame} of {device}")

    def finish(self, end: int) -> None:
        if not self.seen:
            self.breaks(self.end_of_part(end), f"not seen by {moment(self.end_of_part(end))}")


class _Rate(Judge):
    count = 0

    def frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self._sees("sight", frame, device):
            self.count += 1

    def finish(self, end: int) -> None:
        length = max(0, self.end_of_part(end) - self.plan.since)
        rate = self.count * SECOND / length if length else 0.0
        if not self.plan.holds(rate):
            self.breaks(
                self.end_of_part(end), f"seen {self.count} times in {spoken(length)}: {rate:.3g} times a second"
            )


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
            self.breaks(time, f"{value:.4g} {unit} at {moment(time)}")
        elif self.nearest_value is None or self._away(value) < self._away(self.nearest_value):
            self.nearest_value = value

    def _away(self, value: float) -> float:
        low, high = self.plan.at_least, self.plan.at_most
        return max(low - value if low is not None else 0.0, value - high if high is not None else 0.0)

    def finish(self, end: int) -> None:
        if not self.met and self.broken is None:
            unit, _ = QUANTITIES[self.plan.value]
            near = "" if self.nearest_value is None else f"; the nearest was {self.nearest_value:.4g} {unit}"
            self.breaks(self.end_of_part(end), f"never so by {moment(self.end_of_part(end))}{near}")


class _Wires(Judge):
    def wires(self, end: int, wires: Wires) -> None:
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


_JUDGES: Mapping[type, type[Judge]] = {
    SeenPlan: _Seen,
    NeverPlan: _Never,
    EveryPlan: _Every,
    OrderPlan: _Order,
    AnswerPlan: _Answer,
    OnlyAfterPlan: _OnlyAfter,
    OnlyUntilPlan: _OnlyUntil,
    StaysPlan: _Stays,
    RatePlan: _Rate,
    WorldPlan: _World,
    WiresPlan: _Wires,
    PresencePlan: _Presence,
    FlagPlan: _Flag,
}


def judge_of(plan: Expectation, spotters: Mapping[str, Spotter], on_broken: Callable[[Judge], None]) -> Judge:
    """Return the judge of an expectation; ``on_broken`` is told once if it is not met."""
    return _JUDGES[type(plan)](plan, spotters, on_broken)


def _nth(number: int) -> str:
    last = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{last}"
