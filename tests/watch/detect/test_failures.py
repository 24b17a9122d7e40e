"""rvsim.watch.detect.failures: how failures of one kind are counted and end, without a bus."""

from typing import NamedTuple

import pytest

from rvsim.watch.detect.failures import CALM_US, FailureBook, Failures
from rvsim.watch.traffic import Agenda
from rvsim.watch.transitions import Ended
from rvsim.wire.frame import Frame


class Problem(NamedTuple):
    """A problem with a name of its own."""

    time: int
    since: int
    cause: tuple


class Book:
    """A book of failures, its agenda, and what it has told."""

    def __init__(self):
        self.agenda, self.told = Agenda(), []
        self.book = FailureBook(3, self.agenda, self.told.append, Failures)

    def fail(self, key, now, tell=False):
        """Let something fail, and tell of it."""
        failures = self.book.fail(key, now, now, Frame(now, 0x1CEBFF5E, b""))
        if tell:
            self.book.report(failures, Problem(now, now, (key,)))
        return failures

    def until(self, now):
        """Let the deadlines before a time expire."""
        while (due := self.agenda.due_before(now)) is not None:
            self.agenda.expire(due + 1, due)


@pytest.fixture
def book():
    """Give an empty book."""
    return Book()


def test_a_success_is_forgotten_with_the_next_failure(book):
    """Only a success after the last failure lets the count begin anew."""
    book.fail("a", 0).came_through = True
    assert book.fail("a", 10).count == 2
    assert book.fail("a", 20 + CALM_US).count == 3
    book.book.kinds["a"].came_through = True
    assert book.fail("a", 21 + 2 * CALM_US).count == 1


def test_the_last_frames_are_kept(book):
    """Three, the newest last."""
    for now in range(5):
        failures = book.fail("a", now)
    assert [frame.time for frame in failures.frames] == [2, 3, 4]


def test_calm_ends_a_problem_once_and_its_count(book):
    """The moment after ten minutes; what fails then is the first again."""
    book.fail("a", 0, tell=True)
    book.fail("a", 100, tell=True)
    book.until(CALM_US + 100)
    assert [type(one) for one in book.told] == [Problem, Problem]
    book.until(CALM_US + 101)
    assert book.told[2:] == [Ended(CALM_US + 101, ("a",))]
    assert book.book.kinds == {}
    assert book.fail("a", CALM_US + 200).count == 1


def test_what_has_ended_ends_no_more(book):
    """Its deadline passes without a word, and does not end a new problem of the same kind before its time."""
    book.fail("a", 0, tell=True)
    book.book.end("a", 50)
    book.fail("a", 60, tell=True)
    book.until(CALM_US + 60)
    assert book.told[1] == Ended(50, ("a",))
    assert len(book.told) == 3
    book.until(CALM_US + 61)
    assert len(book.told) == 4
    book.book.end("a", CALM_US + 70)
    assert len(book.told) == 4


def test_what_was_not_told_ends_without_a_word(book):
    """Nothing stood."""
    book.fail("a", 0)
    book.book.end("a", 1)
    book.book.end("b", 1)
    book.until(2 * CALM_US)
    assert book.told == []


def test_the_kinds_that_are_remembered_are_bounded(book):
    """256, the oldest go first; one of which was told ends with it."""
    book.fail(0, 0, tell=True)
    for key in range(1, 256):
        book.fail(key, key)
    assert len(book.told) == 1
    book.fail(256, 256)
    assert (len(book.book.kinds), book.told[1:]) == (256, [Ended(256, (0,))])
    book.fail(5, 300)
    assert len(book.book.kinds) == 256
    assert 1 in book.book.kinds
