"""Keys of a scenario and its rig by their paths: what leads where, and what is said of a path that leads nowhere."""

import re
import tomllib
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim import shipped
from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.rig.model import Rig
from rvsim.rig.toml_file import TomlFile
from rvsim.shakedown.jobs import parse_range
from rvsim.shakedown.key_paths import PathError, Segment, find_key, key_paths, parse_path, split_key, with_value
from rvsim.shakedown.replaced_values import split_values, with_values
from rvsim.shakedown.scenario import Scenario, load_scenario, own_values

VAN: dict[str, Any] = {
    "schema": 1,
    "name": "van",
    "title": "A van",
    "device": [
        {"name": "heater", "kind": "heater", "address": 0x65, "functions": {"furnace": 1, "water_heater": 1}},
        {"name": "no. 2", "kind": "roof_fan", "address": 0x66, "functions": {"roof_fan": 1}},
        {"name": "3", "kind": "own", "address": 0x67, "settings": {"message": [{"message": "LAMP", "gap": "1s"}]}},
    ],
}
CHANGING_STEP = {"at": "2s", "change": {"load": {"big kettle": 90.0}, "tank": {"grey": {"percent": 5.0}}}}
NIGHT: dict[str, Any] = {
    "schema": 1,
    "title": "A night",
    "rig": "ottersby",
    "lasts": "60s",
    "fault": [
        {"fault": "silent", "name": "gust", "device": "heater"},
        {"fault": "late", "device": "heater", "from": "1s", "gap": "9s"},
        {"fault": "silent", "name": "twin", "device": "heater"},
        {"fault": "silent", "name": "twin", "device": "charger"},
    ],
    "step": [{"at": "1s", "send": {"message": "FURNACE_COMMAND", "fields": {"instance": 1}}}, CHANGING_STEP],
    "start": {"zone": {"cabin": 5.0}},
    "expect": [{"expect": "world", "says": "it is warm", "value": "cabin", "at_least": 5.0}],
}
NAMES = ("name", "says", "device", "message", "command")
"""The keys by which tables are named."""
VALUES = st.one_of(
    st.integers(-(1 << 40), 1 << 40), st.floats(-1e9, 1e9), st.booleans(), st.sampled_from(["5s", "x y"])
)


def file(data):
    """A scenario's file."""
    return TomlFile(Path("s.toml"), "", data)


def shipped_file(*parts):
    """The content of a file that is shipped."""
    return tomllib.loads(shipped.scenario_folder().joinpath(*parts).read_text(encoding="utf-8"))


def read(data, found):
    """What is in a place of a file's content."""
    for step in found.place:
        data = data[step]
    return data


RIGS = [VAN, *(shipped_file("rigs", path.name) for path in (shipped.scenario_folder() / "rigs").glob("*.toml"))]
SCENARIOS = [NIGHT, *(shipped_file(f"{name}.toml") for name in ("warm_cabin", "loose_plug", "own_device"))]
CASES = [(Rig, data) for data in RIGS] + [(Scenario, data) for data in SCENARIOS]


@cache
def paths(number):
    """All keys of a case."""
    model, data = CASES[number]
    return list(key_paths(model, data, settings_models()))


@given(st.data(), VALUES)
def test_every_key_of_the_models_can_be_named_set_and_read_back(draw, value):
    """Whichever key, written in the file or not; nothing else of the file changes, and the file itself stays."""
    number = draw.draw(st.integers(0, len(CASES) - 1))
    (model, data), kinds = CASES[number], settings_models()
    path = draw.draw(st.sampled_from(paths(number)))
    before, found = deepcopy(data), find_key(path, model, data, kinds)
    changed = with_value(data, found, value)
    assert data == before
    if str(value) == read(changed, found):  # digits for a key that takes text alone
        value = str(value)
    assert read(changed, found) == value
    if found.place[-1] not in NAMES:
        again = find_key(path, model, changed, kinds)
        assert (again.place, again.value) == (found.place, value)
    other = draw.draw(st.sampled_from(paths(number)))
    if other.partition(".")[0] != path.partition(".")[0]:
        assert find_key(other, model, changed, kinds) == find_key(other, model, data, kinds)


