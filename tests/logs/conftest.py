"""Recorded logs, and rigs learnt from logs."""

import os
import random
from collections import Counter
from functools import cache
from pathlib import Path

import pytest

from rvsim.devices.registry import settings_models
from rvsim.logs import column_watch
from rvsim.logs.draft.rig_draft import learn_rig
from rvsim.logs.read import open_log
from rvsim.rig.field_names import check_fields
from rvsim.rig.load import load_rig
from rvsim.runs.bench import VirtualBenchRun
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import is_addressed

SEEDED_S = int(os.environ.get("RVSIM_SEEDED_SECONDS", "240"))
"""The length of the logs into which faults are seeded; 3600 gives the tables for logs of an hour."""
HOUR_S = 3600
MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"


@pytest.fixture
def small_blocks(monkeypatch):
    """Have blocks of any size observed in columns, which is slower for small ones and finds the same."""
    monkeypatch.setattr(column_watch, "MIN_BLOCK_FRAMES", 0)
    monkeypatch.setattr(column_watch, "MIN_FRAMES_PER_TOPIC", 0)


class Kept:
    """A sink that keeps frames."""

    def __init__(self):
        self.frames = []

    def frame(self, frame):
        """Keep it."""
        self.frames.append(frame)

    def events(self, events):
        """Not asked."""

    def end(self, time, watch):
        """Not asked."""

    def flush(self):
        """Nothing waits."""


@pytest.fixture
def shown(capsys):
    """Print a table into the output of the tests, captured or not."""

    def show(text: str) -> None:
        with capsys.disabled():
            print(text)

    return show


@pytest.fixture(scope="session")
def kept():
    """Return the sink that keeps frames, to be made for a run."""
    return Kept


@pytest.fixture(scope="session")
def record(catalogue):
    """Run a shipped scenario: ``record("winter_evening", 240, seed=2)``; (frames, the run's watch)."""

    @cache
    def run_once(scenario, seconds, seed):
        kept = Kept()
        run = VirtualBenchRun(load_scenario(scenario, kinds=settings_models()), catalogue, kept, seed=seed)
        run.until(seconds * SECOND_US)
        return tuple(kept.frames), run.watch

    def go(scenario, seconds=120, seed=1):
        frames, watch = run_once(scenario, seconds, seed)
        return list(frames), watch

    return go


@pytest.fixture(scope="session")
def healthy(record):
    """Return the frames of a healthy evening into which faults are seeded."""
    return tuple(record("winter_evening", SEEDED_S)[0])


@pytest.fixture(scope="session")
def chosen():
    """Return the seeds to be tried: all in logs of an hour, else by chance a third with the rig, a sixth without.

    Always among them, of each kind that must be told and of each of which nothing may be told: the first two with the
    rig, the first one without.
    """

    def choose(seeds, rig):
        chance, times = random.Random(1), Counter()
        for seed in seeds:
            family = seed.kind, seed.subjects == {"nobody"}
            times[family] += 1
            by_chance = chance.random() < (1 / 3 if rig is not None else 1 / 6)
            if SEEDED_S == HOUR_S or by_chance or times[family] <= (2 if rig is not None else 1):
                yield seed

    return choose


@pytest.fixture(scope="session")
def recorded(record):
    """Return the frames of two minutes of a shipped scenario."""
    made = {scenario: record(scenario)[0] for scenario in ("winter_evening", "heater_goes_quiet")}
    made["marine"] = list(open_log(MARINE).frames())
    return made


@pytest.fixture(scope="session")
def learn(catalogue, tmp_path_factory):
    """Draft a rig from frames, twice to see that it is the same, and read it as a file; returns text and rig."""

    def go(frames, name="drive.log"):
        text = learn_rig(lambda: frames, catalogue, name).text
        assert learn_rig(lambda: iter(frames), catalogue, name).text == text
        path = tmp_path_factory.getbasetemp() / "learnt.toml"
        path.write_text(text, encoding="utf-8")
        rig = load_rig(path)
        check_fields(rig, catalogue)
        return text, rig

    return go


@pytest.fixture
def say(catalogue):
    """Return a frame by seconds, message, source and raw values."""

    def build(seconds, message, source, **raws):
        spec = catalogue.by_name(message)
        to = 0xFF if is_addressed(spec.dgn) else None
        return Frame(round(seconds * SECOND_US), spec.identifier(source, to), spec.pack(**raws))

    return build
