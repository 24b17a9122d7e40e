"""Simulated devices that stand in for the units of a log: what a drafted rig suggests runs."""

import re

import pytest

from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.logs.draft.stand_ins import REQUIRED_FUNCTIONS, kind_for, settings_for
from rvsim.rig.load import load_rig
from rvsim.runs.bench import VirtualBenchRun
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US

SUGGESTED = re.compile(r"^# (kind = |settings = )", re.MULTILINE)


class Nobody:
    """A sink that shows nothing."""

    def __getattr__(self, name):
        """Take whatever is told."""
        return lambda *_: None


@pytest.fixture
def on_the_bench(catalogue, tmp_path):
    """Run the text of a rig on the bench in virtual time for a minute; return the flags and the failures."""

    def go(text):
        (tmp_path / "learnt.toml").write_text(text)
        path = tmp_path / "scenario.toml"
        path.write_text('schema = 1\ntitle = "x"\nrig = "learnt.toml"\nlasts = "60s"\n')
        failures = []
        loaded = load_scenario(path, kinds=settings_models())
        run = VirtualBenchRun(loaded, catalogue, Nobody(), seed=1, on_failure=failures.append)
        run.run(60 * SECOND_US)
        assert run.watch.statistics.frames > 0
        return run.watch.all_flags, failures

    return go


def test_every_simulated_kind_is_suggested_where_its_function_is_heard(recorded, learn):
    """As a comment, so that nothing is claimed; with the comments taken away the bench takes the rig."""
    text, rig = learn(recorded["winter_evening"])
    assert {one.kind for one in rig.devices} == {""}
    suggested = re.findall(r'^# kind = "(\w+)"  # needed only if it is to be simulated$', text, re.MULTILINE)
    assert set(suggested) == {one.kind for one in load_rig("ottersby").devices}
    shipped = {one.address: one.kind for one in load_rig("ottersby").devices}
    assert suggested == [shipped[one.address] for one in rig.devices]


def test_a_drafted_rig_runs_with_all_that_it_suggests(recorded, learn, on_the_bench):
    """Every kind and settings line of the drafted van uncommented: no flag, no failure, and settings as shipped."""
    text, _ = learn(recorded["winter_evening"])
    assert on_the_bench(SUGGESTED.sub(r"\1", text)) == ((), [])
    assert sorted(re.findall(r"^# settings = (.*)$", text, re.MULTILINE)) == [
        "{ circulation_pump = 1, fresh_tank = 0, charger = 1 }",
        '{ place = "outdoors" }',
        '{ tank = "black" }',
        '{ tank = "fresh" }',
        '{ tank = "grey" }',
    ]


MORE = {
    "tank": '\nsettings = { tank = "black" }',
    "dc_dc_charger": """
branch = "feed"
[[battery]]
name = "house"
[[battery]]
name = "starter"
[[branch]]
name = "feed"
battery = "starter"
""",
}
"""What some kinds need beside their functions."""


@pytest.mark.parametrize("kind", REQUIRED_FUNCTIONS)
def test_a_kind_needs_these_functions_and_no_more(on_the_bench, kind):
    """The bench takes a device with them, and refuses it where one is missing."""
    settings = MORE.get(kind, "")

    def rig(functions):
        those = ", ".join(f"{function} = 1" for function in functions)
        device = f'[[device]]\nname = "x"\nkind = "{kind}"\naddress = 0x50\nfunctions = {{ {those} }}{settings}\n'
        return f'schema = 1\nname = "x"\ntitle = "x"\n{device}'

    flags, failures = on_the_bench(rig(REQUIRED_FUNCTIONS[kind]))
    alone = {"ignored-command"} if kind == "panel" else set()  # whom a lone panel commands was never heard
    assert ({str(flag.kind) for flag in flags}, failures) == (alone, [])
    for missing in REQUIRED_FUNCTIONS[kind]:
        others = [function for function in REQUIRED_FUNCTIONS[kind] if function != missing] or ["control_panel"]
        with pytest.raises(InputError, match=f"needs the function {missing}"):
            on_the_bench(rig(others))


@pytest.mark.parametrize(
    ("unit", "kind"),
    [
        ({"furnace": [1], "water_heater": [1]}, "heater"),
        ({"water_heater": [1]}, "water_heater"),
        ({"water_pump": [1]}, "water_pump"),
        ({"refrigerator": [1]}, "fridge"),
        ({"furnace": [1]}, "air_furnace"),
        ({"air_conditioner": [1]}, "air_conditioner"),
        ({"thermostat": [1]}, "panel"),
        ({"control_panel": [1]}, None),
        ({"charger": [1], "dc_source": [1]}, "charger"),
        ({"dc_source": [1]}, None),
        ({"charger": [0x31]}, "alternator"),
        ({"charger": [1]}, None),
        ({"inverter": [1]}, "inverter"),
        ({"tank": [18]}, "tank"),
        ({"tank": [3]}, None),
        ({}, None),
    ],
)
def test_no_kind_is_suggested_that_the_bench_would_refuse(unit, kind):
    """A water heater alone is no simulated heater, and a tank of something else than water is no tank."""
    assert kind_for(unit) == kind


@pytest.mark.parametrize(
    ("instances", "water"),
    [([0], "fresh"), ([1], "black"), ([2], "grey"), ([16], "fresh"), ([17], "black"), ([18, 2], "grey")],
)
def test_a_tank_is_set_to_what_its_instance_says(instances, water):
    """0 fresh, 1 black, 2 grey, and from 16 on for a second one (TANK_STATUS, from memory)."""
    assert settings_for("tank", {"tank": instances}, []) == {"tank": water}


def test_of_the_sensors_the_second_is_outdoors():
    """And a third one is in the cabin, as the first: a log does not tell."""
    rig = [{"ambient_sensor": [number]} for number in (7, 4, 9)]
    assert [settings_for("ambient", unit, rig) for unit in rig] == [{"place": "outdoors"}, {}, {}]


def test_a_panel_is_set_to_the_instances_that_are_there():
    """What is as the panel expects by itself is left out, and so is what the rig does not have."""
    rig = [
        {"thermostat": [1]},
        {"ambient_sensor": [4]},
        {"ambient_sensor": [7]},
        {"furnace": [3, 2], "water_heater": [1]},
        {"tank": [2]},
        {"tank": [16]},
        {"charger": [1], "dc_source": [1]},
    ]
    assert settings_for("panel", rig[0], rig) == {
        "indoor_sensor": 4,
        "outdoor_sensor": 7,
        "furnace": 2,
        "fresh_tank": 16,
        "charger": 1,
    }
    assert settings_for("panel", rig[0], rig[:1]) == {}
    assert settings_for("heater", rig[3], rig) == {}
