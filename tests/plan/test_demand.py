"""What flows where by plan."""

import pytest

from rvsim.rig.demand import RigDemand

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


@pytest.mark.parametrize(("peak", "amps"), [("29.9s", 6.0), ("30s", 20.0)], ids=["short", "continuous"])
def test_a_long_peak_counts_as_continuous(plans, peak, amps):
    """From 30 s on, of a device and of an output; a peak alone is the current of a device that gives no other."""
    device = HEATER + f'peak_amps = 20.0\npeak = "{peak}"\n'
    demand = RigDemand(plans.rig(RIG, device=device))
    assert demand.branch("main").amps == pytest.approx(amps + 10.5)
    alone = HEATER.replace("amps = { furnace = [0.1, 6.0] }\n", "peak_amps = 20.0\n")
    assert RigDemand(plans.rig(RIG, device=alone)).branch("main").amps == pytest.approx(20.0 + 10.5)
    lamp = RIG.replace("peak_amps = 20.0", f'peak_amps = 20.0\npeak = "{peak}"')
    found = RigDemand(plans.rig(lamp, device=HEATER)).branch("outputs")
    assert found.amps == pytest.approx(20.0 + (10.0 if amps == 20.0 else 1.0))


@pytest.mark.parametrize("kind", ['kind = "load_centre"\n', ""], ids=["simulated", "real"])
def test_the_device_of_a_module_counts_without_its_outputs(plans, kind):
    """Its electronics count; the functions that are its outputs would count twice; without a figure it is nothing."""
    centre = '[[device]]\nname = "centre"\naddress = 142\nbranch = "main"\nfunctions = { dc_load = 9, tank = 1 }\n'
    module = RIG.replace('name = "cupboard"', 'name = "cupboard"\ndevice = "centre"')
    amps = "amps = { dc_load = [0.0, 50.0], tank = [0.1, 0.2] }\n"
    assert RigDemand(plans.rig(module, device=centre + kind + amps)).branch("main").amps == pytest.approx(10.5 + 0.2)
    assert RigDemand(plans.rig(module, device=centre + kind)).branch("main").amps == pytest.approx(10.5)


def test_a_module_behind_the_fuse_of_its_device(plans):
    """Its outputs are behind that fuse too, where the module names no branch of its own."""
    centre = '[[device]]\nname = "centre"\naddress = 142\nbranch = "main"\nfuse_amps = 30\nfunctions = { tank = 1 }\n'
    module = RIG.replace('name = "cupboard"\nbranch = "outputs"', 'name = "cupboard"\ndevice = "centre"')
    demand = RigDemand(plans.rig(module, device=centre))
    assert [demand.branch(name).amps for name in ("centre", "main")] == [pytest.approx(21.0)] * 2
    assert [demand.parts(name) for name in ("centre", "main")] == [3, 2]


def test_a_coil_by_its_current_before_its_resistance(plans):
    """What is given for 12 V wins."""
    both = RIG.replace("coil_amps = 0.15", "coil_amps = 0.15\ncoil_ohm = 10.0")
    assert RigDemand(plans.rig(both)).relays == {"relay": 0.15}
