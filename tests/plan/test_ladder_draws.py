"""Ladders of parts drawn at random: against the worst case, and against thresholds."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.plan.ladder_draws import draw_ladders
from rvsim.rig.ladder import Ladder

KEYS = {"one": 0.0, "two": 200.0, "three": 510.0, "four": 1000.0, "five": 2000.0, "six": 5100.0}
LADDERS = st.builds(
    Ladder,
    st.floats(100, 1e5),
    st.lists(st.floats(0, 1e5), min_size=1, max_size=8).map(lambda ohms: {str(n): ohm for n, ohm in enumerate(ohms)}),
    st.sampled_from(["to ground", "in series"]),
    st.floats(0, 0.2),
    st.integers(8, 16),
    st.floats(0, 50),
)


@given(LADDERS, st.integers(0, 1000))
def test_no_drawn_ladder_leaves_the_worst_case(ladder, seed):
    """Whatever parts are drawn within their tolerance; and one seed gives one result."""
    drawn = draw_ladders(ladder, seed, draws=60)
    for name, band in ladder.bands.items():
        assert band.low - 1e-12 <= drawn.bands[name].low <= drawn.bands[name].high <= band.high + 1e-12
    assert drawn.gap_counts >= min(gap.share for gap in ladder.gaps) * ladder.counts - 1e-6
    assert draw_ladders(ladder, seed, draws=60) == drawn


def test_the_worst_case_is_not_far_beyond_what_is_drawn():
    """4000 ladders of 5 % come within a tenth of the width of each band's edges; the names of inputs differ."""
    ladder = Ladder(1000, KEYS, contact_ohm=0)
    drawn = draw_ladders(ladder, 1, draws=4000)
    for name, band in drawn.bands.items():
        worst = ladder.bands[name]
        assert band.low - worst.low <= (worst.high - worst.low) / 10
        assert worst.high - band.high <= (worst.high - worst.low) / 10
    assert list(drawn.bands) == list(KEYS)
    assert draw_ladders(ladder, 1, "a") != draw_ladders(ladder, 1, "b")


def test_how_many_drawn_ladders_misread_a_switch():
    """None of 5 %; of two switches whose bands overlap by half about one in eight, by counting another way."""
    assert draw_ladders(Ladder(1000, KEYS), 1).misread_percent == 0
    close = Ladder(1000, {"high": 1080.0, "low": 1000.0}, tolerance=0.05, contact_ohm=0)
    found = draw_ladders(close, 1, draws=4000)
    assert found.gap_counts < 0
    assert list(found.bands) == ["low", "high"]
    # the shares are those of 1000 a and 1080 b over 1000 c; the threshold half way is that of 1039.0 ohm
    import random

    draw = random.Random(2).uniform
    wrong = 0
    for _ in range(4000):
        pull_up, low, high = draw(950, 1050), draw(950, 1050), draw(1026, 1134)
        wrong += low / pull_up >= 1.0392 or high / pull_up < 1.0392
    assert found.misread_percent == pytest.approx(wrong / 40, abs=3)
