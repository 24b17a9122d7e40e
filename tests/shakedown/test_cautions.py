"""Cautions that a scenario shows once when it is run."""

import pytest

from rvsim.shakedown.cautions import cautions
from rvsim.shakedown.scenario import load_scenario

GENERATOR = """
[rig]
schema = 1
name = "van"
title = "A van"
[[rig.device]]
name = "genset"
kind = "own"
address = 0x40
functions = { generator = 1 }
settings = { message = [{ message = "GENERATOR_STATUS_1" }] }
"""
START = '[[rig.device]]\nname = "starter"\nkind = "own"\naddress = 0x41\nfunctions = { generator_start = 1 }\n'
COMMAND = '[[step]]\nat = "1s"\nsend = { message = "GENERATOR_COMMAND" }\n'
EXPECT = '[[expect]]\nexpect = "seen"\nsight = { device = "genset" }\n'
HEAD = 'schema = 1\ntitle = "T"\nlasts = "2s"\n'


@pytest.fixture
def said(tmp_path, rvsim):
    """Run a command on a scenario; returns the lines with a caution on stderr."""

    def go(text, command="shakedown", *more):
        (tmp_path / "t.toml").write_text(HEAD + text, encoding="utf-8")
        _, _, err = rvsim(command, "t.toml", *more)
        return [line for line in err.splitlines() if "caution" in line]

    return go


def test_a_generator_that_a_step_starts(said, catalogue):
    """Once in a command, whatever the number of runs, by its message or its identifier."""
    (line,) = said(EXPECT + COMMAND + COMMAND + GENERATOR, "shakedown", "--repeat", "2", "--processes", "1")
    assert line == (
        "rvsim: caution: a step of this scenario starts genset, which is only simulated. A real generator that starts "
        "by a command does so with nobody looking: its exhaust kills, its mains are for a licensed person, and a "
        "number on the bus never replaces a listed CO alarm."
    )
    raw = f'[[step]]\nat = "1s"\nsend = {{ identifier = "{catalogue.by_name("GENERATOR_COMMAND").identifier(0xF9):08X}"'
    assert said(EXPECT + raw + ', bytes = "01" }\n' + GENERATOR) == [line]
    assert said(EXPECT + COMMAND + GENERATOR, "vary", "seed=1,2", "--processes", "1") == [line]
    assert said(EXPECT + COMMAND + GENERATOR, "bench", "--speed", "max", "--plain") == [line]


def test_a_generator_that_another_device_starts(said):
    """Automatic start is a command, too."""
    (line,) = said(EXPECT + GENERATOR + START)
    assert line.startswith("rvsim: caution: starter of this scenario starts genset, ")


def test_a_device_of_the_kind_generator(tmp_path, catalogue):
    """Whatever its functions are."""
    text = GENERATOR.replace('kind = "own"', 'kind = "generator"').replace("generator = 1", "control_panel = 1")
    (tmp_path / "t.toml").write_text(HEAD + COMMAND + text, encoding="utf-8")
    (line,) = cautions(load_scenario(tmp_path / "t.toml"), catalogue)
    assert line.startswith("caution: a step of this scenario starts genset, ")


def test_no_caution_where_nothing_is_started(said):
    """A generator that nobody commands; a command without a generator; a scenario without either."""
    other = '[[step]]\nat = "1s"\nsend = { message = "FURNACE_COMMAND" }\n'
    assert said(EXPECT + other + GENERATOR) == []
    assert said(EXPECT + GENERATOR.replace("generator = 1", "generator = 1, generator_start = 1")) == []
    assert said(COMMAND + EXPECT.replace("genset", "heater").replace("[[", 'rig = "ottersby"\n[[', 1)) == []


def test_a_generator_that_starts_for_exercise(said):
    """By a setting of the rig, without any command."""
    exercise = "settings = { exercise_every_hours = 100.0 }"
    text = GENERATOR.replace('kind = "own"', 'kind = "generator"')
    text = text.replace('settings = { message = [{ message = "GENERATOR_STATUS_1" }] }', exercise)
    (line,) = said(EXPECT + text)
    assert line.startswith("rvsim: caution: a setting of the rig starts genset, ")
    assert said(EXPECT + text.replace(exercise, "")) == []


def test_a_burner_and_a_dome_that_a_scenario_acts_on(said):
    """A step that commands heat or the roof fan, a fault of a burner: the caution of each kind once, with its names."""
    heat = '[[step]]\nat = "1s"\nsend = { message = "FURNACE_COMMAND" }\n'
    fault = '[[fault]]\nfault = "failed_ignition"\ndevice = "heater"\nfrom = "1s"\n'
    dome = '[[step]]\nat = "1s"\nsend = { message = "ROOF_FAN_COMMAND_1" }\n'
    expect = EXPECT.replace("genset", "heater")
    rig = 'rig = "ottersby"\n'
    (line,) = said(rig + expect + heat + fault)
    assert line.startswith(
        "rvsim: caution: heater, which is only simulated. Combustion: a lockout is a safety function"
    )
    assert said(rig + expect + fault) == [line]
    both = said(rig + expect + heat + dome)
    assert (both[0], len(both)) == (line, 2)
    assert both[1].startswith("rvsim: caution: roof fan, which is only simulated. Motion: ")
    assert said(rig + expect) == []


def test_what_a_change_of_shore_power_or_engine_uses(said):
    """Each sentence once, with all its devices; what is told of lithium for chargers is not told for the battery."""
    rig = 'rig = "quillhaven"\n' + EXPECT.replace("genset", "heater")
    shore, engine = (
        f'[[step]]\nat = "1s"\nchange = {{ {key} }}\n' for key in ("shore_power = true", "engine_rpm = 900.0")
    )
    opens = '[[fault]]\nfault = "protection_opens"\nfrom = "1s"\n'
    lithium = "Lithium: no charging below 0 °C cell temperature; the protection may open at any time."
    charging = f"{lithium} Lead-acid: hydrogen, ventilation."
    mains = "Mains (shore, inverter, generator) is for a licensed person."
    only = "which are only simulated."
    assert [line for line in said(rig + shore + engine) if "water heater" not in line] == [
        f"rvsim: caution: air conditioner, shore charger and inverter, {only} {mains}",
        f"rvsim: caution: shore charger, alternator and battery charger, {only} {charging}",
    ]
    (line,) = said(rig + engine + opens)
    assert line == f"rvsim: caution: alternator and battery charger, {only} {charging}"
    assert said(rig + opens) == [
        f"rvsim: caution: the battery house, which is only simulated, is lithium. {lithium}",
    ]
    cold = "[start]\nbattery_c = { house = -5.0 }\n"
    assert said(cold + rig + engine)[1:] == []
    assert said(rig.replace("quillhaven", "ottersby") + opens) == []


def test_a_lithium_battery_that_is_cold(said):
    """By the rig or by the scenario's start; not a warm one, nor lead."""

    def battery(chemistry, celsius):
        table = f'[rig.battery]\nchemistry = "{chemistry}"\nstart_c = {celsius}\n'
        return GENERATOR.replace("[[rig.device]]", f"{table}[[rig.device]]", 1)

    cold = battery("lfp", -3.0)
    (line,) = said(EXPECT + cold)
    assert line == (
        "rvsim: caution: the battery house, which is only simulated, is lithium and cold. Lithium: no charging below "
        "0 °C cell temperature; the protection may open at any time."
    )
    assert said(EXPECT + battery("lfp", 0.0)) == said(EXPECT + battery("agm", -3.0)) == []
    assert said("[start]\nbattery_c = { house = 5.0 }\n" + EXPECT + cold) == []
