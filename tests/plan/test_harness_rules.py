"""The limits of the pair by six rules, against the figures that their sources print."""

import pytest

from rvsim.plan.harness_rules import BIT_NS, harness_limits, most_nodes, trunk_by_ohms_m, trunk_by_time_m
from rvsim.rig.harness import HarnessPlan


@pytest.mark.parametrize(
    ("name", "drop", "drops", "trunk", "nodes"),
    [
        ("RV-C", 1.83, None, None, None),
        ("J1939-11", 1, None, 40, 30),
        ("J1939-15", 3, None, 40, 30),
        ("marine", 6, 78, None, 50),
        ("CiA", 11, 55, 250, None),
        ("AN96116", 11, 55, 224, None),
    ],
)
def test_limits(name, drop, drops, trunk, nodes):
    """As printed: 6 ft and one tee; 40 m with 1 or 3 m; 6 and 78 m; 11 and 55 m; each with its source."""
    limits = harness_limits(name, 5.0)
    assert limits.drop_m == pytest.approx(drop, abs=0.005)
    assert limits.drops_m == (None if drops is None else pytest.approx(drops))
    assert limits.trunk_m == (None if trunk is None else pytest.approx(trunk, abs=0.5))
    assert limits.nodes == nodes
    assert limits.rule.origin
    assert "1.83 m (RV-C)" in limits.rule.disagreement


def test_a_slower_cable_allows_less():
    """AN96116 goes by time: with 10 ns/m half of it."""
    assert harness_limits("AN96116", 10.0).drop_m == pytest.approx(5.5)
    assert harness_limits("AN96116", 10.0).drops_m == pytest.approx(27.5)
    assert trunk_by_time_m(10.0) == pytest.approx(112)


@pytest.mark.parametrize(
    ("quanta", "bit_ns", "stub", "total"),
    [(6, 1000, 1.5, 7.5), (8, 1250, 2.5, 12.5), (11, 2000, 5.5, 27.5), (11, 8000, 22, 110), (11, 20000, 55, 275)],
)
def test_stub_table_of_a_controller_maker(quanta, bit_ns, stub, total):
    """1000, 800, 500, 125 and 50 kbit/s: 6, 8 and 11 of 16 quanta over 50 and 10 times 5 ns/m."""
    propagation = bit_ns * quanta / 16
    assert propagation / (50 * 5.0) == pytest.approx(stub)
    assert propagation / (10 * 5.0) == pytest.approx(total)
    if quanta == 11:  # the rule itself, at 250 kbit/s, in proportion
        assert harness_limits("AN96116", 5.0).drop_m * bit_ns / 4000 == pytest.approx(stub)


def test_trunk_by_time():
    """A controller manual: 95 quanta of 12.5 ns are 67.7 m; 11 of 16 quanta at 250 kbit/s are 224 m."""
    assert trunk_by_time_m(5.0, 95 * 12.5) == pytest.approx(67.7, abs=0.1)
    assert trunk_by_time_m(5.0) == pytest.approx(224)


@pytest.mark.parametrize(
    ("milliohm", "nodes", "metres"),
    [(90, 16, 219), (90, 32, 201), (90, 64, 174), (90, 100, 150), (33, 32, 550), (20, 32, 907)],
)
def test_trunk_by_ohms(milliohm, nodes, metres):
    """A transceiver note's equation (11) and the tables that print it: 118 ohm, 20 kilohm a node, one wire a metre."""
    assert trunk_by_ohms_m(2 * milliohm / 1000, 118, 20_000, nodes) == pytest.approx(metres, abs=1)


def test_nodes_by_their_receivers():
    """A home-bus project prints 112 for 20 kilohm; 30 kilohm allow 167."""
    assert most_nodes(20_000, 120) == 112
    assert most_nodes(30_000, 120) == 167


def test_figures_of_a_pair_that_gives_none():
    """ISO 11898 as tabulated: 120 ohm and 5 ns/m, so that 40 m take 200 ns, 5 % of a bit; the ohms are not assumed."""
    pair = HarnessPlan()
    assert (pair.terminator_ohm, pair.delay_ns_per_m, pair.loop_ohm_per_m) == (120, 5, None)
    assert 40 * pair.delay_ns_per_m / BIT_NS == 0.05
