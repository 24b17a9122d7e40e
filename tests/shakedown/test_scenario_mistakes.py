"""Every mistake of a scenario in one go, each with its file and line, also those that only the definitions tell."""

import pytest

from rvsim.errors import InputError
from rvsim.runs.scenario_run import PreparedScenario, load_checked
from rvsim.shakedown.jobs import Job

OWN = """schema = 1
title = "Many mistakes"
lasts = "60s"
colour = "red"
[rig]
schema = 1
name = "r"
title = "R"
[[rig.device]]
name = "fridge"
kind = "own"
address = 0x99
functions = { ambient_sensor = 3 }
limits = { "DM_RV.glow" = [0, 1] }
[[rig.device.settings.message]]
message = "THERMOSTAT_AMBIENT_STATUS"
[rig.device.settings.message.fields]
ambient_temprature = 4.0
[[rig.device.settings.answer]]
command = "NO_COMMAND"
sets = { a = "THERMOSTAT_AMBIENT_STATUS.nothing" }
[[rig.device]]
name = "heater"
kind = "heater"
address = 0x5E
functions = { furnace = 1, water_heater = 1 }
[[step]]
at = "5s"
send = { message = "NO_SUCH" }
[[step]]
every = "5s"
from = "20s"
until = "10s"
send = { message = "FURNACE_COMMAND" }
[[step]]
at = "5 parsecs"
stop = "x"
[[step]]
when = { seen = { message = "FURNACE_STATUS", field = "heat" } }
send = { message = "FURNACE_COMMAND", fields = { instance = 1, heat_output_level = 900.0 } }
[[fault]]
fault = "wrong_value"
device = "heater"
message = "FURNACE_STATUS"
field = "nope"
value = 1.0
from = "1s"
[[expect]]
expect = "seen"
sight = { message = "NO_SUCH_EITHER" }
from = "70s"
[[expect]]
expect = "entered"
sight = { message = "FURNACE_STATUS", field = "heat_output_level", above = 0 }
at_most_times = 1
[[expect]]
expect = "flag"
from = "20s"
until = "20s"
"""
MISTAKES = [
    (4, 'unknown key "colour"'),
    (14, 'device "fridge", limits: DM_RV has no field glow'),
    (18, 'device "fridge", settings, message 1, fields.ambient_temprature: THERMOSTAT_AMBIENT_STATUS has no field'),
    (20, 'device "fridge", settings, answer 1, command: no message is called NO_COMMAND'),
    (21, 'device "fridge", settings, answer 1, sets.a: THERMOSTAT_AMBIENT_STATUS has no field "nothing"'),
    (29, "step 1: no message is called NO_SUCH"),
    (30, "step 2: until 10 s is not after from, 20 s"),
    (36, 'step 3, at: "5 parsecs" has the unknown unit'),
    (37, 'step 3, stop: no fault has the name "x"'),
    (39, "step 4: FURNACE_STATUS has no field heat"),
    (40, "step 4: heat output level 900.0 is outside"),
    (41, "fault 1 (wrong_value): FURNACE_STATUS has no field nope"),
    (50, "expect 1 (seen): sight: no message is called NO_SUCH_EITHER"),
    (51, "expect 1 (seen): it starts at 70 s, and the run lasts 60 s"),
    (52, "expect 2: the sight has no becomes"),
    (59, "expect 3, until: 20 s is not after from, 20 s"),
]
HEAD = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "60s"\n'


def refused(path, text):
    """The lines of all that is wrong with a scenario."""
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as told:
        load_checked(str(path))
    return told.value.problems


@pytest.fixture
def path(tmp_path):
    """A file for a scenario."""
    return tmp_path / "t.toml"


def test_all_of_them(path):
    """In the order of their lines, steps, windows and settings of one's own included."""
    lines = refused(path, OWN)
    assert len(lines) == len(MISTAKES)
    for line, (number, text) in zip(lines, MISTAKES, strict=True):
        assert line.startswith(f"{path}, line {number}, {text}" if number != 4 else f"{path}, line 4: {text}")


