"""Devices of a rig that cannot be simulated are told together, each with its place."""

import pytest

from rvsim.errors import InputError
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.scenario_run import load_checked
from rvsim.runs.sink import NullSink

DEVICES = """
[[DEVICE]]
name = "heater"
kind = "heater"
address = 0x5E
functions = { furnace = 1 }

[[DEVICE]]
name = "indoor sensor"
kind = "ambient"
address = 0x91
functions = { ambient_sensor = 1 }
settings = { place = "bedrom" }

[[DEVICE]]
name = "outdoor sensor"
kind = "ambient"
address = 0x92
functions = { ambient_sensor = 2 }
"""
RIG = 'schema = 1\nname = "van"\ntitle = "A van"\n'


@pytest.mark.parametrize("in_own_file", [True, False])
def test_all_devices_that_cannot_be_simulated_are_told_with_their_lines(tmp_path, in_own_file):
    """Of a rig in a file of its own, and of one in the scenario."""
    scenario, rig = tmp_path / "evening.toml", tmp_path / "van.toml"
    head = 'schema = 1\ntitle = "An evening"\nlasts = "1min"\n'
    if in_own_file:
        rig.write_text(RIG + DEVICES.replace("DEVICE", "device"), encoding="utf-8")
        scenario.write_text(head + 'rig = "van.toml"\n', encoding="utf-8")
    else:
        scenario.write_text(f"{head}[rig]\n{RIG}{DEVICES.replace('DEVICE', 'rig.device')}", encoding="utf-8")
    loaded, catalogue = load_checked(str(scenario))
    with pytest.raises(InputError) as refused:
        VirtualBenchRun(loaded, catalogue, NullSink(), seed=1)
    first, second = refused.value.problems
    path, line = (rig, 5) if in_own_file else (scenario, 9)
    assert first == (
        f'{path}, line {line}, device "heater": a simulated heater needs the function water_heater: add '
        "`water_heater = 1` to its functions in the rig"
    )
    assert second.startswith(f'{path}, line {line + 6}, device "indoor sensor": "bedrom" is no place for a sensor')
