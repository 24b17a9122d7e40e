"""A blocked air filter: the air-flow switch of a gas furnace opens, and closes when the filter is clean again."""

import pytest

from rvsim.errors import InputError
from rvsim.rig.model import Rig
from rvsim.shakedown.explain import render_scenario

BLOCKED = {"fault": "filter_blocked", "device": "furnace", "from": "120s"}
FULL = {"instance": 1, "operating_mode": 1, "circulation_fan_speed": 100, "heat_output_level": 100}


@pytest.fixture
def van():
    """A van with a gas furnace."""
    device = {
        "name": "furnace",
        "kind": "air_furnace",
        "address": 0x5E,
        "functions": {"furnace": 1},
        "settings": {"fuel": "gas"},
    }
    return Rig.model_validate({"schema": 1, "name": "van", "title": "A van", "device": [device]})


def lit(vehicle, van, seconds, *faults):
    """Run a furnace that is commanded to full heat, and return whether it is lit at the end."""
    command = {"at": "5s", "send": {"message": "FURNACE_COMMAND", "fields": FULL}}
    run = vehicle(of=van, fault=list(faults), step=[command], lasts="900s").run(seconds)
    return run.bench.devices[0].burner.is_lit


def test_it_puts_the_flame_out(vehicle, van):
    """Half of the air is less than the three quarters at which the switch closes; a tenth less is not."""
    assert lit(vehicle, van, 119, BLOCKED)
    assert not lit(vehicle, van, 130, BLOCKED)
    assert lit(vehicle, van, 130, {**BLOCKED, "percent": 10.0})


def test_a_restart_does_not_clean_it(vehicle, van):
    """Its filter is the same one."""
    restart = {"fault": "restart", "device": "furnace", "from": "130s"}
    assert not lit(vehicle, van, 400, BLOCKED, restart)


def test_a_device_without_a_filter_cannot_have_it(vehicle):
    """A line that says which kind it is."""
    with pytest.raises(InputError) as error:
        vehicle(fault=[{**BLOCKED, "device": "charger"}])
    assert 'charger has no air filter (kind "charger"), so filter_blocked has no effect' in str(error.value)


def test_it_reads_as_a_sentence(vehicle, van):
    """As `rvsim shakedown --explain` tells it."""
    text = "\n".join(render_scenario(vehicle(of=van, fault=[BLOCKED]).loaded))
    assert "the air filter of furnace keeps back 50 % of its air" in text
