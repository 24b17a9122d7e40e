"""A scenario is read with its rig, or refused with one clear line for each mistake in either."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, ValidationError

from rvsim import shipped
from rvsim.errors import InputError
from rvsim.rig.model import Rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.shakedown.faults.fault_plans import NoDataPlan, SilentPlan, WrongValuePlan
from rvsim.shakedown.scenario import (
    DEFAULT_SCENARIO,
    Scenario,
    load_scenario,
    shipped_scenarios,
)


class FanSettings(BaseModel):
    """Settings of an invented kind of device."""

    model_config = ConfigDict(extra="forbid")
    blades: int = 5


KINDS = {"fan": FanSettings}
RIG = """\
schema = 1
name = "small"
title = "A small one"
[[device]]
name = "roof fan"
kind = "fan"
address = 0x90
functions = { roof_fan = 1 }
"""
SCENARIO = """\
schema = 1
title = "A test"
rig = "rigs/small.toml"
lasts = "2min"

[[fault]]
fault = "silent"
device = "roof fan"
from = "20s"
until = "60s"

[[fault]]
fault = "wrong_value"
device = "roof fan"
message = "ROOF_FAN_STATUS_1"
field = "fan_speed"
value = 900
from = "0s"

[[fault]]
fault = "no_data"
device = "roof fan"
message = "ROOF_FAN_STATUS_1"
field = "fan_speed"
from = "90s"
until = "1.6min"
"""
INLINE = (
    SCENARIO.replace('rig = "rigs/small.toml"\n', "")
    + "\n[rig]\n"
    + RIG.replace("[[device]]", "[[rig.device]]\nsettings = { blades = 3 }")
)


@pytest.fixture
def written(tmp_path):
    """Return a function that writes a scenario, and its rig beside it, and returns the scenario's path."""
    (tmp_path / "rigs").mkdir()

    def write(scenario=SCENARIO, rig=RIG):
        (tmp_path / "rigs" / "small.toml").write_text(rig, encoding="utf-8")
        (tmp_path / "test.toml").write_text(scenario, encoding="utf-8")
        return tmp_path / "test.toml"

    return write


def refused(path):
    """Return the lines with which a scenario is refused, without the folder."""
    with pytest.raises(InputError) as error:
        load_scenario(path, KINDS)
    return [line.replace(f"{path.parent}/", "") for line in error.value.problems]


def test_a_scenario_is_read_with_its_rig(written):
    """Name from the file, rig from beside it, times in microseconds, defaults for what is left out."""
    path = written()
    loaded = load_scenario(path, KINDS)
    assert (loaded.name, loaded.path, loaded.rig.name) == ("test", path, "small")
    scenario = loaded.scenario
    assert (scenario.title, scenario.about, scenario.rig) == ("A test", "", "rigs/small.toml")
    assert (scenario.seed, scenario.lasts, scenario.shore_power) == (1, 120_000_000, True)
    assert scenario.weather == WeatherPlan()
    silent, wrong, missing = scenario.faults
    assert isinstance(silent, SilentPlan)
    assert (silent.device, silent.since, silent.until) == ("roof fan", 20_000_000, 60_000_000)
    assert isinstance(wrong, WrongValuePlan)
    assert (wrong.message, wrong.field, wrong.value) == ("ROOF_FAN_STATUS_1", "fan_speed", 900.0)
    assert (wrong.since, wrong.until) == (0, None)
    assert isinstance(missing, NoDataPlan)
    assert (missing.message, missing.field, missing.since) == ("ROOF_FAN_STATUS_1", "fan_speed", 90_000_000)
    assert missing.until == 96_000_000


def test_everything_that_can_be_said_is_kept(written):
    """Seed, shore power, weather and several lines about it."""
    text = 'seed = 7\nshore_power = false\nabout = """\nOne.\nTwo."""\nweather = { outdoor_c = -6 }\n'
    scenario = load_scenario(written(SCENARIO.replace("\n[[", f"\n{text}[[", 1))).scenario
    assert (scenario.seed, scenario.shore_power, scenario.about) == (7, False, "One.\nTwo.")
    assert scenario.weather == WeatherPlan(outdoor_c=-6)


