"""Every key of a scenario, listed for its author."""

import re
import tomllib
from pathlib import Path

import pytest

from rvsim.shakedown.scenario_keys import render_keys

SHIPPED = sorted(Path(__file__).parents[2].joinpath("scenarios").glob("*.toml"))


@pytest.fixture(scope="module")
def told():
    """All lines as one, with what is broken over several put together."""
    return re.sub(r"\s+", " ", " ".join(render_keys()))


def test_lines_fit_a_terminal():
    """Also a hundred columns wide."""
    assert max(map(len, render_keys())) <= 100


def test_a_kind_with_what_has_to_be_there_and_what_may_be(told):
    """In the words of a scenario: as it is written there, not as it is kept."""
    assert (
        'fault = "late": The device sends each of its messages, or the named one, at most once in each "gap". '
        "device = a device of the rig, gap = time optional: message = name fault =" in told
    )
    assert 'fault = "restart": The device loses its power for "takes", then' in told
    assert "optional: takes = time (2s)" in told
    assert 'optional: lamp = "yellow" or "red" (yellow), times = whole number' in told
    assert "devices = [a device of the rig, ...]" in told
    assert 'expect = "only_until"' in told
    assert "sight = a sight, end = a sight optional: grace = time (0s)" in told
    assert "is = number or text, above = number, below = number" in told
    assert "throughout = true or false (false)" in told
    assert "identifier = hex" in told
    assert "cabin (°C), outdoor (°C)" in told


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
