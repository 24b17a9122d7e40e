"""Steps that press and set switches and outputs, faults of keys, and what is expected of them by name."""

import tomllib
from pathlib import Path

import pytest

from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.rig.model import Rig
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.shakedown.expect.sight import Sight
from rvsim.shakedown.explain import render_scenario
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.scenario import load_scenario

RIG = """schema = 1
name = "van"
title = "A van with switches"

[[device]]
name = "centre"
kind = "load_centre"
address = 0x90

[[device]]
name = "bed keypad"
kind = "keypad"
address = 0x91
functions = { keypad = [31, 32] }
[device.settings]
keys = { lamp = { instance = 31 }, night = { scene = "night" } }
commands = { lamp = { instance = 3 } }

[[module]]
name = "front"
device = "centre"

[[module]]
name = "loose module"

[[output]]
name = "galley light"
module = "front"
terminal = 1
instance = 3
load = "lamp"

[[output]]
name = "bilge pump"
module = "front"
terminal = 2
instance = 9
load = "pump"

[[output]]
name = "hidden"
module = "front"
terminal = 3

[[input]]
name = "galley switch"
module = "front"
terminal = 1
instance = 21
switches = "galley light"

[[input]]
name = "wall"
module = "front"
terminal = 2
instance = 22
ladder = { pull_up_ohm = 1000, rungs = { galley = 200, bed = 510, door = 1000 } }

[[input]]
name = "bilge switch"
module = "front"
terminal = 3
instance = 25
switch = "maintained"
switches = "bilge pump"

[[input]]
name = "local"
module = "front"
terminal = 4

[[input]]
name = "loose"
module = "loose module"
terminal = 1
"""
SCENARIO = """schema = 1
title = "Switches"
rig = "van.toml"
lasts = "60s"
"""
DAY = """
[start]
switch = { "bilge switch" = "on" }
[[step]]
at = "5s"
press = "galley switch"
[[step]]
at = "10s"
press = "bed keypad.lamp"
hold = "300ms"
[[step]]
at = "15s"
switch = { "bilge switch" = "off" }
[[step]]
at = "20s"
override = { "galley light" = "on" }
[[step]]
at = "25s"
override = { "galley light" = "none" }
[[step]]
at = "50s"
press = "wall.galley"
[[step]]
when = { seen = { input = "wall.bed", becomes = "on" } }
wait = "1s"
press = "bed keypad.night"
[[fault]]
fault = "ladder_resistance"
input = "wall"
ohm = 200
within = "10s"
from = "35s"
[[fault]]
fault = "key_stuck"
key = "bed keypad.night"
from = "40s"
[[expect]]
expect = "answer"
to = { input = "galley switch", becomes = "off" }
sight = { output = "galley light", becomes = "on" }
within = "10ms"
[[expect]]
expect = "entered"
sight = { output = "galley light", becomes = "off" }
at_least_times = 2
at_most_times = 2
[[expect]]
expect = "seen"
sight = { output = "galley light", above = 99 }
from = "20s"
until = "25s"
[[expect]]
expect = "every"
sight = { output = "bilge pump", is = "on" }
gap = "6s"
until = "15s"
[[expect]]
expect = "never"
sight = { output = "bilge pump", is = "on" }
from = "15.1s"
[[expect]]
expect = "never"
sight = { input = "wall.galley", is = "on" }
[[expect]]
expect = "never"
sight = { input = "bed keypad.night", becomes = "off" }
[[expect]]
expect = "flag"
raised = false
"""


@pytest.fixture
def write(tmp_path):
    """Write a scenario of the van and return its path: ``write('[[step]] ...')``."""

    def go(text: str, rig: str = RIG) -> Path:
        (tmp_path / "van.toml").write_text(rig, encoding="utf-8")
        path = tmp_path / "s.toml"
        path.write_text(SCENARIO + text, encoding="utf-8")
        return path

    return go


def told(path) -> list[str]:
    """Return the mistakes for which a scenario is refused, each without its file."""
    with pytest.raises(InputError) as refused:
        PreparedScenario(Job(path, {}))
    return [problem.partition(", ")[2] for problem in refused.value.problems]