def test_a_weather_table_stands_beside_its_scenario(written, tmp_path):
    """Its path is relative to the scenario; a row that is missing names its line, in the table and in the scenario."""
    table = tmp_path / "rigs" / "night.csv"
    table.write_text("hours,outdoor_c\n0,4\n1,2\n2,-3\n", encoding="utf-8")
    path = written(SCENARIO.replace("\n[[fault]]", '\n[weather]\ntable = "rigs/night.csv"\n[[fault]]', 1))
    assert load_scenario(path, KINDS).scenario.weather.table == table
    table.write_text("hours,outdoor_c\n0,4\n1,2\n3,-3\n", encoding="utf-8")
    assert refused(path) == [
        "test.toml, line 7, weather.table: rigs/night.csv, line 4: the row of 2 hours is missing before that of 3; "
        "the rows are 1 h apart, like the first two"
    ]
    table.unlink()
    (line,) = refused(path)
    assert line.startswith("test.toml, line 7, weather.table: there is no file")


def test_a_scenario_may_hold_its_rig(written):
    """A rig as a table in the scenario is checked like one in a file."""
    loaded = load_scenario(written(INLINE), KINDS)
    assert isinstance(loaded.scenario.rig, Rig)
    assert loaded.rig is loaded.scenario.rig
    assert loaded.rig.devices[0].settings == {"blades": 3}


def test_a_shipped_rig_is_found_by_name(written):
    """A scenario of one's own can use a rig that comes with the program."""
    (name, *_) = sorted(path.stem for path in (shipped.scenario_folder() / "rigs").glob("*.toml"))
    text = SCENARIO.replace("rigs/small.toml", name).partition("[[fault]]")[0]
    assert load_scenario(written(text)).rig.name == name


def test_a_scenario_cannot_be_changed(written):
    """Scenarios and faults are frozen."""
    scenario = load_scenario(written()).scenario
    with pytest.raises(ValidationError, match="frozen"):
        scenario.seed = 2  # type: ignore[misc]
    with pytest.raises(ValidationError, match="frozen"):
        scenario.faults[0].device = "other"  # type: ignore[misc]


