"""Times of a log that go back: late frames, clocks that were set; and all its damage, counted."""

import io
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.read import open_log
from rvsim.logs.survey import survey

MARINE = Path(__file__).parents[2] / "data" / "marine_bus_2014.log"
START = 1_410_714_882_000_000
"""Microseconds since the epoch: 2014-09-14 17:14:42 UTC."""


def read(content):
    """Return the frames and the statistics of a log given as its bytes or its path."""
    with open_log(content if isinstance(content, Path) else io.BytesIO(content), "given") as log:
        frames = list(log.frames())
        return frames, log.statistics


def candump(times):
    """Return lines of candump text."""
    return "".join(f"({t // 10**6}.{t % 10**6:06d}) can0 19FFE45E#0102030405060708\n" for t in times).encode()


def test_times_that_go_back_a_little_are_counted_and_held():
    """Frames stay in the order of the file; what comes late got the time before, since time never goes back.

    They had their own times once: but whoever holds a log against limits counts them as sent at the time before, and
    bus load and gaps were counted with negative times meanwhile.
    """
    frames, statistics = read(candump([START + 5, START + 9, START + 2, START + 2, START + 7, START + 1, START + 11]))
    assert [frame.time for frame in frames] == [0, 4, 4, 4, 4, 4, 6]
    assert (statistics.steps_back, statistics.clock_set_count, statistics.clock_sets) == (2, 0, ())


def test_a_step_back_of_more_than_a_second_is_a_clock_that_was_set():
    """Exactly a second is a late frame, a microsecond more is not: then times go on from the one before."""
    second = 1_000_000
    late, statistics = read(candump([START, START + 5 * second, START + 4 * second, START + 6 * second]))
    assert [frame.time for frame in late] == [0, 5 * second, 5 * second, 6 * second]
    assert (statistics.steps_back, statistics.clock_set_count) == (1, 0)
    back = START + 4 * second - 1
    frames, statistics = read(candump([START, START + 5 * second, back, back + 1, back + 3 * second]))
    assert [frame.time for frame in frames] == [0, 5 * second, 5 * second, 5 * second + 1, 8 * second]
    assert (statistics.steps_back, statistics.clock_set_count) == (0, 1)
    assert statistics.clock_sets == ((3, second + 1),)
    assert (statistics.first, statistics.started) == (START, START)


def test_late_frames_that_add_up_to_more_than_a_second_are_a_clock_that_was_set():
    """What counts is how far behind the time already reached an entry is, not how it got there."""
    times = [0, 3_000_000, 2_500_000, 1_900_000, 2_000_000]
    frames, statistics = read(candump([START + time for time in times]))
    assert [frame.time for frame in frames] == [0, 3_000_000, 3_000_000, 3_000_000, 3_100_000]
    assert (statistics.steps_back, statistics.clock_sets) == (1, ((4, 1_100_000),))


def test_a_clock_can_be_set_by_an_entry_that_is_no_frame():
    """An 11-bit frame tells the time as well; one without a time of its own tells none."""
    frames, statistics = read(b"(500.0) can0 19FFE45E#\n(100.0) can0 123#00\n(101.5) can0 19FFE45E#\n")
    assert [frame.time for frame in frames] == [0, 1_500_000]
    assert statistics.clock_sets == ((2, 400_000_000),)


def test_only_the_first_set_clocks_are_kept():
    """A hundred are told, all are counted."""
    _, statistics = read(candump([START + 2_000_000 * (n % 2) for n in range(302)]))
    assert statistics.clock_set_count == 150
    assert [place for place, _ in statistics.clock_sets] == list(range(3, 203, 2))


@pytest.mark.parametrize("back_s", [3, 3600, 10_000_000])
def test_a_log_whose_clock_was_set_back_gives_what_the_undisturbed_one_gives(catalogue, back_s):
    """The vessel's log with a clock set back ten seconds in: the same load, gaps and flags, but for one gap of 0."""
    lines = MARINE.read_text().splitlines()
    set_back = [line if float(line[1:18]) < 1_410_714_892.622 else _earlier(line, back_s) for line in lines]
    whole, _ = read(MARINE)
    frames, statistics = read("\n".join(set_back).encode() + b"\n")
    place = next(n for n, frame in enumerate(whole) if lines[n] != set_back[n])
    lost = whole[place].time - whole[place - 1].time
    assert frames == [*whole[:place], *(frame._replace(time=frame.time - lost) for frame in whole[place:])]
    assert statistics.clock_sets == ((place + 1, back_s * 1_000_000 - lost),)
    before, after = survey(whole, catalogue), survey(frames, catalogue)
    assert after.load.average_percent == pytest.approx(before.load.average_percent, rel=1e-3)
    assert [(flag.kind, flag.subject) for flag in after.flags] == [(flag.kind, flag.subject) for flag in before.flags]


def _earlier(line, seconds):
    """Return a line of candump text with its time so many seconds earlier."""
    whole, rest = line[1:].split(".", 1)
    return f"({int(whole) - seconds}.{rest}"


@given(st.lists(st.integers(0, 10**7), min_size=1, max_size=40))
def test_time_never_goes_back_whatever_a_log_says(steps):
    """Frames come in order of time, and forward steps from a time already reached stay as they are."""
    frames, statistics = read(candump([START + step for step in steps]))
    times = [frame.time for frame in frames]
    assert times == sorted(times)
    assert times[0] == 0
    assert statistics.clock_set_count <= sum(b < a for a, b in pairwise(steps))
    if steps == sorted(steps):
        assert times == [step - steps[0] for step in steps]
        assert (statistics.steps_back, statistics.clock_set_count) == (0, 0)


def test_all_damage_of_a_log_is_visible_to_a_program():
    """Every entry of a log with each kind of trouble is counted in one place, and in one only."""
    content = (
        candump([START, START + 5_000_000])
        + b"hello\n"
        + candump([START + 4_500_000, START + 2_000_000])
        + b"(1410714882.000000) can0 19FFE45E#01G2\n(1410714884.1) can0 123#00\n"
    )
    _, counts = read(content)
    assert (counts.frames, counts.skipped, counts.steps_back, counts.clock_set_count) == (4, {"11-bit": 1}, 1, 1)
    assert (counts.unreadable_count, [line for line, _ in counts.unreadable]) == (2, [3, 6])
    assert counts.frames + sum(counts.skipped.values()) + counts.unreadable_count == content.count(b"\n")
