"""The shipped vehicle on a bench with faults and steps, and its frames."""

from pathlib import Path

import pytest
from pydantic import TypeAdapter

from rvsim.devices.registry import kinds_by_name, settings_models
from rvsim.rig.load import load_rig
from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun
from rvsim.shakedown.expect.expectation_plans import Expectation
from rvsim.shakedown.expect.run_judge import judge_of
from rvsim.shakedown.expect.sight import matchers_of
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.scenario import LoadedScenario, Scenario, load_scenario
from rvsim.shakedown.script_runner import ScriptRunner
from rvsim.sim.bench import Bench
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of


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
            kinds_by_name(),
            weather=self.loaded.scenario.weather,
            seed=seed,
            acknowledges=self.loaded.scenario.bench_acknowledges,
            on_frame=self.frames.append,
            on_line=self.line_events.append,
            absent=absent,
        )
        self.script = ScriptRunner(self.loaded, catalogue, self.bench, self.bench.send, seed)
        self.catalogue = catalogue

    def run(self, seconds):
        """Run up to a time."""
        self.bench.run_until(round(seconds * SECOND_US))
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
            and begin <= frame.time / SECOND_US < end
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
def rig_of(tmp_path):
    """Load a rig from its text."""

    def load(text):
        path = tmp_path / "rig.toml"
        path.write_text(text, encoding="utf-8")
        return load_rig(path, kinds=settings_models())

    return load


@pytest.fixture
def virtual_run(tmp_path):
    """Put a scenario on a bench in its first moment, from its text: ``virtual_run(text, values)``."""

    def put(text, values=None):
        path = tmp_path / "t.toml"
        path.write_text(text, encoding="utf-8")
        return VirtualScenarioRun(PreparedScenario(Job(str(path), values or {})))

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


SENSOR, HEATER = 0x19FF9C91, 0x19FFE45E
PLANS = TypeAdapter(Expectation)


class Case:
    """A judge and the frames that it observes."""

    def __init__(self, catalogue, expect, **more):
        self.plan = PLANS.validate_python({"expect": expect, **more})
        self.failures = []
        self.judge = judge_of(self.plan, matchers_of(self.plan.sights, catalogue), self.failures.append)

    def sensor(self, *seconds, celsius=20.0, device="sensor"):
        """Observe a temperature at some times."""
        for time in seconds:
            raw = round((celsius + 273) * 32).to_bytes(2, "little") if celsius is not None else b"\xff\xff"
            self._frame(time, SENSOR, b"\x01" + raw + b"\xff" * 5, device)
        return self

    def heater(self, *seconds, level=100):
        """Observe the furnace's level at some times."""
        for time in seconds:
            self._frame(time, HEATER, bytes([1, 0, 200, level]) + b"\xff" * 4, "heater")
        return self

    def _frame(self, time, identifier, data, device):
        frame = Frame(round(time * SECOND_US), identifier, data)
        if any(matcher.dgn in (None, identifier >> 8 & 0x1FFFF) for matcher in self.judge.matchers.values()):
            self.judge.observe_frame(frame.time, frame, device)

    def end(self, seconds=60):
        """End the run; return None if it is met, else (seconds, what was found)."""
        self.judge.finish(round(seconds * SECOND_US))
        failure = self.judge.failure
        assert len(self.failures) == (failure is not None)
        return None if failure is None else (failure.time / SECOND_US, failure.found)


@pytest.fixture
def case(catalogue):
    """Make a case: ``case("seen", sight=...)``."""
    return lambda expect, **more: Case(catalogue, expect, **more)
