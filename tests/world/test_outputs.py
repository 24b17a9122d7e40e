"""Circuits of outputs: what their module hands in, what a person and a fault do, and who is told."""

import pytest

from rvsim.rig.model import Rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.world.world import World

RIG = {
    "schema": 1,
    "name": "one",
    "title": "T",
    "device": [{"name": "front", "address": 0x90}],
    "module": [{"name": "front module", "device": "front"}, {"name": "nobody's"}],
    "relay": [{"name": "pump relay"}],
    "output": [
        {"name": "mat", "module": "front module", "terminal": 1, "load": "heater mat", "amps": 4},
        {"name": "pump", "module": "front module", "terminal": 2, "load": "pump", "amps": 5, "relay": "pump relay"},
        {"name": "loose", "module": "nobody's", "terminal": 1, "load": "lamp"},
    ],
}
S = 1_000_000


@pytest.fixture
def world():
    """A world with three outputs."""
    return World(Rig.model_validate(RIG).vehicle, WeatherPlan())


@pytest.fixture
def told(world):
    """The devices that were told of changes."""
    names: list[str] = []
    world.on_change = names.append
    return names


def test_the_module_sees_its_load(world):
    """At the duty and the voltage that it hands in; the world counts nothing for it."""
    current = world.outputs.set_duty("mat", 0.5, 12.0, 0)
    assert current.steady_amps == pytest.approx(2.0)
    assert world.outputs["mat"].duty == 0.5
    assert world.battery_amps == 0.0
    assert world.outputs.set_duty("loose", 1.0, 12.0, 0).peak_amps == 0.0  # nothing is known of its current


def test_of_a_relay_the_module_sees_the_coil(world):
    """The contact's current is counted without it, the start with it, and ends with the coil."""
    coil = world.outputs.set_duty("pump", 1.0, 12.0, 0)
    assert coil.peak_amps == pytest.approx(0.141)
    assert world.battery_amps > 25
    world.outputs.count_contact("pump", 5 * S)
    assert world.battery_amps == pytest.approx(5.0)
    assert world.outputs.load_amps("pump", 5 * S) == pytest.approx(5.0)
    world.outputs.set_duty("pump", 0.0, 12.0, 6 * S)
    assert world.battery_amps == 0.0
    world.outputs.count_contact("mat", 6 * S)
    assert world.battery_amps == 0.0


def test_by_hand_the_module_is_told(world, told):
    """Once for each change, by the name of its device; a module that is on no network has nobody to tell."""
    world.set_override("mat", "on")
    world.set_override("mat", None)
    world.set_override("loose", "off")
    assert told == ["front", "front"]
    assert [world.outputs[name].override for name in world.outputs.names] == [None, None, "off"]
    with pytest.raises(KeyError):
        world.set_override("mut", "on")


def test_faults_of_contacts_and_loads(world, told):
    """They change the current at once where it does not go through the module, and tell the module."""
    world.outputs.set_relay_fault("pump relay", "welded", 0)
    assert world.battery_amps == pytest.approx(5.0)
    world.outputs.set_overload("pump", 3.0, S)
    assert world.battery_amps == pytest.approx(8.0, abs=0.3)
    world.outputs.set_lamp_out("pump", is_out=True, now=2 * S)
    assert world.battery_amps == pytest.approx(3.0, abs=0.3)
    world.outputs.set_relay_fault("pump relay", None, 3 * S)
    assert world.battery_amps == 0.0
    world.outputs.set_lamp_out("mat", is_out=True, now=3 * S)
    assert world.outputs.set_duty("mat", 1.0, 12.0, 4 * S).peak_amps == 0.0
    assert told == ["front"] * 5
    with pytest.raises(KeyError):
        world.outputs.set_relay_fault("relay", "open", 0)
