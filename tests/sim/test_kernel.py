"""The kernel: order and exactness of simulated time."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.sim.kernel import Kernel


@pytest.fixture
def log() -> list[object]:
    """What happened, in order."""
    return []


def test_things_happen_in_order_of_time(log):
    """Actions planned in any order run by their time, and now is that time."""
    kernel = Kernel()
    for time in (30, 10, 20):
        kernel.at(time, lambda planned: log.append((kernel.now, planned)), time)
    kernel.run_until(100)
    assert log == [(10, 10), (20, 20), (30, 30)]
    assert kernel.now == 100


def test_one_time_goes_by_priority_and_then_by_planning(log):
    """Within one microsecond the lower priority goes first, and equals keep the order they were planned in."""
    kernel = Kernel()
    for name, priority in (("c", 1), ("a", 0), ("d", 1), ("b", 0)):
        kernel.at(5, log.append, name, priority)
    kernel.run_until(6)
    assert log == ["a", "b", "c", "d"]


def test_a_run_stops_before_its_end(log):
    """``run_until(t)`` leaves what is planned for t itself, and the next run takes it."""
    kernel = Kernel()
    kernel.at(5, log.append, "at five")
    kernel.run_until(5)
    assert (log, kernel.now, kernel.peek()) == ([], 5, 5)
    kernel.run_until(6)
    assert (log, kernel.peek()) == (["at five"], None)


def test_an_action_stops_the_run_within_its_microsecond(log):
    """What else is planned for that time still runs, nothing later does, and no frame is skipped to."""
    kernel = Kernel()

    def act(name):
        log.append(name)
        if name == "stops":
            kernel.stop()
            log.append(kernel.skip_to(7))

    for time, name in ((5, "stops"), (5, "same time"), (6, "later")):
        kernel.at(time, act, name)
    assert kernel.run_until(100) == kernel.now == 6
    assert log == ["stops", False, "same time"]
    assert kernel.run_until(100) == 100
    assert log[3:] == ["later"]


def test_a_stop_beside_a_run_changes_nothing(log):
    """Whoever stops what does not run does no harm to the next run."""
    kernel = Kernel()
    kernel.at(5, log.append, "at five")
    kernel.stop()
    assert kernel.run_until(10) == 10
    assert log == ["at five"]


def test_a_period_of_a_tenth_is_exact(log):
    """100,000 periods of 0.1 s are 10,000 s; counted in floating-point seconds one of them gets lost."""
    kernel = Kernel()

    def again(_):
        log.append(kernel.now)
        kernel.at(kernel.now + 100_000, again)

    again(None)
    kernel.run_until(10_000_000_000)
    assert len(log) == 100_000
    assert log[-1] == 9_999_900_000


@pytest.mark.parametrize("time", [-1, 1.5, "2", True])
def test_times_are_whole_and_never_past(time):
    """A time that is not a whole number of microseconds, or that has gone by, is refused."""
    with pytest.raises(ValueError, match="times are whole and never in the past"):
        Kernel().at(time, print)


def test_the_past_cannot_be_planned():
    """After a run, times before its end are gone."""
    kernel = Kernel()
    kernel.run_until(10)
    with pytest.raises(ValueError, match="cannot plan for 9 us at 10 us"):
        kernel.at(9, print)


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 3))), st.lists(st.integers(0, 60)))
def test_batches_do_not_change_the_order(planned, stops):
    """However a run is cut into pieces, the same things happen in the same order."""

    def run(pieces):
        kernel, happened = Kernel(), []
        for number, (time, priority) in enumerate(planned):
            kernel.at(time, lambda n: happened.append((kernel.now, n)), number, priority)
        for stop in pieces:
            kernel.run_until(stop)
        kernel.run_until(1000)
        return happened

    expected = [(time, number) for time, _, number in sorted((t, p, n) for n, (t, p) in enumerate(planned))]
    assert run([]) == expected
    assert run(sorted(stops)) == expected


class Plain:
    """The same without a heap: the first of all that is planned, one after the other."""

    def __init__(self):
        self.now, self._planned, self._numbers = 0, [], itertools.count()

    def at(self, time, action, argument, priority):
        """Plan."""
        self._planned.append((time, priority, next(self._numbers), action, argument))

    def run_until(self, time):
        """Run."""
        while self._planned and (first := min(self._planned))[0] < time:
            self._planned.remove(first)
            self.now, priority, _, action, argument = first
            again = action(argument)
            if again is not None:
                self.at(again, action, argument, priority)


_LATER = st.lists(st.tuples(st.integers(0, 9), st.integers(-1, 1)), max_size=4)


@given(st.lists(st.tuples(st.integers(0, 20), _LATER)), st.integers(0, 40))
def test_what_an_action_plans_finds_its_place_too(planned, stop):
    """Sooner or later than what is planned already, and across the end of a run."""

    def run(kernel):
        happened = []

        def action(argument):
            name, later = argument
            happened.append((kernel.now, name))
            for number, (delay, priority) in enumerate(later):
                kernel.at(kernel.now + delay, action, (f"{name}.{number}", ()), priority)
            return kernel.now + 7 if len(later) == 2 else None

        for number, (time, later) in enumerate(planned):
            kernel.at(time, action, (str(number), later), 0)
        for end in (stop, 100):
            kernel.run_until(end)
            happened.append("stop")  # type: ignore[arg-type]
        return happened

    assert run(Kernel()) == run(Plain())


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(-1, 1), st.booleans())), st.integers(0, 30))
def test_stops_do_not_change_the_order(planned, end):
    """Wherever actions end a run, the next run goes on from there; what is planned for the end comes after it."""

    def run(stops):
        kernel, happened = Kernel(), []

        def action(argument):
            number, stopping = argument
            happened.append((kernel.now, number))
            if stops and stopping:
                kernel.stop()

        for number, (time, priority, stopping) in enumerate(planned):
            kernel.at(time, action, (number, stopping), priority)
        for until in (end, 100):
            while True:
                before = kernel.peek()
                if kernel.run_until(until) == until:
                    break
                assert (kernel.peek() or until) >= kernel.now > (before or 0)
            assert all(time < until for time, _ in happened)
        return happened

    assert run(stops=True) == run(stops=False)
    assert len(run(stops=True)) == len(planned)


def test_an_action_that_returns_a_time_is_called_again(log):
    """With the same argument and priority, until it returns None; whole times that are not past only."""
    kernel = Kernel()

    def again(name):
        log.append((kernel.now, name))
        return kernel.now + 10 if kernel.now < 25 else None

    kernel.at(5, again, "it", priority=1)
    kernel.at(15, lambda _: log.append("first"))
    kernel.run_until(100)
    assert log == [(5, "it"), "first", (15, "it"), (25, "it")]
    assert kernel.peek() is None
    for wrong in (1.5, 3):
        kernel.at(200, lambda time: time, wrong)
        with pytest.raises(ValueError, match="times are whole and never in the past"):
            kernel.run_until(300)


@pytest.mark.parametrize(
    ("others", "end", "goes"),
    [((), 100, True), ((61,), 100, True), ((60,), 100, False), ((40, 70), 100, False), ((), 60, False), ((), 61, True)],
)
def test_time_goes_on_where_nothing_is_planned_up_to_then(log, others, end, goes):
    """An action at 30 goes on to 60 unless something else comes at 60 or before, or the run ends before or there."""
    kernel = Kernel()
    kernel.at(30, lambda _: log.append((kernel.skip_to(60), kernel.now)))
    for time in others:
        kernel.at(time, lambda _: None)
    kernel.run_until(end)
    assert log == [(goes, 60 if goes else 30)]
    assert not kernel.skip_to(200)
    assert kernel.now == end
