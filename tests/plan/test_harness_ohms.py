"""The ohms of the pair: against published figures, and against a network of both wires that is solved another way."""

from dataclasses import replace
from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.plan.harness_ohms import Shunt, beside, missing_figures, pair_network
from rvsim.rig.harness import HarnessPlan, TapPlan


def pair(*taps, per_m=0.14, **harness):
    """Return the pair of these taps; 0.14 ohm/m is a pair of 70 mohm/m in each wire."""
    plan = HarnessPlan(loop_ohm_per_m=per_m, **harness)
    return pair_network(plan, [TapPlan.model_validate(one) for one in taps])


def tap(name, length=None, *, drops=(), **more):
    """Return a tap as a file has it; a drop is its device and length, and "terminator" where it has one."""
    entries = [{"device": drop[0], "length_m": drop[1], "terminator": "terminator" in drop} for drop in drops]
    return {"name": name, "drops": entries, **({} if length is None else {"length_m": length}), **more}


TRUNK = (tap("one", terminator=True), tap("middle", 10), tap("two", 10, terminator=True))
"""20 m with a terminator at each end and no node."""


def test_a_trunk_of_20_m():
    """By arithmetic: at an end and in the middle; with a terminator missing at the one end; with a short in between."""
    network = pair(*TRUNK)
    assert network.readings == pytest.approx([60.69, 60.70, 60.69], abs=0.01)
    last = network.terminators[-1]
    assert network.without(last) == pytest.approx([120.0, 121.4, 122.8], abs=0.01)
    assert [network.shorted(1, at) for at in range(3)] == pytest.approx([1.38, 0, 1.38], abs=0.01)
    metre = pair(tap("one", terminator=True), tap("near", 9), tap("fault", 1), tap("two", 10, terminator=True))
    away = [metre.shorted(2, at) for at in (1, 2)]
    assert away[0] - away[1] == pytest.approx(0.14, abs=0.001), "so much a metre"


@pytest.mark.parametrize(("count", "ohm"), [(1, 120), (2, 60), (3, 40), (4, 30)])
def test_terminators_side_by_side(count, ohm):
    """Service texts: 120, 60, 40 and 30 ohm with the power off; cable left out."""
    taps = [tap(f"tap {number}", 1, terminator=True) for number in range(count)]
    network = pair(*taps, per_m=None)
    assert network.readings == pytest.approx([ohm] * count)
    assert beside(network.readings[0], 120) == pytest.approx(120 / (count + 1))
    assert beside(inf, 120) == 120


@pytest.mark.parametrize(("terminator", "ohm"), [(108, 54), (132, 66), (100, 50), (130, 65)])
def test_tolerance_of_terminators(terminator, ohm):
    """A gateway manual quotes 108 to 132 ohm each, other texts 100 to 130."""
    assert pair(*TRUNK, per_m=None, terminator_ohm=terminator).readings[0] == pytest.approx(ohm)


@pytest.mark.parametrize(("nodes", "terminators", "ohm"), [(20, 2, 57.7), (10, 2, 58.8), (10, 3, 39.5)])
def test_nodes_of_30_kilohm(nodes, terminators, ohm):
    """Receivers beside the terminators, by arithmetic."""
    drops = [(f"d{number}", 0.5) for number in range(nodes)]
    taps = [tap(f"tap {number}", 1, terminator=True) for number in range(terminators)]
    network = pair(*taps, tap("last", 1, drops=drops), per_m=None)
    assert network.readings[0] == pytest.approx(ohm, abs=0.05)


def test_reading_at_one_end_by_the_loop_resistance():
    """120 x (120 + R) / (240 + R), 62.4 ohm for 10 ohm."""
    network = pair(tap("one", terminator=True), tap("two", 10, terminator=True), per_m=1.0)
    assert network.readings[0] == pytest.approx(120 * 130 / 250)
    assert network.readings[0] == pytest.approx(62.4, abs=0.05)


def test_a_device_takes_its_terminator_with_it():
    """Unplugged, neither its terminator nor its receiver is there; one in a tap leaves the devices alone."""
    network = pair(tap("one", terminator=True), tap("two", 5, drops=[("heater", 0.5, "terminator"), ("fan", 0.5)]))
    bare = pair(tap("one", terminator=True), tap("two", 5, drops=[("fan", 0.5)]))
    assert network.without(network.terminators[1])[:2] == pytest.approx(bare.readings[:2])
    own = pair(tap("one"), tap("two", 5, drops=[("heater", 0.5, "terminator"), ("fan", 0.5)]))
    assert network.without(network.terminators[0]) == pytest.approx(own.readings)
    only = pair(tap("one"), tap("two", 5, drops=[("heater", 0.5, "terminator")]))
    assert only.without(only.terminators[0]) == [inf] * 3


