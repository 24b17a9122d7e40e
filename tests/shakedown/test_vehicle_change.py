"""Steps that change the vehicle: shore power, loads, water, tanks, openings, people, weather, engine."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.devices.registry import kinds_by_name
from rvsim.errors import InputError
from rvsim.faces.text.display_units import US
from rvsim.rig.load import load_rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.script_runner import MAX_TOLD_CHANGES
from rvsim.shakedown.vehicle_change import DrawPlan, VehicleChangePlan
from rvsim.shakedown.vehicle_effects import VehicleEffects
from rvsim.shakedown.verdict import as_json, as_junit, as_text, from_json
from rvsim.sim.bench import Bench
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US

VAN = """
schema = 1
title = "T"
lasts = "10min"
weather = { start_hour = 1.0, outdoor_c = 5.0 }
[rig]
schema = 1
name = "van"
title = "A van with nobody in it"
people = { count = 0 }
[[rig.zone]]
name = "bath"
exchange = { cabin = 20.0 }
[[rig.battery]]
name = "house"
[[rig.battery]]
name = "engine"
[[rig.branch]]
name = "galley"
fuse_amps = 10.0
[[rig.tank]]
name = "spare"
content = "fresh"
litres = 20.0
[[rig.device]]
name = "charger"
kind = "charger"
address = 0x4A
functions = { charger = 1, dc_source = 1 }
[[expect]]
expect = "world"
value = "cabin"
at_least = 99.0
"""
"""Everything is still at night: no water is used, no heat is given."""


@pytest.fixture
def van(virtual_run):
    """Put a van with steps on a bench: ``van(("10s", "shore_power = false"), ...)``, each a time and a change."""

    def put(*steps, text=""):
        for at, change in steps:
            moment = at if "=" in at else f'at = "{at}"'
            text += f"[[step]]\n{moment}\nchange = {{ {change} }}\n"
        return virtual_run(VAN + text)

    return put


def bare_bench():
    """A vehicle without devices at night."""
    rig = load_rig("ottersby").model_copy(update={"devices": ()})
    return Bench(rig, load_catalogue(), kinds_by_name(), weather=WeatherPlan(start_hour=1.0))


@pytest.fixture
def bare():
    """Make a vehicle without devices."""
    return bare_bench


def world_at(run, seconds):
    """The vehicle at a time."""
    run.until(seconds)
    return run.run.bench.world


def test_shore_power_is_lost_and_back(van):
    """The charger gives nothing meanwhile, and the socket is no source of the mains."""
    run = van(("60s", "shore_power = false"), ("120s", "shore_power = true"))
    world = world_at(run, 59)
    assert (world.charge_amps("charger") > 1, world.mains_source()) == (True, "shore")
    world = world_at(run, 62)
    assert (world.charge_amps("charger"), world.mains_source()) == (0, None)
    assert run.run.bench.site.shore_power is False
    world = world_at(run, 122)
    assert (world.charge_amps("charger"), world.mains_source()) == (0, "shore"), "it waits before it starts again"
    world = world_at(run, 150)
    assert world.charge_amps("charger") > 1


def test_a_load_of_no_device_is_drawn_from_its_battery(van):
    """From the house battery, or the one that is named; 0 switches it off; several add up."""
    run = van(
        ("1s", "shore_power = false, load = { kettle = 50.0, radio = { amps = 2.0 } }"),
        ("20s", 'load = { winch = { amps = 30.0, battery = "engine" } }'),
        ("40s", "load = { kettle = 0 }"),
    )
    at_rest = world_at(run, 0).battery("engine").amps
    world = world_at(run, 10)
    idle = world.battery_amps - 52
    assert 0 <= idle < 1
    assert world.battery("engine").amps == pytest.approx(at_rest)
    world = world_at(run, 30)
    assert world.battery("engine").amps == pytest.approx(at_rest + 30)
    assert world_at(run, 50).battery_amps == pytest.approx(idle + 2)


def test_a_load_keeps_its_battery(van):
    """Switched off without a name it is off; with another name it moves there; in all of them it is counted once."""
    run = van(
        ("1s", 'shore_power = false, load = { winch = { amps = 30.0, battery = "engine" } }'),
        ("20s", "load = { winch = 0.0 }"),
        ("30s", "load = { winch = 20.0 }"),
        ("40s", 'load = { winch = { amps = 10.0, battery = "house" } }'),
    )
    amps = []
    for time in (0.5, 10, 25, 35, 45):
        world = world_at(run, time)
        amps.append((world.battery("engine").amps, world.battery_amps))
    engine, house = zip(*amps, strict=True)
    assert [one - engine[0] for one in engine] == pytest.approx([0, 30, 0, 20, 0])
    assert [one - house[2] for one in house[1:]] == pytest.approx([0, 0, 0, 10])


def test_water_is_drawn_at_its_rate(van):
    """8 litres at 6 litres a minute take 80 s; nine tenths come into the grey tank, cold water into the boiler."""
    run = van(("10s", "draw = { litres = 8.0, hot_percent = 50.0 }"), text="[start]\nwater_c = 60.0\n")
    before = world_at(run, 10)
    fresh, grey, hot = before.tank_litres("fresh"), before.tank_litres("grey"), before.water_c
    half = world_at(run, 50)
    assert half.tank_litres("fresh") == pytest.approx(fresh - 4, abs=1e-4)
    after = world_at(run, 91)
    assert after.tank_litres("fresh") == pytest.approx(fresh - 8, abs=1e-4)
    assert after.tank_litres("grey") == pytest.approx(grey + 7.2, abs=1e-4)
    assert after.water_c < hot - 10
    assert world_at(run, 200).tank_litres("fresh") == pytest.approx(fresh - 8, abs=1e-4)


def test_draws_add_up_and_come_from_the_tank_that_is_named(van):
    """Two at one time take twice as much; another tank keeps what it has; cold water leaves the boiler as it is."""
    run = van(
        ("10s", "draw = { litres = 5.0, litres_per_min = 12.0 }"),
        ('every = "20s"\nfrom = "20s"\nuntil = "50s"', 'draw = { litres = 1.0, tank = "spare" }'),
        ("12s", "draw = { litres = 5.0, litres_per_min = 12.0 }"),
    )
    fresh, spare = world_at(run, 5).tank_litres("fresh"), world_at(run, 5).tank_litres("spare")
    hot = world_at(run, 6).water_c
    world = world_at(run, 100)
    assert world.tank_litres("fresh") == pytest.approx(fresh - 10, abs=1e-4)
    assert world.tank_litres("spare") == pytest.approx(spare - 2, abs=1e-4)
    assert world.water_c == pytest.approx(hot, abs=0.1)


def test_a_tank_is_filled_and_emptied_to_a_level(van):
    """At a hose's rate or the one that is given; a new level while it runs replaces the old one."""
    run = van(
        ("10s", "tank = { fresh = 100.0, grey = { percent = 0.0, litres_per_min = 60.0 } }"),
        ("20s", "tank = { spare = 0.0 }"),
        ("30s", "tank = { spare = { percent = 90.0, litres_per_min = 6.0 } }"),
    )
    world = world_at(run, 40)
    assert world.tank_percent("fresh") == pytest.approx(50 + 100 * 10 / 60, abs=0.01)
    assert world.tank_percent("grey") == pytest.approx(0, abs=1e-3)
    assert world.tank_litres("spare") == pytest.approx(10 - 20 / 6 + 1, abs=0.01)
    world = world_at(run, 300)
    levels = [world.tank_percent(name) for name in ("fresh", "grey", "spare", "black")]
    assert levels == pytest.approx([100, 0, 90, 50], abs=1e-3)


