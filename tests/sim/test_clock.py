"""The clocks: how long is waited, without waiting."""

import threading

import pytest

from rvsim.sim import clock as clock_module
from rvsim.sim.clock import PacedClock


class FakeTime:
    """A monotonic clock that moves only by sleeping."""

    def __init__(self):
        self.ns = 5_000_000_000
        self.slept = []

    def monotonic_ns(self):
        """Tell the time."""
        return self.ns

    def sleep(self, seconds):
        """Let time go by."""
        self.slept.append(round(seconds, 9))
        self.ns += round(seconds * 1e9)


@pytest.fixture
def wall(monkeypatch) -> FakeTime:
    """A wall clock that the test controls."""
    fake = FakeTime()
    monkeypatch.setattr(clock_module, "time", fake)
    return fake


def test_paced_time_sleeps_what_is_left(wall):
    """Each wait sleeps only until the moment's place on the wall clock, so errors do not add up."""
    clock = PacedClock()
    clock.wait_until(0)
    clock.wait_until(2_000_000)
    wall.ns += 300_000_000  # something took its time
    clock.wait_until(3_000_000)
    assert wall.slept == [2.0, 0.7]


def test_speed_divides_the_wait(wall):
    """At twenty times the wall clock two seconds take a tenth of one."""
    clock = PacedClock(speed=20)
    clock.wait_until(0)
    clock.wait_until(2_000_000)
    assert wall.slept == [0.1]


def test_a_late_moment_does_not_wait(wall):
    """A moment that has gone by on the wall clock returns at once."""
    clock = PacedClock()
    clock.wait_until(0)
    wall.ns += 5_000_000_000
    assert clock.wait_until(1_000_000)
    assert wall.slept == []


def test_a_wait_can_be_woken(wall):
    """A set event ends the wait at once; the wait returns False."""
    clock, wake = PacedClock(), threading.Event()
    clock.wait_until(0)
    wake.set()
    assert not clock.wait_until(60_000_000, wake)
    assert wall.slept == []


def test_a_wake_goes_before_a_moment_that_is_late(wall):
    """However far behind the clock is, whoever woke it is answered first."""
    clock, wake = PacedClock(), threading.Event()
    clock.wait_until(0)
    wall.ns += 60_000_000_000
    wake.set()
    assert not clock.wait_until(1_000_000, wake)
    wake.clear()
    assert clock.wait_until(1_000_000, wake)


def test_it_tells_how_far_it_has_come(wall):
    """Half a second of the wall clock at four times its speed is two seconds."""
    clock = PacedClock(speed=4)
    clock.wait_until(0)
    wall.ns += 500_000_000
    assert clock.reached() == 2_000_000


def test_a_pause_does_not_count(wall):
    """While paused nothing comes but a wake; afterwards time goes on from where it stood."""
    clock, wake = PacedClock(), threading.Event()
    clock.wait_until(0)
    wall.ns += 1_000_000_000
    clock.pause()
    wall.ns += 50_000_000_000
    clock.pause()
    wake.set()
    assert not clock.wait_until(500_000, wake)
    clock.resume()
    clock.wait_until(3_000_000)
    assert wall.slept == [2.0]


@pytest.mark.parametrize("speed", [0, -1, float("nan")])
def test_time_runs_forward(speed):
    """A speed that is not above 0 is refused."""
    with pytest.raises(ValueError, match="is not above 0"):
        PacedClock(speed)


def test_another_speed_continues_from_the_present_time(wall):
    """Two seconds at once, then two more at four times the speed take half a second."""
    clock = PacedClock()
    clock.wait_until(0)
    clock.wait_until(2_000_000)
    clock.set_speed(4)
    assert clock.reached() == 2_000_000
    clock.wait_until(4_000_000)
    assert wall.slept == [2.0, 0.5]


def test_another_speed_while_standing_still(wall):
    """Nothing is lost or gained in a pause."""
    clock = PacedClock()
    clock.wait_until(0)
    clock.wait_until(1_000_000)
    clock.pause()
    wall.ns += 7_000_000_000
    clock.set_speed(2)
    clock.resume()
    clock.wait_until(3_000_000)
    assert wall.slept == [1.0, 1.0]


def test_jumping_to_another_moment(wall):
    """From there on it goes at its speed."""
    clock = PacedClock(speed=2)
    clock.set_time(60_000_000)
    assert clock.reached() == 60_000_000
    clock.wait_until(61_000_000)
    assert wall.slept == [0.5]


