"""One expectation judged against a run as it proceeds: what every judge has.

Knows: the part of a run that counts, the first time at which an expectation was not met, and the frame that came
nearest. Does not know when a kind of expectation is met (`sight_judges`, `state_judges`), how a run is made, nor how an
outcome is rendered. Times are integer microseconds since the start; a part of a run includes its start and excludes its
end.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import chain
from typing import Generic, NamedTuple, TypeVar

from rvsim.shakedown.expect.expectation_plans import StaysPlan
from rvsim.shakedown.expect.plan_base import ExpectPlan
from rvsim.shakedown.expect.quantities import quantity
from rvsim.shakedown.expect.sight import NearMiss, SightMatcher
from rvsim.watch.bus.wire_problems import WireProblems
from rvsim.watch.flag import Flag
from rvsim.watch.transitions import Presence
from rvsim.wire.frame import Frame
from rvsim.wire.quantity_text import Equivalents, Quantity, compose
from rvsim.world.world import World

PlanT = TypeVar("PlanT", bound=ExpectPlan, covariant=True)


class Failure(NamedTuple):
    """Why an expectation is not met, and the time at which that was known."""

    time: int
    found: str


class Judge(Generic[PlanT]):
    """Judges one expectation. Subclasses observe what they are about and decide at the end what is still open.

    Args:
        plan: the expectation as it is written.
        matchers: a matcher for each of its sights, by the key of the sight.
        on_failure: called once, when the expectation is found not to be met.
    """

    def __init__(
        self, plan: PlanT, matchers: Mapping[str, SightMatcher], on_failure: Callable[["AnyJudge"], None]
    ) -> None:
        self.plan = plan
        self.matchers = matchers
        self.failure: Failure | None = None
        self.nearest: NearMiss | None = None
        """The frame that came nearest to a sight that was missed; None where a sight was seen that should not be."""
        self.due: int | None = None
        """The last time at which a frame can still meet the expectation; ``overdue`` is called after that."""
        self._on_failure = on_failure
        self._entry_matchers = [matcher for matcher in matchers.values() if matcher.counts_entries]
        self._prepare()

    @property
    def expected(self) -> str:
        """What is expected, in the words of the scenario, with its figures in other units where those are shown."""
        return compose(self.plan.full_sentence, Equivalents(tuple(self.figures)))

    @property
    def figures(self) -> Iterable[Quantity]:
        """The figures that its expectation names and that have a unit."""
        bounds = (self.plan.at_least, self.plan.at_most) if isinstance(self.plan, StaysPlan) else ()
        return chain.from_iterable(matcher.figures(*bounds) for matcher in self.matchers.values())

    def covers(self, time: int) -> bool:
        """Tell whether a time is in the part of the run in which this expectation counts."""
        until = self.plan.until
        return self.plan.since <= time and (until is None or time < until)

    def end_of_part(self, end: int) -> int:
        """Return where its part ends in a run that ends at ``end``."""
        return end if self.plan.until is None else min(end, self.plan.until)

    def fail(self, time: int, found: str) -> None:
        """Record that the expectation is not met; only the first failure counts."""
        if self.failure is None:
            self.failure = Failure(time, found)
            self._on_failure(self)

    def observe_frame(self, time: int, frame: Frame, device: str) -> None:
        """Observe a frame of one of its DGNs, sent by ``device``."""
        if self.due is not None and time > self.due:
            self.overdue(time)
        for matcher in self._entry_matchers:  # in every part of the run, and whichever sight comes next
            if matcher.may_match(frame, device):
                matcher.observe(frame)
        self._frame(time, frame, device)

    def _matches(self, key: str, frame: Frame, device: str) -> bool:
        """Tell whether a frame is one of its sights, and keep the nearest frame that was not."""
        matcher = self.matchers[key]
        if not matcher.may_match(frame, device):
            return False
        if matcher.field_matches(frame):
            return True
        near = matcher.near(frame)
        if self.failure is None and (self.nearest is None or near.distance <= self.nearest.distance):
            self.nearest = near
        return False

    # What subclasses implement.

    def _prepare(self) -> None:
        """Set the attributes of the subclass."""

    @property
    def awaited(self) -> Sequence[SightMatcher]:
        """The matchers of the sights that it still looks for."""
        return list(self.matchers.values())

    def _frame(self, time: int, frame: Frame, device: str) -> None:
        """Judge a frame of one of its DGNs."""

    def overdue(self, time: int) -> None:
        """Decide at ``time``, which is later than ``due``: the frame that was due has not come."""

    def observe_outside_frame(self, time: int, frame: Frame, holder: str) -> None:
        """Observe a frame from outside the bench that has the source address of the simulated device ``holder``."""

    def observe_second(self, time: int, world: World) -> None:
        """Observe the state of the vehicle at a whole second."""
        if self.value_name is not None and self.needs_value(time):
            self.observe_value(time, quantity(self.value_name)[1](world))

    @property
    def value_name(self) -> str | None:
        """The value of the vehicle that it goes by; None for none."""
        return None

    def needs_value(self, time: int) -> bool:  # noqa: ARG002 - some go by it
        """Return whether ``observe_value`` has to be called at a time; reading a value can cost time."""
        return True

    def observe_value(self, time: int, value: float) -> None:
        """Observe that value at a whole second."""

    def observe_presence(self, time: int, device: str, state: Presence) -> None:
        """Observe a change in the roll call."""

    def observe_flag(self, time: int, flag: Flag) -> None:
        """Observe a flag that was raised or cleared; ``flag.until`` tells which."""

    def observe_wires(self, end: int, wires: WireProblems) -> None:
        """Observe what the wires reported in the whole run."""

    @property
    def untested(self) -> str:
        """Why the run could not have failed it, so that it being met says little; empty where it could."""
        return ""

    def finish(self, end: int) -> None:
        """Decide what is still open at the end of the run."""


AnyJudge = Judge[ExpectPlan]