def test_a_tank_that_has_its_level_is_left_alone(van):
    """Water that is drawn later is not filled in again; a further step fills it again."""
    run = van(
        ("10s", "tank = { spare = { percent = 60.0, litres_per_min = 12.0 } }"),
        ("15s", 'draw = { litres = 4.0, litres_per_min = 6.0, tank = "spare" }'),
        ("120s", "tank = { spare = 75.0 }"),
    )
    levels = [world_at(run, time).tank_litres("spare") for time in (14, 100, 200)]
    assert levels[0] == pytest.approx(10.8, abs=1e-4)
    assert levels[1] < 9
    assert levels[2] == pytest.approx(15, abs=1e-4)


def test_a_change_counts_from_its_second_on(bare):
    """Also where nothing has advanced the physics for a while."""
    opened, closed = bare(), bare()
    effects = VehicleEffects(opened)
    opened.plan(1_000 * SECOND_US, lambda: effects.apply(VehicleChangePlan(opening={"cabin": 1.0})))
    for bench in (opened, closed):
        bench.run_until(1_000 * SECOND_US + 1)
    assert opened.world.cabin_c == closed.world.cabin_c
    for bench in (opened, closed):
        bench.run_until(1_100 * SECOND_US)
    assert opened.world.cabin_c < closed.world.cabin_c - 0.5


def test_waste_water_is_not_drawn(tmp_path):
    """Whatever the tank is called."""
    path = tmp_path / "t.toml"
    step = '[[step]]\nat = "1s"\nchange = { draw = { litres = 1.0, tank = "spare" } }\n'
    path.write_text(VAN.replace('content = "fresh"', 'content = "grey"') + step, encoding="utf-8")
    with pytest.raises(InputError, match=r'draw\.tank: "spare" holds no fresh water; write one of fresh$'):
        PreparedScenario(Job(str(path), {}))


