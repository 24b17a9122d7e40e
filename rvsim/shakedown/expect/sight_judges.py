"""Judges of what is seen on the bus: a small state machine for each kind of expectation.

Knows: when each kind is met, and when it fails. Does not know what a sight is, nor how a run is made.
"""

from bisect import bisect_right
from collections import deque
from collections.abc import Sequence

from rvsim.rig.quantity import duration_text, time_text
from rvsim.shakedown.expect.expectation_plans import (
    AnswerPlan,
    EnteredPlan,
    EveryPlan,
    NeverPlan,
    NeverWhilePlan,
    OnlyAfterPlan,
    OnlyUntilPlan,
    OrderPlan,
    RatePlan,
    SeenPlan,
    StaysPlan,
)
from rvsim.shakedown.expect.judge import Judge
from rvsim.shakedown.expect.sight import SightMatcher
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.quantity_text import compose

_HOUR_US = 3600 * SECOND_US


class SeenJudge(Judge[SeenPlan]):
    """Counts how often a sight is seen."""

    count = 0

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self._matches("sight", frame, device):
            self.count += 1
            if self.plan.at_most is not None and self.count > self.plan.at_most:
                self.nearest = None
                self.fail(time, f"seen for the {_ordinal(self.count)} time at {time_text(time)}: {frame}")

    def finish(self, end: int) -> None:
        """Fail if the sight was not seen often enough."""
        if self.count < self.plan.at_least:
            self.fail(self.end_of_part(end), f"{_seen_text(self.count)} by {time_text(self.end_of_part(end))}")


class NeverJudge(Judge[NeverPlan]):
    """Fails when a sight is seen."""

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self.matchers["sight"].matches(frame, device):
            self.fail(time, f"seen at {time_text(time)}: {frame} of {device}")


class EnteredJudge(Judge[EnteredPlan]):
    """Counts how often a state is entered, and measures how long it lasts and how long it stays away."""

    def _prepare(self) -> None:
        self.count = 0
        self.has_value = False
        self._changed_at: dict[tuple[int, int | None], int] = {}
        """When the state was last entered or left in this part of the run, by source address and instance."""
        self._entries: dict[tuple[int, int | None], deque[int]] = {}
        """The entries of the last hour, by the same."""

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        matcher = self.matchers["sight"]
        if not self.covers(time) or not matcher.may_match(frame, device):
            return
        match = matcher.observe(frame)
        if match is None:
            return
        self.has_value = True
        if match.before is None or match.before is match.inside:
            return
        since = self._changed_at.get(match.sender)
        self._changed_at[match.sender] = time
        shortest = self.plan.shortest_off if match.inside else self.plan.shortest_on
        if since is not None and shortest is not None and time - since < shortest:
            what = "absent for" if match.inside else "lasted"
            lasted = f"{time_text(time - since)}, from {time_text(since)} to {time_text(time)}"
            self.fail(time, f"{what} {lasted}: {frame} of {device}")
        self.count += match.inside
        if match.inside and self.plan.at_most_times is not None and self.count > self.plan.at_most_times:
            self.fail(time, f"seen for the {_ordinal(self.count)} time at {time_text(time)}: {frame} of {device}")
        if match.inside and self.plan.at_most_per_hour is not None:
            self._count_in_hour(self.plan.at_most_per_hour, match.sender, time, f"{frame} of {device}")

    def _count_in_hour(self, most: int, sender: tuple[int, int | None], time: int, what: str) -> None:
        entries = self._entries.setdefault(sender, deque())
        entries.append(time)
        while entries[0] <= time - _HOUR_US:
            entries.popleft()
        if len(entries) > most:
            self.fail(time, f"entered for the {_ordinal(len(entries))} time since {time_text(entries[0])}: {what}")

    def finish(self, end: int) -> None:
        """Fail if the state was not entered often enough, or the field had no value."""
        last = self.end_of_part(end)
        if not self.has_value:
            self.fail(last, f"no value reported by {time_text(last)}, so it cannot be judged")
        elif self.plan.at_least_times is not None and self.count < self.plan.at_least_times:
            self.fail(last, f"{_seen_text(self.count)} by {time_text(last)}")


