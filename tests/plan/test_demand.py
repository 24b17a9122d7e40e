"""What flows where by plan."""

import pytest

from rvsim.plan.demand import RigDemand

RIG = """
[[module]]
name = "cupboard"
branch = "outputs"

[[branch]]
name = "main"

[[branch]]
name = "outputs"
parent = "main"
share_percent = 50

[[relay]]
name = "relay"
coil_amps = 0.15

[[output]]
name = "lamp"
module = "cupboard"
terminal = 1
amps = 2.0
peak_amps = 20.0
share_percent = 50

[[output]]
name = "mat"
module = "cupboard"
terminal = 2
amps = 20.0
relay = "relay"
"""
HEATER = """
[[device]]
name = "heater"
address = 0x5E
functions = { furnace = 1 }
branch = "main"
amps = { furnace = [0.1, 6.0] }
"""


def test_currents_add_up_with_their_shares(plans):
    """The coil counts for the module, its load for the branch; the one start that adds most counts once."""
    demand = RigDemand(plans.rig(RIG, device=HEATER))
    module = demand.module(demand.rig.modules[0])
    assert module.amps == pytest.approx(2.0 * 0.5 + 0.15)
    assert module.peak_amps == pytest.approx(20.0 + 0.15)
    assert demand.branch("outputs").amps == pytest.approx(21.0)
    assert demand.branch("main").amps == pytest.approx(6.0 + 10.5)


def test_a_figure_that_is_missing_is_named(plans):
    """Nothing is assumed: the sum is unknown, and the key is told."""
    demand = RigDemand(plans.rig(RIG.replace("amps = 2.0\n", "", 1), device=HEATER))
    found = demand.branch("main")
    assert found.amps is None
    assert found.missing == ("amps of output lamp",)
