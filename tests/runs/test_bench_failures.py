"""A simulated device that raises: the bench goes on, says where, and ends with exit code 1 in every form."""

import json
from functools import partial
from pathlib import Path

import pytest

from rvsim.devices.kinds.ambient import AmbientSensor
from rvsim.devices.registry import settings_models
from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.show import show_bench
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.scenario import load_scenario

RUN = ("bench", "winter_evening", "--seconds", "10", "--speed")
HERE = f"({Path(__file__)}, line {{}})"


@pytest.fixture
def crash(monkeypatch):
    """Have ambient sensors raise as they begin: in their own code, or in ours that it calls wrongly."""

    def go(call):
        monkeypatch.setattr(AmbientSensor, "on_start", call)
        return HERE.format(call.__code__.co_firstlineno + 2)

    return go


def own(_self):
    """Raise in its own code."""
    raise ValueError("no such sensor")


def called(self):
    """Have ours raise."""
    self.catalogue.by_name("NO_SUCH")


@pytest.mark.parametrize("call", [own, called])
@pytest.mark.parametrize("form", [("max",), ("max", "--json"), ("max", "--plain"), ("1000", "--plain")])
def test_exit_code_1_and_where_it_was(call, form, crash, rvsim):
    """The line of the device's own code, also if what it called is ours; one line for each device."""
    place = crash(call)
    code, out, err = rvsim(*RUN, *form)
    assert code == 1
    lines = [line for line in err.splitlines() if line.startswith("rvsim: the simulated device ")]
    names = [line.split("device ")[1].split(" stopped")[0] for line in lines]
    assert sorted(names) == ["indoor sensor", "outdoor sensor"]
    assert all(line.endswith(f"{place}; the bench goes on without it") for line in lines)
    if "--json" in form:
        assert all(json.loads(line) for line in out.splitlines())


def test_a_bench_on_which_nobody_raises_is_good(rvsim):
    """As ever."""
    assert rvsim(*RUN, "max")[0] == 0


@pytest.mark.parametrize(("left", "code"), [(0, 1), (130, 130)])
def test_with_a_screen(left, code, crash, catalogue, monkeypatch, capsys):
    """It is said once the screen is left; who interrupts it has the code of that."""
    place = crash(own)
    loaded = load_scenario("winter_evening", kinds=settings_models())

    def leave(screen):
        while not screen.scene.problems:
            pass
        return left

    monkeypatch.setattr(LiveScreen, "run", leave)
    assert show_bench(loaded, partial(PacedBenchRun, loaded, catalogue, seed=1), 10_000_000, 1000.0) == code
    told = capsys.readouterr().err
    assert told.count("rvsim: the simulated device ") == told.count(f"{place}; the bench goes on without it\n") > 0


def test_a_verdict_says_where(crash, write):
    """As its error: it is not passed."""
    place = crash(own)
    verdict = PreparedScenario(Job(write('[[expect]]\nexpect = "seen"\nsight = { device = "heater" }\n'), {})).run()
    assert not verdict.passed
    assert place in verdict.error
