"""One expectation held against a run, as it goes by: what every judge has.

Knows: the part of a run that counts, the first time that something was not met, and what came nearest. Does not know
when a kind is met (`sight_judges`, `state_judges`), how a run is made, nor how an outcome is told. Times are integer
microseconds; a part of a run holds its beginning and not its end.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from rvsim.shakedown.expect.expectation_plans import Expectation
from rvsim.shakedown.expect.sight import Near, Spotter
from rvsim.watch.bus.wire_problems import WireProblems
from rvsim.watch.flag import Flag
from rvsim.watch.transitions import Presence
from rvsim.wire.frame import Frame
from rvsim.world.world import World

SECOND = 1_000_000


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
        """The frame that came nearest to a sight that was missed; None where one was seen that should not be."""
        self.due: int | None = None
        """The last moment at which a frame can still meet it; ``overdue`` is told as soon as time is beyond."""
        self._on_broken = on_broken
        self._entered = [spotter for spotter in spotters.values() if spotter.is_entered]

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

    def frame(self, time: int, frame: Frame, device: str) -> None:
        """Take a frame of one of its DGNs."""
        if self.due is not None and time > self.due:
            self.overdue(time)
        for spotter in self._entered:  # whatever part of the run counts, and whichever sight is awaited
            if spotter.could_be(frame, device):
                spotter.observe(frame)
        self._frame(time, frame, device)

    def _sees(self, key: str, frame: Frame, device: str) -> bool:
        """Tell whether a frame is one of its sights, and keep the nearest that was not."""
        spotter = self.spotters[key]
        if not spotter.could_be(frame, device):
            return False
        if spotter.is_met(frame):
            return True
        near = spotter.near(frame)
        if self.broken is None and (self.nearest is None or near.away <= self.nearest.away):
            self.nearest = near
        return False

    # What subclasses fill in.

    @property
    def awaited(self) -> Sequence[Spotter]:
        """The sights that it still looks for."""
        return list(self.spotters.values())

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        """Take a frame of one of its DGNs."""

    def overdue(self, time: int) -> None:
        """Take that time has come so far, which is beyond ``due``, without the frame that was due."""

    def intruder(self, time: int, frame: Frame, holder: str) -> None:
        """Take a frame from outside that bears the address of a simulated device."""

    def second(self, time: int, world: World) -> None:
        """Take a whole second."""

    def presence(self, time: int, device: str, state: Presence) -> None:
        """Take a change in the roll call."""

    def flag(self, time: int, flag: Flag) -> None:
        """Take a flag that was raised or cleared; ``until`` tells which."""

    def wires(self, end: int, wires: WireProblems) -> None:
        """Take what the pair has told in the whole run."""

    def finish(self, end: int) -> None:
        """Decide what is still open at the end of the run."""