def test_a_minute_of_switches(write):
    """Presses, a switch that was on from the start, an override, a contact that ages and a key that sticks."""
    verdict = PreparedScenario(Job(write(DAY), {})).run()
    assert verdict.passed, str(verdict)
    assert verdict.start == ("bilge switch is switched on",)
    assert [(round(change.at, 1), change.text) for change in verdict.changes] == [
        (5.0, "galley switch is pressed for 0.2 s"),
        (10.0, "bed keypad.lamp is pressed for 0.3 s"),
        (15.0, "bilge switch is switched off"),
        (20.0, "galley light is set on by hand at its module"),
        (25.0, "galley light is as commanded again"),
        (50.0, "wall.galley is pressed for 0.2 s"),
        (51.0, "bed keypad.night is pressed for 0.2 s"),
    ]


def test_without_the_faults_it_is_not_passed(write):
    """The switch is read as itself, and no step waits for its neighbour any more."""
    verdict = PreparedScenario(Job(write(DAY.replace('from = "35s"', 'from = "58s"')), {})).run()
    assert [outcome.passed for outcome in verdict.outcomes].count(False) == 2, "and the step that waits"
    healed = DAY.replace('from = "40s"', 'from = "40s"\nuntil = "55s"')
    verdict = PreparedScenario(Job(write(healed), {})).run()
    assert [outcome.passed for outcome in verdict.outcomes] == [True] * 6 + [False, True]


AGES = """
[[fault]]
fault = "ladder_resistance"
input = "wall"
ohm = 200
within = "10s"
from = "20s"
until = "40s"
[[step]]
every = "10s"
from = "12s"
press = "wall.galley"
[[expect]]
expect = "entered"
sight = { input = "wall.galley", becomes = "on" }
at_least_times = 4
at_most_times = 4
[[expect]]
expect = "entered"
sight = { input = "wall.bed", becomes = "on" }
from = "31s"
until = "33s"
at_least_times = 1
"""


def test_a_contact_ages_slowly_and_is_replaced(write):
    """At 22 s it is still read as itself, at 32 s as its neighbour, and after the fault as itself."""
    verdict = PreparedScenario(Job(write(AGES), {})).run()
    assert verdict.passed, str(verdict)
    early = AGES.replace('until = "40s"', 'until = "25s"').replace("times = 4", "times = 5")
    verdict = PreparedScenario(Job(write(early), {})).run()
    assert [outcome.passed for outcome in verdict.outcomes] == [True, False], "replaced before it was read wrongly"


def test_an_output_by_its_name_is_a_level():
    """On is above 0, off is 0, and a number is a number."""
    rig = Rig.model_validate(tomllib.loads(RIG))

    def sight(**given):
        found = Sight.model_validate({"output": "galley light", **given}, context={"rig": rig})
        assert (found.message, found.instance, found.field) == ("DC_DIMMER_STATUS_3", 3, "operating_status")
        return found.equals, found.above, found.becomes

    assert sight(**{"is": "on"}) == (None, 0.0, None)
    assert sight(**{"is": "off"}) == (0.0, None, None)
    assert sight(becomes="on") == (None, 0.0, True)
    assert sight(becomes="off") == (None, None, 0.0)
    assert sight(**{"is": 40.0}) == (40.0, None, None)
    load = Sight.model_validate({"output": "bilge pump", "is": "on"}, context={"rig": rig})
    assert (load.message, load.instance) == ("DC_LOAD_STATUS", 9)


def test_it_is_told_in_sentences(write):
    """With the names of the rig, and an output as on and off."""
    text = "\n".join(render_scenario(load_scenario(write(DAY), kinds=settings_models())))
    for sentence in (
        "the contacts of input wall get 200 ohm more within 10 s, from 35 s on",
        "bed keypad.night sticks once it is pressed, from 40 s on",
        "1 s after wall.bed becoming on is seen: bed keypad.night is pressed for 0.2 s",
        "galley light becoming off",
        "bilge pump is on",
    ):
        assert sentence in text


