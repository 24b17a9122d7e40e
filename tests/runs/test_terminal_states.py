"""What a simulation knows of modules at their terminals."""

import pytest

from rvsim.devices.registry import settings_models
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.sink import NullSink
from rvsim.runs.terminal_states import TerminalStates
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US

SCENARIO = """schema = 1
title = "A relay"
lasts = "60s"

[rig]
schema = 1
name = "van"
title = "A van with a relay"
device = [
    { name = "centre", kind = "load_centre", address = 0x90 },
    { name = "tank", kind = "tank", address = 0x91, functions = { tank = 0 } },
]
module = [{ name = "front", device = "centre" }]
relay = [{ name = "mat relay", coil_amps = 0.2, contact_amps = 30 }]
output = [
    { name = "mat", module = "front", terminal = 1, instance = 1, load = "heater mat", amps = 10, relay = "mat relay" },
    { name = "lamp", module = "front", terminal = 2, instance = 2, load = "lamp", amps = 2, min_amps = 0.5 },
]
input = [{ name = "switch", module = "front", terminal = 1, instance = 9 }]

[[step]]
at = "4s"
override = { mat = "on", lamp = "on" }

[[fault]]
fault = "lamp_out"
output = "lamp"
from = "10s"

[[fault]]
fault = "brown_out"
devices = ["centre"]
from = "20s"
"""


@pytest.fixture
def start(tmp_path, catalogue):
    """Start the scenario, with another text in place of one."""

    def begin(old: str = "", new: str = "") -> VirtualBenchRun:
        (tmp_path / "relay.toml").write_text(SCENARIO.replace(old, new), encoding="utf-8")
        loaded = load_scenario(str(tmp_path / "relay.toml"), kinds=settings_models())
        return VirtualBenchRun(loaded, catalogue, NullSink(), seed=1)

    return begin


def test_what_is_shed(start):
    """An output that its module has switched off to stay within its limit."""
    run = start('device = "centre" }]', 'device = "centre", limit_amps = 1 }]')
    run.until(8 * SECOND_US)
    lamp = TerminalStates(run).of("centre").outputs["lamp"]
    assert (lamp.level, lamp.because, lamp.override) == (0.0, "shed at the module's limit", "on")


def test_loads_coils_and_what_is_wrong(start):
    """The load's current behind a relay, the coil's at the module; a lamp that is out; nothing for another device."""
    run = start()
    states = TerminalStates(run)
    run.until(8 * SECOND_US)
    state = states.of("centre")
    mat, lamp = state.outputs["mat"], state.outputs["lamp"]
    assert (mat.level, mat.override, mat.because) == (100.0, "on", "")
    assert mat.amps == pytest.approx(10, rel=0.1)
    assert mat.module_amps == pytest.approx(0.2, rel=0.1)
    assert lamp.amps == lamp.module_amps == pytest.approx(2, rel=0.1)
    assert state.amps == pytest.approx(2.2, rel=0.1)
    assert state.inputs["switch"].switch is None
    run.bench.world.contacts.press("switch")
    assert states.of("centre").inputs["switch"].switch.name == "switch"
    assert states.of("tank") is None
    assert states.of("nobody") is None

    run.until(12 * SECOND_US)
    lamp = states.of("centre").outputs["lamp"]
    assert (lamp.level, lamp.amps, lamp.because) == (100.0, 0.0, "lamp out")

    run.until(25 * SECOND_US)
    assert {name: one[:3] for name, one in states.of("centre").outputs.items()} == {
        "mat": (0.0, 0.0, 0.0),
        "lamp": (0.0, 0.0, 0.0),
    }  # without power
