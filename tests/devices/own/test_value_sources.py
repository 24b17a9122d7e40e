"""The sources of the values of a user-defined device."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.devices.own.own_settings import OwnCopyPlan, OwnProfilePlan
from rvsim.devices.own.value_sources import Constant, CopiedValue, Profile, Ramp, raw_nearest
from rvsim.wire.fields import FieldSpec, Special
from rvsim.wire.frame import SECOND_US

TEMPERATURE = FieldSpec("temperature", 8, 16, scale=3125, offset=-27300000, decimals=5, special=Special.MEASURED)
"""As degrees in RV-C: 1/32 degree from -273."""
POINTS = (["0s", 4.0], ["10s", 6.0], ["20s", 8.0])


def profile(*points, **more):
    """A profile at work."""
    return Profile(OwnProfilePlan.model_validate({"profile": points, **more}))


@pytest.mark.parametrize(
    ("more", "seconds", "value"),
    [
        ({}, 0, 4.0),
        ({}, 5, 5.0),
        ({}, 15, 7.0),
        ({}, 20, 8.0),
        ({}, 99, 8.0),
        ({"steps": True}, 9.9, 4.0),
        ({"steps": True}, 10, 6.0),
        ({"steps": True}, 20, 8.0),
        ({"repeat": True}, 19.5, 7.9),
        ({"repeat": True}, 20, 4.0),
        ({"repeat": True}, 45, 5.0),
        ({"repeat": True, "steps": True}, 35, 6.0),
    ],
)
def test_profiles(more, seconds, value):
    """Lines or steps, keeping the last value or starting again."""
    assert profile(*POINTS, **more).value(round(seconds * SECOND_US)) == pytest.approx(value)


GAPS = st.lists(st.tuples(st.integers(1, 10**6), st.integers(-(10**6), 10**6)), min_size=1, max_size=6)


def points_of(gaps):
    """Points in order, from gaps in milliseconds."""
    time, points = 0, [["0s", 0.0]]
    for gap, value in gaps:
        time += gap
        points.append([f"{time}ms", float(value)])
    return points, [(int(at.removesuffix("ms")) * 1000 if at != "0s" else 0, value) for at, value in points]  # type: ignore[attr-defined]


@given(GAPS, st.integers(0, 10**10))
def test_a_straight_line_is_the_one_that_exact_fractions_give(gaps, now):
    """Held against the textbook's interpolation in fractions, at any moment; steps against a plain search."""
    points, exact = points_of(gaps)
    before = max(at for at in exact if at[0] <= now)
    after = min((at for at in exact if at[0] > now), default=(now + 1, before[1]))
    share = Fraction(now - before[0], after[0] - before[0])
    line = before[1] + (after[1] - before[1]) * share
    assert profile(*points).value(now) == pytest.approx(float(line), abs=1e-6)
    assert profile(*points, steps=True).value(now) == before[1]


@given(GAPS, st.integers(0, 10**10), st.integers(1, 5), st.booleans())
def test_what_repeats_is_the_same_after_its_whole_time(gaps, now, rounds, steps):
    """However many rounds later."""
    points, exact = points_of(gaps)
    one = profile(*points, steps=steps, repeat=True)
    assert one.value(now) == one.value(now + rounds * exact[-1][0])
    assert one.value(now % exact[-1][0]) == profile(*points, steps=steps).value(now % exact[-1][0])


def test_moving_takes_its_time():
    """Two degrees at half a degree a second: four seconds, in a straight line, up or down; without a rate at once."""
    one = Ramp(5.0, 7.0, 10 * SECOND_US, 0.5)
    assert (one.duration_us, one.end) == (4 * SECOND_US, 7.0)
    assert [one.value(second * SECOND_US) for second in (10, 12, 14, 20)] == [5.0, 6.0, 7.0, 7.0]
    down = Ramp(7.0, 5.0, 0, 0.5)
    assert [down.value(second * SECOND_US) for second in (1, 4)] == [6.5, 5.0]
    at_once = Ramp(5.0, 7.0, 0, None)
    assert (at_once.duration_us, at_once.value(0)) == (0, 7.0)


def test_a_constant_stays():
    """Whatever the time."""
    assert Constant(4.5).value(0) == Constant(4.5).value(10**12) == 4.5


def test_a_copy_is_scaled_and_lost():
    """20 degrees, halved and 1 more, are 11; nothing before the first frame, after no data and when it is too old."""
    plan = OwnCopyPlan(copy="A", field="temperature", factor=0.5, offset=1.0)
    one = CopiedValue(plan, TEMPERATURE, lost_after_us=15 * SECOND_US)
    assert one.value(0) is None
    one.receive(5 * SECOND_US, bytes.fromhex("01A024"))  # 24A0 hex = 9376 = (20 + 273) x 32
    assert one.value(20 * SECOND_US) == 11.0
    assert one.value(20 * SECOND_US + 1) is None
    for data in ("01FFFF", "01FEFF", "01"):
        one.receive(30 * SECOND_US, bytes.fromhex("01A024"))
        assert one.value(30 * SECOND_US) == 11.0
        one.receive(30 * SECOND_US, bytes.fromhex(data))
        assert one.value(30 * SECOND_US) is None


@pytest.mark.parametrize(
    ("field", "value", "raw"),
    [
        (TEMPERATURE, 4.5, 8880),  # (4.5 + 273) x 32
        (TEMPERATURE, None, 0xFFFF),
        (TEMPERATURE, 1e300, 0xFFFE),
        (TEMPERATURE, -300.0, 0xFFFE),
        (FieldSpec("mode", 0, 4, special=Special.MEASURED), 99.0, 0xF),  # four bits have no code for out of range
        (FieldSpec("mode", 0, 4, special=Special.MEASURED), 14.0, 0xE),
        (FieldSpec("group", 0, 8), 300.0, 0xFF),
        (FieldSpec("group", 0, 8), -1.0, 0),
        (FieldSpec("shifted", 0, 8, offset=-100), -50.0, 50),
        (FieldSpec("shifted", 0, 8, offset=-100), -101.0, 0),
        (FieldSpec("shifted", 0, 8, offset=-100), 156.0, 0xFF),
    ],
)
def test_the_raw_integer_is_the_nearest(field, value, raw):
    """Rounded to its steps; beyond its range by its code for that, else no data, else the nearest value."""
    assert raw_nearest(field, value) == raw


def test_no_value_needs_a_code():
    """A field without special codes has no code for no data."""
    with pytest.raises(ValueError, match="has no code for no data"):
        raw_nearest(FieldSpec("group", 0, 8), None)
