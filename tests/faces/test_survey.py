"""A survey as a person and as a program get it."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from rvsim.faces.cli import app

MARINE = Path(__file__).parent.parent / "data" / "marine_bus_2014.log"


@pytest.fixture
def rvsim(monkeypatch, tmp_path):
    """Run a command in a folder of its own: (exit code, stdout, stderr)."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.chdir(tmp_path)

    def go(*arguments, **more):
        done = CliRunner().invoke(app, arguments, **more)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, done.stdout, done.stderr

    return go


def test_a_recording_surveyed_in_words(rvsim):
    """Who was there by their planned names, how often they spoke, and the flags with times and what to try next."""
    rvsim("bench", "heater_goes_quiet", "--seconds", "120", "--speed", "max", "--record", "q.log")
    code, out, err = rvsim("survey", "q.log", "--rig", "ottersby")
    assert (code, err) == (0, "")
    assert out.startswith("q.log, candump text: ")
    assert "  address 5E hex: heater; NAME: maker 0, serial number " in out
    assert "    FURNACE_STATUS 1: " in out
    assert "[4] fault, heater: nothing heard for 15.0 s" in out
    assert "until 60.5 s)" in out
    assert "Try next: its power and fuse first" in out


def test_a_survey_as_json(rvsim):
    """The keys of the contract, on a recorded bus."""
    code, out, _ = rvsim("survey", str(MARINE), "--json")
    found = json.loads(out)
    assert code == 0
    assert set(found) == {"schema", "log", "frames", "seconds", "unreadable", "bus_load", "devices", "flags"}
    claimed = next(device for device in found["devices"] if device["source"] == 0x11)
    assert (claimed["name"]["manufacturer_code"], claimed["name"]["serial_number"]) == (1774, 123456)
    message = claimed["messages"][-1]
    assert set(message) == {"dgn", "message", "instance", "count", "median_gap_ms", "worst_gap_ms"}
    assert all({"kind", "subject", "since", "until"} <= set(flag) for flag in found["flags"])


def test_a_log_from_a_pipe_with_odd_lines(rvsim):
    """Stdin is read like a file, and what could not be read is told by line."""
    lines = MARINE.read_text().splitlines()[:200]
    lines.insert(3, "garbage in between")
    code, out, _ = rvsim("survey", "-", input="\n".join(lines) + "\n")
    assert code == 0
    assert "200 frames" in out
    assert "line 4 could not be read" in out


@pytest.mark.parametrize(("name", "problem"), [("none.log", "none.log"), ("README.md", "README.md")])
def test_what_is_no_log_is_one_clear_line(rvsim, tmp_path, name, problem):
    """A missing file, or one that is no log, is one line and exit code 2."""
    (tmp_path / "README.md").write_text("# not a log\n")
    code, out, err = rvsim("survey", name)
    assert (code, out) == (2, "")
    assert problem in err
    assert len(err.splitlines()) == 1