@given(st.lists(st.text(min_size=1, max_size=6).filter(str.isprintable), min_size=1, max_size=4))
def test_any_name_can_be_written_in_a_path(names):
    """Names with blanks, dots, quotes or an equals sign; behind it come the values."""
    path = ".".join(str(Segment(name, quoted=True)) for name in names)
    assert [segment.text for segment in parse_path(path)] == names
    assert split_key(f"{path}=1,2=3") == (path, "=", "1,2=3")
    assert parse_range(f"{path}=7").key == path


def test_every_key_of_the_models_is_found():
    """Of devices with the settings of their kinds, of tables that are not written, of entries by their names."""
    rig = list(key_paths(Rig, VAN, settings_models()))
    assert {"device.heater.settings.burner_amps", 'device."no. 2".settings.full_amps', "harness.recorder"} <= set(rig)
    assert {"coolant.glycol_percent", 'device."3".settings.message.LAMP.instance', "device.heater.sleeps"} <= set(rig)
    scenario = list(key_paths(Scenario, NIGHT))
    assert {"weather.start_hour", "fault.gust.from", "fault.2.gap", "fault.3.until", "shore_power"} <= set(scenario)
    assert {"step.1.send.fields.instance", "step.1.when.above", 'expect."it is warm".at_most'} <= set(scenario)
    assert {'step.2.change.load."big kettle"', "step.2.change.tank.grey.litres_per_min", "start.rain"} <= set(scenario)
    assert {"step.2.change.weather.rain", "start.zone.cabin", "step.1.change.draw.litres"} <= set(scenario)
    assert "fault.gust.gap" not in scenario  # a silent device has no such key


def test_a_key_is_listed_once():
    """Also where several kinds of table could be meant."""
    paths = list(key_paths(Scenario, {"fault": [{"name": "gust"}], "expect": [{}]}))
    assert len(set(paths)) == len(paths)
    assert {"fault.gust.from", "fault.gust.gap", "fault.gust.rate", "expect.1.within"} <= set(paths)


@pytest.mark.parametrize(
    ("path", "place"),
    [
        ("device.heater.address", ("device", 0, "address")),
        ("device.1.address", ("device", 0, "address")),
        ("device.3.address", ("device", 2, "address")),
        ('device."3".address', ("device", 2, "address")),
        ("device.'no. 2'.sleeps", ("device", 1, "sleeps")),
        ("coolant.litres", ("coolant", "litres")),
        ("device.heater.amps.furnace", ("device", 0, "amps", "furnace")),
        ("device.heater.limits.set_point", ("device", 0, "limits", "set_point")),
        (' device . "heater" . address', ("device", 0, "address")),
    ],
)
def test_what_leads_where(path, place):
    """A table of a list by its name or its number; a key that is not written too; quotes make digits a name."""
    assert find_key(path, Rig, VAN, settings_models()).place == place


SWITCHED: dict[str, Any] = {
    **VAN,
    "output": [
        {"name": "galley light", "module": "m", "terminal": 1, "wire": {"awg": 12, "length_m": 4.0}},
        {"name": "seat light", "module": "m", "terminal": 2},
        {"name": "seat_light", "module": "m", "terminal": 3},
    ],
    "tap": [{"name": "end", "length_m": 1.0, "drops": [{"device": "heater", "length_m": 0.5}]}],
}


