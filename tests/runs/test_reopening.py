"""Attempts to open an interface: when the next one is due, and what a thread does for each."""

import threading

import pytest

from rvsim.errors import BusError
from rvsim.runs.reopening import RETRY_US, Reopening, ThreadedAttempt

pytestmark = pytest.mark.paced
LIMIT_S = 30


class Port:
    """An open port that knows whether it was closed."""

    def __init__(self):
        self.is_closed = threading.Event()

    def close(self):
        """Closed."""
        self.is_closed.set()


def opener(port):
    """Return what opens a port."""
    return lambda: port


def finished(attempt):
    """Wait for an attempt to end."""
    attempt._thread.join(LIMIT_S)
    return attempt


def test_an_attempt_that_succeeds_has_its_port():
    """Open until somebody closes it."""
    port = Port()
    attempt = finished(ThreadedAttempt(opener(port)))
    assert attempt.is_done
    assert attempt.result() == port
    assert not port.is_closed.is_set()


def test_an_attempt_that_fails_raises_its_error():
    """The very error, when its result is asked for."""

    def fail():
        raise BusError("busy")

    attempt = finished(ThreadedAttempt(fail))
    assert attempt.is_done
    with pytest.raises(BusError, match="busy"):
        attempt.result()


def test_an_attempt_in_progress_holds_nobody_up():
    """It is not done; given up, its port is closed as soon as it is open."""
    goes_on, port = threading.Event(), Port()

    def open_slowly():
        goes_on.wait(LIMIT_S)
        return port

    attempt = ThreadedAttempt(open_slowly)
    assert not attempt.is_done
    attempt.abandon()
    goes_on.set()
    assert port.is_closed.wait(LIMIT_S)
    finished(attempt)
    assert not attempt.is_done


def test_a_port_that_is_open_already_is_closed_when_nobody_wants_it():
    """Abandoned after it has ended."""
    port = Port()
    attempt = finished(ThreadedAttempt(opener(port)))
    attempt.abandon()
    assert port.is_closed.is_set()


class Outcome:
    """An attempt that has ended, or not."""

    def __init__(self, outcome):
        self.outcome, self.is_done, self.was_abandoned = outcome, outcome is not None, False

    def result(self):
        """Return or raise it."""
        if isinstance(self.outcome, BusError):
            raise self.outcome
        return self.outcome

    def abandon(self):
        """Nobody waits."""
        self.was_abandoned = True


def test_the_next_attempt_is_due_a_second_after_the_last():
    """The first one at once; none while one is in progress."""
    now, begun = [0], []

    def start():
        begun.append(now[0])
        return Outcome(BusError("busy"))

    attempts = Reopening(start, lambda: now[0])
    for now[0] in range(0, 3 * RETRY_US, RETRY_US // 4):
        try:
            attempts.poll()
        except BusError:
            continue
    assert begun == [0, RETRY_US, 2 * RETRY_US]


def test_an_attempt_in_progress_is_the_only_one():
    """Polled for a minute it is the same; closing abandons it."""
    begun = []

    def start():
        begun.append(Outcome(None))
        return begun[-1]

    now = [0]
    attempts = Reopening(start, lambda: now[0])
    for now[0] in range(0, 60 * RETRY_US, RETRY_US):
        assert attempts.poll() is None
    assert len(begun) == 1
    attempts.close()
    assert begun[0].was_abandoned
    attempts.close()
