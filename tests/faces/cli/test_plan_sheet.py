"""The option --html of `plan`: the sheet is written beside what is printed, and never over what is not asked for."""

import pytest
from typer.testing import CliRunner

from rvsim.faces.cli.commands import app

RIG = """
schema = 1
name = "fernacre"
title = "Fernacre, an invented van"

[[device]]
name = "panel"
address = 0x44
functions = { control_panel = 1 }

[[module]]
name = "box"

[[output]]
name = "lamp"
module = "box"
terminal = 1
load = "led"
amps = 2.0
limit_amps = 1.9
"""


@pytest.fixture
def rig(tmp_path):
    """A rig with one output that carries too much."""
    path = tmp_path / "van.toml"
    path.write_text(RIG, encoding="utf-8")
    return path


def run(*arguments):
    """Run the command."""
    return CliRunner().invoke(app, ["plan", *map(str, arguments)])


def test_the_sheet_is_written_beside_the_answer(rig):
    """What is printed and the exit code are as without; where the sheet is goes to the errors."""
    page = rig.parent / "sheet.html"
    plain, done = run(rig), run(rig, "--html", page)
    assert (done.exit_code, done.stdout) == (plain.exit_code, plain.stdout) == (1, plain.stdout)
    assert (
        done.stderr.splitlines()[-1] == f"rvsim: the sheet is in {page}; print it on A4 or letter, it needs no network"
    )
    written = page.read_text(encoding="utf-8")
    assert "Fernacre, an invented van: commissioning sheet" in written
    assert "fault: lamp" in written
    assert "Only these checks" not in written


def test_some_checks_alone_are_said_on_the_sheet(rig):
    """Nobody takes a sheet of one check for that of all."""
    page = rig.parent / "sheet.html"
    assert run(rig, "--check", "ladder", "--check", "fuses", "--html", page).exit_code == 0
    assert "Only these checks were made: fuses, ladder." in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(("options", "told"), [
    (["--html", "{old}"], "--html {old}: the file exists: name another one, or add --overwrite"),
    (["--html", "{rig}", "--overwrite"], "--html {rig}: this is the rig itself: name another file for the sheet"),
    (["--html", "{folder}"], "--html {folder}: a folder: name a file in it"),
    (["--overwrite"], "--overwrite goes with --html FILE: nothing else is replaced"),
    (["--html", "{new}", "--what-if", "output.lamp.amps=1"],
     "--html writes the sheet of the whole plan: leave --what-if and --to-csv out"),
])  # fmt: skip
def test_what_is_refused(rig, options, told):
    """One line, exit code 2, and no file is touched."""
    names = {"old": rig.parent / "old.html", "rig": rig, "folder": rig.parent, "new": rig.parent / "new.html"}
    names["old"].write_text("kept", encoding="utf-8")
    done = run(rig, *(option.format(**names) for option in options))
    assert (done.exit_code, done.stdout, done.stderr) == (2, "", f"rvsim: {told.format(**names)}\n")
    assert names["old"].read_text(encoding="utf-8") == "kept"
    assert rig.read_text(encoding="utf-8") == RIG
    assert not names["new"].exists()


def test_a_sheet_is_replaced_where_it_is_asked_for(rig):
    """With --overwrite."""
    page = rig.parent / "sheet.html"
    page.write_text("old", encoding="utf-8")
    assert run(rig, "--html", page, "--overwrite").exit_code == 1
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
