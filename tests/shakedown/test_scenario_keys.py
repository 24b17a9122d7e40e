"""Every key of a scenario, listed for its author."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from rvsim.rig.key_lists import descriptions, models_in
from rvsim.rig.model import Rig
from rvsim.shakedown.scenario import Scenario
from rvsim.shakedown.scenario_keys import render_keys

SHIPPED = sorted(Path(__file__).parents[2].joinpath("scenarios").glob("*.toml"))


@pytest.fixture(scope="module")
def told():
    """All lines as one, with what is broken over several put together."""
    return re.sub(r"\s+", " ", " ".join(render_keys()))


def test_lines_fit_a_terminal():
    """Also one eighty columns wide."""
    assert max(map(len, render_keys())) <= 80


def test_a_kind_with_what_has_to_be_there_and_what_may_be(told):
    """In the words of a scenario: as it is written there, not as it is kept; each key with what it means."""
    assert (
        'fault = "late": The device sends each of its messages, or the named one, at most once in each "gap". '
        "device = a device of the rig: The device that it is applied to "
        "gap = time, above 0s: The shortest time between two frames of one message "
        "message = name, optional: The message that is late; all of the device if omitted fault =" in told
    )
    assert 'fault = "restart": The device loses its power for "takes", then' in told
    assert "takes = time, above 0s (2s): How long it has no power" in told
    assert 'lamp = "yellow" or "red" (yellow): ' in told
    assert "times = whole number, at least 0 and below 127, optional: " in told
    assert "devices = [a device of the rig, ...], optional: " in told
    assert 'expect = "only_until"' in told
    assert "sight = a sight: What is not seen afterwards end = a sight: What ends it grace = time (0s): " in told
    assert "is = number or text, optional: " in told
    assert "becomes = number, text or true, optional: " in told
    assert "throughout = true or false (false): " in told
    assert "identifier = hex, optional: " in told
    assert "per_hour = number: The drift in an hour, in the field's unit; negative: downwards" in told
    assert "outdoor_c = number, -60 to 60 °C (-5): Mean temperature of the day" in told
    assert "Values of the vehicle cabin (°C), " in told
    assert "outdoor (°C), " in told


def test_the_start_and_all_that_a_step_changes(told):
    """Tables by the names of the rig, with the units of what stands in them."""
    assert "start = a table, optional: The state in which the vehicle starts" in told
    assert "[start]: the state in which the vehicle starts; names are the rig's hour = number, at least 0" in told
    assert "zone = a table, optional: Temperature of zones in °C, air and lining, by name, like { cabin = 5.0 }" in told
    assert "engine_rpm = number, 0 to 8000 rpm (0): Turns of the engine a minute; 0: it is off" in told
    assert "change = a table, optional: What changes in the vehicle or around it, like { shore_power = false }" in told
    assert "change = { ... }: in a step; what is not named stays shore_power = true or false, optional: " in told
    assert "load = { NAME = { ... } }: in change, in place of a current amps = number, 0 to 1000 A: " in told
    assert "litres_per_min = number, above 0 and at most 1000 L/min (6): How fast" in told
    assert "in place of a level percent = number, 0 to 100 %, optional: The level" in told
    assert "weather = { ... }: in change; what is not named stays outdoor_c = number, -60 to 60 °C, optional: " in told


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_no_key_of_a_shipped_scenario_is_missing(told, path):
    """Every kind that they use, and every key of it."""
    written = tomllib.loads(path.read_text(encoding="utf-8"))
    for table, own in (("fault", "fault"), ("expect", "expect"), ("step", None), ("change", None)):
        for entry in written.get(table, ()):
            if own is not None:
                assert f'{own} = "{entry[own]}": ' in told
            for key in entry.keys() - {own}:
                assert f" {key} = " in told
    for key in written.keys() - {"rig"}:
        assert f" {key} = " in told


def test_every_key_of_a_scenario_says_what_it_means():
    """Of the scenario, of each step, fault and expectation, and of a sight."""
    found: list[Any] = [Scenario]
    for model in found:
        fields = model.model_fields.values()
        found += [one for field in fields for one in models_in(field.annotation) if one not in (*found, Rig)]
    assert len(found) > 40
    missing = [
        f"{model.__name__}.{name}"
        for model in found
        for name in model.model_fields.keys() - {"fault", "expect"}
        if not descriptions(model).get(name)
    ]
    assert missing == []
