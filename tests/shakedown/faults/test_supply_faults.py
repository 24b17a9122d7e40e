"""Faults of a branch of the supply: one that is without power, and one through which too much flows."""

import pytest
from pydantic import ValidationError

from rvsim.errors import InputError
from rvsim.shakedown.explain import render_scenario
from rvsim.shakedown.faults.fault_effects import planned_faults
from rvsim.shakedown.faults.vehicle_fault_plans import BrownOutPlan, OverloadPlan
from rvsim.sim.bench import Bench
from rvsim.wire.frame import SECOND_US

VAN = """
schema = 1
name = "van"
title = "A van with a branch behind a branch"
shore = { amps = 30.0 }
branch = [
  { name = "galley", fuse_amps = 80.0 },
  { name = "ceiling", parent = "galley" },
  { name = "dash", fuse_amps = 5.0, breaker = "automatic" },
]
device = [
  { name = "sensor", kind = "ambient", address = 0x91, functions = { ambient_sensor = 1 }, branch = "galley" },
  { name = "fan", kind = "roof_fan", address = 0x90, functions = { roof_fan = 1 }, branch = "ceiling" },
  { name = "charger", kind = "charger", address = 0x4A, functions = { charger = 1, dc_source = 2 }, branch = "galley" },
  { name = "monitor", kind = "battery_monitor", address = 0x45, functions = MONITOR, branch = "ceiling" },
  { name = "switch", kind = "dc_disconnect", address = 0x49, functions = { dc_disconnect = 1 }, branch = "ceiling" },
  { name = "tank", kind = "tank", address = 0x48, functions = { tank = 0 }, branch = "dash" },
]
""".replace("MONITOR", "{ battery_monitor = 1, dc_source = 1 }")
DEVICES = ("sensor", "fan", "charger", "monitor", "switch", "tank")


@pytest.fixture
def van(vehicle, rig_of):
    """Put the van on a bench with a fault."""

    def put(**fault):
        return vehicle(of=rig_of(VAN), fault=[fault], lasts="200s")

    return put


def heard(run, begin, end):
    """Who sent something in a time."""
    return {device for device in DEVICES if run.of(device, begin=begin, end=end)}


def test_a_brown_out_of_a_branch_takes_all_that_hangs_on_it(van):
    """Also what is behind another branch, and a monitor there; a charger has the mains, and gives nothing meanwhile."""
    run = van(fault="brown_out", branch="galley", **{"from": "20s", "until": "60s"})
    world = run.run(40).bench.world
    assert (world.volts_at("fan"), world.charge_amps("charger"), world.volts_at("tank") > 11) == (0, 0, True)
    run.run(120)
    assert heard(run, 22, 60) == {"charger", "tank"}
    assert heard(run, 70, 120) == set(DEVICES)


def test_a_brown_out_of_a_branch_behind_another(van):
    """What is before it goes on."""
    run = van(fault="brown_out", branch="ceiling", **{"from": "20s"}).run(60)
    assert heard(run, 22, 60) == {"sensor", "charger", "tank"}


def test_a_fault_of_a_branch_counts_from_its_second_on(catalogue, rig_of):
    """Also where nothing has advanced the physics for a while: 1000 seconds of it would open the fuse."""
    rig = rig_of(VAN).model_copy(update={"devices": ()})
    fault = OverloadPlan.model_validate({"fault": "overload", "branch": "galley", "amps": 160, "name": "x"})
    (planned,) = planned_faults((fault,), str, rig, catalogue, 1)
    bench = Bench(rig, catalogue, {})
    bench.plan(1000 * SECOND_US, lambda: planned.apply(bench))
    bench.run_until(1003 * SECOND_US)
    assert not bench.world.is_branch_open("galley")
    assert bench.world.battery_amps == pytest.approx(160)


def test_an_overload_opens_a_fuse_for_good(van):
    """300 A are more than three times 80 A: a second; the fuse is not mended with the cause."""
    run = van(fault="overload", branch="galley", amps=300.0, **{"from": "20s", "until": "30s"})
    world = run.run(100).bench.world
    assert world.is_branch_open("galley")
    assert heard(run, 30, 100) == {"charger", "tank"}
    assert [change.text for change in run.script.changes] == ["the fuse of 80 A of branch galley opens"]


def test_an_overload_below_the_rating_opens_nothing(van):
    """It is drawn from the battery, and ends."""
    run = van(fault="overload", branch="galley", amps=10.0, **{"from": "20s", "until": "60s"})
    amps = []
    for second in (19, 40, 70):
        world = run.run(second).bench.world
        amps.append(world.battery_amps + world.charge_amps("charger"))
    assert [round(one - amps[0]) for one in amps] == [0, 10, 0]
    assert heard(run, 20, 70) == set(DEVICES)


def test_an_automatic_breaker_lets_its_devices_come_and_go(van):
    """20 A through 5 A, which opens within seconds and closes after twenty; at the end it is closed and stays so."""
    run = van(fault="overload", branch="dash", amps=20.0, **{"from": "20s", "until": "80s"}).run(200)
    texts = [change.text.rpartition(" dash ")[2] for change in run.script.changes]
    assert texts[:4] == ["opens", "closes again", "opens", "closes again"]
    assert len(texts) % 2 == 0
    assert "tank" in heard(run, 120, 200)


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ({"fault": "brown_out", "branch": "gally"}, '"gally" is not in the rig (did you mean "galley"?); its branches'),
        ({"fault": "overload", "branch": "bath", "amps": 5}, '"bath" is not in the rig'),
    ],
)
def test_a_branch_that_the_rig_does_not_have(van, fault, said):
    """The near one is named, and which there are."""
    with pytest.raises(InputError) as error:
        van(**fault, **{"from": "1s"})
    assert said in str(error.value)


def test_a_rig_without_branches(vehicle, catalogue, rig):
    """Says what to add."""
    plan = OverloadPlan.model_validate({"fault": "overload", "branch": "galley", "amps": 5, "from": "1s"})
    bare = rig.model_copy(update={"branches": ()})
    with pytest.raises(InputError, match=r'the rig has no branch "galley": it has none; add \[\[branch\]\] to it'):
        planned_faults((plan,), str, bare, catalogue, 1)


@pytest.mark.parametrize("keys", [{}, {"devices": ["heater"], "branch": "galley"}])
def test_a_brown_out_is_of_devices_or_of_a_branch(keys):
    """One of both."""
    with pytest.raises(ValidationError, match="name the devices, or a branch of the rig, and not both"):
        BrownOutPlan.model_validate({"fault": "brown_out", "from": "1s", **keys})


def test_they_read_as_sentences(van):
    """As `rvsim shakedown --explain` tells them."""
    for fault, sentence in (
        ({"fault": "brown_out", "branch": "galley"}, "the supply of branch galley fails, from"),
        ({"fault": "overload", "branch": "dash", "amps": 20}, "20 A too much flow through branch dash, from"),
    ):
        assert sentence in "\n".join(render_scenario(van(**fault, **{"from": "1s"}).loaded))
