"""Where numbers came from: bounded memory, and a slope that is told only over long enough a time."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.faces.screen.trends import MAX_NUMBERS, MAX_SAMPLES, MIN_SPAN_US, SAMPLE_INTERVAL_US, Trends
from rvsim.wire.frame import SECOND_US


def noted(*figures: tuple[float, float]) -> Trends:
    """Trends of one number, by seconds."""
    trends = Trends()
    for seconds, value in figures:
        trends.add("t", round(seconds * SECOND_US), value)
    return trends


def test_a_slope_by_hand():
    """From 19.9 at 10 s to 19.4 at 60 s: half a degree in 50 s is 0.6 in a minute, falling."""
    trends = noted((10, 19.9), (30, 25.0), (60, 19.4))
    assert trends.change_per_minute("t") == pytest.approx(-0.6)
    assert trends.oldest("t") == 19.9


@pytest.mark.parametrize(("seconds", "told"), [(49.999, None), (50, 1.2), (100, 0.6)])
def test_a_slope_needs_fifty_seconds(seconds, told):
    """A trend over less is not told; one degree in 50 s is 1.2 in a minute."""
    assert noted((0, 5.0), (seconds, 6.0)).change_per_minute("t") == (None if told is None else pytest.approx(told))


def test_what_was_never_noted_has_no_past():
    """Neither past nor slope."""
    assert Trends().oldest("t") is None
    assert Trends().change_per_minute("t") is None


def test_one_figure_in_five_seconds_is_kept():
    """Figures in between change nothing, the one after five seconds does."""
    trends = noted((0, 0.0), *((n / 10, 99.0) for n in range(1, 50)), (50, 10.0), (54.9, 99.0))
    assert trends.change_per_minute("t") == pytest.approx(12.0)
    assert noted((0, 1.0), (50, 2.0), (55, 3.0)).change_per_minute("t") == pytest.approx(2 * 60 / 55)


def test_the_past_is_two_minutes_ago_at_most():
    """25 figures, one each five seconds: at 200 s the oldest is from 80 s. A quarter a second is 15 in a minute."""
    trends = noted(*((seconds / 4, seconds / 16) for seconds in range(4 * 200 + 1)))
    assert trends.oldest("t") == 80 / 4
    assert trends.change_per_minute("t") == pytest.approx(15.0)


def test_what_nobody_looked_at_for_long_starts_anew():
    """After a pause of more than two minutes the old figures say nothing of now."""
    trends = noted((0, 5.0), (60, 10.0), (125, 10.0))
    assert trends.oldest("t") == 5.0
    trends.add("t", 186 * SECOND_US, 20.0)
    assert trends.oldest("t") == 10.0
    trends.add("t", 1000 * SECOND_US, 30.0)
    assert (trends.oldest("t"), trends.change_per_minute("t")) == (30.0, None)


def test_the_number_noted_longest_ago_goes_first():
    """With every place taken, a new number pushes out the one that was not noted for longest; the others stay."""
    trends = Trends()
    for key in range(MAX_NUMBERS):
        trends.add(key, 0, float(key))
    trends.add(0, SECOND_US, 7.0)
    trends.add("new", SECOND_US, 8.0)
    assert trends.oldest(1) is None
    assert (trends.oldest(0), trends.oldest(2), trends.oldest(MAX_NUMBERS - 1), trends.oldest("new")) == (
        0.0,
        2.0,
        MAX_NUMBERS - 1,
        8.0,
    )


def test_memory_is_bounded():
    """However many numbers come, the last ones are followed, and no more than there are places for."""
    trends = Trends()
    for key in range(3 * MAX_NUMBERS):
        trends.add(key, key, 1.0)
    assert [key for key in range(3 * MAX_NUMBERS) if trends.oldest(key) is not None] == list(
        range(2 * MAX_NUMBERS, 3 * MAX_NUMBERS)
    )


@given(st.lists(st.tuples(st.integers(0, 400 * SECOND_US), st.integers(-50, 50)), min_size=1, max_size=80))
def test_the_past_is_a_figure_that_was_noted(figures):
    """Whenever looks happen: the past is a figure of the last two minutes, and a slope spans figures that were noted.

    Two minutes are 25 figures of 5 s each; a slope over at least 50 s is at most the whole change in 50 s.
    """
    figures.sort()
    trends = Trends()
    for time, value in figures:
        trends.add("t", time, value)
    now = figures[-1][0]
    recent = [value for time, value in figures if now - time <= MAX_SAMPLES * SAMPLE_INTERVAL_US]
    assert trends.oldest("t") in recent
    slope = trends.change_per_minute("t")
    assert slope is None or abs(slope) <= (max(recent) - min(recent)) * 60 * SECOND_US / MIN_SPAN_US + 1e-9