FAULT = 'line {}, fault {} "{}"'
WORD = "is not a name of a message or field; write letters, digits and _ only"


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("schema = 1", "schema = 2", "line 1, schema: 2 is not a file format that this rvsim reads; write schema = 1"),
        ('lasts = "2min"', "lasts = 120", 'line 4, lasts: 120 has no unit; write the unit: "120s"'),
        ('lasts = "2min"', 'lasts = "0s"', 'line 4, lasts: "0s" is too low; write more than 0s'),
        (
            "\n[[fault]]",
            "sed = 1\n[[fault]]",
            'line 5: unknown key "sed" (did you mean "seed"?); remove it or correct the name',
        ),
        (
            "\n[[fault]]",
            "seed = -1\n[[fault]]",
            "line 5, seed: -1 is not a seed; write a whole number from 0 to 9223372036854775807",
        ),
        (
            "\n[[fault]]",
            f"seed = {1 << 63}\n[[fault]]",
            f"line 5, seed: {1 << 63} is not a seed; write a whole number from 0 to {(1 << 63) - 1}",
        ),
        (
            "\n[[fault]]",
            'about = "a\\u001b"\n[[fault]]',
            'line 5, about: "a\\x1b" has a control character; write plain text',
        ),
        (
            "\n[[fault]]",
            "weather = { outdoor = 3 }\n[[fault]]",
            'line 5, weather: unknown key "outdoor" (did you mean "outdoor_c"?); remove it or correct the name',
        ),
        (
            'rig = "rigs/small.toml"',
            "rig = 3",
            'line 3, rig: 3 is not a rig; write its name or path in quotes, like "my_van.toml", or a table',
        ),
        (
            '"silent"',
            '"silnt"',
            f'{FAULT.format(7, 1, "silnt")}, fault: "silnt" is unknown (did you mean "silent"?); '
            "write one of silent, asleep, carried_away, late, jitter, wrong_value, stuck, drift, noise, wrong_scale, "
            "out_of_range, no_data, wrong_instance, shared_instance, firmware_reset, shared_address, short_frame, "
            "command_ignored, command_delayed, restart, brown_out, overload, protection_opens, reported, "
            "sensor_misplaced, sender_reversed, ground_offset, failed_ignition, fuel_gelling, air_in_fuel, "
            "filter_blocked, key_stuck, ladder_resistance, relay_welded, relay_open, lamp_out, output_overload, "
            "obstruction, limit_switch_stuck, babbling, bus_errors, missing_terminator, reversed_pair",
        ),
        ('fault = "silent"\n', "", 'line 6, fault 1: the key "fault" is missing; add it'),
        (
            'from = "20s"',
            'form = "20s"',
            f'{FAULT.format(9, 1, "silent")}: unknown key "form" (did you mean "from"?); remove it or correct the name',
        ),
        (
            'until = "60s"',
            'until = "20s"',
            f"{FAULT.format(10, 1, 'silent')}, until: 20 s is not after from, 20 s; write a later time, or omit until",
        ),
        (
            'until = "60s"',
            'until = "60s"\nmessage = "X"',
            f'{FAULT.format(11, 1, "silent")}: unknown key "message"; remove it or correct the name',
        ),
        (
            'device = "roof fan"\nfrom',
            'device = "rof fan"\nfrom',
            f'{FAULT.format(8, 1, "silent")}, device: "rof fan" is not in the rig (did you mean "roof fan"?); '
            "its devices are roof fan",
        ),
        ("value = 900\n", "", f'{FAULT.format(12, 2, "wrong_value")}: the key "value" is missing; add it'),
        (
            "value = 900",
            "value = inf",
            f"{FAULT.format(17, 2, 'wrong_value')}, value: inf is not a finite number; write one like 21.5",
        ),
        (
            "value = 900",
            'valu = "x"\nvalue = 3',
            f'{FAULT.format(17, 2, "wrong_value")}: unknown key "valu" (did you mean "value"?); '
            "remove it or correct the name",
        ),
        (
            '"ROOF_FAN_STATUS_1"\nfield = "fan_speed"\nvalue',
            '"ROOF FAN"\nfield = "fan_speed"\nvalue',
            f'{FAULT.format(15, 2, "wrong_value")}, message: "ROOF FAN" {WORD}',
        ),
        (
            '"fan_speed"\nfrom',
            '"fan.speed"\nfrom',
            f'{FAULT.format(24, 3, "no_data")}, field: "fan.speed" {WORD}',
        ),
        ('"fan_speed"\nfrom', '"é"\nfrom', f'{FAULT.format(24, 3, "no_data")}, field: "é" {WORD}'),
    ],
)
def test_one_mistake_gives_its_lines_at_its_place(written, old, new, line):
    """Each mistake is named with its line, its fault and what to write."""
    assert SCENARIO.count(old) >= 1
    lines = line if isinstance(line, list) else [line]
    assert refused(written(SCENARIO.replace(old, new, 1))) == [f"test.toml, {one}" for one in lines]


def test_mistakes_of_the_scenario_and_of_its_rig_come_at_once(written):
    """Both files' mistakes in one answer, the device of a fault being looked up in the rig as far as it can be read."""
    scenario = SCENARIO.replace('"2min"', '"2"').replace('device = "roof fan"\nfrom', 'device = "heater"\nfrom')
    assert refused(written(scenario, RIG.replace("0x90", "0xFF") + "settings = { blade = 1 }\n")) == [
        'test.toml, line 4, lasts: 2 has no unit; write the unit: "2s"',
        'test.toml, line 8, fault 1 "silent", device: "heater" is not in the rig; its devices are roof fan',
        'rigs/small.toml, line 7, device 1 "roof fan", address: 0xFF is not an address that a device can have; '
        "write 0 to 0xFD (253)",
        'rigs/small.toml, line 9, device 1 "roof fan", settings: unknown key "blade" (did you mean "blades"?); '
        "remove it or correct the name; the keys here are blades",
    ]


def test_mistakes_of_a_rig_alone_are_enough(written):
    """A sound scenario with a rig that cannot be used is refused."""
    assert refused(written(rig=RIG.replace('title = "A small one"\n', ""))) == [
        'rigs/small.toml: the key "title" is missing; add it'
    ]


def test_mistakes_of_a_rig_within_the_scenario_have_their_place(written):
    """The rig's table and its devices are named, and devices of faults are looked up there."""
    text = INLINE.replace("0x90", "-1").replace('name = "roof fan"', 'name = "fan"').replace("blades", "blade")
    assert refused(written(text)) == [
        *(
            f'test.toml, line {line}, fault {n} "{kind}", device: "roof fan" is not in the rig; its devices are fan'
            for n, (line, kind) in enumerate([(7, "silent"), (13, "wrong_value"), (21, "no_data")], 1)
        ),
        'test.toml, line 32, rig, device 1 "fan", settings: unknown key "blade" (did you mean "blades"?); '
        "remove it or correct the name; the keys here are blades",
        'test.toml, line 35, rig, device 1 "fan", address: -1 is not an address that a device can have; '
        "write 0 to 0xFD (253)",
    ]


