"""What the plan promises for each periodic message, held against the arithmetic of the analysis by hand."""

import pytest

from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.watch.bus.worst_case import worst_case

FULL = 640
"""Microseconds of a frame with 8 bytes and as many stuff bits as can be: 160 bits (Davis and others, 2007, for 29-bit
identifiers) at 250 kbit/s."""


def rig_of(*functions, first=0x50):
    """A rig with a device for each set of functions."""
    devices = [{"name": f"device {n}", "address": first + n, "functions": given} for n, given in enumerate(functions)]
    return Rig.model_validate({"schema": 1, "name": "t", "title": "T", "device": devices})


def worst(catalogue, *functions):
    """Return the promise as frames of 640 us by message."""
    found = worst_case(rig_of(*functions), catalogue).responses.values()
    return {response.message: response.worst_us / FULL for response in found}


def test_one_device_waits_for_its_own(catalogue):
    """The heartbeat (1FECA) goes before the furnace status (1FFE4); what comes aside goes before both.

    Heartbeat: one frame under way, one aside, itself. Status: one aside, the heartbeat, itself; nothing is below it.
    """
    assert worst(catalogue, {"furnace": 1}) == {"DM_RV": 3, "FURNACE_STATUS": 3}


def test_every_node_and_every_instance_is_in_the_way(catalogue):
    """Two heaters with two zones each: two aside, two heartbeats, four statuses that each wait for the other three."""
    found = worst(catalogue, {"furnace": [1, 2]}, {"furnace": [3, 4]})
    assert found == {"DM_RV": 1 + 2 + 2, "FURNACE_STATUS": 2 + 2 + 4}


def test_the_load_is_that_of_everything_at_its_gap(catalogue):
    """Heartbeat each 5 s, furnace status each 5 s (or as it changes), one frame aside each 50 ms."""
    gap = catalogue.by_name("FURNACE_STATUS").gap_us / 1e6
    expected = 100 * 160 / 250_000 * (1 / 5 + 1 / gap + 20)
    assert worst_case(rig_of({"furnace": 1}), catalogue).percent == pytest.approx(expected)


def test_gaps_are_those_of_the_table_and_5_s_where_it_leaves_them_out(catalogue):
    """A battery's three messages come each 500 ms; a keypad's has no gap in the table, a thermostat's has 5 s."""
    battery, keypad, thermostat = (
        worst_case(rig_of({function: 1}), catalogue).percent for function in ("dc_source", "keypad", "thermostat")
    )
    assert battery - thermostat == pytest.approx(100 * 160 / 250_000 * (3 * 2 - 1 / 5))
    assert keypad == thermostat


def test_too_many_devices_get_no_promise(catalogue):
    """A hundred nodes that each send something aside every 50 ms are more than a pair can carry."""
    found = worst_case(rig_of(*({"tank": n} for n in range(100))), catalogue)
    assert found.percent > 100
    assert found.responses[catalogue.by_name("TANK_STATUS").dgn].worst_us is None


def test_the_shipped_vehicle_is_promised_less_than_30_ms(catalogue):
    """So a wall switch never waits for what anybody would notice; the load stays below a sixth."""
    found = worst_case(load_rig("ottersby"), catalogue)
    assert max(response.worst_us for response in found.responses.values()) < 30_000
    assert found.percent < 100 / 6
