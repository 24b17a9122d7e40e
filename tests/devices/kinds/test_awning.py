"""The electronics of an awning under commands written by hand; layouts as the tables have them."""

import pytest

AWNING_STATUS, AWNING_COMMAND = 0x1FEF3, 0x19FEF244


def percent(one):
    """How far it is out."""
    return one.world.motions.percent("patio", one.bench.now)


AWNING = {
    "module": [{"name": "cab"}],
    "output": [
        {"name": "awning out", "module": "cab", "terminal": 1, "load": "motor", "amps": 8},
        {"name": "awning in", "module": "cab", "terminal": 2, "load": "motor", "amps": 8},
    ],
    "input": [{"name": "ignition", "module": "cab", "terminal": 1, "switch": "maintained"}],
    "motion": [
        {
            "name": "patio",
            "what": "awning",
            "device": "awning",
            "extend": "awning out",
            "retract": "awning in",
            "must_hold": {"ignition": "off"},
        }
    ],
}


def test_an_awning_has_lights_and_its_extension_lock_opens_the_circuit(alone):
    """Motion and position are no data; the way back stays free."""
    one = alone("awning", vehicle=AWNING, awning=1).until(2)
    assert one.last(AWNING_STATUS) == "01 FF FF FF 3F F0 FF FF"
    one.put(AWNING_COMMAND, "01 DF FF FF FF FF FF FF")
    assert one.last(AWNING_STATUS) == "01 FF FF FF 3F F1 FF FF"
    one.put(AWNING_COMMAND, "02 0F FF FF FF FF FF FF")
    assert one.world.battery_amps == pytest.approx(1.53)
    one.world.outputs.set_duty("awning out", 1.0, 12.0, one.bench.now)
    one.until(7)
    out = percent(one)
    assert out == pytest.approx(25, abs=0.3)
    one.world.contacts.set("ignition", on=True)
    one.until(8.1)
    assert one.last(AWNING_STATUS)[12:14] == "7F"
    one.until(12)
    assert out < percent(one) < out + 6
    one.world.outputs.set_duty("awning out", 0.0, 12.0, one.bench.now)
    one.world.outputs.set_duty("awning in", 1.0, 12.0, one.bench.now)
    one.until(20)
    assert percent(one) == 0
    one.bench.switch_off("awning")
    one.world.outputs.set_duty("awning in", 0.0, 12.0, one.bench.now)
    one.world.outputs.set_duty("awning out", 1.0, 12.0, one.bench.now)
    one.until(25)
    assert percent(one) == pytest.approx(25)  # without power the lock holds nothing


def test_an_awning_without_an_interlock_says_nothing_of_a_lock(alone):
    """The rig has none: no data."""
    one = alone("awning", awning=1).until(2)
    assert one.last(AWNING_STATUS) == "01 FF FF FF FF F0 FF FF"
