"""The help of every command, in a terminal of eighty columns."""

import re
from importlib.metadata import version

import pytest

COMMANDS = (
    "bench", "shakedown", "vary", "spell", "practice", "survey", "compare", "replay", "export", "listen", "about",
)  # fmt: skip


@pytest.fixture
def help_of(rvsim, monkeypatch):
    """Return the help of a command in lines, of the program itself with ""."""
    monkeypatch.setenv("COLUMNS", "80")

    def go(command):
        code, out, err = rvsim(*([command] if command else []), "--help")
        assert (code, err) == (0, "")
        return out.splitlines()

    return go


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_nothing_is_cut(help_of, command):
    """No line ends in an ellipsis but for arguments that may be repeated, and none is wider than the terminal."""
    for line in help_of(command):
        assert len(line) <= 80
        assert not re.search(r"…|[a-z]\.\.\.", line), line


def test_every_command_has_a_summary_on_one_line(help_of):
    """The list of commands has each of them, in a whole sentence."""
    lines = help_of("")
    start = lines.index("Commands:") + 1
    listed = [line.split(maxsplit=1) for line in lines[start : start + len(COMMANDS)]]
    assert [name for name, _ in listed] == list(COMMANDS)
    assert all(summary.endswith(".") for _, summary in listed)
    assert lines[start + len(COMMANDS)] == ""


@pytest.mark.parametrize("command", COMMANDS)
def test_examples_stand_one_a_line(help_of, command):
    """Each is a whole command, and is what the command is called by."""
    lines = help_of(command)
    examples = [line.strip() for line in lines[lines.index("  Examples:") + 1 :]]
    assert len(examples) >= 2
    for line in examples:
        assert re.fullmatch(rf"rvsim {command}( \S.*)?", line), line
        assert line.count("rvsim") == 1


@pytest.mark.parametrize(
    ("command", "usage"),
    [
        ("bench", "[SCENARIO]"),
        ("shakedown", "[SCENARIO...]"),
        ("vary", "SCENARIO KEY=VALUES..."),
        ("spell", "[FRAME|MESSAGE...]"),
        ("survey", "LOG..."),
        ("replay", "LOG"),
        ("export", "LOG..."),
        ("listen", ""),
        ("about", ""),
    ],
)
def test_arguments_are_in_upper_case_and_without_braces(help_of, command, usage):
    """In the usage line and in the list of arguments."""
    lines = help_of(command)
    assert lines[0] == f"Usage: rvsim {command} [OPTIONS] {usage}".rstrip()
    if usage:
        first = lines[lines.index("Arguments:") + 1].split()[0]
        assert first == usage.strip("[]").split()[0]


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("bench", '--speed X Simulated seconds per real second; "max": as fast as possible, shown as sentences.'),
        ("bench", "--seconds N Simulated seconds to run; runs until quit if omitted, or"),
        ("listen", "--seconds N Seconds to listen; runs until quit if omitted."),
        ("replay", '--speed X Seconds of the log per real second; "max": as fast as possible,'),
        ("shakedown", "--keys List all keys of a scenario, its faults and expectations; run nothing."),
        ("shakedown", "--repeat N Run each scenario N times, a new seed each time."),
        ("listen", "this command never transmits."),
        ("about", "--guide [TOPIC] Print a guide; the topics are listed if omitted."),
        ("", "Exit codes: 0 good, 1 the result is not good, 2 usage or unreadable input,"),
        ("", "rvsim about --guide TOPIC, --words TERM, --keys PART."),
    ],
)
def test_what_help_says(help_of, command, said):
    """In plain words."""
    assert said in " ".join(" ".join(help_of(command)).split())


def test_the_version_of_the_program(rvsim):
    """One line, and nothing is run."""
    assert rvsim("--version") == (0, f"rvsim {version('rvsim-bench')}\n", "")
    assert rvsim("--version", "bench") == (0, f"rvsim {version('rvsim-bench')}\n", "")