class EveryJudge(Judge[EveryPlan]):
    """Measures the time from one sight to the next."""

    def _prepare(self) -> None:
        self.last: int | None = None
        self.missed_since: int | None = None
        self.due = self.plan.since + self.plan.gap

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self._matches("sight", frame, device):
            self._note_gap(time)
            self.last = time
            self.due = time + self.plan.gap

    def overdue(self, time: int) -> None:
        """Fail: the gap is already too long; its length is known when it ends."""
        since = self.plan.since if self.last is None else self.last
        if self.failure is None and self.end_of_part(time) - since > self.plan.gap:
            self.missed_since = since
            self.fail(since + self.plan.gap, "")
        self.due = None

    def _note_gap(self, time: int) -> None:
        """Complete the failure with how long nothing was seen, now that the gap has ended."""
        since, self.missed_since = self.missed_since, None
        if self.failure is not None and since is not None:
            place = f"after {time_text(since)}" if self.last is not None else f"from {time_text(since)} on"
            self.failure = self.failure._replace(found=f"not seen for {duration_text(time - since)} {place}")

    def finish(self, end: int) -> None:
        """Fail if the last gap, up to the end of the part, is too long."""
        if end > self.plan.since:
            self.overdue(end)
            self._note_gap(self.end_of_part(end))


class OrderJudge(Judge[OrderPlan]):
    """Looks for one sight after the other."""

    reached = 0
    last = ""

    @property
    def awaited(self) -> Sequence[SightMatcher]:
        """The matcher of the next sight."""
        return list(self.matchers.values())[self.reached : self.reached + 1]

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        keys = list(self.matchers)
        if self.reached < len(keys) and self.covers(time) and self._matches(keys[self.reached], frame, device):
            self.reached += 1
            self.nearest = None
            self.last = f"{_ordinal(self.reached)} at {time_text(time)}"

    def finish(self, end: int) -> None:
        """Fail if a sight was not seen in its turn."""
        if self.reached < len(self.matchers):
            missing = self.plan.steps[self.reached]
            done = f"the {self.last}, then" if self.last else "from the start"
            self.fail(self.end_of_part(end), f"{done} {missing} not seen by {time_text(self.end_of_part(end))}")


class AnswerJudge(Judge[AnswerPlan]):
    """Measures the time from each request to its answer."""

    def _prepare(self) -> None:
        self.requests = 0
        self._unanswered: deque[int] = deque()

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        if self._matches("sight", frame, device):
            self._unanswered.clear()
        if self.covers(time) and self.matchers["to"].matches(frame, device):
            self._unanswered.append(time)
            self.requests += 1
        self._set_due()

    def _set_due(self) -> None:
        self.due = self._unanswered[0] + self.plan.within if self._unanswered else None

    def overdue(self, time: int) -> None:
        """Fail for each answer that is overdue; answers that are due after the part are left open."""
        now = self.end_of_part(time)
        while self._unanswered and now - self._unanswered[0] > self.plan.within:
            asked = self._unanswered.popleft()
            due = asked + self.plan.within
            self.fail(due, f"asked at {time_text(asked)}, no answer by {time_text(due)}")
        self._set_due()

    def finish(self, end: int) -> None:
        """Fail if an answer is overdue, or nothing was asked."""
        self.overdue(end)
        if not self.requests:
            self.fail(self.end_of_part(end), f"never asked: {self.plan.to} was not seen")


class OnlyAfterJudge(Judge[OnlyAfterPlan]):
    """Fails when a sight is seen before another."""

    met = False

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        self.met = self.met or self.matchers["after"].matches(frame, device)
        if not self.met and self.covers(time) and self.matchers["sight"].matches(frame, device):
            self.fail(time, f"seen too early at {time_text(time)}: {frame} of {device}")


