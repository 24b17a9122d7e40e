"""The rig to start from."""

import tomllib

import pytest

from rvsim.devices.registry import settings_models
from rvsim.plan.report import PlanInput, check_rig
from rvsim.plan.starter import starter_text
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig

TABLES = ("rules", "device", "module", "output", "relay", "input", "battery", "branch", "ground", "tap", "harness",
          "endurance")  # fmt: skip


@pytest.fixture
def started(tmp_path):
    """The rig, loaded as the bench loads it."""
    path = tmp_path / "my van.toml"
    path.write_text(starter_text("my van"), encoding="utf-8")
    return load_rig(path, settings_models())


def test_it_is_a_rig_for_plan_and_bench(started):
    """It loads with all its kinds of devices, under the name of its file, and has every table of the plan."""
    assert (started.name, isinstance(started, Rig)) == ("my van", True)
    data = tomllib.loads(starter_text("x"))
    assert set(TABLES) <= set(data)
    assert "[[accepted]]" in starter_text("x")


def test_it_is_sound(started, catalogue):
    """Nothing is flagged, and nothing that it could give is left out."""
    report = check_rig(PlanInput(started, catalogue))
    assert [(flag.kind, flag.subject, flag.text) for flag in report.flags] == []
    left_out = {key for answer in report.answers for key in answer.missing}
    assert all(key.startswith("claimed_name of ") for key in left_out)  # only the fitted units have one


@pytest.mark.parametrize("name", ['a "b"', "a\\b", "ä\n", "  ", "NAME"])
def test_any_name_of_a_file(name):
    """Makes a valid rig."""
    assert tomllib.loads(starter_text(name))["title"] == "a van to start from"
