"""Faults of relays and loads on a bench: what they change, that they end, and names that the rig does not have."""

import pytest

from rvsim.errors import InputError
from rvsim.rig.model import Rig
from rvsim.shakedown.explain import render_scenario
from rvsim.shakedown.faults.fault_effects import planned_faults
from rvsim.shakedown.faults.switching_faults import switching_effect

from ..conftest import Vehicle, scenario_of

EXACT = {"clock": "exact", "jitter": "0s", "busy": "0s", "start": "0s"}
RIG = Rig.model_validate(
    {
        "schema": 1,
        "name": "one",
        "title": "T",
        "device": [{"name": "centre", "kind": "load_centre", "address": 0x90, "timing": EXACT}],
        "module": [{"name": "module", "device": "centre"}],
        "relay": [{"name": "mat relay"}, {"name": "spare"}],
        "output": [
            {
                "name": "mat",
                "module": "module",
                "terminal": 1,
                "instance": 1,
                "load": "socket",
                "amps": 20,
                "relay": "mat relay",
            },
            {
                "name": "lamp",
                "module": "module",
                "terminal": 2,
                "instance": 2,
                "load": "led",
                "amps": 2,
                "limit_amps": 5,
                "min_amps": 0.1,
                "at_power": "on",
            },
        ],
    }
)


@pytest.fixture
def with_fault(catalogue):
    """A bench of this rig with one fault from 3 s to 20 s; the lamp is on."""

    def go(fault, **given):
        return Vehicle(catalogue, RIG, fault=[{"fault": fault, "from": "3s", "until": "20s", **given}])

    return go


def amps(vehicle):
    """The current out of the battery, that of the electronics left out."""
    return round(vehicle.bench.world.battery_amps - 0.05, 1)


def test_a_welded_contact_keeps_its_load_on(with_fault):
    """From its time on, though nobody commands it, until it is made whole."""
    vehicle = with_fault("relay_welded", relay="mat relay")
    assert [amps(vehicle.run(at)) > 20 for at in (2, 4, 19, 21)] == [False, True, True, False]


def test_an_open_contact_keeps_it_off(with_fault):
    """Its output is on all the same."""
    vehicle = with_fault("relay_open", relay="mat relay").run(2)
    vehicle.bench.send(0x19FFBC44, bytes.fromhex("01FFC8FF00FFFFFF"))
    assert [amps(vehicle.run(at)) > 20 for at in (2.5, 4, 19, 21)] == [True, False, False, True]
    assert {frame.data[2] for frame in vehicle.of("centre", "DC_LOAD_STATUS", begin=2.5)} == {200}


def test_a_lamp_that_is_out_takes_nothing_and_is_reported(with_fault):
    """At once, with FMI 5, until it is replaced."""
    vehicle = with_fault("lamp_out", output="lamp")
    assert [amps(vehicle.run(at)) > 1 for at in (2, 4, 19, 21)] == [True, False, False, True]
    reported = [frame.time for frame in vehicle.of("centre", "DM_RV") if frame.data[4] & 0x1F == 5]
    assert 3.0e6 <= reported[0] <= 3.1e6
    assert reported[-1] < 20e6


def test_an_overload_trips_the_output(with_fault):
    """Some seconds later by the current."""
    vehicle = with_fault("output_overload", output="lamp", amps=10.0)
    assert amps(vehicle.run(4)) > 10
    assert amps(vehicle.run(10)) == 0
    states = [frame.data[3] >> 2 & 3 for frame in vehicle.of("centre", "DC_DIMMER_STATUS_3")]
    assert (states[0], 1 in states) == (0, True)


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        ({"fault": "relay_open", "relay": "mat rely"}, '"mat rely" is not in the rig (did you mean "mat relay"?)'),
        ({"fault": "relay_welded", "relay": "spare"}, 'no output has the relay "spare", so the fault has no effect'),
        ({"fault": "lamp_out", "output": "lmp"}, '"lmp" is not in the rig (did you mean "lamp"?)'),
    ],
)
def test_what_the_rig_does_not_have_is_told(catalogue, fault, text):
    """One line with its place."""
    loaded = scenario_of(RIG, fault=[{"from": "1s", **fault}])
    with pytest.raises(InputError) as told:
        planned_faults(loaded.scenario.faults, lambda number: f"fault {number + 1}", RIG, catalogue, 1)
    assert told.value.problems[0].startswith(f"fault 1: {text}")


def test_each_is_said(catalogue):
    """In the words of the explanation of a scenario."""
    faults = [
        {"fault": "relay_welded", "relay": "mat relay", "from": "1s"},
        {"fault": "relay_open", "relay": "mat relay", "from": "2s"},
        {"fault": "lamp_out", "output": "lamp", "from": "3s"},
        {"fault": "output_overload", "output": "lamp", "amps": 9.5, "from": "4s"},
    ]
    loaded = scenario_of(RIG, fault=faults)
    said = "\n".join(render_scenario(loaded, catalogue))
    for sentence in (
        "the contact of relay mat relay is welded",
        "the contact of relay mat relay does not close",
        "what hangs on output lamp takes no current",
        "what hangs on output lamp takes 9.5 A too much",
    ):
        assert sentence in said
    assert switching_effect(loaded.scenario.faults[2], RIG.vehicle).output == "lamp"