def test_lines_of_a_rig_that_is_changed(path):
    """What a change says is told with the scenario's line, what the rig says with the rig's, whoever is left out."""
    changes = """[[change]]
device = "heater"
absent = true
[[change]]
device = "roof fan"
[change.settings]
ampss = 3.0
[[change]]
device = "outdoor sensor"
kind = "tank"
[[change]]
device = "grey tank"
kind = "own"
functions = { tank = 2 }
"""
    lines = refused(path, HEAD + changes)
    fan = next(line for line in lines if "ampss" in line)
    assert fan.startswith(f'{path}, line 11, device 3 "roof fan", settings: unknown key "ampss"')
    place = next(line for line in lines if '"outdoor sensor"' in line)
    number = int(place.partition("ottersby.toml, line ")[2].partition(",")[0])
    rig = place.partition(", line")[0]
    with open(rig, encoding="utf-8") as file:
        assert 'place = "outdoors"' in file.read().splitlines()[number - 1]


def test_the_last_change_of_a_key_is_the_one_that_counts(path):
    """Its line is told, not that of the one which it replaces."""
    change = '[[change]]\ndevice = "roof fan"\nsettings = { ampss = 3.0 }\n'
    (line,) = refused(path, HEAD + change + change)
    assert line.startswith(f"{path}, line 10, device 4 ")


def test_a_change_of_nobody_and_a_message_of_nobody(path):
    """Both are told."""
    text = """[[change]]
device = "cabin light"
absent = true
[[expect]]
expect = "seen"
sight = { message = "NO_SUCH" }
"""
    change, message = refused(path, HEAD + text)
    assert change.startswith(f"{path}, line 5, change 1: ")
    assert message.startswith(f"{path}, line 10, expect 1 (seen): sight: no message is called NO_SUCH")


def test_a_faulty_rig_hides_no_mistake_of_the_scenario(path):
    """Settings that are no settings, and a message that nobody defines."""
    text = OWN.replace('colour = "red"\n', "\n").replace(
        "address = 0x5E\n", "address = 0x5E\nsettings = { watts = 1 }\n"
    )
    lines = refused(path, text)
    assert len(lines) == len(MISTAKES)
    assert any("watts" in line for line in lines)


def test_the_rest_of_a_scenario_without_a_length_is_not_looked_at(path):
    """Nobody can tell what comes too late in it; what is written wrongly is told."""
    lines = refused(path, OWN.replace('lasts = "60s"', "lasts = true"))
    assert any("line 3, lasts" in line for line in lines)
    assert not any("NO_SUCH" in line for line in lines)


@pytest.mark.parametrize("until", ["20s", "19s", "0s"])
def test_a_step_that_ends_before_it_begins(until, path):
    """As it is with faults and expectations."""
    step = f'[[step]]\nevery = "5s"\nfrom = "20s"\nuntil = "{until}"\nsend = {{ message = "DM_RV" }}\n'
    (line,) = refused(path, HEAD + step)
    assert line == f"{path}, line 5, step 1: until {until[:-1]} s is not after from, 20 s; the step is never due"


@pytest.mark.parametrize("seed", [-1, 1 << 63, True, "1", 1.5])
def test_a_seed_that_is_none(seed, path):
    """The same words for a run's and for a scenario's own."""
    path.write_text(HEAD, encoding="utf-8")
    with pytest.raises(InputError, match="is not a seed; write a whole number from 0 to 9223372036854775807"):
        PreparedScenario(Job(str(path), {}, seed))
    with pytest.raises(InputError, match="is not a seed; write a whole number from 0 to 9223372036854775807"):
        PreparedScenario(Job(str(path), {"seed": seed}))


@pytest.mark.parametrize("seed", [0, (1 << 63) - 1])
def test_a_seed_at_its_limits(seed, path):
    """Both are seeds."""
    path.write_text(HEAD, encoding="utf-8")
    assert (
        PreparedScenario(Job(str(path), {}, seed)).seed == PreparedScenario(Job(str(path), {"seed": seed})).seed == seed
    )