def test_what_is_open_lets_the_warmth_out(van):
    """Of its zone; closed again, as much is lost as before."""
    closed, opened = van(), van(("10s", "opening = { cabin = 0.8 }"), ("300s", "opening = { cabin = 0 }"))
    times = (10, 300, 340, 600)
    shut, vented = ([world_at(run, time).cabin_c for time in times] for run in (closed, opened))
    assert vented[0] == shut[0]
    assert vented[1] < shut[1] - 1
    assert vented[3] - vented[2] > shut[3] - shut[2]


def test_people_come_and_go(van):
    """They warm and moisten the zone that they are in."""
    empty, full = van(), van(("10s", "people = { bath = 4 }"))
    alone, crowded = world_at(empty, 500), world_at(full, 500)
    assert crowded.air_celsius("bath") > alone.air_celsius("bath") + 0.5
    assert crowded.humidity_percent("bath") > alone.humidity_percent("bath")


def test_the_weather_changes(van):
    """What is named, and the rest stays; rain is around the vehicle."""
    run = van(
        ("10s", "weather = { outdoor_c = -15.0, wind_m_per_s = 4.0 }"),
        ("20s", "weather = { rain = true, cloud_percent = 30.0 }"),
        ("30s", "weather = { rain = false }"),
    )
    assert world_at(run, 9).outdoor_c == 5
    assert world_at(run, 15).outdoor_c == -15
    assert run.run.bench.site.rain is False
    assert world_at(run, 25).outdoor_c == -15
    assert run.run.bench.site.rain is True
    run.until(35)
    assert run.run.bench.site.rain is False


def test_the_engine_starts_and_stops(van):
    """Its speed is what devices go by; 0 is off."""
    run = van(("10s", "engine_rpm = 800"), ("20s", "engine_rpm = 0"))
    speeds = []
    for seconds in (9, 15, 25):
        run.until(seconds)
        speeds.append(run.run.bench.site.engine_rpm)
    assert speeds == [0, 800, 0]


def test_a_change_on_a_condition(van):
    """Like every action: once, or each time, after a wait."""
    run = van(
        ('when = { value = "outdoor", below = 0.0 }\nwait = "5s"', "engine_rpm = 900"),
        ("10s", "weather = { outdoor_c = -1 }"),
    )
    run.until(14)
    assert (run.run.bench.site.engine_rpm, run.run.script.pending_steps) == (0, [])
    run.until(17)
    assert run.run.bench.site.engine_rpm == 900


@given(st.floats(0.001, 20), st.floats(0.1, 60), st.integers(0, 3_000_000))
def test_any_draw_takes_what_it_says(litres, litres_per_min, at):
    """Whatever the amount, the rate and the moment; to a microlitre a second."""
    bench = bare_bench()
    change = VehicleChangePlan(draw=DrawPlan(litres=litres, litres_per_min=litres_per_min))
    before = bench.world.tank_litres("fresh")
    effects = VehicleEffects(bench)
    bench.plan(at, lambda: effects.apply(change))
    seconds = round(litres / litres_per_min * 60) + 5
    bench.run_until(at + seconds * SECOND_US)
    assert before - bench.world.tank_litres("fresh") == pytest.approx(litres, abs=1e-6 * (seconds + 1))


SENTENCES = {
    "shore_power = false": "shore power is lost",
    "shore_power = true": "shore power is back",
    "load = { kettle = 90 }": "kettle draws 90 A",
    "load = { kettle = 0 }": "kettle is switched off",
    'load = { winch = { amps = 9.5, battery = "engine" } }': "winch draws 9.5 A from battery engine",
    "load = { kettle = { amps = 9, branch = 'galley' } }": "kettle draws 9 A at branch galley",
    "branch = { galley = 'open' }": "branch galley is opened",
    "branch = { galley = 'closed' }": "branch galley is closed again",
    "tank = { fuel = { litres = 20 } }": "20 L are filled into tank fuel at 20 L/min",
    "tank = { grey = { litres = -5, litres_per_min = 8 } }": "5 L are drained from tank grey at 8 L/min",
    "draw = { litres = 8 }": "8 L of water is drawn from tank fresh at 6 L/min",
    "draw = { litres = 8, hot_percent = 60 }": "8 L of water (60 % of it hot) is drawn from tank fresh at 6 L/min",
    "tank = { grey = 0 }": "tank grey is brought to 0 % at 20 L/min",
    "opening = { cabin = 0.4 }": "0.4 m² of cabin is opened",
    "opening = { cabin = 0, bath = 1 }": "cabin is closed, 1 m² of bath is opened",
    "people = { cabin = 0 }": "nobody is in cabin",
    "people = { cabin = 1, bath = 2 }": "1 person is in cabin, 2 people are in bath",
    "weather = { outdoor_c = -15, rain = true }": "it is -15 °C outside, rain starts",
    "weather = { cloud_percent = 30, wind_m_per_s = 4 }": "wind is 4 m/s, clouds cover 30 %",
    "weather = { swing_amplitude_k = 5, rain = false }": "the day swings by 5 K, rain stops",
    "weather = { humidity_percent = 60 }": "humidity is 60 %",
    "engine_rpm = 800": "the engine runs at 800 rpm",
    "engine_rpm = 0": "the engine stops",
}


