"""A word in the place of a command that is none has a next step."""

from typing import Any

import pytest
from typer.main import get_command

from rvsim.faces.cli import command_names
from rvsim.faces.cli.commands import app


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (("guide", "first-hour"), "rvsim about --guide first-hour"),
        (("glossary",), "rvsim about --words"),
        (("decode", "19FFE45E", "00"), "rvsim spell 19FFE45E 00"),
        (("19FFE45E", "00"), "rvsim spell 19FFE45E 00"),
        (("0x19ffe45e#00",), 'rvsim spell "0x19ffe45e#00"'),
        (("help", "spell"), "rvsim --help"),
    ],
)
def test_a_word_that_is_no_command_has_a_next_step(rvsim, words, meant):
    """The whole line as it is to be written; the exit code is that of wrong usage."""
    code, told, error = rvsim(*words)
    assert (code, told) == (2, "")
    assert error.endswith(f"No such command '{words[0]}'. Write: {meant}\n")


@pytest.mark.parametrize(("word", "says"), [("spel", "Did you mean 'spell'?"), ("frob", "No such command 'frob'.")])
def test_any_other_word_is_answered_as_before(rvsim, word, says):
    """A slip of the fingers, and what nobody knows."""
    code, _, error = rvsim(word)
    assert code == 2
    assert says in error
    assert "Write:" not in error


def test_what_is_meant_is_there():
    """Each is a command with an option of its own, or an option of the program; none of the words is a command."""
    program: Any = get_command(app)
    for word, meant in command_names._MEANT.items():
        name, _, option = meant.partition(" ")
        of = program if name.startswith("--") else program.commands[name]
        options = {opt for one in of.params for opt in one.opts} | {"--help"}
        assert (option or "--help") in options
        assert not name.startswith("--") or name in options
        assert word not in program.commands
