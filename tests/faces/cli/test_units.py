"""`--units us` on every command that shows values: what a person reads changes, what a program reads does not."""

from pathlib import Path

import pytest

from rvsim.faces.cli import commands
from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.text.display_units import BY_NAME

QUIET = ("heater_goes_quiet", "--seconds", "100", "--speed", "max")
FAILS = """
[[expect]]
expect = "world"
value = "cabin"
at_least = 40

[[expect]]
expect = "stays"
sight = { message = "THERMOSTAT_AMBIENT_STATUS", device = "indoor sensor", field = "ambient_temperature" }
at_most = 5

[[expect]]
expect = "seen"
sight = { message = "THERMOSTAT_AMBIENT_STATUS", device = "indoor sensor", field = "ambient_temperature", above = 50 }
"""


@pytest.fixture
def recorded(rvsim):
    """A recording of the quiet heater, whose outdoor sensor says 900 °C at the end."""
    assert rvsim("bench", *QUIET, "--json", "--record", "quiet.jsonl")[0] == 0
    return "quiet.jsonl"


def both(rvsim, *arguments):
    """What a command prints without the option, and with it."""
    plain = rvsim(*arguments)
    assert rvsim(*arguments, "--units", "metric") == plain
    code, out, _ = rvsim(*arguments, "--units", "us")
    assert code == plain[0]
    return plain[1], out


def test_bench(rvsim):
    """Sentences and flags."""
    metric, shown = both(rvsim, "bench", *QUIET, "--plain")
    assert "ambient temperature 900.00 °C, outside -50 to 70 °C (by the rig)" in metric
    assert "ambient temperature 1652.0 °F, outside -58 to 158 °F (by the rig)" in shown
    assert "absolute level 56 L, tank size 70 L" in metric
    assert "absolute level 14.8 US gal, tank size 18.5 US gal" in shown
    assert "°C" not in shown
    assert "°F" not in metric


def test_replay_and_survey(rvsim, recorded):
    """Of a recording, with the same words."""
    metric, shown = both(rvsim, "replay", recorded, "--plain", "--speed", "max", "--rig", "ottersby")
    assert ("900.00 °C, outside -50 to 70 °C" in metric, "1652.0 °F, outside -58 to 158 °F" in shown) == (True, True)
    assert "°C" not in shown
    metric, shown = both(rvsim, "survey", recorded, "--rig", "ottersby")
    assert ("900.00 °C, outside -50 to 70 °C" in metric, "1652.0 °F, outside -58 to 158 °F" in shown) == (True, True)
    assert "°C" not in shown


def test_spell(rvsim):
    """Both units, in this order."""
    metric, shown = both(rvsim, "spell", "19FF9C91", "01C024FFFFFFFFFF")
    assert ("= 21 °C; range" in metric, "= 21 °C = 69.8 °F;\n" in shown) == (True, True)


@pytest.mark.parametrize("command", [("shakedown", "--processes", "1"), ("vary", "seed=1,2", "--processes", "2")])
def test_verdicts(rvsim, write, command):
    """What was expected in the words of the scenario with the figure beside it; what was found in the other unit.

    Also of runs in other processes.
    """
    name, *rest = command
    metric, shown = both(rvsim, name, write(FAILS, lasts="10s"), *rest)
    assert "°F" not in metric
    assert "cabin is at least 40 at all times\n" in metric
    assert "cabin is at least 40 at all times (40 °C is 104 °F)\n" in shown
    assert " at most 5 (5 °C is 41 °F)\n" in shown
    assert " above 50 is seen at least once (50 °C is 122 °F)\n" in shown
    for celsius, fahrenheit in (
        ("found: 15 °C at 0.000 s", "found: 59.0 °F at 0.000 s"),
        ("found: ambient temperature 15.", "found: ambient temperature 59."),
        ("nearest: ambient temperature 15.", "nearest: ambient temperature 59."),
    ):
        assert celsius in metric
        assert fahrenheit in shown
    assert shown.count("°C") == shown.count(" °C is ")


def test_a_scenario_read_back(rvsim, write):
    """The weather in the chosen unit, the words of the expectations with their figures beside them."""
    metric, shown = both(rvsim, "shakedown", "--explain", write(f"[weather]\noutdoor_c = -6\n{FAILS}"))
    assert "-6 °C outside" in metric
    assert "21.2 °F outside" in shown
    assert "cabin is at least 40 at all times (40 °C is 104 °F)" in shown
    assert "°F" not in metric


@pytest.mark.parametrize(
    "command",
    [
        ("bench", "lone_node", "--seconds", "1", "--speed", "1000"),
        ("replay", "quiet.jsonl", "--to", "1", "--speed", "1000"),
        ("listen", "--interface", "virtual", "--channel", "units", "--seconds", "0"),
    ],
    ids=lambda command: command[0],
)
@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_screen_has_the_units_that_were_chosen(rvsim, recorded, monkeypatch, command, units):
    """On a bench, a log and a bus."""
    seen = []
    monkeypatch.setattr(commands, "has_terminal", lambda: True)
    monkeypatch.setattr(LiveScreen, "run", lambda self: seen.append(self.scene.units) or 0)
    assert rvsim(*command, "--units", units)[0] == 0
    assert seen == [BY_NAME[units]]


@pytest.mark.parametrize(
    "command",
    [
        ("bench", *QUIET, "--json", "--every"),
        ("replay", "quiet.jsonl", "--json", "--speed", "max", "--rig", "ottersby"),
        ("survey", "quiet.jsonl", "--json", "--rig", "ottersby"),
        ("spell", "19FF9C91", "01C024FFFFFFFFFF", "--json"),
        ("shakedown", "t.toml", "--json"),
        ("vary", "t.toml", "seed=1,2", "--json", "--processes", "2"),
    ],
    ids=lambda command: command[0],
)
def test_json_is_metric_byte_for_byte(rvsim, write, recorded, command):
    """A program does not have to know who reads beside it."""
    write(FAILS, lasts="10s")
    metric, shown = both(rvsim, *command)
    assert shown == metric
    assert "\\u00b0F" not in shown


def test_files_are_metric_byte_for_byte(rvsim, write):
    """Recordings, JUnit and drafted rigs."""
    write(FAILS, lasts="10s")
    kept = {}
    for units in ("metric", "us"):
        chosen = ("--units", units)
        rvsim("shakedown", "t.toml", "--junit", "v.xml", *chosen)
        rvsim("bench", *QUIET, "--plain", "--record", "run.log", *chosen)
        rvsim("survey", "run.log", "--draft-rig", "rig.toml", *chosen)
        files = [Path(name) for name in ("v.xml", "run.log", "rig.toml")]
        kept[units] = [file.read_bytes() for file in files]
        for file in files:
            file.unlink()
    assert kept["us"] == kept["metric"]


@pytest.mark.parametrize(
    "command",
    [
        ("bench",),
        ("listen",),
        ("replay", "quiet.jsonl"),
        ("survey", "quiet.jsonl"),
        ("spell", "19FF9C91", "01"),
        ("shakedown", "lone_node"),
        ("vary", "lone_node", "seed=1"),
    ],
    ids=lambda command: command[0],
)
def test_units_that_are_none(rvsim, command):
    """One line says which there are."""
    assert rvsim(*command, "--units", "imperial") == (
        2,
        "",
        "rvsim: --units imperial: give metric, or us for °F, US gallons and psi\n",
    )