@pytest.mark.parametrize(
    ("step", "text"),
    [
        (
            'press = "galley swich"',
            'step 1, press: "galley swich" cannot be pressed (did you mean "galley switch"?); what can be',
        ),
        (
            'press = "wall"',
            'step 1, press: "wall" has several switches; name one of them: wall.galley, wall.bed, wall.door',
        ),
        (
            'press = "bilge switch"',
            'step 1, press: "bilge switch" stays as it is set; write switch = { "bilge switch" =',
        ),
        (
            'press = "loose"',
            'step 1, press: "loose" is on a module without a device, so nothing would happen; name its',
        ),
        (
            'switch = { "galley switch" = "on" }',
            'step 1, switch."galley switch": "galley switch" springs back; write press = "galley switch" in a step',
        ),
        (
            'switch = { "x" = "on" }',
            'step 1, switch.x: "x" cannot be pressed; what can be pressed in this rig: galley',
        ),
        ('switch = { "bilge switch" = "up" }', 'step 1, switch."bilge switch": "up" is unknown; write one of on, off'),
        ("switch = {}", "step 1: switch names nothing; write a switch"),
        ("override = {}", "step 1: override names nothing; write an output"),
        ('hold = "1s"\nsend = { identifier = "1", bytes = "01" }', "step 1: hold needs press"),
        (
            'override = { "galley lite" = "on" }',
            'step 1, override."galley lite": "galley lite" is not in the rig (did you mean "galley light"?); its',
        ),
    ],
)
def test_steps_that_name_what_is_not_there(write, step, text):
    """One line each, with its place and what to do."""
    (line,) = told(write(f'[[step]]\nat = "1s"\n{step}\n'))
    assert text in line


def test_a_start_that_names_what_is_not_there(write):
    """As a step does."""
    assert (
        'start.switch."galley switch": "galley switch" springs back'
        in told(write('[start]\nswitch = { "galley switch" = "on" }\n'))[0]
    )


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        ('fault = "key_stuck"\nkey = "wall"', 'fault 1 (key_stuck): "wall" has several switches; name one of them'),
        ('fault = "key_stuck"\nkey = "nigt"', 'fault 1 (key_stuck): "nigt" cannot be pressed'),
        (
            'fault = "ladder_resistance"\ninput = "door"\nohm = 5',
            'fault 1 (ladder_resistance): "door" cannot be pressed',
        ),
    ],
)
def test_faults_of_keys_that_are_not_there(write, fault, text):
    """With the names that there are."""
    (line,) = told(write(f'[[fault]]\nfrom = "1s"\n{fault}\n'))
    assert text in line


@pytest.mark.parametrize(
    ("sight", "text"),
    [
        ('input = "wall"', 'input: "wall" has several switches; name one of them'),
        ('input = "local"', 'input: "local" has no instance, so it is not seen on the bus; give it one in the rig'),
        ('output = "hidden"', 'output: "hidden" has no instance, so it is not seen on the bus; give it one in the rig'),
        ('output = "galey light"', 'output: "galey light" is not in the rig (did you mean "galley light"?)'),
        ('output = "galley light", instance = 3', "instance: output stands for the instance as well; omit one of both"),
        ('output = "galley light", input = "local"', "output: input stands for the output as well; omit one of both"),
        ('input = "galley switch", is = "open"', 'switch_position cannot be "open"'),
    ],
)
def test_sights_that_name_what_is_not_there(write, sight, text):
    """A switch or an output that the bus does not show cannot be expected by its name."""
    assert text in told(write(f'[[expect]]\nexpect = "seen"\nsight = {{ {sight} }}\n'))[0]


def test_a_rig_in_the_scenario_itself(tmp_path):
    """Its names are known as well."""
    inline = "[rig]\n" + RIG.replace("[[", "[[rig.").replace("[device.settings]", "[rig.device.settings]")
    sight = '[[expect]]\nexpect = "seen"\nsight = { input = "bed keypad.night", is = "off" }\n'
    path = tmp_path / "s.toml"
    path.write_text(SCENARIO.replace('rig = "van.toml"\n', "") + sight + inline, encoding="utf-8")
    verdict = PreparedScenario(Job(path, {})).run()
    assert verdict.passed, str(verdict)


def test_switches_of_a_device_that_others_stand_in_for(write):
    """Nobody here can press them."""
    steps = '[[step]]\nat = "1s"\npress = "galley switch"\n[[step]]\nat = "2s"\noverride = { "bilge pump" = "on" }\n'
    steps += '[[step]]\nat = "3s"\npress = "bed keypad.lamp"\n'
    path = write(steps)
    prepared = PreparedScenario(Job(path, {}), absent=("centre",))
    with pytest.raises(InputError) as refused:
        prepared.run()
    assert [problem.partition("step")[2] for problem in refused.value.problems] == [
        " 1: galley switch belongs to centre, which is not simulated here, so only a hand can do that; simulate the "
        "device, or remove the step",
        " 2: bilge pump belongs to centre, which is not simulated here, so only a hand can do that; simulate the "
        "device, or remove the step",
    ]
