"""Wrong climate controllers are not passed, for the stated reason.

One short-cycles, one heats outdoors, one drains the battery below its limit.

The right one of each pair passes in the same van. The one that ignores a lockout is found in `kinds`, by the fault
``failed_ignition``.
"""

import importlib.util
from pathlib import Path
from typing import Any

import pytest

from rvsim.faces.interface import SimulatedBus
from rvsim.shakedown.verdict import as_text


def _beside(name):
    """Load a file that stands beside this one."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


wrong, van_tables = _beside("wrong"), _beside("van_tables")
Right: Any = wrong.Right

ROOF_FAN_STATUS, ROOF_FAN_COMMAND, BATTERY_CHARGE = 0x1FEA7, 0x1FEA6, 0x1FFFC
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
battery = {{ capacity_ah = {capacity_ah} }}

{devices}
"""
DEVICES = van_tables.device_tables(
    "control panel", "furnace", "circulation pump", "roof fan", "battery monitor", "indoor sensor"
)
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

DRAIN = """
shore_power = false

[start]
battery = { house = 27.0 }

[[step]]
at = "1min"
send = { message = "ROOF_FAN_COMMAND_1", fields = { instance = 1, system_status = "on", fan_speed_setting = 100 } }

[[expect]]
says = "a fifth of the battery's charge is kept"
expect = "world"
value = "battery_charge"
at_least = 20.0

[[expect]]
says = "the fan runs while there is enough"
expect = "seen"
sight = { device = "roof fan", message = "ROOF_FAN_STATUS_1", field = "fan_speed_setting", above = 90 }
"""


class MindsTheBattery(Right):
    """Switches the roof fan off when the battery has less than a quarter of its charge."""

    def take(self, identifier, data):
        """Take the charge of DC source 1 too, in half percents."""
        if identifier >> 8 & 0x1FFFF == BATTERY_CHARGE and data[0] == 1 and data[4] < 2 * 25:
            self.send(ROOF_FAN_COMMAND, 1, 0xFC)
        super().take(identifier, data)


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

    def go(kind, more, minutes, capacity_ah=100.0):
        path = tmp_path / "van.toml"
        top, _, tables = more.rpartition("[start]") if "[start]" in more else ("", "", more)
        start = f"[start]{tables}" if top else tables
        path.write_text(
            top + VAN.format(minutes=minutes, capacity_ah=capacity_ah, devices=DEVICES) + start, encoding="utf-8"
        )
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


def test_one_that_drains_the_battery_below_its_limit_is_not_passed(tried):
    """Somebody switches the fan on; the right one switches it off in time, the other lets it run."""
    right = tried(MindsTheBattery, DRAIN, 31, 30.0)
    assert right.passed, "\n".join(as_text(right))
    ((what, found),) = failed(tried(Right, DRAIN, 31, 30.0))
    assert what == "a fifth of the battery's charge is kept"
    assert found.startswith("19.")