@pytest.mark.parametrize("device", ["device = 3\n", 'device = ["x", 4]\n', "[[device]]\nname = 4\n", ""])
def test_a_rig_whose_devices_have_no_names_hides_no_fault(written, device):
    """Where no device can be read, faults are not held against them: only the rig is at fault."""
    lines = refused(written(rig=f'schema = 1\nname = "small"\ntitle = "A"\n{device}'))
    assert lines
    assert not [line for line in lines if line.startswith("test.toml")]


def test_names_that_a_terminal_would_obey_are_not_repeated(written):
    """A device name with a control character is shown escaped where it stands, and in no list."""
    rig = RIG + '[[device]]\nname = "a\\u001b"\nkind = "fan"\naddress = 1\nfunctions = { tank = 1 }\n'
    lines = refused(written(SCENARIO.replace('device = "roof fan"\nfrom', 'device = "fan"\nfrom'), rig))
    assert lines == [
        'test.toml, line 8, fault 1 "silent", device: "fan" is not in the rig; its devices are roof fan',
        'rigs/small.toml, line 10, device 2 "a\\x1b", name: "a\\x1b" has a line break or another control character; '
        "write plain text",
    ]


def test_a_rig_that_is_not_there_is_named_with_the_line_that_asks_for_it(written, tmp_path):
    """A missing file, an unknown name and broken TOML of a rig point to the scenario's line."""
    path = written(SCENARIO.replace("rigs/small.toml", "rigs/smal.toml"))
    with pytest.raises(InputError) as error:
        load_scenario(path)
    assert error.value.problems == (
        f'{path}, line 3, rig: there is no file "{tmp_path}/rigs/smal.toml"; check its name and folder',
    )
    (line,) = refused(written(SCENARIO.replace("rigs/small.toml", "smal")))
    assert line.startswith('test.toml, line 3, rig: no rig is called "smal"; the shipped ones are ')
    assert refused(written(rig="a = on")) == [
        "test.toml, line 3, rig: rigs/small.toml, line 1, column 5: this is not a value: "
        'text needs quotes, "like this"; write true and false, not yes and no'
    ]


def test_an_unknown_scenario_lists_the_shipped_ones():
    """The nearest name and all names are given; a path that is not there is named."""
    names = [name for name, _ in shipped_scenarios()]
    with pytest.raises(InputError) as error:
        load_scenario(DEFAULT_SCENARIO[:-1])
    assert error.value.problems == (
        f'no scenario is called "{DEFAULT_SCENARIO[:-1]}" (did you mean "{DEFAULT_SCENARIO}"?); '
        f"the shipped ones are {', '.join(names)}; for your own give its path, ending in .toml",
    )
    with pytest.raises(InputError, match=r'^there is no file "no/such.toml"; check its name and folder$'):
        load_scenario("no/such.toml")


def test_a_scenario_put_together_in_code_need_not_have_its_rig_at_hand():
    """Without the names of devices, faults are taken as they are."""
    fault = {"fault": "silent", "device": "any", "from": "1s"}
    data = {"schema": 1, "title": "A", "rig": "any", "lasts": "1s", "fault": [fault]}
    assert Scenario.model_validate(data).faults[0].device == "any"


@given(
    cuts=st.lists(
        st.tuples(
            st.integers(0, len(INLINE)), st.integers(0, 12), st.sampled_from(["", "[", '"', "=", "\n", "{", "9"])
        ),
        min_size=1,
        max_size=4,
    )
)
def test_a_mangled_scenario_is_read_or_refused(cuts, tmp_path_factory):
    """Whatever is cut out or put in, the answer is a scenario or clear lines that name the file."""
    text = INLINE
    for place, length, new in cuts:
        text = text[:place] + new + text[place + length :]
    path = tmp_path_factory.getbasetemp() / "mangled_scenario.toml"
    path.write_text(text, encoding="utf-8")
    try:
        lines = () if load_scenario(path, KINDS).rig.devices else ("no rig",)
    except InputError as error:
        lines = error.problems  # type: ignore[assignment]
    assert all(line.startswith(str(path)) and line.isprintable() for line in lines)
