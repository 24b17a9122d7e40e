"""The running bench tells each change of the vehicle as it happens: as a sentence, as a JSON line, on the screen."""

import json
import threading
from functools import partial

import pytest

from rvsim.devices.registry import settings_models
from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.show import show_bench
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.control import RunControl
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US

pytestmark = pytest.mark.paced

TEXT = """
schema = 1
title = "Steps"
lasts = "100s"
[rig]
schema = 1
name = "van"
title = "A van"
branch = [{ name = "galley", fuse_amps = 10.0 }]
device = [
  { name = "sensor", kind = "ambient", address = 0x91, functions = { ambient_sensor = 1 }, branch = "galley" },
]
[[step]]
at = "5s"
change = { weather = { outdoor_c = -10.0 }, opening = { cabin = 0.4 } }
[[step]]
at = "8500ms"
send = { identifier = "19FEF9F9", bytes = "01 FF FF FF FF FF FF FF" }
[[step]]
at = "9500ms"
change = { load = { kettle = { amps = 30.0, branch = "galley" } } }
[[step]]
when = { seen = { device = "sensor", message = "THERMOSTAT_AMBIENT_STATUS" } }
wait = "70s"
change = { shore_power = false }
"""
WORDS = [
    (5.0, "0.4 m² of cabin is opened, it is -10 °C outside"),
    (9.5, "kettle draws 30 A at branch galley"),
    (10.0, "the fuse of 10 A of branch galley opens"),
]


@pytest.fixture
def scenario(tmp_path):
    """The file with the steps."""
    path = tmp_path / "steps.toml"
    path.write_text(TEXT, encoding="utf-8")
    return path


@pytest.mark.parametrize("speed", ["max", "100000"])
def test_they_stand_among_the_events_by_their_time(scenario, rvsim, speed):
    """In both ways of time the same, and the last one when its condition is met; a step that sends is told by none."""
    code, out, _ = rvsim("bench", str(scenario), "--json", "--speed", speed, "--seconds", "90")
    lines = [json.loads(text) for text in out.splitlines()][1:]
    changes = [(line["t"], line["text"]) for line in lines if line["type"] == "change"]
    assert (code, changes[:-1]) == (0, WORDS)
    assert changes[-1][1] == "shore power is lost"
    assert 70 < changes[-1][0] < 75
    times = [line["t"] for line in lines]
    assert times == sorted(times)


def test_they_are_sentences_in_the_chosen_units(scenario, rvsim):
    """One short line each, with its time."""
    out = rvsim("bench", str(scenario), "--plain", "--speed", "max", "--seconds", "20", "--units", "us")[1]
    told = [line for line in out.splitlines() if "vehicle: " in line]
    assert told == [
        "     5.0 s  vehicle: 0.4 m² of cabin is opened, it is 14 °F outside",
        "     9.5 s  vehicle: kettle draws 30 A at branch galley",
        "    10.0 s  vehicle: the fuse of 10 A of branch galley opens",
    ]


def test_who_asks_for_none_gets_none(scenario, catalogue):
    """A run that nobody watches keeps them for its verdict alone."""
    run = VirtualBenchRun(load_scenario(scenario, kinds=settings_models()), catalogue, NullSink(), seed=1)
    run.run(20 * SECOND_US)
    assert [(change.at, change.text) for change in run.script.changes] == WORDS


def test_the_screen_has_the_last_one(scenario, catalogue, monkeypatch):
    """In its last line but one, with its time, until the next key or change."""
    loaded, shown = load_scenario(scenario, kinds=settings_models()), []

    def leave_when_over(screen):
        next(thread for thread in threading.enumerate() if thread.name == "run").join(20)
        shown.append(str(screen.scene.status_text))
        return 0

    monkeypatch.setattr(LiveScreen, "run", leave_when_over)
    assert show_bench(loaded, partial(PacedBenchRun, loaded, catalogue, seed=1), 20 * SECOND_US, 1e6) == 0
    assert shown == ["At 10 s: the fuse of 10 A of branch galley opens"]


def test_a_paced_run_tells_them_without_a_screen(scenario, catalogue):
    """In the order of time."""
    told = []
    loaded = load_scenario(scenario, kinds=settings_models())
    run = PacedBenchRun(
        loaded, catalogue, NullSink(), seed=1, control=RunControl(1e6), channel="test_told",
        on_change=lambda time, text: told.append((time / SECOND_US, text)),
    )  # fmt: skip
    run.run(20 * SECOND_US)
    assert told == WORDS