class OnlyUntilJudge(Judge[OnlyUntilPlan]):
    """Fails when a sight is seen after another."""

    ended: int | None = None

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        is_late = self.ended is not None and time > self.ended + self.plan.grace
        if is_late and self.covers(time) and self.matchers["sight"].matches(frame, device):
            self.fail(time, f"seen at {time_text(time)}, after {time_text(self.ended or 0)}: {frame} of {device}")
        if self.ended is None and self.matchers["end"].matches(frame, device):
            self.ended = time

    @property
    def untested(self) -> str:
        """Nothing ended it."""
        return f"{self.plan.end} was never seen" if self.ended is None else ""


class NeverWhileJudge(Judge[NeverWhilePlan]):
    """Fails when a sight is seen while a state lasts.

    Seconds of the vehicle may be observed long before the frames of their time, so it keeps when the value crossed.
    """

    def _prepare(self) -> None:
        self._since: dict[tuple[int, int | None], int] = {}
        """Since when the field is in the state, by source address and instance."""
        self._crossed_at: list[int] = []
        """When the value crossed the limit: into the state, out of it, and so on."""
        self._was_in_state = False

    @property
    def value_name(self) -> str | None:
        """The value of the vehicle, where the state is one of it."""
        return self.plan.value

    def observe_value(self, time: int, value: float) -> None:
        """Note whether the value is beyond the limit from now on."""
        is_inside = self.plan.holds(value)
        if is_inside != bool(len(self._crossed_at) % 2):
            self._crossed_at.append(time)
        self._was_in_state |= is_inside and self.covers(time)

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        during = self.matchers.get("during")
        if during is not None and during.may_match(frame, device):
            match = during.observe(frame)
            if match is not None and match.inside:
                self._since.setdefault(match.sender, time)
            elif match is not None:
                self._since.pop(match.sender, None)
            self._was_in_state |= bool(self._since) and self.covers(time)
        since = self._entered(time)
        if since is None or time <= since + self.plan.grace or not self.covers(time):
            return
        if self.matchers["sight"].matches(frame, device):
            state = f"while {self.plan.state_text}, since {time_text(since)}"
            self.fail(time, f"seen at {time_text(time)} {state}: {frame} of {device}")

    @property
    def untested(self) -> str:
        """The state did not come in its part of the run, nor did it last on into it."""
        until, since = self.plan.until, min(self._since.values(), default=None)
        lasts = since is not None and (until is None or since < until)
        return "" if self._was_in_state or lasts else f"the state never came: {self.plan.state_text}"

    def _entered(self, time: int) -> int | None:
        """Return since when the state lasts at a time; None where it does not."""
        if self.plan.value is None:
            return min(self._since.values(), default=None)
        crossings = bisect_right(self._crossed_at, time)
        return self._crossed_at[crossings - 1] if crossings % 2 else None


class StaysJudge(Judge[StaysPlan]):
    """Compares each value of a field with the bounds."""

    seen = False

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        matcher = self.matchers["sight"]
        if not self.covers(time) or not matcher.may_match(frame, device):
            return
        self.seen = True
        value = matcher.value(frame)
        if value is None or not self.plan.holds(value):
            self.fail(time, compose(matcher.near(frame).text, f" at {time_text(time)}: {frame} of {device}"))

    def finish(self, end: int) -> None:
        """Fail if the field was not seen."""
        if not self.seen:
            self.fail(self.end_of_part(end), f"not seen by {time_text(self.end_of_part(end))}")


class RateJudge(Judge[RatePlan]):
    """Counts how often a sight is seen, over the length of its part."""

    count = 0

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        if self.covers(time) and self._matches("sight", frame, device):
            self.count += 1

    def finish(self, end: int) -> None:
        """Fail if the rate is outside the bounds."""
        length = max(0, self.end_of_part(end) - self.plan.since)
        rate = self.count * SECOND_US / length if length else 0.0
        if not self.plan.holds(rate):
            rate_text = self.plan.outside_text(rate, 3)
            self.fail(
                self.end_of_part(end), f"seen {self.count} times in {duration_text(length)}: {rate_text} times a second"
            )


def _seen_text(number: int) -> str:
    return {0: "not seen", 1: "seen once"}.get(number, f"seen {number} times")


def _ordinal(number: int) -> str:
    last = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{last}"
