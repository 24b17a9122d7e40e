"""The arithmetic of a switch ladder, against figures from outside and against itself."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.ladder import (
    E24,
    E96,
    OPEN,
    Ladder,
    equal_step_ohms,
    ohm_at,
    parallel,
    preferred_ohm,
    share,
    suggested_ohms,
)

KEYS = {"one": 0.0, "two": 200.0, "three": 510.0, "four": 1000.0, "five": 2000.0, "six": 5100.0}
"""Six keys in equal steps on 1 k, by E24."""


def chain(count: int, tolerance: float = 0.0) -> Ladder:
    """Return a chain of 1 k for so many switches, the first one at the input itself, with 1 k to 5 V."""
    return Ladder(1000, {str(place): 1000.0 if place else 0.0 for place in range(count)}, "in series", tolerance, 10, 0)


def counts(ladder: Ladder) -> list[float]:
    """Return the nominal readings of a ladder on a scale of 1024."""
    return [band.nominal * 1024 for band in ladder.bands.values()]


def test_divider_of_a_published_ladder():
    """A hobby article of 2018: 5 V, 1 k, taps 0 to 9, in volts and in counts of 10 bits."""
    volts = [band.nominal * 5 for band in chain(10).bands.values()]
    assert volts == pytest.approx([0, 2.5, 3.33, 3.75, 4.0, 4.17, 4.29, 4.38, 4.44, 4.50], abs=0.006)
    assert counts(chain(5)) == pytest.approx([0, 512, 683, 768, 819], abs=1)


def test_thresholds_of_a_published_ladder():
    """A hobby page with code has them half way between taps; the last one is half way to open."""
    assert [part * 1024 for part in chain(5).thresholds] == pytest.approx([256, 598, 726, 794, 921], abs=1)


def test_worst_case_bands():
    """Rungs one way and the pull-up the other, as a forum's worked table has it: 1 % parts on 10 bits."""
    bands = [(band.low * 1024, band.high * 1024) for band in chain(6, 0.01).bands.values()]
    wanted = [(0, 0), (506.9, 517.1), (678.1, 687.2), (764.1, 771.8), (815.9, 822.5), (850.5, 856.2)]
    assert [edge for band in bands for edge in band] == pytest.approx(
        [edge for band in wanted for edge in band], abs=0.1
    )
    wide = chain(6, 0.05)
    assert wide.bands["4"].high * 1024 == pytest.approx(835.1, abs=0.1)
    assert wide.bands["5"].low * 1024 == pytest.approx(838.6, abs=0.1)
    assert wide.margin_counts(wide.gaps[4]) == pytest.approx(0.5, abs=0.1), "3.5 counts, less 3 of the converter"


@pytest.mark.parametrize(("tolerance", "most"), [(0.05, 6), (0.02, 14), (0.01, 26), (0.005, 51)])
def test_how_many_equal_rungs_stay_apart(tolerance, most):
    """By the tolerance of the parts, with an ideal converter; six at 5 % is a published limit."""
    assert all(gap.share > 0 for gap in chain(most, tolerance).gaps)
    assert any(gap.share <= 0 for gap in chain(most + 1, tolerance).gaps)


def test_equal_steps():
    """Six keys: R = pull-up x v / (1 - v), and the nearest E24 values; 3 times the room of a chain."""
    assert equal_step_ohms(6, 1000) == pytest.approx((0, 200, 500, 1000, 2000, 5000))
    assert [preferred_ohm(ohm) for ohm in equal_step_ohms(6, 1000)] == list(KEYS.values())
    ladders = [Ladder(1000, KEYS, tolerance=tolerance, contact_ohm=0) for tolerance in (0.01, 0.05)]
    readings = [band.nominal * 1023 for band in ladders[0].bands.values()]
    assert readings == pytest.approx([0, 170.5, 345.5, 511.5, 682.0, 855.3], abs=0.1)
    assert [min(gap.share for gap in ladder.gaps) * 1023 for ladder in ladders] == pytest.approx(
        [156.3, 117.1], abs=0.1
    )