@pytest.mark.parametrize("speed", [0, -1])
def test_another_speed_is_above_nought(wall, speed):
    """As the first one."""
    with pytest.raises(ValueError, match="not above 0"):
        PacedClock().set_speed(speed)


@pytest.mark.parametrize(("speed", "slack"), [(0.5, 0), (1, 0), (20, 40_000)])
def test_slack_is_two_milliseconds_of_the_wall(speed, slack):
    """Faster than the wall clock, what falls within 2 ms of it is worth no wait."""
    assert PacedClock(speed).slack_us == slack


class Wake:
    """An event that is set when it was waited for so often; it moves the wall clock meanwhile."""

    def __init__(self, wall, after):
        self.wall, self.left, self.waits = wall, after, []

    def is_set(self):
        """Tell whether it is set."""
        return self.left <= 0

    def wait(self, seconds):
        """Let time go by."""
        self.waits.append(seconds)
        self.wall.ns += round(seconds * 1e9)
        self.left -= 1
        return self.is_set()


def test_a_long_wait_comes_in_pieces_that_ctrl_c_can_end(wall):
    """On Windows nothing else ends a wait for an event; the pieces add up to the whole wait."""
    clock, wake = PacedClock(speed=0.5), Wake(wall, 100)
    assert clock.wait_until(0, wake)  # type: ignore[arg-type]
    assert clock.wait_until(1_000_000, wake)  # type: ignore[arg-type]
    assert max(wake.waits) <= 0.5
    assert sum(wake.waits) == pytest.approx(2.0)


@pytest.mark.parametrize("speed", [1e-6, 1e-300])
def test_a_wait_for_years_can_be_woken(wall, speed):
    """However slowly time runs, no wait is longer than the system knows."""
    clock, wake = PacedClock(speed), Wake(wall, 3)
    clock.wait_until(0, wake)  # type: ignore[arg-type]
    assert not clock.wait_until(60_000_000, wake)  # type: ignore[arg-type]
    assert len(wake.waits) == 3
    clock.pause()
    wake.left = 3
    assert not clock.wait_until(60_000_000, wake)  # type: ignore[arg-type]
    assert wake.waits == [0.5] * 6


def test_a_wait_without_an_event_is_no_longer_than_the_system_allows(wall):
    """It is slept in pieces; the last one ends at the moment."""
    clock = PacedClock(speed=1e-10)
    clock.wait_until(0)
    assert clock.wait_until(2_000_000)
    assert max(wall.slept) <= threading.TIMEOUT_MAX
    assert sum(wall.slept) == pytest.approx(2e10)


class TickingTime(FakeTime):
    """A monotonic clock that goes on by a microsecond whenever somebody looks."""

    def monotonic_ns(self):
        """Tell the time."""
        self.ns += 1000
        return self.ns


@pytest.mark.parametrize(
    ("speed", "exact_until", "polled_us"), [(1, 10_000, 150), (0.5, 10_000, 150), (1, 9_999, 0), (1.5, 10_000, 0)]
)
def test_the_last_part_of_an_exact_wait_is_polled(monkeypatch, speed, exact_until, polled_us):
    """A wait for an event ends late; what is left of an exact one is spent looking at the clock. Not above speed 1."""
    wall = TickingTime()
    monkeypatch.setattr(clock_module, "time", wall)
    clock, wake = PacedClock(speed), Wake(wall, 2)
    clock.wait_until(0)
    clock.exact_until = exact_until
    assert clock.wait_until(10_000, wake)  # type: ignore[arg-type]
    assert sum(wake.waits) * 1e6 == pytest.approx(10_000 / speed - polled_us, abs=5)
    assert clock.reached() == pytest.approx(10_000, abs=5)


def test_a_poll_can_be_woken(monkeypatch):
    """What comes in the last part of an exact wait ends it as well."""
    wall = TickingTime()
    monkeypatch.setattr(clock_module, "time", wall)
    clock, wake = PacedClock(), threading.Event()
    clock.wait_until(0)
    clock.exact_until = 100
    looks = iter([False, False, False])
    monkeypatch.setattr(wake, "is_set", lambda: next(looks, True))
    assert not clock.wait_until(100, wake)
    assert clock.reached() < 50
