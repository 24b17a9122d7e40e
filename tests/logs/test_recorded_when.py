"""Tests for how logs of one vehicle lie in time."""

from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.recorded_when import RecordedLog, doubled_us, recordings, same_time
from rvsim.wire.frame import SECOND_US

UNITS = frozenset({(0x44, 1), (0x45, 2), (0x5E, None)})
OTHERS = frozenset({(0x44, 7), (0x45, 8), (0x5E, 9)})


def log(name, begins, seconds, units=UNITS, is_dated=True):
    """A log with its times in seconds."""
    return RecordedLog(name, round(begins * SECOND_US), round(seconds * SECOND_US), is_dated, units)


def names(logs):
    """The names of each recording in several files."""
    return [one.names for one in recordings(logs)]


def test_files_that_follow_each_other_are_one_recording_in_any_order():
    """Given as 3, 1, 2; the longest break is told."""
    files = [log("3", 132.5, 60), log("1", 0, 60), log("2", 60.1, 60)]
    assert [(one.names, one.longest_break) for one in recordings(files)] == [(("1", "2", "3"), 12_400_000)]
    assert same_time(files) == []


def test_a_log_of_another_time_or_vehicle_is_no_part_of_it():
    """More than a minute later; other NAMEs; other addresses; one with a date and one without."""
    first = log("1", 0, 60)
    assert names([first, log("2", 120, 60)]) == [("1", "2")]
    assert names([first, log("2", 120.1, 60)]) == []
    assert names([first, log("2", 60, 60, OTHERS)]) == []
    assert names([first, log("2", 60, 60, frozenset({(0x44, 1), (0x90, 2), (0x91, 3), (0x92, 3)}))]) == []
    assert names([first, log("2", 60, 60, is_dated=False)]) == []


def test_logs_without_a_date_may_follow_each_other():
    """By their own clocks; two that both begin at zero do not."""
    assert names([log("1", 0, 60, is_dated=False), log("2", 60, 60, is_dated=False)]) == [("1", "2")]
    assert names([log("1", 0, 60, is_dated=False), log("2", 0, 60, is_dated=False)]) == []
    assert same_time([log("1", 0, 60, is_dated=False), log("2", 0, 60, is_dated=False)]) == []


def test_two_recorders_have_one_vehicle_at_the_same_time():
    """Half of the shorter one, and 15 s; the time that both have counts once."""
    one, other = log("a", 0, 60), log("b", 40, 40)
    (group,) = same_time([one, other])
    assert [each.name for each in group] == ["a", "b"]
    assert doubled_us([group]) == 20 * SECOND_US
    assert same_time([one, log("b", 40.1, 40)]) == []
    assert same_time([one, log("b", 10, 14)]) == []
    assert same_time([one, log("b", 10, 40, OTHERS)]) == []
    assert names([one, other]) == []


@given(st.lists(st.tuples(st.integers(0, 500), st.integers(0, 200)), max_size=8))
def test_no_time_is_counted_twice_and_none_is_lost(spans):
    """Whatever overlaps: what is counted once is at most the whole, and at least the longest log."""
    logs = [log(str(place), begins, seconds) for place, (begins, seconds) in enumerate(spans)]
    whole = sum(one.length_us for one in logs)
    left = whole - doubled_us(same_time(logs))
    assert max((one.length_us for one in logs), default=0) <= left <= whole
    assert sum(len(files) for files in names(logs)) == len({name for files in names(logs) for name in files})