def test_two_keys_together_read_as_a_third():
    """1 k beside 2 k is 667 ohm, share 0.4, nearer to 510 ohm than to 1 k: a key that nobody presses."""
    ladder = Ladder(1000, KEYS)
    assert ladder.ohm({"four": 0, "five": 0}) == pytest.approx(666.7, abs=0.1)
    assert ladder.share_of(ladder.ohm({"four": 0, "five": 0})) == pytest.approx(0.400, abs=0.001)
    assert ladder.thresholds[2] == pytest.approx(0.419, abs=0.001)
    assert ladder.read_together("four", "five") == "three"
    assert ladder.within(0.4) is None, "it is in no band"


def test_in_a_chain_the_nearer_switch_counts():
    """It shortens what is behind it; its contact's resistance is beside the rest of the chain."""
    ladder = Ladder(1000, {"a": 0, "b": 470, "c": 1000}, "in series")
    assert ladder.tap_ohm == {"a": 0, "b": 470, "c": 1470}
    assert ladder.read_together("b", "c") == "b"
    assert ladder.ohm({"b": 50, "c": 0}) == pytest.approx(470 + 50 * 1000 / 1050)


def test_supply_that_is_not_the_reference():
    """A ladder fed from the battery and read against a fixed reference: from 11.0 to 14.4 V all rises by 30.9 %."""
    part = share(1000, 1000)
    assert part * 14.4 / (part * 11.0) - 1 == pytest.approx(0.309, abs=0.001)


def test_temperature_of_the_parts():
    """100 ppm/K over 60 K is 0.6 % more of tolerance, which is room that the gaps lose."""
    assert pytest.approx(0.006) == 100e-6 * 60
    cold, hot = (Ladder(1000, KEYS, tolerance=tolerance) for tolerance in (0.01, 0.016))
    assert min(gap.share for gap in hot.gaps) < min(gap.share for gap in cold.gaps)


def test_current_through_a_contact():
    """5 V and 1 k: 5 mA at key 0, 1 mA at tap 4: less than the 10 mA that are often asked of silver contacts."""
    taps = chain(5).tap_ohm
    assert [5 / (1000 + taps[name]) * 1000 for name in ("0", "4")] == pytest.approx([5.0, 1.0])


def test_a_vehicle_makers_ladder_can_be_told_apart():
    """Eight keys of a service manual, resistance to common with 10 %: with such parts they overlap, with 1 % not."""
    ohms = dict(zip("abcdefgh", (1270, 1564, 1912, 2387, 3102, 4282, 6652, 13632), strict=True))
    assert all(gap.share > 0 for gap in Ladder(3000, ohms, tolerance=0.01).gaps)
    assert any(gap.share <= 0 for gap in Ladder(3000, ohms, tolerance=0.10).gaps)


def test_thresholds_of_an_open_driver():
    """Its table as thresholds: above 2.0 V no key, 1.5 to 2.0 key 1, 1.0 to 1.5 key 2, 0.5 to 1.0 key 3."""
    ohms = {f"key {place}": ohm_at(volts / 2.25, 1000) for place, volts in ((3, 0.75), (2, 1.25), (1, 1.75))}
    ladder = Ladder(1000, ohms)
    assert [round(part * 2.25, 9) for part in ladder.thresholds] == [1.0, 1.5, 2.0]
    assert [ladder.nearest(part) for part in ladder.thresholds] == ["key 2", "key 1", None]
    assert [ladder.nearest(part - 1e-9) for part in ladder.thresholds] == ["key 3", "key 2", "key 1"]


def test_preferred_values():
    """IEC 60063: 24 and 96 a decade, some of them as the standard lists them; E24 are not all in E96."""
    assert (len(E24), len(E96), E96[0], E96[1], E96[-1]) == (24, 96, 100, 102, 976)
    assert {100, 147, 215, 316, 464, 511, 681, 750, 909} <= set(E96)
    assert {10, 15, 22, 33, 47, 51, 68, 91} <= set(E24)
    assert [round(b / a, 2) for a, b in zip(E24, (*E24[1:], 100), strict=True)] == pytest.approx([1.10] * 24, abs=0.05)
    assert [preferred_ohm(ohm) for ohm in (0, 0.95, 98, 4999, 1e6)] == [0, 0.91, 100, 5100, 1e6]
    assert preferred_ohm(498, E96) == 499


