"""The state in which a scenario's vehicle starts, where it is not the one of its rig."""

import pytest

from rvsim import shipped
from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.faces.text.display_units import US
from rvsim.rig.load import load_rig
from rvsim.shakedown.explain import render_scenario
from rvsim.shakedown.scenario import load_scenario, own_values
from rvsim.shakedown.verdict import as_json, as_junit, as_text, from_json

HEAD = 'schema = 1\ntitle = "T"\nlasts = "60s"\n'
EXPECT = '[[expect]]\nexpect = "world"\nvalue = "cabin"\nat_least = 99.0\n'
RIG = """
[rig]
schema = 1
name = "van"
title = "A van"
[[rig.zone]]
name = "bath"
[[rig.battery]]
name = "engine"
[[rig.battery]]
name = "house"
[[rig.branch]]
name = "galley"
[[rig.branch]]
name = "bath"
[[rig.tank]]
name = "spare"
content = "fresh"
[[rig.device]]
name = "indoor sensor"
kind = "ambient"
address = 0x91
functions = { ambient_sensor = 1 }
settings = { place = "cabin" }
"""
START = """
hour = 7.5
zone = { cabin = 3.0, bath = 4.0 }
humidity = { cabin = 81.0, bath = 82.0 }
coolant_c = 50.0
water_c = 60.0
battery = { house = 31.0, engine = 92.0 }
battery_c = { house = -2.0, engine = -3.0 }
tank = { fresh = 11.0, grey = 12.0, black = 13.0, spare = 14.0, fuel = 15.0 }
branch = { galley = "open", bath = "closed" }
people = { cabin = 1, bath = 3 }
engine_rpm = 900.0
rain = true
"""


@pytest.fixture
def started(virtual_run):
    """Put a vehicle on a bench in its first moment: ``started(keys of [start])``."""

    def put(start, rig=RIG, values=None):
        return virtual_run(HEAD + EXPECT + f"[start]\n{start}\n" + rig, values)

    return put


def test_everything_of_the_vehicle_starts_as_it_is_written(started):
    """By the names of the rig: zones, coolant, water, batteries, tanks, people, engine, hour of the day."""
    run = started(START)
    world, bench = run.run.bench.world, run.run.bench
    assert [world.air_celsius(zone) for zone in ("cabin", "bath")] == [3, 4]
    assert [world.lining_celsius(zone) for zone in ("cabin", "bath")] == [3, 4]
    assert [world.humidity_percent(zone) for zone in ("cabin", "bath")] == pytest.approx([81, 82], abs=0.2)
    assert (world.coolant_c, world.water_c) == (50, 60)
    batteries = [world.battery(name) for name in ("house", "engine")]
    assert [battery.percent for battery in batteries] == pytest.approx([31, 92])
    assert [battery.celsius for battery in batteries] == [-2, -3]
    levels = [world.tank_percent(name) for name in ("fresh", "grey", "black", "spare")]
    assert [*levels, world.fuel_percent] == pytest.approx([11, 12, 13, 14, 15])
    assert (bench.site.engine_rpm, bench.site.rain, bench.site.shore_power) == (900, True, True)
    assert [world.is_branch_open(name) for name in ("galley", "bath")] == [True, False]
    assert run.prepared.loaded.scenario.weather.start_hour == 7.5


def test_what_is_not_written_starts_as_the_rig_says(started):
    """And the rig itself keeps its figures."""
    run = started("coolant_c = 20.0")
    world = run.run.bench.world
    assert (world.coolant_c, world.cabin_c, world.battery_percent) == (20, 15, 80)
    assert run.run.bench.site.engine_rpm == 0


def test_a_scenario_without_a_start_has_the_rig_as_it_is(loaded):
    """The same object where it stands in the scenario, the same figures where it has a file."""
    assert loaded("").rig == load_rig("ottersby", settings_models())


def test_the_rig_of_a_file_is_laid_over_too(loaded):
    """With the names that it has."""
    rig = loaded("[start]\nzone = { cabin = -4 }\ntank = { grey = 99 }\nbattery = { house = 20 }\n").rig
    assert (rig.cabin.start_c, rig.grey_tank.start_percent, rig.vehicle.battery.start_percent) == (-4, 99, 20)
    assert (rig.fresh_tank, rig.devices) == (load_rig("ottersby").fresh_tank, load_rig("ottersby").devices)


def test_people_are_where_they_are_put(started):
    """Nobody is in a zone that is not named, so that a van of two with people in the bath has a cold cabin."""
    some, nobody = started("people = { bath = 3 }"), started("people = { cabin = 0 }")
    both = started("people = { cabin = 3, bath = 3 }")
    for run in (some, nobody, both):
        run.until(60)
    heat = [[run.run.bench.world.air_celsius(zone) for zone in ("cabin", "bath")] for run in (some, nobody, both)]
    assert heat[0][0] == pytest.approx(heat[1][0], abs=0.01)
    assert heat[0][1] > heat[1][1] + 0.1
    assert heat[2][0] > heat[1][0] + 0.1
    assert heat[2][1] == pytest.approx(heat[0][1], abs=0.01)


