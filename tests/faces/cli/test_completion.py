"""What the shell proposes behind Tab: asked as typer's scripts ask, and in each shell that is installed."""

import io
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rvsim.devices.registry import BUILT_IN
from rvsim.faces.cli import completion
from rvsim.faces.cli.commands import run
from rvsim.faces.practice.exercise import Kind
from rvsim.faces.text.guides import TOPICS
from rvsim.plan.answer import Check
from rvsim.shakedown.scenario import shipped_scenarios
from rvsim.shipped import scenario_folder
from rvsim.wire.database import load_catalogue

pytestmark = pytest.mark.paced

RIGS = scenario_folder() / "rigs"
SCRIPT = {
    "bash": "source <(_RVSIM_COMPLETE=source_bash rvsim)\nCOMP_WORDS=(rvsim spell THERMOSTAT_STATUS_1 fan_mode = o)\n"
    'COMP_CWORD=5\n_rvsim_completion rvsim\necho "${COMPREPLY[@]}"',
    "zsh": "compdef() { :; }; _arguments() { print -r -- $1 | tr -dc 'a-z_='; }\n"
    "source <(_RVSIM_COMPLETE=source_zsh rvsim)\nwords=(rvsim spell THERMOSTAT_STATUS_1 fan_mode=o)\nCURRENT=4\n"
    "_rvsim_completion",
    "fish": '_RVSIM_COMPLETE=source_fish rvsim | source\ncomplete -C "rvsim spell THERMOSTAT_STATUS_1 fan_mode=o"',
}
"""A program for each shell that takes typer's script and asks it what may follow ``fan_mode=o``."""


@pytest.fixture
def tab(monkeypatch, capfd, tmp_path):
    """Return what is proposed behind a typed line, asked as fish or bash would; in a folder of its own."""
    monkeypatch.chdir(tmp_path)

    def ask(typed: str | list[str], at: int | None = None) -> list[str]:
        if isinstance(typed, str):
            monkeypatch.setenv("_RVSIM_COMPLETE", "complete_fish")
            monkeypatch.setenv("_TYPER_COMPLETE_FISH_ACTION", "get-args")
            monkeypatch.setenv("_TYPER_COMPLETE_ARGS", typed)
        else:
            monkeypatch.setenv("_RVSIM_COMPLETE", "complete_bash")
            monkeypatch.setenv("COMP_WORDS", "\n".join(typed))
            monkeypatch.setenv("COMP_CWORD", str(len(typed) - 1 if at is None else at))
        monkeypatch.setattr(sys, "argv", ["rvsim"])
        run()
        out, err = capfd.readouterr()
        assert err == ""
        return [line for line in out.splitlines() if line]

    return ask


def test_messages_are_proposed_as_they_are_typed(tab, tmp_path, monkeypatch):
    """In upper and lower case, for `spell` and for `--message`, those of a file of one's own included."""
    names = {name for name in load_catalogue().names if name.startswith("THERM")}
    assert set(tab("rvsim spell THERM")) == names
    assert set(tab("rvsim spell therm")) == {name.lower() for name in names}
    assert set(tab("rvsim survey x.log --message THERM")) == names
    assert len(tab("rvsim spell ")) == len(load_catalogue())
    own = tmp_path / "own.dbc"
    own.write_text(
        'VERSION ""\nBO_ 2583691265 THERMAL_CUSHION: 8 X\n SG_ warmth : 0|8@1+ (1,0) [0|250] "" X\n'
        'VAL_ 2583691265 warmth 1 "slow_start" ;\n'
    )
    assert "THERMAL_CUSHION" in tab("rvsim spell --dbc own.dbc THERM")
    assert "warmth=slow_start" in tab("rvsim spell --dbc own.dbc THERMAL_CUSHION w")
    assert tab("rvsim spell --dbc none.dbc THERM") == []
    monkeypatch.delenv("_RVSIM_COMPLETE")
    monkeypatch.setattr(sys, "argv", ["rvsim", "spell", "--dbc", "own.dbc", "THERMAL_CUSHION", "warmth=slow_start"])
    assert run() == 0


def test_fields_and_what_can_be_written_for_them(tab):
    """A field ends with `=`; a single one comes with its values, so that no blank is put behind it."""
    asked = "rvsim spell THERMOSTAT_STATUS_1 "
    assert tab(f"{asked}fan") == ["fan_mode=", "fan_speed="]
    assert tab(f"{asked}fan_mode=on fan") == [f"fan_speed={value}" for value in (0, 125, "no_data", "out_of_range")]
    assert tab(f"{asked}fan_m") == [f"fan_mode={value}" for value in ("auto", "on", "no_data", "error")]
    assert "operating_mode=fan_only" in tab("rvsim spell 1FFE2 operating_mode=f")
    assert tab("rvsim spell 19FFE2A1 f") == tab("rvsim spell NO_SUCH_MESSAGE f") == tab(f"{asked}nothing=") == []


def test_what_is_proposed_is_taken(tab, capfd, monkeypatch):
    """Each value of each field of a message builds a frame."""
    for field in ("operating_mode=", "fan_mode=", "fan_speed=", "set_point_temperature_heat="):
        proposed = tab(f"rvsim spell THERMOSTAT_STATUS_1 {field}")
        assert len(proposed) >= 4
        monkeypatch.delenv("_RVSIM_COMPLETE")
        for value in proposed:
            monkeypatch.setattr(sys, "argv", ["rvsim", "spell", "THERMOSTAT_STATUS_1", value, "--json"])
            assert run() == 0
        capfd.readouterr()


