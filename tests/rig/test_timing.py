"""What a rig can say of how a device keeps time."""

import pytest
from pydantic import ValidationError

from rvsim.rig.timing import TimingPlan


def refused(**given):
    """The places and texts for which a table is refused."""
    with pytest.raises(ValidationError) as found:
        TimingPlan.model_validate(given)
    return [(error["loc"], error["msg"].removeprefix("Value error, ")) for error in found.value.errors()]


def test_what_is_omitted_is_left_to_the_seed():
    """A crystal without a main loop; all else is drawn."""
    plan = TimingPlan.model_validate({})
    assert (plan.clock, plan.loop) == ("crystal", 0)
    assert {plan.clock_ppm, plan.jitter, plan.busy, plan.busy_every, plan.start} == {None}


def test_figures_are_read_in_microseconds():
    """Times have their unit."""
    plan = TimingPlan.model_validate({"clock_ppm": -40.0, "jitter": "0.1ms", "busy": "4ms", "busy_every": "1s"})
    assert (plan.clock_ppm, plan.jitter, plan.busy, plan.busy_every) == (-40.0, 100, 4_000, 1_000_000)


@pytest.mark.parametrize(
    ("key", "given"),
    [
        ("clock_ppm", 15_801.0),
        ("clock_ppm", -15_801.0),
        ("jitter", "1001ms"),
        ("busy", "1001ms"),
        ("busy_every", "0.9ms"),
        ("busy_every", "61min"),
        ("loop", "1001ms"),
        ("start", "61s"),
        ("clock", "sundial"),
        ("jiter", "1ms"),
    ],
)
def test_what_no_node_has_is_refused(key, given):
    """By its key."""
    ((place, _),) = refused(**{key: given})
    assert place == (key,)


def test_an_exact_clock_has_no_error():
    """The two keys contradict each other."""
    assert refused(clock="exact", clock_ppm=5.0) == [
        ((), 'an exact clock has no error; remove clock_ppm, or write clock = "crystal"')
    ]