@pytest.mark.parametrize(
    ("path", "place"),
    [
        ("output.galley_light.amps", ("output", 0, "amps")),
        ("output.galley_light.length_m", ("output", 0, "wire", "length_m")),
        ("output.galley_light.wire.length_m", ("output", 0, "wire", "length_m")),
        ("output.2.area_mm2", ("output", 1, "wire", "area_mm2")),
        ("output.seat_light.amps", ("output", 2, "amps")),
        ("device.heater.burner_amps", ("device", 0, "settings", "burner_amps")),
        ("tap.end.length_m", ("tap", 0, "length_m")),
    ],
)
def test_a_name_with_lines_for_blanks_and_a_key_without_its_table(path, place):
    """The exact name and the table's own key come first; a list is no table that can be left out."""
    assert find_key(path, Rig, SWITCHED, settings_models()).place == place


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ("output.'galley_light'.amps", '"galley_light" is not there (did you mean "galley light"?)'),
        ("output.galley_light.lenght_m", 'unknown key "lenght_m"'),
        ("device.heater.start", "the keys of device.heater are"),
        ("recorder", 'unknown key "recorder"'),
    ],
)
def test_what_is_not_completed(path, text):
    """A name in quotes, a key that two tables have or none has, and a key of the file itself."""
    model = settings_models()
    clash = {**model, "heater": type("Clash", (model["heater"],), {"__annotations__": {"start": int}, "start": 1})}
    with pytest.raises(PathError) as refused:
        find_key(path, Rig, SWITCHED, clash)
    assert text in str(refused.value)


@pytest.mark.parametrize(
    ("model", "path", "text"),
    [
        (
            Rig,
            "device.heatr.address",
            '"heatr" is not there (did you mean "heater"?); after device write one of heater, ',
        ),
        (
            Rig,
            "device.4.address",
            '"4" is not there; after device write one of heater, "no. 2", "3", or a number from 1',
        ),
        (Rig, "device.no. 2.address", '"no" is not there; after device write one of heater, "no. 2", "3", or a number'),
        (Rig, "device.heater.adress", 'unknown key "adress" (did you mean "address"?); remove it or correct the name'),
        (
            Rig,
            "device.heater.settings.fan_amp",
            "; the keys of device.heater.settings are unlock_s, max_failed_starts,",
        ),
        (
            Rig,
            "device.heater.settings",
            "device.heater.settings has no value of its own; write a key in it, like device.",
        ),
        (Rig, "device.heater", "write a key in it, like device.heater.name; its keys are name, real, kind, address"),
        (Rig, "cabin.start_c.x", "cabin.start_c is one value; write it without .x"),
        (Rig, "device.heater.address.x", "device.heater.address is one value here; write it without .x"),
        (Rig, "module.left.limit_amps", "the file has no module; add a table [[module]] to it, or write another key"),
        (Scenario, "fault.twin.from", '"twin" is the name of 2 of them; write fault.3 or fault.4'),
        (Scenario, "fault.5.from", '"5" is not there; after fault write one of gust, twin, twin, or a number'),
        (Scenario, "weather.outdor_c", 'unknown key "outdor_c" (did you mean "outdoor_c"?)'),
        (Scenario, "", "write dots between keys"),
        (Scenario, "weather..x", "write dots between keys"),
        (Scenario, "fault.'gust.from", "write dots between keys"),
        (Scenario, 'fault."\\q".from', "is not a name in quotes; write a backslash in it twice"),
    ],
)
def test_what_is_said_of_a_path_that_leads_nowhere(model, path, text):
    """The nearest key, and what is there."""
    with pytest.raises(PathError) as refused:
        find_key(path, model, VAN if model is Rig else NIGHT, settings_models())
    assert text in str(refused.value)


def test_values_are_laid_over_a_file():
    """Tables by their keys, lists by numbers from 1; the file itself stays as it was."""
    data = {"seed": 1, "fault": [{"from": "1s"}, {"from": "2s"}]}
    laid = with_values(file(data), {"seed": 5, "fault.2.from": "9s", "weather.outdoor_c": -3}, Scenario)
    assert laid.data == {"seed": 5, "fault": [{"from": "1s"}, {"from": "9s"}], "weather": {"outdoor_c": -3}}
    assert data == {"seed": 1, "fault": [{"from": "1s"}, {"from": "2s"}]}


def test_what_the_model_has_need_not_be_written_to_be_varied():
    """It is put into the file; nothing else is."""
    assert with_values(file({}), {"weather.outdoor_c": -3}, Scenario).data == {"weather": {"outdoor_c": -3}}
    assert with_values(file({}), {"seed": 5}, Scenario).data == {"seed": 5}


