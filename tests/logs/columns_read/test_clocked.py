"""Times in columns are those of the clocks, entry by entry: where several channels, sets and steps back are mixed."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

START = 1_410_714_882_000_000
STEPS = st.integers(0, 100_000) | st.sampled_from(
    [-400, -999_999, -1_000_000, -1_000_001, -(10**9), 10**9, -START, START]
)


def line(time: int, channel: int) -> bytes:
    """Return a line of candump text."""
    sign = "-" * (time < 0)
    return f"({sign}{abs(time) // 10**6}.{abs(time) % 10**6:06d}) can{channel} 19FFE45E#01\n".encode()


@pytest.mark.parametrize("step", [-(10**9), -1_000_001, -1_000_000, -2400, -START - 5, 10**15])
@pytest.mark.parametrize("place", [100, 300, 301, 599])
def test_two_channels_in_turns(same, step, place):
    """One step of the clock in the middle of many entries: each channel meets it, and the halves of the entries."""
    times = [START + 1000 * number + (step if number >= place else 0) for number in range(600)]
    found = same(b"".join(line(time, number % 2) for number, time in enumerate(times)))
    assert found[1].frames == 600
    assert found[1].clock_set_count + found[1].steps_back + found[1].before_zero > 0 or step > 0


@given(
    st.lists(st.tuples(STEPS, st.sampled_from((0, 0, 1, 2))), max_size=80),
    st.integers(1, 40),
    st.sampled_from((0, START)),
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_steps(same, in_small_parts, steps, size, start):
    """Whatever a log's own times do on its channels."""
    in_small_parts(size)
    time, lines = start, [line(start, 1)]
    for step, channel in steps:
        time = max(-(10**7), time + step)
        lines.append(line(time, channel))
    same(b"".join(lines), size)


def test_times_before_zero_are_read_at_once(same):
    """A log that begins before its trigger: times below zero are in order, and one that comes after zero is not."""
    times = [*range(-300_000, 300_000, 1000), -5, 300_000]
    found = same(b"".join(line(time, 0) for time in times))
    assert (found[1].before_zero, found[1].first) == (1, -300_000)


def test_the_kinds_are_in_the_order_of_their_appearance(same):
    """Also where the first entry of a kind is one of many that are read at once."""
    lines = [line(START + number, 0) for number in range(200)]
    lines[150], lines[170] = b"(1410714882.1) can0 20000004#0004000000000000\n", b"(1410714882.1) can0 123#01\n"
    assert list(same(b"".join(lines))[1].skipped) == ["error", "11-bit"]
    lines[130] = lines[170]
    assert list(same(b"".join(lines))[1].skipped) == ["11-bit", "error"]
