"""The shipped vehicle on a bench with faults and steps, and its frames."""

from pathlib import Path

import pytest

from rvsim.devices.registry import KINDS, settings_models
from rvsim.rig.load import load_rig
from rvsim.shakedown.player import Script
from rvsim.shakedown.scenario import LoadedScenario, Scenario, load_scenario
from rvsim.sim.bench import Bench
from rvsim.wire.ident import dgn_of

SECOND = 1_000_000


def scenario_of(rig, **more):
    """A scenario of a rig, as it would be loaded from a file t.toml."""
    context = {"devices": [plan.name for plan in rig.devices]}
    plan = {"schema": 1, "title": "T", "rig": "ottersby", "lasts": "60s", **more}
    return LoadedScenario("t", Path("t.toml"), Scenario.model_validate(plan, context=context), rig)


class Vehicle:
    """A bench with a scenario's script, and all that was on the wires."""

    def __init__(self, catalogue, rig, seed=1, absent=(), **more):
        self.loaded = scenario_of(rig, **more)
        self.frames, self.line_events = [], []
        self.bench = Bench(
            rig,
            catalogue,
            KINDS,
            weather=self.loaded.scenario.weather,
            seed=seed,
            acknowledges=self.loaded.scenario.bench_acknowledges,
            on_frame=self.frames.append,
            on_line=self.line_events.append,
            absent=absent,
        )
        self.script = Script(self.loaded, catalogue, self.bench, self.bench.put, seed)
        self.catalogue = catalogue

    def run(self, seconds):
        """Run up to a time."""
        self.bench.run_until(round(seconds * SECOND))
        return self

    def of(self, device, message=None, begin=0.0, end=1e9):
        """The frames from a device's planned address in a time, of one message."""
        address = next(plan.address for plan in self.loaded.rig.devices if plan.name == device)
        dgn = None if message is None else self.catalogue.by_name(message).dgn
        return [
            frame
            for frame in self.frames
            if frame.identifier & 0xFF == address
            and (dgn is None or dgn_of(frame.identifier) == dgn)
            and begin <= frame.time / SECOND < end
        ]

    def values(self, device, message, field, begin=0.0, end=1e9):
        """What a field of a device's message said, in its unit; None where it said no value."""
        spec = self.catalogue.by_name(message)
        readings = [spec.decode(frame.data) for frame in self.of(device, message, begin, end)]
        return [next(one.value for one in said if one.field.name == field) for said in readings]


@pytest.fixture(scope="session")
def rig():
    """The shipped vehicle."""
    return load_rig("ottersby", kinds=settings_models())


@pytest.fixture
def vehicle(catalogue, rig):
    """Put the shipped vehicle on a bench, or another one: ``vehicle(fault=[...], step=[...], of=other)``."""

    def put(seed=1, of=None, **more):
        return Vehicle(catalogue, of or rig, seed, **more)

    return put


@pytest.fixture
def loaded(tmp_path):
    """Load a scenario from its text: a minute of the shipped vehicle."""

    def go(text, values=None):
        path = tmp_path / "t.toml"
        head = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "60s"\n'
        path.write_text(head + text, encoding="utf-8")
        return load_scenario(path, settings_models(), values)

    return go
