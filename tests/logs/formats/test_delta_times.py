"""Delta times are recognised and summed; stamps that no clock gives are told, not believed."""

import io
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.formats.delta_times import are_time_deltas
from rvsim.logs.read import open_log
from rvsim.logs.survey import survey
from rvsim.wire.frame import SECOND_US, Frame

MARINE = Path(__file__).parents[2] / "data" / "marine_bus_2014.log"


@pytest.fixture(scope="module")
def minute(record):
    """A minute of a healthy bench."""
    return record("winter_evening", 60)[0]


def read(text: str):
    """Return frames, the log and its statistics."""
    with open_log(io.BytesIO(text.encode()), "given") as log:
        return list(log.frames()), log


def lines(times) -> str:
    """CandumpReader text with these times in microseconds; negative ones with their sign."""
    return "".join(
        f"({'-' if time < 0 else ''}{abs(time) // SECOND_US:03d}.{abs(time) % SECOND_US:06d}) "
        "can0 19FFE45E#0102030405\n"
        for time in times
    )


def test_the_vessels_log_in_delta_times_is_the_same_log(catalogue):
    """As candump -td writes it: each time is that since the line before, the first one 0."""
    text = MARINE.read_text().splitlines(keepends=True)
    stamps = [round(float(one[1 : one.index(")")]) * SECOND_US) for one in text]
    steps = [0, *(later - earlier for earlier, later in pairwise(stamps))]
    delta = "".join(
        f"({step // SECOND_US:03d}.{step % SECOND_US:06d}){one[one.index(')') + 1 :]}"
        for step, one in zip(steps, text, strict=True)
    )
    with open_log(MARINE) as log:
        expected = survey(log.contents(), catalogue)
    with open_log(io.BytesIO(delta.encode()), "given") as log:
        found = survey(log.contents(), catalogue)
    assert log.are_times_summed
    assert (found.seconds, found.flags, found.sources) == (expected.seconds, expected.flags, expected.sources)
    assert found.load.average_percent == expected.load.average_percent


@given(
    st.lists(st.integers(0, 3 * SECOND_US), min_size=1, max_size=200).map(sorted), st.sampled_from([0, 1_700_000_000])
)
def test_times_that_go_on_are_never_taken_for_deltas(times, start):
    """However they lie: of times in their order none goes back."""
    assert not are_time_deltas([start * SECOND_US + time for time in times])


def test_a_log_with_some_late_frames_is_none_in_deltas():
    """One in ten comes late: that is a log out of order, and stays one."""
    times = [step * 50_000 - (70_000 if step % 10 == 5 else 0) for step in range(400)]
    assert not are_time_deltas(times)


def test_few_lines_tell_nothing():
    """Up to twenty steps are left as they are."""
    assert not are_time_deltas([0, 2, 1] * 6)
    assert are_time_deltas([0] + [20_000, 10_000] * 20)


def test_a_first_stamp_of_0_before_a_date_is_told_and_not_believed():
    """54 years lie between no two frames: the time goes on from there, and the log begins at its first date."""
    date = 1_700_000_000 * SECOND_US
    frames, log = read(lines([0, date, date + SECOND_US]))
    assert [frame.time for frame in frames] == [0, 0, SECOND_US]
    assert log.statistics.jumps == ((2, date),)
    assert log.statistics.started == date


def test_times_before_zero_are_told_and_not_believed():
    """Such frames count as sent at the time before; where there are many, no time of the log is believed."""
    frames, log = read(lines([0, SECOND_US, -5 * SECOND_US, 2 * SECOND_US]))
    assert [frame.time for frame in frames] == [0, SECOND_US, SECOND_US, 2 * SECOND_US]
    assert (log.statistics.before_zero, log.statistics.steps_back, log.statistics.unreadable) == (1, 0, ())


def test_a_log_that_begins_before_zero_is_read(catalogue):
    """Its times count from an event, such as a trigger; they are in order, and none is doubted."""
    content = lines([-2 * SECOND_US, -SECOND_US - 500_000, 0, SECOND_US])
    frames, log = read(content)
    assert [frame.time for frame in frames] == [0, 500_000, 2 * SECOND_US, 3 * SECOND_US]
    assert (log.statistics.before_zero, log.statistics.steps_back, log.statistics.first) == (0, 0, -2 * SECOND_US)
    with open_log(io.BytesIO(content.encode()), "given") as log:
        found = survey(log.contents(), catalogue)
    assert found.in_order
    assert not [flag for flag in found.flags if flag.subject == "log"]


def test_a_time_below_zero_on_another_channel_is_told():
    """Once the log has reached zero, no channel is before it."""
    text = "(1.0) can0 19FFE45E#00\n(-1.0) can1 19FFE45E#00\n(-1.0) can0 19FFE45E#00\n(1.5) can1 19FFE45E#00\n"
    with open_log(io.BytesIO(text.encode())) as log:
        assert [(name, frame.time) for name, frame in log.by_channel() if type(frame) is Frame] == [
            ("can0", 0), ("can1", 0), ("can0", 0), ("can1", 500_000)
        ]  # fmt: skip
        assert log.statistics.before_zero == 2


@pytest.mark.parametrize(("factor", "unit"), [(1_000, "milliseconds"), (1_000_000, "microseconds")])
def test_another_unit_written_as_seconds_is_told(catalogue, minute, factor, unit):
    """A healthy bench whose times are so many times too long: said with the unit, and nothing is judged by times."""
    frames = [frame._replace(time=frame.time * factor) for frame in minute]
    found = survey(frames, catalogue)
    (told,) = [flag for flag in found.flags if flag.subject == "log"]
    assert told.text.startswith(f"its times look like {unit} written as seconds")
    assert not found.in_order


@pytest.mark.parametrize("factor", [1, 2, 10, 100])
def test_slow_or_fast_devices_are_not_taken_for_another_unit(catalogue, minute, factor):
    """A bus on which everything comes ten or a hundred times slower than defined is slow, not misread."""
    frames = [frame._replace(time=frame.time * factor) for frame in minute]
    assert survey(frames, catalogue).in_order


HEADS = [
    "base hex  timestamps absolute\nno internal events logged\n",
    "base hex  no internal events logged\n",
    "base hex\ninternal events logged\n",
    "date Sun Sep 14 07:14:42.622 pm 2014\nbase hex  timestamps absolute\ninternal events logged\n// version 13.0.0\n",
]


@pytest.mark.parametrize("head", HEADS)
@pytest.mark.parametrize(
    "start", ["   0.000000 Start of measurement\n", "   0.000000 CANFD Start of measurement\n", ""]
)
def test_heads_of_asc(head, start):
    """Every head in hex and in decimal gives the same frame, and no start of a measurement is a channel."""
    hexadecimal = "   1.000000 1  19FFE45Ex       Rx   d 2 0A FF\n"
    decimal = f"   1.000000 1  {0x19FFE45E}x       Rx   d 2 10 255\n"
    for text in (head + start + hexadecimal, head.replace("base hex", "base dec") + start + decimal):
        frames, log = read(text)
        assert frames == [Frame(0, 0x19FFE45E, b"\x0a\xff")]
        assert (log.channels, log.statistics.unreadable) == (("1",), ())