def test_nothing_between_the_wires_is_open():
    """A pair without terminators and devices; with one device everything is its receiver."""
    assert pair(tap("one"), tap("two", 3)).readings == [inf, inf]
    assert pair(tap("one", drops=[("fan", 0)])).readings == pytest.approx([30_000, 30_000])


def test_what_the_ohms_need():
    """The resistance of the cable, and each length; the first tap has no cable before it."""
    taps = [TapPlan.model_validate(one) for one in (tap("one", drops=[("fan", None)]), tap("two"), tap("three", 2))]
    assert missing_figures(HarnessPlan(), taps) == [
        "loop_ohm_per_m of the harness",
        "length_m of tap two",
        "length_m of the drop to fan",
    ]
    assert missing_figures(HarnessPlan(loop_ohm_per_m=0.1), taps[2:]) == []


# Against both wires as a network of their own.

LENGTHS = st.sampled_from([0.0, 0.3, 1.0, 4.0])
TREES = st.lists(
    st.tuples(st.integers(0, 100), st.booleans(), LENGTHS, st.booleans(), st.integers(0, 2), st.booleans()),
    min_size=1,
    max_size=6,
)


def rig_of(tree):
    """Return taps of drawn figures: chained or not, with terminators and drops anywhere."""
    taps = []
    for number, (above, is_chained, length, is_terminated, drops, built_in) in enumerate(tree):
        own = [(f"d{number}.{one}", 0.5 * one, "terminator") if built_in else (f"d{number}.{one}", 0.5 * one)
               for one in range(drops)]  # fmt: skip
        more = {"on": f"t{above % number}"} if is_chained and number else {}
        taps.append(tap(f"t{number}", length, drops=own, terminator=is_terminated, **more))
    taps.append(tap("end", 2.0, terminator=True))
    return taps


def both_wires(network, *, leave_out=None):
    """Return what a meter shows at each point, by the Laplacian of H and L apart; a cable of none has 1 microohm."""
    count = len(network.points)
    laplacian = np.zeros((2 * count, 2 * count))

    def connect(a, b, ohm):
        for one, other in ((a, b), (b, a)):
            laplacian[one, one] += 1 / ohm
            laplacian[one, other] -= 1 / ohm

    for number, (a, b, ohm) in enumerate(network.cables):
        if number != leave_out:
            half = max(ohm / 2, 1e-6)
            connect(a, b, half)
            connect(a + count, b + count, half)
    for shunt in network.shunts:
        connect(shunt.point, shunt.point + count, shunt.ohm)
    inverse = np.linalg.pinv(laplacian, rcond=1e-14)
    probes = np.hstack([np.eye(count), -np.eye(count)])
    return np.einsum("ij,jk,ik->i", probes, inverse, probes)


@given(TREES)
def test_readings_of_any_tree(tree):
    """As built, and with each cable open where something is on both sides of it."""
    network = pair(*rig_of(tree))
    readings = network.readings
    assert readings == pytest.approx(both_wires(network), rel=1e-4)
    for number, (near, far, here, there) in enumerate(network.opened()):
        open_pair = both_wires(network, leave_out=number)
        for point, ohm in ((near, here), (far, there)):
            if ohm < inf:
                assert ohm == pytest.approx(open_pair[point], rel=1e-3)
    for terminator in network.terminators:
        left = tuple(
            one
            for one in network.shunts
            if one is not terminator and (one.device is None or one.device != terminator.device)
        )
        if left:
            expected = both_wires(replace(network, shunts=left))
            assert network.without(terminator) == pytest.approx(expected, rel=1e-3)


@given(TREES, st.data())
def test_a_short_anywhere(tree, data):
    """As both wires with almost no resistance between them at the fault."""
    network = pair(*rig_of(tree))
    fault = data.draw(st.integers(0, len(network.points) - 1))
    expected = both_wires(replace(network, shunts=(*network.shunts, Shunt(fault, 1e-4))))
    found = [network.shorted(fault, point) for point in range(len(network.points))]
    assert found == pytest.approx(expected, abs=1e-3)
    assert found[fault] == 0


def test_an_open_cable_with_nothing_behind_it():
    """The bare side is open, the other one reads what is left; a tap that is chained to a later one as well."""
    network = pair(tap("one", terminator=True), tap("loft", 1, on="two"), tap("two", 5), per_m=0.1)
    found = {network.points[far]: (here, there) for _, far, here, there in network.opened()}
    assert found["tap two"] == (pytest.approx(120), inf)
    assert found["tap loft"] == (pytest.approx(120.5), inf)
    bare = pair(tap("one"), tap("two", 5))
    assert list(bare.opened()) == [(0, 1, inf, inf)]