def test_the_start_is_said_with_scenario_and_verdict(started):
    """Read back as a sentence, in JSON, in JUnit, and where the verdict is explained; in the units that are chosen."""
    run = started(START)
    texts = [
        "it is 07:30", "cabin at 3 °C", "bath at 4 °C", "humidity of cabin 81 %", "humidity of bath 82 %",
        "coolant at 50 °C", "hot water at 60 °C", "battery house charged to 31 %", "battery engine charged to 92 %",
        "battery house at -2 °C", "battery engine at -3 °C", "tank fresh 11 % full", "tank grey 12 % full",
        "tank black 13 % full", "tank spare 14 % full", "tank fuel 15 % full", "branch galley is open",
        "1 person is in cabin", "3 people are in bath", "the engine runs at 900 rpm", "it rains",
    ]  # fmt: skip
    lines = list(render_scenario(run.prepared.loaded))
    assert f"At the start: {', '.join(texts)}." in lines
    assert any("start at 07:30" in line for line in lines)
    run.until(5)
    verdict = run.verdict()
    assert as_json(verdict)["start"] == texts
    assert from_json(as_json(verdict)) == verdict
    assert f"  start    {', '.join(texts)}" in list(as_text(verdict))
    assert any("cabin at 37.4 °F" in line for line in as_text(verdict, render=US.render))
    assert 'name="start" value="cabin at 3 °C"' in as_junit([verdict])


def test_no_start_is_not_spoken_of(loaded):
    """A scenario reads as before."""
    assert not any("At the start" in line for line in render_scenario(loaded("")))


def test_all_unknown_names_are_told_at_once(started):
    """With the near ones, what there is, and their lines."""
    start = "zone = { cabn = 1.0 }\nhumidity = { bed = 50.0 }\nbattery = { hous = 5.0 }\n"
    start += "tank = { gray = 5.0 }\npeople = { bat = 1 }\n"
    with pytest.raises(InputError) as refused:
        started(start + "coolant_c = 500.0\nbattery_c = { starter = 1.0 }")
    assert [problem.partition("t.toml, ")[2] for problem in refused.value.problems] == [
        "line 14, start.coolant_c: 500.0 is above 110; write 110 or less",
    ]
    with pytest.raises(InputError) as refused:
        started(start + "battery_c = { starter = 1.0 }")
    near = '"hous" is not in the rig (did you mean "house"?); its batteries are engine, house'
    tanks = '"gray" is not in the rig (did you mean "grey"?); its tanks are fresh, grey, black, spare, fuel'
    assert [problem.partition("t.toml, ")[2] for problem in refused.value.problems] == [
        'line 9, start.zone.cabn: "cabn" is not in the rig (did you mean "cabin"?); its zones are cabin, bath',
        'line 10, start.humidity.bed: "bed" is not in the rig; its zones are cabin, bath',
        f"line 11, start.battery.hous: {near}",
        f"line 12, start.tank.gray: {tanks}",
        'line 13, start.people.bat: "bat" is not in the rig (did you mean "bath"?); its zones are cabin, bath',
        'line 14, start.battery_c.starter: "starter" is not in the rig; its batteries are engine, house',
    ]


@pytest.mark.parametrize(
    ("start", "said"),
    [
        ("zone = { cabin = 99.0 }", "start.zone.cabin: 99.0 is above 60; write 60 or less"),
        ("battery = { house = -1 }", "start.battery.house: -1 is below 0; write 0 or more"),
        ('branch = { galley = "off" }', 'start.branch.galley: "off" is unknown; write one of open, closed'),
        ("hour = 24.0", "start.hour: 24.0 is too high; write less than 24"),
        ("people = { cabin = 21 }", "start.people.cabin: 21 is above 20; write 20 or less"),
        ("engine = true", 'start: unknown key "engine" (did you mean "engine_rpm"?); remove it or correct the name'),
        ("zone = 5.0", "start.zone: 5.0 is not a table; write one like"),
    ],
)
def test_figures_that_physics_cannot_have(started, start, said):
    """The range is named; other mistakes of the scenario are told with it."""
    with pytest.raises(InputError) as refused:
        started(start, RIG + '[[step]]\nat = "1s"\nsend = { message = "NOSUCH" }\n')
    assert len(refused.value.problems) == 2
    assert said in refused.value.problems[0]
    assert "NOSUCH" in refused.value.problems[1]


def test_a_start_is_varied(started, tmp_path):
    """Written or not; names as in the rig."""
    run = started("coolant_c = 20.0", values={"start.zone.cabin": -3, "start.coolant_c": 30, "zone.bath.start_c": 8})
    world = run.run.bench.world
    assert (world.cabin_c, world.coolant_c, world.air_celsius("bath")) == (-3, 30, 8)
    keys = ["start.coolant_c", "start.zone.cabin", "battery.house.start_percent", "zone.cabin.start_c"]
    keys += ["tank.fresh.litres"]
    assert list(own_values(tmp_path / "t.toml", keys).values()) == [20.0, None, 80.0, 15.0, 60.0]
    with pytest.raises(InputError, match=r'start\.zone\.cabn: "cabn" is not in the rig'):
        started("", values={"start.zone.cabn": 5})


def test_every_shipped_scenario_still_starts_as_its_rig():
    """None of them has to say how it starts."""
    for path in shipped.scenario_folder().glob("*.toml"):
        load_scenario(path, settings_models())


def test_a_bench_says_how_it_starts(tmp_path, rvsim):
    """Before its first line, in the units that are chosen."""
    text = HEAD + 'rig = "ottersby"\n[start]\nzone = { cabin = 10.0 }\nrain = true\n'
    (tmp_path / "t.toml").write_text(text, encoding="utf-8")
    said = rvsim("bench", "t.toml", "--plain", "--speed", "max", "--seconds", "1", "--units", "us")[1]
    assert said.splitlines()[2] == "At the start: cabin at 50 °F, it rains."