def test_every_change_is_said_in_its_step_and_with_the_verdict(van):
    """In the step's sentence, in JSON, in JUnit, and where the verdict is explained; in the units that are chosen."""
    run = van(*(("1s", change) for change in SENTENCES))
    scenario = run.prepared.loaded.scenario
    assert [step.sentence for step in scenario.steps] == [f"at 1 s: {text}" for text in SENTENCES.values()]
    run.until(5)
    verdict = run.verdict()
    assert as_json(verdict)["changes"] == [{"at": 1.0, "text": text} for text in SENTENCES.values()]
    assert from_json(as_json(verdict)) == verdict
    lines = list(as_text(verdict))
    told = [f"  changed  {text} (at 1.000 s)" for text in SENTENCES.values()]
    assert [line for line in lines if "changed" in line] == told
    us = list(as_text(verdict, render=US.render))
    assert "  changed  it is 5 °F outside, rain starts (at 1.000 s)" in us
    assert 'name="change" value="1.000 s: the engine stops"' in as_junit([verdict])


def test_so_many_changes_are_told(van):
    """A step may be due very often."""
    run = van(('every = "1s"', "engine_rpm = 800"))
    run.until(300)
    assert len(run.verdict().changes) == MAX_TOLD_CHANGES


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("", "change: it changes nothing; write a key, like shore_power = false"),
        ("load = {}", "change: it changes nothing; write a key, like shore_power = false"),
        ("weather = {}", "change.weather: it changes nothing; write a key, like outdoor_c = -15.0"),
        ("shore = false", 'change: unknown key "shore" (did you mean "shore_power"?); remove it or correct the name'),
        ("load = { charger = 5 }", '"charger" is a device of the rig, which draws its own current; give the load'),
        ('load = { tv = { amps = 5, battery = "hous" } }', '"hous" is not in the rig (did you mean "house"?); its'),
        ('load = { tv = "on" }', '"on" is not a load; write its current, like 90.0, or { amps = 90.0, battery ='),
        ("load = { tv = true }", "true is not a load; write its current"),
        ("load = { tv = -5 }", "change.load.tv: -5 is below 0; write 0 or more"),
        ('draw = { litres = 5, tank = "fresch" }', '"fresch" is not in the rig (did you mean "fresh"?); its tanks are'),
        ('draw = { litres = 5, tank = "grey" }', 'draw.tank: "grey" holds no fresh water; write one of fresh, spare'),
        ("draw = { hot_percent = 5 }", 'the key "litres" is missing; add it'),
        ("draw = { litres = 5, litres_per_min = 0 }", "litres_per_min: 0 is too low; write more than 0"),
        ("tank = { gray = 5 }", '"gray" is not in the rig (did you mean "grey"?); its tanks are fresh, grey, '),
        ("tank = { grey = 101 }", "change.tank.grey: 101 is above 100; write 100 or less"),
        ("tank = { grey = {} }", "write the level in percent, or the litres that are filled in, and not both"),
        ("tank = { grey = { percent = 5, litres = 5 } }", "write the level in percent, or the litres that are filled"),
        ("branch = { galey = 'open' }", '"galey" is not in the rig (did you mean "galley"?); its branches are galley'),
        ("branch = { galley = 'off' }", '"off" is unknown; write one of open, closed'),
        ("load = { tv = { amps = 5, branch = 'bath' } }", '"bath" is not in the rig; its branches are galley'),
        ("load = { tv = { amps = 5, branch = 'galley', battery = 'house' } }", "at the end of a branch, and not both"),
        ("tank = { grey = [] }", "a list is not a level; write it in %, like 100.0, or"),
        ("opening = { cabn = 1 }", '"cabn" is not in the rig (did you mean "cabin"?); its zones are cabin, bath'),
        ("people = { bed = 1 }", '"bed" is not in the rig; its zones are cabin, bath'),
        ("people = { cabin = 1.5 }", "1.5 is not a whole number"),
        ("weather = { outdoor_c = -80 }", "-80 is below -60; write -60 or more"),
        ("engine_rpm = 9000", "9000 is above 8000; write 8000 or less"),
    ],
)  # fmt: skip
def test_changes_that_cannot_be(van, change, said):
    """One line with the place, what is wrong and what to write."""
    with pytest.raises(InputError) as refused:
        van(("1s", change))
    (problem,) = refused.value.problems
    assert said in problem
    assert "t.toml, line " in problem
    assert "step 1, change" in problem
