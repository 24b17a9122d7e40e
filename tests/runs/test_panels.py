"""Panels in scenarios: one that is carried away and back, two that fight, and a generator that starts by a setting."""

import pytest

from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun
from rvsim.shakedown.cautions import cautions
from rvsim.shakedown.explain import render_scenario
from rvsim.shakedown.jobs import Job
from rvsim.wire.ident import dgn_of

RIG = """
schema = 1
name = "van"
title = "a van"

[[device]]
name = "screen"
kind = "panel"
address = 0x44
functions = { control_panel = 1, thermostat = 1 }
settings = { mobile = true, restore = true, switches = { "keypad.galley" = "galley light" } }

[[device]]
name = "second panel"
kind = "panel"
address = 0x45
functions = { control_panel = 2 }
settings = { SECOND }

[[device]]
name = "keypad"
kind = "keypad"
address = 0x93
functions = { keypad = [31, 32, 33] }
settings = { keys = { galley = { instance = 31 }, night = { instance = 32, scene = "night" }, on = { instance = 33 } } }

[[device]]
name = "centre"
kind = "load_centre"
address = 0x80

[[device]]
name = "heater"
kind = "heater"
address = 0x5E
functions = { furnace = 1, water_heater = 1 }

[[device]]
name = "indoor sensor"
kind = "ambient"
address = 0x91
functions = { ambient_sensor = 1 }

[[device]]
name = "roof fan"
kind = "roof_fan"
address = 0x90
functions = { roof_fan = 1 }

[[module]]
name = "front"
device = "centre"

[[output]]
name = "galley light"
module = "front"
terminal = 1
instance = 21
load = "led"
groups = [1]

[[scene]]
name = "night"
set = { "group 1" = 20 }

[cabin]
start_c = 12.0
"""
SCENARIO = """
schema = 1
title = "panels"
rig = "van.toml"
lasts = "150s"

[[step]]
at = "10s"
press = "keypad.night"
"""
AWAY = """
[[fault]]
fault = "carried_away"
device = "screen"
from = "20s"
until = "61s"

[[step]]
at = "40s"
press = "keypad.galley"
"""
REQUEST, DIMMER = 0x0EA00, 0x1FEDB


@pytest.fixture
def prepare(tmp_path):
    """Return the prepared scenario with more of it: ``prepare(AWAY, second='switches_on = {...}')``."""

    def go(more="", second=""):
        (tmp_path / "van.toml").write_text(
            RIG.replace("SECOND", "scenes = []" + (f", {second}" if second else "")), encoding="utf-8"
        )
        (tmp_path / "s.toml").write_text(SCENARIO + more, encoding="utf-8")
        return PreparedScenario(Job(str(tmp_path / "s.toml"), {}))

    return go


def run(prepared):
    """Run to the end; return the frames of the screen, the level of the light, and the flags."""
    sent = []
    made = VirtualScenarioRun(prepared, tap=sent.append)
    made.until(150)
    sent = [frame for frame in sent if frame.identifier & 0xFF == 0x44]
    level = round(100 * made.run.bench.world.outputs["galley light"].duty)
    return sent, level, [(str(flag.kind), flag.subject) for flag in made.run.watch.all_flags]


def test_a_scene_of_a_healthy_van_raises_no_flag(prepare):
    """One key, one command to the group, and the light at its level."""
    sent, level, flags = run(prepare())
    commands = [frame.data.hex(" ") for frame in sent if dgn_of(frame.identifier) == DIMMER]
    assert commands == ["ff 7e 28 00 00 ff ff ff"]
    assert (level, flags) == (20, [])


def test_a_screen_that_is_carried_away_is_silent_and_asks_when_it_is_back(prepare):
    """It does not receive the press meanwhile; its absence is flagged and ends; nothing old is commanded."""
    prepared = prepare(AWAY)
    assert any("screen is carried away" in str(line) for line in render_scenario(prepared.loaded))
    sent, level, flags = run(prepared)
    assert not [frame for frame in sent if 20_000_000 < frame.time < 61_000_000]
    requests = [
        frame.data[:2].hex() for frame in sent if dgn_of(frame.identifier) == REQUEST and frame.time > 60_000_000
    ]
    assert {"9cff", "e4ff", "dafe", "b8ff"} <= set(requests)
    assert len(requests) == len(set(requests))
    commands = [frame for frame in sent if dgn_of(frame.identifier) == DIMMER and frame.time > 20_000_000]
    assert (commands, level) == ([], 20)
    assert ("silent-device", "screen") in flags
    assert {subject for _, subject in flags} == {"screen"}
    later = [frame for frame in sent if frame.time > 61_000_000]
    for command in (0x1FFE3, 0x1FEA6):  # it asks first, then commands anew
        assert 63_500_000 < min(frame.time for frame in later if dgn_of(frame.identifier) == command) < 70_000_000


def test_two_panels_that_fight_are_flagged(prepare):
    """One key calls the scene of one panel and switches the light on by the other, every three seconds."""
    steps = '[[step]]\nevery = "3s"\nfrom = "20s"\nuntil = "40s"\npress = "keypad.KEY"\n'
    steps = steps.replace("KEY", "night") + steps.replace("KEY", "on").replace('"20s"', '"21s"')
    _, _, flags = run(prepare(steps, 'switches_on = { "keypad.on" = "galley light" }'))
    assert flags == [("two-commanders", "screen")]


def test_a_wall_switch_and_a_screen_in_turn_raise_no_flag(prepare):
    """Each switches one light, with longer than the settling time between: that is one person."""
    steps = '[[step]]\nevery = "24s"\nfrom = "20s"\nuntil = "140s"\npress = "keypad.KEY"\n'
    steps = steps.replace("KEY", "galley") + steps.replace("KEY", "on").replace('"20s"', '"32s"')
    _, _, flags = run(prepare(steps, 'switches = { "keypad.on" = "galley light" }'))
    assert flags == []


def test_a_generator_that_starts_by_a_setting_tells_its_caution(prepare):
    """Once, with the generator that it would start; without the setting nothing is told."""
    generator = (
        '[[change]]\ndevice = "indoor sensor"\nkind = "generator"\nfunctions = { generator = 1 }\nsettings = {}\n'
    )
    prepared = prepare(generator, "generator = { charger = 1 }")
    told = list(cautions(prepared.loaded, prepared.catalogue))
    assert [line.partition(".")[0] for line in told] == [
        "caution: a setting of the rig starts indoor sensor, which is only simulated"
    ]
    prepared = prepare(generator)
    assert list(cautions(prepared.loaded, prepared.catalogue)) == []