def test_devices_are_those_of_the_vehicle_that_is_given(tab, tmp_path):
    """Of `--rig`, of a scenario and its rig, or of a file; what is given already is left out."""
    assert tab("rvsim survey x.log --rig ottersby --device h") == ["heater"]
    assert tab("rvsim survey x.log --device h") == []
    assert tab("rvsim bench --except air") == []
    assert tab("rvsim bench four_sources --except air") == ["air conditioner"]
    assert tab("rvsim bench own_device --except dr") == ["drawer fridge"]
    assert tab("rvsim bench --except heater --except h") == []
    assert tab("rvsim shakedown loose_plug --except roof") == ["roof fan"]
    (tmp_path / "van.toml").write_text('[[device]]\nname = "lamp"\n[[device]]\nname = "bad\\u001bname"\n')
    (tmp_path / "night.toml").write_text('rig = "van.toml"\n')
    (tmp_path / "broken.toml").write_text("[[device]\n")
    assert tab("rvsim bench night.toml --except ") == ["lamp"]
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "day.toml").write_text('rig = "other.toml"\n')
    (tmp_path / "sub" / "other.toml").write_text('[[device]]\nname = "fan"\n')
    assert tab("rvsim bench sub/day.toml --except ") == ["fan"]
    assert tab("rvsim bench sub/d") == ["sub/day.toml"]
    assert tab("rvsim survey x.log --rig broken.toml --device ") == tab("rvsim bench none.toml --except ") == []
    assert tab("rvsim survey x.log --rig v") == ["van.toml"]


def test_names_that_are_shipped_and_files(tab, tmp_path):
    """Scenarios, rigs, topics, terms, kinds of devices and of exercises, units."""
    (tmp_path / "loose.log").touch()
    names = [name for name, _ in shipped_scenarios()]
    assert tab("rvsim bench ") == names
    assert tab("rvsim shakedown loose_plug lo") == [
        name for name in names if name.startswith("lo") and name != "loose_plug"
    ]
    assert tab("rvsim practice loo") == ["loose_plug", "loose.log"]
    assert tab("rvsim survey x.log --rig ") == sorted(path.stem for path in RIGS.glob("*.toml"))
    assert tab("rvsim about --guide ") == list(TOPICS)
    assert tab("rvsim about --words dm") == ["dm_rv", "dm1"]
    assert set(tab("rvsim about --words DM")) == {"DM_RV", "DM1"}
    assert "address claim" in tab("rvsim about --words ad")
    assert tab("rvsim about --keys ") == ["rig", "scenario", *completion.KIND_NAMES]
    assert list(completion.KIND_NAMES) == [kind.kind for kind in BUILT_IN]
    assert tab("rvsim practice --kind read") == ["read-a-DM_RV"]
    assert len(tab("rvsim practice --kind ")) == len(Kind)
    assert tab("rvsim spell --units ") == ["metric", "us"]
    assert tab("rvsim plan wren") == ["wrenhollow"]
    assert tab("rvsim plan wrenhollow --check ") == [str(check) for check in Check]


def test_commands_come_with_their_help(tab):
    """In fish behind a tab, which is no control character there."""
    assert tab("rvsim sp") == ["spell\tExplain a message or a frame byte by byte,..."]


def test_bash_takes_an_equals_sign_for_a_word(tab):
    """The value alone is inserted then; blanks are escaped, unless the word is quoted."""
    spell = ["rvsim", "spell", "THERMOSTAT_STATUS_1"]
    assert tab([*spell, "fan_mode", "=", "o"]) == ["on"]
    assert tab([*spell, "fan_mode", "="]) == ["auto", "on", "no_data", "error"]
    assert tab([*spell, "fan_mode", "=", "on", "fan_s"])[0] == "fan_speed=0"
    assert tab([*spell, "fan_mode", "=", "on", ""])[0] == "instance="
    assert tab([*spell, "fan_mode", "=", ""])[0] == "instance="
    assert tab([*spell, "fan_mode", "=", "o", "fan_speed", "=", "1"], at=5) == ["on"]
    assert tab(["rvsim", "bench", "--except", "con"]) == ["control\\ panel"]
    assert tab(["rvsim", "bench", "--except", "control\\ pa"]) == ["control\\ panel"]
    assert tab(["rvsim", "bench", "--except", '"con']) == ["control panel"]
    assert tab(["rvsim", "survey", "--rig", "=", "ott"]) == ["ottersby"]
    assert "bus\\ load" in tab(["rvsim", "about", "--words", "bus"])


def test_what_the_installation_says_has_no_colours(monkeypatch, capfd):
    """They are control characters, which would be printed as text in a terminal."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    said = Terminal()
    monkeypatch.setattr("typer.completion.install", lambda **_: ("bash", "/home/ann/rvsim.sh"))
    monkeypatch.setattr(sys, "argv", ["rvsim", "--install-completion"])
    monkeypatch.setattr(sys, "stdout", said)
    assert run() == 0
    assert said.getvalue().splitlines()[0] == "bash completion installed in /home/ann/rvsim.sh"
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("shell", SCRIPT)
def test_the_script_of_a_shell(shell, tmp_path):
    """Typer's script, taken by the shell itself, proposes the value."""
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not installed")
    folder = Path(sys.executable).parent
    done = subprocess.run(
        [program, "-c", SCRIPT[shell]],
        env={**os.environ, "PATH": f"{folder}{os.pathsep}{os.environ['PATH']}", "HOME": str(tmp_path)},
        capture_output=True,
        encoding="utf-8",
        check=False,
        timeout=60,
    )
    assert done.stdout.split()[-1:] == ["on" if shell == "bash" else "fan_mode=on"], done.stderr
