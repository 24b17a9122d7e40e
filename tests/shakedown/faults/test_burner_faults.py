"""Faults of a burner and its fuel, on the whole vehicle: they last as long as they say, through a loss of power too."""

from itertools import pairwise

import pytest

from rvsim.errors import InputError
from rvsim.shakedown.explain import render_scenario

WATER = "WATERHEATER_STATUS"


def fault(kind, **more):
    """A fault of the heater from the start."""
    return {"fault": kind, "device": "heater", "from": "0s", **more}


def test_failed_ignition_ends_in_the_heaters_own_report(vehicle):
    """No flame in two tries, then the field of the status and the SPN of the heartbeat; the panel takes its heat back,
    which ends the error.
    """
    run = vehicle(fault=[fault("failed_ignition")], lasts="400s").run(400)
    assert set(run.values("heater", WATER, "burner_status")) == {0.0}
    failed = run.values("heater", WATER, "failure_to_ignite")
    assert (failed[0], max(failed), failed[-1]) == (0.0, 1.0, 0.0)
    assert run.values("control panel", "FURNACE_COMMAND", "heat_output_level")[-1] == 0.0
    assert 2130 in run.values("heater", "DM_RV", "spn")
    assert run.bench.world.heat_account().burner_j == 0


def test_failed_ignition_of_one_try_delays_the_flame(vehicle):
    """The second try succeeds, and nothing is reported."""
    run = vehicle(fault=[fault("failed_ignition", tries=1)], lasts="400s").run(400)
    assert run.values("heater", WATER, "burner_status", 0, 300)[-1] == 0.0
    assert run.values("heater", WATER, "burner_status")[-1] == 1.0
    assert 2130 not in run.values("heater", "DM_RV", "spn")


def test_failed_ignition_that_ends_lets_the_next_try_light(vehicle):
    """It ends before the second try."""
    run = vehicle(fault=[fault("failed_ignition", until="150s")], lasts="400s").run(400)
    assert run.values("heater", WATER, "burner_status")[-1] == 1.0


def test_a_restart_does_not_mend_the_plug(vehicle):
    """The device is a new one then, and its plug is still broken."""
    restart = {"fault": "restart", "device": "heater", "from": "20s"}
    run = vehicle(fault=[fault("failed_ignition"), restart], lasts="400s").run(400)
    assert set(run.values("heater", WATER, "burner_status")) == {0.0}


def test_two_faults_of_one_plug_end_one_by_one(vehicle):
    """While the other lasts it stays broken."""
    faults = [fault("failed_ignition", until="30s"), fault("failed_ignition", **{"from": "10s"})]
    run = vehicle(fault=faults, lasts="200s").run(200)
    assert set(run.values("heater", WATER, "burner_status")) == {0.0}


def test_fuel_gelling_puts_the_flame_out_within_its_time(vehicle):
    """Lit at 100 s; the filter is closed for most of the fuel some 40 s later."""
    run = vehicle(fault=[fault("fuel_gelling", within="1min", **{"from": "100s"})], lasts="300s").run(300)
    assert run.values("heater", WATER, "burner_status", 95, 130)[-1] == 1.0
    assert run.values("heater", WATER, "burner_status", 150, 300)[-1] == 0.0


def test_air_in_the_fuel_puts_it_out_at_random_but_the_same_for_one_seed(vehicle):
    """It starts again by itself; another seed gives other times."""

    def goes_out(seed):
        run = vehicle(fault=[fault("air_in_fuel", gap="2min")], lasts="900s", seed=seed).run(900)
        lit = run.values("heater", WATER, "burner_status")
        return [place for place, (now, then) in enumerate(pairwise(lit)) if now > then]

    assert goes_out(1)
    assert goes_out(1) == goes_out(1) != goes_out(2)


def test_a_device_without_a_burner_cannot_have_them(vehicle):
    """A line that says which kind it is."""
    with pytest.raises(InputError) as error:
        vehicle(fault=[{**fault("fuel_gelling"), "device": "charger"}])
    assert 'charger has no burner with a fuel line (kind "charger"), so fuel_gelling has no effect' in str(error.value)


HOT_WATER = """
schema = 1
name = "gas"
title = "A water heater and a furnace, both for gas"
hot_water = { start_c = 20.0 }
device = [
  { name = "boiler", kind = "water_heater", address = 0x65, functions = { water_heater = 1 }, settings = { %s } },
  { name = "furnace", kind = "air_furnace", address = 0x5F, functions = { furnace = 1 }, settings = { fuel = "gas" } },
  { name = "thermostat", kind = "panel", address = 0x44, functions = { control_panel = 1, thermostat = 1 } },
]
"""
BOILER_ON = {"message": "WATERHEATER_COMMAND", "fields": {"instance": 1, "operating_mode": 1}}
FURNACE_ON = {"message": "FURNACE_COMMAND", "fields": {"instance": 1, "heat_output_level": 100}}


@pytest.fixture
def with_gas(vehicle, rig_of):
    """Put a vehicle with both on a bench, both switched on and one of them at fault: ``with_gas(device, ...)``."""

    def put(device, settings="", **more):
        steps = [{"at": "10s", "send": BOILER_ON}, {"at": "10s", "send": FURNACE_ON}]
        plan = {"fault": "failed_ignition", "device": device, "from": "0s", **more}
        return vehicle(of=rig_of(HOT_WATER % settings), fault=[plan], step=steps, lasts="150s")

    return put


@pytest.mark.parametrize(("device", "message"), [("boiler", WATER), ("furnace", "FURNACE_STATUS")])
def test_burners_for_gas_do_not_light_either(with_gas, device, message):
    """A boiler locks out after its three tries, a furnace gives no heat; the other of the two does."""
    run = with_gas(device).run(150)
    lit = {
        "boiler": any(run.values("boiler", WATER, "burner_status")),
        "furnace": run.bench.world.heat_account().gains_j > 1000,
    }
    assert lit == {"boiler": device != "boiler", "furnace": device != "furnace"}
    if message == WATER:
        assert 1.0 in run.values("boiler", WATER, "failure_to_ignite")  # until the panel switches it off


def test_a_boiler_that_misses_one_try_lights_with_the_next(with_gas):
    """And nothing is reported."""
    run = with_gas("boiler", tries=1).run(60)
    assert run.values("boiler", WATER, "burner_status")[-1] == 1.0
    assert set(run.values("boiler", WATER, "failure_to_ignite")) == {0.0}


def test_a_boiler_without_a_burner_cannot_have_it(with_gas):
    """One for the mains alone."""
    with pytest.raises(InputError, match=r"boiler has no burner \(gas_w = 0\), so failed_ignition has no effect"):
        with_gas("boiler", "gas_w = 0.0")


@pytest.mark.parametrize(
    ("plan", "sentence"),
    [
        (fault("failed_ignition"), "the burner of heater does not light, from 0s on"),
        (fault("failed_ignition", tries=1), "the burner of heater does not light once, from 0s on"),
        (fault("failed_ignition", tries=3), "the burner of heater does not light in 3 tries, from 0s on"),
        (fault("fuel_gelling"), "wax closes the fuel filter of heater within 600s, from 0s on"),
        (fault("air_in_fuel", gap="90s"), "air comes through the fuel line of heater, on average every 90s, from 0s"),
    ],
)
def test_they_read_as_sentences(vehicle, plan, sentence):
    """As `rvsim shakedown --explain` tells them."""
    text = "\n".join(render_scenario(vehicle(fault=[plan]).loaded))
    assert sentence.replace(" ", "") in text.replace(" ", "")
