"""The JSON schemas of rigs and scenarios, held against the shipped files by an independent validator."""

import tomllib
from copy import deepcopy
from functools import cache

import pytest
from jsonschema import Draft202012Validator

from rvsim import shipped
from rvsim.devices.registry import settings_models
from rvsim.rig.json_schema import rig_schema
from rvsim.shakedown.scenario_schema import scenario_schema

FOLDER = shipped.scenario_folder()


@cache
def validator(which):
    """Return the validator of rigs or scenarios."""
    schema = {"rig": rig_schema, "scenario": scenario_schema}[which](settings_models())
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def read(path):
    """Return the content of a file."""
    return tomllib.loads(path.read_text(encoding="utf-8"))


def wrong(which, data):
    """Return the places of what is wrong with a file's content."""
    return [list(error.absolute_path) for error in validator(which).iter_errors(data)]


@pytest.mark.parametrize(("which", "pattern"), [("rig", "rigs/*.toml"), ("scenario", "*.toml")])
def test_every_shipped_file_is_valid(which, pattern):
    """As JSON data, by a schema that is one itself."""
    paths = sorted(FOLDER.glob(pattern))
    assert paths
    assert {path.name: found for path in paths if (found := wrong(which, read(path)))} == {}


BRACKENLOW = read(FOLDER / "rigs" / "brackenlow.toml")
HEATER_QUIET = read(FOLDER / "heater_goes_quiet.toml")


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("schema",), 2),
        (("colour",), "red"),
        (("device", 0, "address"), 254),
        (("device", 0, "address"), "0x44"),
        (("device", 0, "kind"), "panl"),
        (("device", 0, "functions"), {"control_panle": 1}),
        (("device", 0, "functions"), {"control_panel": 251}),
        (("device", 0, "settings", "shedd"), {}),
        (("device", 0, "answer_time"), 5),
        (("device", 0, "answer_time"), "5 parsecs"),
        (("output", 0, "amps"), -1),
        (("output", 0, "amps"), "2.0"),
        (("output", 0, "load"), "lampp"),
        (("output", 0, "wire"), {"awg": "13", "length_m": 1}),
        (("output", 0, "wire"), {"area_mm2": 0.0, "length_m": 1}),
        (("battery",), []),
        (("battery", "capacity_ah"), 0),
        (("input", 0, "ladder", "rungs", "galley"), -5),
        (("rules",), {"harness": "no such rule"}),
        (("rules",), {"trip": []}),
        (("rules",), {"trip": [[2.0, 5.0, 1.0]]}),
        (("rules",), {"trip": [[2.0]]}),
    ],
)
def test_a_wrong_rig_is_found_where_it_is_wrong(place, value):
    """Types, bounds, unknown keys and words; the same content is valid before."""
    data = deepcopy(BRACKENLOW)
    table = data
    for step in place[:-1]:
        table = table[step]
    table[place[-1]] = value
    found = wrong("rig", data)
    assert found
    assert all(list(place)[: len(one)] == one[: len(place)] for one in found)


def test_forms_that_a_key_can_have_are_valid():
    """A gauge as a number, one battery or several, one instance or several, steps of a trip."""
    wired = {**BRACKENLOW["output"][0], "wire": {"awg": 12, "length_m": 1}}
    forms = {"output": [wired], "battery": [{"name": "a"}, {"name": "b"}], "rules": {"trip": [[2.0, 5.0]]}}
    assert wrong("rig", {**BRACKENLOW, **forms}) == []
    assert wrong("rig", {**BRACKENLOW, "rules": {"trip": "I2t"}}) == []


def test_what_is_missing_is_found():
    """Keys that have to be there, of the file and of a table."""
    assert wrong("rig", {key: value for key, value in BRACKENLOW.items() if key != "title"}) == [[]]
    without = {**BRACKENLOW, "output": [{"name": "lamp", "module": "cupboard"}]}
    assert wrong("rig", without) == [["output", 0]]


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("rig", 5),
        ("seed", -1),
        ("lasts", 60),
        ("fault", [{"fault": "silnt", "device": "heater"}]),
        ("fault", [{"fault": "silent"}]),
        ("expect", [{"expect": "seen", "sight": {"device": "heater", "colour": 1}}]),
        ("rig", {"schema": 1, "name": "x"}),
    ],
)
def test_a_wrong_scenario_is_found(key, value):
    """Its own keys, faults, expectations, and a rig in it."""
    assert wrong("scenario", HEATER_QUIET) == []
    assert wrong("scenario", {**HEATER_QUIET, key: value})


def test_keys_are_explained_to_an_editor():
    """Meaning, unit, default and type of a key; a duration is a text."""
    output = validator("rig").schema["$defs"]["OutputPlan"]
    assert output["properties"]["amps"] == {
        "type": "number", "minimum": 0, "maximum": 1000, "description": "The running current of the load. In A.",
    }  # fmt: skip
    assert output["properties"]["ramp"]["type"] == "string"
    assert output["properties"]["ramp"]["default"] == "2s"
    assert output["required"] == ["name", "module", "terminal"]
    assert output["additionalProperties"] is False
