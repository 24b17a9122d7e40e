"""Wrong climate controllers are not passed, for the stated reason: one that short-cycles, and one that heats outdoors.

The right one of each pair passes in the same van. The one that ignores a lockout is found in `kinds`, by the fault
``failed_ignition``.
"""

import importlib.util
from pathlib import Path
from typing import Any

import pytest

from rvsim.faces.interface import SimulatedBus
from rvsim.shakedown.verdict import as_text

_spec = importlib.util.spec_from_file_location("wrong", Path(__file__).parent / "wrong.py")
wrong = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(wrong)
Right: Any = wrong.Right

ROOF_FAN_STATUS = 0x1FEA7
VAN = """
schema = 1
title = "A thermostat in a small van"
lasts = "{minutes}min"
weather = {{ outdoor_c = -6.0 }}

[rig]
schema = 1
name = "van"
title = "A small van, invented"
people = {{ count = 0 }}
cabin = {{ start_c = 19.0 }}

[[rig.device]]
name = "control panel"
kind = "panel"
address = 0x44
functions = {{ control_panel = 1, thermostat = 1 }}

[[rig.device]]
name = "furnace"
kind = "air_furnace"
address = 0x5E
functions = {{ furnace = 1 }}

[[rig.device]]
name = "circulation pump"
kind = "circulation_pump"
address = 0x95
functions = {{ circulation_pump = 1 }}

[[rig.device]]
name = "roof fan"
kind = "roof_fan"
address = 0x90
functions = {{ roof_fan = 1 }}

[[rig.device]]
name = "battery monitor"
kind = "battery_monitor"
address = 0x45
functions = {{ battery_monitor = 1, dc_source = 1 }}

[[rig.device]]
name = "indoor sensor"
kind = "ambient"
address = 0x91
functions = {{ ambient_sensor = 1 }}
"""
STARTS = """
[[expect]]
says = "the furnace starts at most three times an hour"
expect = "entered"
sight = { device = "furnace", message = "FURNACE_STATUS", field = "heat_output_level", becomes = true, above = 0 }
at_least_times = 1
at_most_per_hour = 3
"""
DOME = """
[[step]]
at = "3min"
send = { message = "ROOF_FAN_COMMAND_1", fields = { instance = 1, system_status = "on", fan_speed_setting = 0 } }

[[step]]
at = "6min"
send = { message = "ROOF_FAN_COMMAND_1", fields = { instance = 1, system_status = "off" } }

[[expect]]
says = "no heat is asked for while the dome is open"
expect = "never_while"
sight = { message = "FURNACE_COMMAND", field = "heat_output_level", above = 0 }
value = "opening"
above = 0.01
grace = "5s"

[[expect]]
says = "heat is asked for once it is shut"
expect = "seen"
sight = { message = "FURNACE_COMMAND", field = "heat_output_level", above = 0 }
from = "7min"
"""


class MindsTheDome(Right):
    """Asks for no heat while the roof fan is on, since its dome is open then, and until it has had time to close."""

    open_until = 0.0

    def take(self, identifier, data):
        """Take the fan's status too."""
        if identifier >> 8 & 0x1FFFF == ROOF_FAN_STATUS and data[0] == 1:
            self.open_until = self.now + 30 if data[1] & 3 == 1 else self.open_until
        super().take(identifier, data)

    def wanted(self):
        """Return no heat while it is open."""
        return 0 if self.now < self.open_until else super().wanted()


@pytest.fixture
def tried(tmp_path):
    """Let a thermostat be the control panel of the van, and return the verdict."""

    def go(kind, more, minutes):
        path = tmp_path / "van.toml"
        path.write_text(VAN.format(minutes=minutes) + more, encoding="utf-8")
        with SimulatedBus(path, except_devices="control panel") as bus:
            kind(bus).run(minutes * 60)
            return bus.verdict()

    return go


def failed(verdict):
    """What was not met, by the words of the scenario, and what was found."""
    return [(outcome.expected.partition(":")[0], outcome.found) for outcome in verdict.failed]


def test_a_thermostat_that_short_cycles_is_not_passed(tried):
    """All or nothing at the set point: a start each few minutes; one that asks for less and less does not."""
    right = tried(Right, STARTS, 35)
    assert right.passed, "\n".join(as_text(right))
    ((what, found),) = failed(tried(wrong.ShortCycling, STARTS, 35))
    assert what == "the furnace starts at most three times an hour"
    assert found.startswith("entered for the 4th time since ")


def test_one_that_heats_with_the_dome_open_is_not_passed(tried):
    """Somebody airs the van for three minutes; the right one waits meanwhile."""
    right = tried(MindsTheDome, DOME, 9)
    assert right.passed, "\n".join(as_text(right))
    ((what, found),) = failed(tried(Right, DOME, 9))
    assert what == "no heat is asked for while the dome is open"
    assert "while opening is above 0.01, since 18" in found
