"""The application that is built for one command: the same command, without reading the options of all others."""

import pytest
import typer
from typer.core import TyperGroup
from typer.testing import CliRunner

from rvsim.faces.cli.commands import app, app_for

EVERY = ("bench", "shakedown", "vary", "spell", "practice", "survey", "compare", "replay", "export", "plan",
         "listen", "about")  # fmt: skip


@pytest.mark.parametrize("name", EVERY)
def test_a_named_command_is_built_alone(name):
    """Its help is what the whole application prints for it, and no other command is built."""
    group = typer.main.get_command(app_for([name, "--help"]))
    assert isinstance(group, TyperGroup)
    assert list(group.commands) == [name]
    runner = CliRunner()
    alone = runner.invoke(app_for([name]), [name, "--help"], prog_name="rvsim")
    assert alone.exit_code == 0
    assert alone.output == runner.invoke(app, [name, "--help"], prog_name="rvsim").output


@pytest.mark.parametrize("words", [[], ["--help"], ["--version"], ["spel"], ["--", "spell"], [""]])
def test_all_commands_are_there_otherwise(words):
    """Without the name of a command in front the application is the whole one, which can list and correct names."""
    assert app_for(words) is app
