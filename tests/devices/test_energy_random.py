"""Energy in = stored + lost + out for random vehicles: devices of all kinds, batteries, wires, and what is switched.

The devices are taken by chance from the larger shipped van, which has every kind; batteries, branches and what is
switched are random.
"""

import tomllib
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rvsim.devices.device import Site
from rvsim.devices.registry import kinds_by_name
from rvsim.rig.model import Rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.shipped import scenario_folder
from rvsim.sim.bench import Bench
from rvsim.wire.frame import SECOND_US

VAN = tomllib.loads((scenario_folder() / "rigs" / "quillhaven.toml").read_text(encoding="utf-8"))
MINUTES = 15
EVENTS = {
    "engine": lambda bench: setattr(bench.site, "engine_rpm", 1900.0),
    "engine stops": lambda bench: setattr(bench.site, "engine_rpm", 0.0),
    "shore": lambda bench: bench.world.set_shore(connected=True),
    "no shore": lambda bench: bench.world.set_shore(connected=False),
    "kettle": lambda bench: bench.world.set_mains_load("kettle", 1500.0),
    "winch": lambda bench: bench.world.set_load("winch", 60.0, "starter"),
    "shower": lambda bench: bench.world.set_draw("shower", 6.0, 60.0),
    "generator": lambda bench: bench.send(0x19FFDA44, bytes.fromhex("01FFFFFFFFFFFFFF")),
    "heater": lambda bench: bench.send(0x19FFE344, bytes.fromhex("01FCC8C8FFFFFFFF")),
    "furnace": lambda bench: bench.send(0x19FFE344, bytes.fromhex("02FCC8C8FFFFFFFF")),
    "water heater": lambda bench: bench.send(0x19FFF644, bytes.fromhex("0203FFFFFFFFFFFF")),
    "air conditioner": lambda bench: bench.send(0x19FFE044, bytes.fromhex("0101FFFFC8C8FFFF")),
    "fan": lambda bench: bench.send(0x19FEA644, bytes.fromhex("01D5C8FCFFFFFFFF")),
    "switch opens": lambda bench: bench.send(0x19FECF44, bytes.fromhex("01FCFFFFFFFFFFFF")),
    "fault": lambda bench: bench.switch_off(bench.devices[0].name),
}

SWITCHED = {"awning", "keypad", "load_centre", "lock", "window_shade"}
"""Kinds that switch, light or lock; their tests have their currents."""


@st.composite
def vans(draw: st.DrawFn) -> dict[str, Any]:
    """Some devices of the larger van with batteries and wires of another one."""
    every = VAN["device"]
    chosen = draw(st.lists(st.integers(0, len(every) - 1), min_size=3, max_size=7, unique=True))
    batteries = [
        {
            "name": name,
            "chemistry": draw(st.sampled_from(["agm", "lfp"])),
            "capacity_ah": draw(st.floats(40, 400)),
            "start_percent": draw(st.floats(5, 100)),
            "start_c": draw(st.floats(-15, 40)),
            "zone": draw(st.sampled_from(["cabin", "garage", "outdoors"])),
        }
        for name in ("house", "starter")
    ]
    branches = [{**branch, "wire": {"milliohm": draw(st.floats(0, 30))}} for branch in VAN["branch"]]
    return {**VAN, "device": [every[number] for number in sorted(chosen)], "battery": batteries, "branch": branches}


def test_the_devices_that_are_drawn_have_every_kind() -> None:
    """None is left out of the random vehicles but those that only switch, light or lock something."""
    assert {device["kind"] for device in VAN["device"]} == set(kinds_by_name()) - SWITCHED


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rig=vans(),
    events=st.lists(st.tuples(st.integers(1, 13), st.sampled_from(sorted(EVENTS))), max_size=10),
    outdoor_c=st.floats(-15, 35),
)
def test_energy_of_random_vehicles(
    catalogue: Any, rig: dict[str, Any], events: list[tuple[int, str]], outdoor_c: float
) -> None:
    """Electricity and heat within 0.1 % of what moved; water is neither gained nor lost; no device fails."""
    weather = WeatherPlan(outdoor_c=outdoor_c, start_hour=10.0, day_of_year=140, cloud_percent=20.0)
    bench = Bench(Rig.model_validate(rig), catalogue, kinds_by_name(), weather=weather, site=Site(False))
    world = bench.world
    electric, heat = world.electric_account(), world.heat_account()
    for minute, name in [*sorted(events), (MINUTES, "")]:
        bench.run_until(minute * 60 * SECOND_US)
        if name:
            EVENTS[name](bench)
    in_j, lost_j, out_j, stored_j = (new - old for new, old in zip(world.electric_account(), electric, strict=True))
    assert in_j - lost_j - out_j == pytest.approx(stored_j, abs=1e-3 * (in_j + out_j + lost_j + 1))
    now = world.heat_account()
    moved = sum(abs(part) for part in now[:7]) + 1
    assert sum(now[:5]) - now.outdoors_j - now.drawn_j == pytest.approx(now.stored_j - heat.stored_j, abs=1e-3 * moved)
    assert bench.failures == []
