"""Faults of motions on a bench, the place of a motion as a value, and cautions where something moves."""

import pytest

from rvsim.errors import InputError
from rvsim.rig.model import Rig
from rvsim.shakedown.cautions import cautions
from rvsim.shakedown.expect.quantities import quantity
from rvsim.shakedown.explain import render_scenario
from rvsim.shakedown.faults.fault_effects import planned_faults
from rvsim.shakedown.scenario import Scenario

from ..conftest import Vehicle, scenario_of

EXACT = {"clock": "exact", "jitter": "0s", "busy": "0s", "start": "0s"}
OUT = {"module": "module", "load": "motor", "amps": 8, "at_power": "on"}
RIG = Rig.model_validate(
    {
        "schema": 1,
        "name": "one",
        "title": "T",
        "device": [{"name": "centre", "kind": "load_centre", "address": 0x90, "timing": EXACT}],
        "module": [{"name": "module", "device": "centre"}],
        "output": [
            {**OUT, "name": "step out", "terminal": 1, "instance": 1},
            {**OUT, "name": "step in", "terminal": 2, "instance": 2, "at_power": "off"},
        ],
        "motion": [{"name": "step", "what": "step", "extend": "step out", "retract": "step in", "travel": "10s"}],
    }
)


@pytest.fixture
def with_fault(catalogue):
    """A bench of this rig with one fault from 3 s to 20 s; the step moves out from the start on."""

    def go(fault):
        return Vehicle(catalogue, RIG, fault=[{"fault": fault, "from": "3s", "until": "20s", "motion": "step"}])

    return go


def seen(vehicle, seconds):
    """How far the step is out, and the current out of the battery, at some times."""
    found = []
    for second in seconds:
        world = vehicle.run(second).bench.world
        found.append((round(quantity("step.position")[1](world)), round(world.battery_amps)))
    return found


def test_an_obstruction_stops_it_on_its_way(with_fault):
    """With the current of a blocked motor; it goes on when the way is free."""
    vehicle = with_fault("obstruction")
    assert seen(vehicle, (2, 4, 19, 24, 29)) == [(18, 8), (28, 50), (28, 50), (68, 8), (100, 0)]


def test_limit_switches_that_do_not_open_block_the_motor_at_its_end(with_fault):
    """Until they do."""
    vehicle = with_fault("limit_switch_stuck")
    found = seen(vehicle, (4, 9, 12, 21))
    assert [percent for percent, _ in found] == [38, 88, 100, 100]
    assert [amps > 40 for _, amps in found] == [False, False, True, False]
    assert found[-1] == (100, 0)


@pytest.mark.parametrize("fault", ["obstruction", "limit_switch_stuck"])
def test_a_motion_that_the_rig_does_not_have_is_told(catalogue, fault):
    """One line with its place."""
    loaded = scenario_of(RIG, fault=[{"from": "1s", "fault": fault, "motion": "stp"}])
    with pytest.raises(InputError) as told:
        planned_faults(loaded.scenario.faults, lambda number: f"fault {number + 1}", RIG, catalogue, 1)
    assert told.value.problems[0].startswith('fault 1: "stp" is not in the rig (did you mean "step"?); its motions are')


def test_each_is_said_and_so_is_the_caution(catalogue):
    """In the words of the explanation of a scenario; a step without an interlock gets a notice."""
    faults = [{"fault": fault, "motion": "step", "from": "1s"} for fault in ("obstruction", "limit_switch_stuck")]
    loaded = scenario_of(RIG, fault=faults)
    said = "\n".join(render_scenario(loaded, catalogue))
    assert "something is in the way of step" in said
    assert "the limit switches of step do not open" in said
    caution, notice = cautions(loaded, catalogue)
    assert caution.startswith("caution: step, which is only simulated. Motion: ")
    assert notice.startswith('notice: the step "step" has no must_hold')
    assert list(cautions(scenario_of(RIG), catalogue)) == [notice]
    pressed = scenario_of(RIG, step=[{"at": "1s", "override": {"step out": "off"}}])
    assert list(cautions(pressed, catalogue)) == [caution, notice]


def test_the_place_of_an_unknown_motion_is_refused():
    """With the motions that there are; so is the name alone, which is no value."""
    plan = {"schema": 1, "title": "T", "rig": "ottersby", "lasts": "60s"}
    for name, text in (
        ("stp.position", '"stp" is not in the rig (did you mean "step"?)'),
        ("stp", "is not a value of"),
    ):
        whole = {**plan, "expect": [{"expect": "world", "value": name, "at_least": 1.0}]}
        with pytest.raises(ValueError, match="1 validation error") as told:
            Scenario.model_validate(whole, context={"rig": RIG})
        assert text in str(told.value)
