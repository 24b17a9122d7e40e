"""rvsim.watch.detect.failures: how failures of one kind are counted and end, without a bus."""

from typing import NamedTuple

import pytest

from rvsim.watch.detect.failures import CLEAR_AFTER_US, FailureCounter, Failures
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import Ended
from rvsim.wire.frame import Frame


class Problem(NamedTuple):
    """A problem with a name of its own."""

    time: int
    since: int
    problem_key: tuple


class CounterWithDeadlines:
    """A failure counter, its deadlines, and what it has reported."""

    def __init__(self):
        self.deadlines, self.reported = Deadlines(), []
        self.counter = FailureCounter(3, self.deadlines, self.reported.append, Failures)

    def fail(self, key, now, *, report=False):
        """Count a failure, and report it where ``report`` is set."""
        failures = self.counter.fail(key, now, now, Frame(now, 0x1CEBFF5E, b""))
        if report:
            self.counter.report(failures, Problem(now, now, (key,)))
        return failures

    def until(self, now):
        """Let the deadlines before a time expire."""
        while (due := self.deadlines.due_before(now)) is not None:
            self.deadlines.expire_first(due + 1, due)


@pytest.fixture
def counter():
    """Return an empty counter."""
    return CounterWithDeadlines()


def test_a_success_is_forgotten_with_the_next_failure(counter):
    """Only a success after the last failure starts a new count."""
    counter.fail("a", 0).has_succeeded = True
    assert counter.fail("a", 10).count == 2
    assert counter.fail("a", 20 + CLEAR_AFTER_US).count == 3
    counter.counter.kinds["a"].has_succeeded = True
    assert counter.fail("a", 21 + 2 * CLEAR_AFTER_US).count == 1


def test_the_last_frames_are_kept(counter):
    """Three, the newest last."""
    for now in range(5):
        failures = counter.fail("a", now)
    assert [frame.time for frame in failures.frames] == [2, 3, 4]


def test_ten_minutes_without_failure_end_a_problem_once_and_its_count(counter):
    """The moment after ten minutes; the next failure is the first again."""
    counter.fail("a", 0, report=True)
    counter.fail("a", 100, report=True)
    counter.until(CLEAR_AFTER_US + 100)
    assert [type(one) for one in counter.reported] == [Problem, Problem]
    counter.until(CLEAR_AFTER_US + 101)
    assert counter.reported[2:] == [Ended(CLEAR_AFTER_US + 101, ("a",))]
    assert counter.counter.kinds == {}
    assert counter.fail("a", CLEAR_AFTER_US + 200).count == 1


def test_an_ended_problem_does_not_end_again(counter):
    """Its deadline passes without an event, and does not end a new problem of the same kind before its time."""
    counter.fail("a", 0, report=True)
    counter.counter.end("a", 50)
    counter.fail("a", 60, report=True)
    counter.until(CLEAR_AFTER_US + 60)
    assert counter.reported[1] == Ended(50, ("a",))
    assert len(counter.reported) == 3
    counter.until(CLEAR_AFTER_US + 61)
    assert len(counter.reported) == 4
    counter.counter.end("a", CLEAR_AFTER_US + 70)
    assert len(counter.reported) == 4


def test_failures_that_were_not_reported_end_without_an_event(counter):
    """Nothing was reported."""
    counter.fail("a", 0)
    counter.counter.end("a", 1)
    counter.counter.end("b", 1)
    counter.until(2 * CLEAR_AFTER_US)
    assert counter.reported == []


def test_the_number_of_kinds_is_bounded(counter):
    """256, the oldest are removed first; a reported one ends when it is removed."""
    counter.fail(0, 0, report=True)
    for key in range(1, 256):
        counter.fail(key, key)
    assert len(counter.reported) == 1
    counter.fail(256, 256)
    assert (len(counter.counter.kinds), counter.reported[1:]) == (256, [Ended(256, (0,))])
    counter.fail(5, 300)
    assert len(counter.counter.kinds) == 256
    assert 1 in counter.counter.kinds