def test_contact_resistance_that_flips_a_switch():
    """At the added ohms it is read as the neighbour above, a little below it is not; the last one as none."""
    ladder = Ladder(1000, KEYS, contact_ohm=0)
    for name, above in zip(KEYS, (*list(KEYS)[1:], None), strict=True):
        flip = ladder.flip_ohm(name)
        assert ladder.nearest(ladder.share_of(ladder.ohm({name: flip * 0.999}))) == name
        assert ladder.nearest(ladder.share_of(ladder.ohm({name: flip * 1.001}))) == above
    assert ladder.flip_ohm("three") == pytest.approx(210.8, abs=0.1)


def test_leak_that_flips_a_switch():
    """Moisture beside a switch: at these ohms it is read as the one below; the lowest has none below."""
    ladder = Ladder(1000, KEYS, contact_ohm=0)
    leak = ladder.leak_ohm("three")
    assert leak is not None
    assert ladder.nearest(ladder.share_of(parallel(510, leak * 1.001))) == "three"
    assert ladder.nearest(ladder.share_of(parallel(510, leak * 0.999))) == "two"
    assert ladder.leak_ohm("one") is None


def test_a_suggestion_is_at_least_as_wide_as_equal_steps():
    """Preferred values, lowest first, the smallest gap wider than that of the plain rounding."""
    for count, series, tolerance in ((6, E24, 0.05), (8, E96, 0.01), (1, E24, 0.05)):
        found = suggested_ohms(count, 1000, tolerance, series)
        plain = [preferred_ohm(ohm, series) for ohm in equal_step_ohms(count, 1000)]
        gaps = [
            min(g.share for g in Ladder(1000, {str(o): o for o in ohms}, tolerance=tolerance).gaps)
            for ohms in (found, plain)
        ]
        assert list(found) == sorted(found)
        assert gaps[0] >= gaps[1] > 0
        assert (gaps[0] > gaps[1]) == (count > 1)
        assert all(preferred_ohm(ohm, series) == ohm for ohm in found)


def test_open_is_the_highest_count():
    """An ideal converter has no count for the whole reference."""
    ladder = Ladder(1000, KEYS)
    assert (ladder.reading(OPEN), ladder.reading(0), ladder.reading(1000)) == (1023, 0, 512)
    assert ladder.nearest(1023 / 1024) is None


OHMS = st.floats(1, 1e5)
LADDERS = st.builds(
    Ladder,
    st.floats(100, 1e5),
    st.lists(OHMS, min_size=1, max_size=8).map(lambda ohms: {str(place): ohm for place, ohm in enumerate(ohms)}),
    st.sampled_from(["to ground", "in series"]),
    st.floats(0, 0.2),
    st.integers(8, 16),
    st.floats(0, 50),
)


@given(LADDERS)
def test_each_switch_alone_is_read_as_itself(ladder):
    """The nominal share is on the right side of both thresholds, as long as no two are the same."""
    shares = [band.nominal for band in ladder.bands.values()]
    if len(set(shares)) == len(shares) and all(b - a > 1e-9 for a, b in itertools.pairwise(shares)):
        assert all(ladder.nearest(band.nominal) == name for name, band in ladder.bands.items())


@given(LADDERS, st.data())
def test_several_pressed_are_never_above_the_lowest_one(ladder, data):
    """The input's resistance is at most that of each pressed switch; in series it is nearly that of the nearest."""
    pressed = data.draw(st.lists(st.sampled_from(list(ladder.rungs)), min_size=1, unique=True))
    together = ladder.ohm(dict.fromkeys(pressed, 1.0))
    assert all(together <= ladder.ohm({name: 1.0}) * (1 + 1e-12) for name in pressed)


@given(OHMS, OHMS)
def test_parallel_is_symmetric_and_smaller(first, second):
    """Two beside each other conduct better than each."""
    assert parallel(first, second) == pytest.approx(parallel(second, first))
    assert parallel(first, second) < min(first, second)
    assert parallel(first, OPEN) == first
    assert parallel(0, 0) == 0
    assert math.isinf(parallel(OPEN, OPEN))
