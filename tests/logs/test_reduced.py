"""Readings over time with a bounded number of points: what is kept, and that it does not depend on how it came."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.reduced import ReducedSeries, reduce_points

CODE = 255
MOST = 20
steps = st.lists(
    st.tuples(st.integers(0, 3000), st.integers(0, 40) | st.just(CODE), st.booleans()), min_size=1, max_size=400
)


def is_value(raw):
    """Tell whether a raw integer is a value."""
    return raw != CODE


def readings(steps):
    """Return times, raw integers and gaps of readings, from steps of time."""
    times = np.cumsum([step for step, _, _ in steps])
    return (
        times,
        np.array([raw for _, raw, _ in steps]),
        np.array([gap and not at % 7 for at, (_, _, gap) in enumerate(steps)]),
    )


def added(times, raws, gaps, most=MOST):
    """Return a series to which readings were added one by one."""
    series = ReducedSeries(is_value, most)
    for time, raw, gap in zip(times.tolist(), raws.tolist(), gaps.tolist(), strict=True):
        series.add(time, raw, after_gap=gap)
    return series


def test_equal_readings_in_a_row_are_one_point():
    """The first of them is kept, and the last reading of all."""
    series = added(np.arange(6), np.array([5, 5, 7, 7, 7, 7]), np.zeros(6, bool))
    assert series.points() == ([0, 2, 5], [5, 7, 7])
    assert (series.readings, series.changes, series.is_reduced) == (6, 1, False)


def test_a_line_goes_on_after_a_gap():
    """The last reading before a gap and the first after it are points, though nothing changed."""
    series = added(np.array([0, 1, 2, 50, 51]), np.full(5, 9), np.array([False, False, False, True, False]))
    assert series.points() == ([0, 2, 50, 51], [9, 9, 9, 9])
    assert series.changes == 0


@given(steps, st.lists(st.integers(1, 60), min_size=1, max_size=20))
def test_blocks_make_no_difference(steps, lengths):
    """Readings in blocks of any lengths give the points of readings one by one."""
    times, raws, gaps = readings(steps)
    series, done, turn = ReducedSeries(is_value, MOST), 0, 0
    while done < len(times):
        block = slice(done, done + lengths[turn % len(lengths)])
        series.extend(times[block], raws[block], gaps[block])
        done, turn = block.stop, turn + 1
    one_by_one = added(times, raws, gaps)
    assert series.points() == one_by_one.points()
    assert (series.readings, series.changes) == (one_by_one.readings, one_by_one.changes)


@given(steps)
def test_nothing_that_stands_out_is_lost(steps):
    """Few points, in order, each a reading: lowest, highest, first and last are among them, and a code if any."""
    times, raws, gaps = readings(steps)
    series = added(times, raws, gaps)
    kept = list(zip(*series.points(), strict=True))
    assert kept == sorted(kept, key=lambda point: point[0])
    assert len(kept) <= MOST + 1
    assert set(kept) <= set(zip(times.tolist(), raws.tolist(), strict=True))
    values = [raw for raw in raws.tolist() if is_value(raw)]
    found = [raw for _, raw in kept if is_value(raw)]
    assert (min(values, default=0), max(values, default=0)) == (min(found, default=0), max(found, default=0))
    assert (CODE in raws) == (CODE in [raw for _, raw in kept])
    assert (kept[0][0], kept[-1]) == (times[0], (times[-1], raws[-1]))


@given(steps)
def test_points_do_not_depend_on_what_is_dropped_on_the_way(steps):
    """A series that was reduced several times has the points of all changes, reduced once."""
    times, raws, gaps = (column.tolist() for column in readings(steps))
    points = [(times[0], raws[0])]
    for at in range(1, len(times)):
        if gaps[at] and points[-1][0] != times[at - 1]:
            points.append((times[at - 1], raws[at - 1]))
        if gaps[at] or raws[at] != raws[at - 1]:
            points.append((times[at], raws[at]))
    kept = reduce_points([time for time, _ in points], [raw for _, raw in points], is_value, MOST)
    expected = list(zip(*kept, strict=True))
    if expected[-1][0] != times[-1]:
        expected.append((times[-1], raws[-1]))
    assert list(zip(*added(*readings(steps)).points(), strict=True)) == expected


@pytest.mark.parametrize(("count", "is_reduced"), [(MOST, False), (MOST + 1, True)])
def test_when_points_are_left_out(count, is_reduced):
    """Only with more changes than points are allowed."""
    series = added(np.arange(count) * 10_000, np.arange(count) % 2, np.zeros(count, bool))
    assert series.is_reduced is is_reduced
    assert (len(series.points()[0]) < count) is is_reduced
