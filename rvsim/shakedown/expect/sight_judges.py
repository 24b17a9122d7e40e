"""Judges of what is seen on the bus: a small state machine for each kind.

Knows: when each kind is met or broken. Does not know what a sight is, nor how a run is made.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any

from rvsim.rig.quantity import duration_text, time_text
from rvsim.shakedown.expect.expectation_plans import (
    AnswerPlan,
    EnteredPlan,
    EveryPlan,
    NeverPlan,
    OnlyAfterPlan,
    OnlyUntilPlan,
    OrderPlan,
    RatePlan,
    SeenPlan,
    StaysPlan,
)
from rvsim.shakedown.expect.judge import Judge
from rvsim.shakedown.expect.sight import Spotter
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.quantity_text import compose


class _Seen(Judge):
    count = 0

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self._sees("sight", frame, device):
            self.count += 1
            if self.plan.at_most is not None and self.count > self.plan.at_most:
                self.nearest = None
                self.breaks(time, f"seen for the {_nth(self.count)} time at {time_text(time)}: {frame}")

    def finish(self, end: int) -> None:
        if self.count < self.plan.at_least:
            self.breaks(self.end_of_part(end), f"{_seen(self.count)} by {time_text(self.end_of_part(end))}")


class _Never(Judge):
    def _frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self.spotters["sight"].sees(frame, device):
            self.breaks(time, f"seen at {time_text(time)}: {frame} of {device}")


class _Entered(Judge):
    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.count = 0
        self.said = False
        self.turned: dict[tuple[int, int | None], int] = {}
        """When each last came or went in this part of the run."""

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        spotter = self.spotters["sight"]
        if not self.covers(time) or not spotter.could_be(frame, device):
            return
        stay = spotter.observe(frame)
        if stay is None:
            return
        self.said = True
        if stay.before is None or stay.before is stay.inside:
            return
        since = self.turned.get(stay.whose)
        self.turned[stay.whose] = time
        shortest = self.plan.shortest_off if stay.inside else self.plan.shortest_on
        if since is not None and shortest is not None and time - since < shortest:
            what = "away for" if stay.inside else "lasted"
            lasted = f"{time_text(time - since)}, from {time_text(since)} to {time_text(time)}"
            self.breaks(time, f"{what} {lasted}: {frame} of {device}")
        self.count += stay.inside
        if stay.inside and self.plan.at_most_times is not None and self.count > self.plan.at_most_times:
            self.breaks(time, f"seen for the {_nth(self.count)} time at {time_text(time)}: {frame} of {device}")

    def finish(self, end: int) -> None:
        last = self.end_of_part(end)
        if not self.said:
            self.breaks(last, f"no value said by {time_text(last)}, so nothing is known of it")
        elif self.plan.at_least_times is not None and self.count < self.plan.at_least_times:
            self.breaks(last, f"{_seen(self.count)} by {time_text(last)}")


class _Every(Judge):
    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.last: int | None = None
        self.missed_since: int | None = None
        self.due = self.plan.since + self.plan.gap

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self._sees("sight", frame, device):
            self._tell(time)
            self.last = time
            self.due = time + self.plan.gap

    def overdue(self, time: int) -> None:
        """The gap is too long already; how long it was is known when it is over."""
        since = self.plan.since if self.last is None else self.last
        if self.broken is None and self.end_of_part(time) - since > self.plan.gap:
            self.missed_since = since
            self.breaks(since + self.plan.gap, "")
        self.due = None

    def _tell(self, time: int) -> None:
        """Say how long it was missed, now that this is over."""
        since, self.missed_since = self.missed_since, None
        if self.broken is not None and since is not None:
            place = f"after {time_text(since)}" if self.last is not None else f"from {time_text(since)} on"
            self.broken = self.broken._replace(found=f"not seen for {duration_text(time - since)} {place}")

    def finish(self, end: int) -> None:
        if end > self.plan.since:
            self.overdue(end)
            self._tell(self.end_of_part(end))


class _Order(Judge):
    reached = 0
    last = ""

    @property
    def awaited(self) -> Sequence[Spotter]:
        return list(self.spotters.values())[self.reached : self.reached + 1]

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        keys = list(self.spotters)
        if self.reached < len(keys) and self.covers(time) and self._sees(keys[self.reached], frame, device):
            self.reached += 1
            self.nearest = None
            self.last = f"{_nth(self.reached)} at {time_text(time)}"

    def finish(self, end: int) -> None:
        if self.reached < len(self.spotters):
            waited = self.plan.steps[self.reached]
            done = f"the {self.last}, then" if self.last else "from the start on"
            self.breaks(self.end_of_part(end), f"{done} {waited} not seen by {time_text(self.end_of_part(end))}")


class _Answer(Judge):
    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.asked = 0
        self.open: deque[int] = deque()

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        if self._sees("sight", frame, device):
            self.open.clear()
        if self.covers(time) and self.spotters["to"].sees(frame, device):
            self.open.append(time)
            self.asked += 1
        self._plan()

    def _plan(self) -> None:
        self.due = self.open[0] + self.plan.within if self.open else None

    def overdue(self, time: int) -> None:
        """Tell of answers that are overdue; those that are due after the part are left open."""
        now = self.end_of_part(time)
        while self.open and now - self.open[0] > self.plan.within:
            asked = self.open.popleft()
            self.breaks(
                asked + self.plan.within,
                f"asked at {time_text(asked)}, no answer by {time_text(asked + self.plan.within)}",
            )
        self._plan()

    def finish(self, end: int) -> None:
        self.overdue(end)
        if not self.asked:
            self.breaks(self.end_of_part(end), f"never asked: {self.plan.to} was not seen")


class _OnlyAfter(Judge):
    met = False

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        self.met = self.met or self.spotters["after"].sees(frame, device)
        if not self.met and self.covers(time) and self.spotters["sight"].sees(frame, device):
            self.breaks(time, f"seen too early at {time_text(time)}: {frame} of {device}")


class _OnlyUntil(Judge):
    ended: int | None = None

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        over = self.ended is not None and time > self.ended + self.plan.grace
        if over and self.covers(time) and self.spotters["sight"].sees(frame, device):
            self.breaks(time, f"seen at {time_text(time)}, after {time_text(self.ended or 0)}: {frame} of {device}")
        if self.ended is None and self.spotters["end"].sees(frame, device):
            self.ended = time


class _Stays(Judge):
    seen = False

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        spotter = self.spotters["sight"]
        if not self.covers(time) or not spotter.could_be(frame, device):
            return
        self.seen = True
        value = spotter.value(frame)
        if value is None or not self.plan.holds(value):
            self.breaks(time, compose(spotter.near(frame).said, f" at {time_text(time)}: {frame} of {device}"))

    def finish(self, end: int) -> None:
        if not self.seen:
            self.breaks(self.end_of_part(end), f"not seen by {time_text(self.end_of_part(end))}")


class _Rate(Judge):
    count = 0

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self._sees("sight", frame, device):
            self.count += 1

    def finish(self, end: int) -> None:
        length = max(0, self.end_of_part(end) - self.plan.since)
        rate = self.count * SECOND_US / length if length else 0.0
        if not self.plan.holds(rate):
            often = self.plan.beyond(rate, 3)
            self.breaks(
                self.end_of_part(end), f"seen {self.count} times in {duration_text(length)}: {often} times a second"
            )


def _seen(number: int) -> str:
    return {0: "not seen", 1: "seen once"}.get(number, f"seen {number} times")


def _nth(number: int) -> str:
    last = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{last}"


SIGHT_JUDGES: Mapping[type, type[Judge]] = {
    SeenPlan: _Seen,
    EnteredPlan: _Entered,
    NeverPlan: _Never,
    EveryPlan: _Every,
    OrderPlan: _Order,
    AnswerPlan: _Answer,
    OnlyAfterPlan: _OnlyAfter,
    OnlyUntilPlan: _OnlyUntil,
    StaysPlan: _Stays,
    RatePlan: _Rate,
}