def test_a_place_that_is_not_there_is_told():
    """A line for each, with what a place looks like."""
    with pytest.raises(InputError) as refused:
        with_values(
            file({"fault": [{}]}),
            {"fault.2.from": "1s", "fault.x.from": 1, "wether.outdoor_c": 2, "fault.0.a": 1},
            Scenario,
        )
    assert len(refused.value.problems) == 4
    assert refused.value.problems[0].startswith("s.toml: no key fault.2.from; ")
    assert "write the number 1" in refused.value.problems[0]


def test_a_value_is_written_as_its_key_needs_it():
    """An address in hex as a number, digits for a text as text; what is in quotes stays text."""
    laid = with_values(file(VAN), {"device.heater.address": "0x44", "device.heater.zone": 2}, Rig)
    assert (laid.data["device"][0]["address"], laid.data["device"][0]["zone"]) == (0x44, "2")
    assert parse_range('a="1","x,y",3').choices == ("1", "x,y", 3)


def test_a_scenario_comes_before_its_rig():
    """Each key goes where it is known; with rig before it, into the rig; one that neither has is refused."""
    keys: dict[str, Any] = {"title": 1, "rig.title": 2, "device.heater.address": 3, "rig": "x", "cabin.start_c": 4}
    split = split_values(keys, file({}), Scenario)
    assert list(split.scenario) == ["title", "rig"]
    assert list(split.rig) == ["rig.title", "device.heater.address", "cabin.start_c"]
    with pytest.raises(
        InputError, match=r's\.toml: no key devise\.x; unknown key "devise" \(did you mean "device"\?\)'
    ):
        split_values({"devise.x": 1}, file({}), Scenario)


SCENARIO = 'schema = 1\ntitle = "T"\nlasts = "60s"\n'
CHANGE = '[[change]]\ndevice = "heater"\nsettings = { fan_amps = 1.0 }\n'


@pytest.mark.parametrize("inline", [False, True])
def test_keys_of_the_rig_are_set_in_its_file_or_in_the_scenario(tmp_path, inline):
    """Also over what the scenario itself changes in the rig; the run's own values are those without it."""
    rig = (shipped.scenario_folder() / "rigs" / "ottersby.toml").read_text(encoding="utf-8")
    if inline:
        rig = re.sub(r"^(\[+)(?=[a-z])", r"\1rig.", rig, flags=re.MULTILINE)
        text = SCENARIO + CHANGE + "[rig]\n" + rig
    else:
        text = SCENARIO + 'rig = "ottersby"\n' + CHANGE
    path = tmp_path / "t.toml"
    path.write_text(text, encoding="utf-8")
    keys = {"device.heater.settings.fan_amps": 2.5, "coolant.litres": 7.0, "rig.device.heater.sleeps": True}
    assert own_values(path, [*keys, "lasts", "device.heater.answer_time", "rig", "no.such"], settings_models()) == {
        "device.heater.settings.fan_amps": 1.0,
        "coolant.litres": 10.0,
        "rig.device.heater.sleeps": False,
        "lasts": "60s",
        "device.heater.answer_time": "2s",
        "rig": None if inline else "ottersby",
        "no.such": None,
    }
    rig_of = load_scenario(path, settings_models(), keys).rig
    heater = next(plan for plan in rig_of.devices if plan.name == "heater")
    assert (heater.settings["fan_amps"], rig_of.coolant.litres, heater.sleeps) == (2.5, 7.0, True)


def test_a_value_that_cannot_be_is_told_with_its_place(tmp_path):
    """Where the key would be, and what to write."""
    path = tmp_path / "t.toml"
    path.write_text(SCENARIO + 'rig = "ottersby"\n', encoding="utf-8")
    with pytest.raises(InputError) as refused:
        load_scenario(path, settings_models(), {"device.heater.settings.fan_amps": -1, "coolant.litres": 5000})
    assert len(refused.value.problems) == 2
    assert "coolant.litres: 5000 is above 100; write 100 or less" in refused.value.problems[1]
    assert 'device 2 "heater", settings.fan_amps: -1 is below 0; write 0 or more' in refused.value.problems[0]
    with pytest.raises(
        InputError, match=r'ottersby\.toml: no key device\.heatr\.address; "heatr" is not there \(did you'
    ):
        load_scenario(path, settings_models(), {"device.heatr.address": 1})
