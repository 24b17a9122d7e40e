"""Lists of runs: values to vary, grids and draws, values laid over a file, the smallest failing run."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.shakedown.jobs import Job, Range, grid_jobs, parse_range, random_jobs, smallest_failure
from rvsim.shakedown.verdict import Outcome, Verdict


@pytest.mark.parametrize(
    ("text", "choices"),
    [
        ("seed=1,2,3", (1, 2, 3)),
        ("weather.outdoor_c=-6.5", (-6.5,)),
        ("shore_power=true, false", (True, False)),
        ("fault.1.from=20s,30s", ("20s", "30s")),
        ("x=-20..10/15", (-20.0, -5.0, 10.0)),
        ("x=0..1/0.25", (0.0, 0.25, 0.5, 0.75, 1.0)),
        ("x=0..1/0.3", (0.0, 0.3, 0.6, 0.9)),
        ("x=1..3", (1.0, 3.0)),
        ("x=0..0.000000003/0.000000001", (0.0, 1e-9, 2e-9, 3e-9)),
    ],
)
def test_values_to_vary(text, choices):
    """A list, or a range with a step; both ends belong to it where the step meets them."""
    assert parse_range(text).choices == choices


@pytest.mark.parametrize(
    "text",
    [
        "x",
        "=1",
        "x=",
        "x=a..3",
        "x=3..1",
        "x=3..3",
        "x=1..3/0",
        "x=1..3/-1",
        "x=0..1/0.0000001",
        "x=1..",
        "x=,",
        "x=1,,2",
        "x=1..inf",
        "x=nan..3",
        "x=1..3/inf",
        "x=0..1e308/1e-300",
        "x=true..3",
    ],
)
def test_what_is_no_value_to_vary(text):
    """One clear line."""
    with pytest.raises(InputError) as refused:
        parse_range(text)
    assert len(refused.value.problems) == 1


def test_whole_numbers_stay_whole():
    """A seed is none with decimals; a range of others has them."""
    assert [type(one) for one in parse_range("seed=1..3/1").choices] == [int, int, int]
    assert [type(one) for one in parse_range("x=1..2/0.5").choices] == [float, float, float]
    large = (1 << 53) + 1
    assert parse_range(f"seed={large}..{large + 2}/2").choices == (large, large + 2)


def test_a_range_has_at_most_10000_values():
    """One more is refused."""
    assert len(parse_range("x=0..9999/1").choices) == 10_000
    with pytest.raises(InputError, match="more than 10000 values"):
        parse_range("x=0..10000/1")


@given(st.text(max_size=30) | st.from_regex(r"x=[-+0-9.einfa_]{1,12}\.\.[-+0-9.einfa_]{1,12}/[0-9.einf-]{0,9}"))
def test_any_text_is_read_or_refused(text):
    """Never anything else."""
    with suppress(InputError):
        assert parse_range(text).choices


def test_a_grid_has_every_combination():
    """Two by three by two seeds, in a fixed order."""
    jobs = grid_jobs("s", [Range("a", (1, 2)), Range("b", ("x", "y", "z"))], [5, 6])
    assert len(jobs) == 12
    assert jobs[0] == Job("s", {"a": 1, "b": "x"}, 5)
    assert jobs[1] == Job("s", {"a": 1, "b": "x"}, 6)
    assert jobs[-1] == Job("s", {"a": 2, "b": "z"}, 6)


def test_a_draw_from_steps_draws_steps():
    """A range with a step is a list of values; one without has no end of them."""
    stepped, open_ended = parse_range("a=0..10/5"), parse_range("a=0..10")
    assert {job.values["a"] for job in random_jobs("s", [stepped], 50, 1)} == {0.0, 5.0, 10.0}
    assert len({job.values["a"] for job in random_jobs("s", [open_ended], 50, 1)}) > 40


def test_too_many_runs_are_refused():
    """Before any is made."""
    with pytest.raises(InputError, match="1000000 runs, more than the limit"):
        grid_jobs("s", [Range("a", tuple(range(1000))), Range("b", tuple(range(1000)))], [None])
    with pytest.raises(InputError, match="--draw 100001"):
        random_jobs("s", [], 100_001, 1)


def test_a_draw_is_the_same_for_one_seed():
    """Values lie in their range, and each run has a seed of its own."""
    ranges = [parse_range("a=-20..10"), parse_range("b=x,y")]
    jobs = random_jobs("s", ranges, 50, 7)
    assert jobs == random_jobs("s", ranges, 50, 7) != random_jobs("s", ranges, 50, 8)
    assert all(-20 <= job.values["a"] <= 10 and job.values["b"] in ("x", "y") for job in jobs)  # type: ignore[operator]
    assert min(job.values["a"] for job in jobs) < -10  # type: ignore[operator]
    assert max(job.values["a"] for job in jobs) > 0  # type: ignore[operator]
    assert len({job.seed for job in jobs}) == 50


def verdict(passed, **values):
    """What one run came to."""
    return Verdict("s", "T", 1, values, 1.0, 1, (Outcome("x", passed),))


def test_the_smallest_failing_run():
    """Fewest values that are not the scenario's own first, then the nearest to them."""
    tried = [
        verdict(True, a=0, b="x"),
        verdict(False, a=10, b="x"),
        verdict(False, a=4, b="x"),
        verdict(False, a=4, b="y"),
        verdict(False, a=2, b="y"),
        verdict(True, a=2, b="x"),
    ]
    assert smallest_failure(tried, {"a": 0, "b": "x"}).values == {"a": 4, "b": "x"}
    assert smallest_failure(tried[3:], {"a": 2, "b": "x"}).values == {"a": 2, "b": "y"}
    assert smallest_failure(tried[:1], {"a": 0, "b": "x"}) is None


def test_one_value_changed_far_is_smaller_than_two_changed_a_little():
    """How many are changed counts before how far."""
    tried = [verdict(True, a=0, b=0), verdict(False, a=10, b=0), verdict(False, a=1, b=1), verdict(True, a=0, b=10)]
    assert smallest_failure(tried, {"a": 0, "b": 0}).values == {"a": 10, "b": 0}


def test_how_far_a_value_is_counts_in_parts_of_what_was_tried():
    """130 of 100 to 200 is nearer than 4 of 0 to 10; 150 of 100 to 200 is farther."""
    ends = [verdict(True, a=100, b=0), verdict(True, a=200, b=10)]
    near, far, other = (verdict(False, a=a, b=b) for a, b in ((130, 0), (150, 0), (100, 4)))
    assert smallest_failure([*ends, other, near], {"a": 100, "b": 0}) is near
    assert smallest_failure([*ends, far, other], {"a": 100, "b": 0}) is other


def test_a_single_value_and_one_of_another_kind():
    """Neither has a range: what is not the scenario's own is changed, by one."""
    text, number = verdict(False, a="x"), verdict(False, a=3)
    assert smallest_failure([number], {"a": 0}) is number
    assert smallest_failure([text], {"a": 0}) is text
    assert smallest_failure([text, number], {"a": "x"}) is text
