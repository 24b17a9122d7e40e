"""Errors become exit codes and clear lines."""

import io
import json
import os
import re
import subprocess
import sys

import pytest

from rvsim.errors import BusError, InputError
from rvsim.faces.cli.exits import run_command, safe_output, say

pytestmark = pytest.mark.paced

FURNACE = b"(0.0) can0 19FFE45E#0100C864FFFFFFFF\n"
NAME = b"x\xff\x1b[31m\xc2\x9by"
IN_THIS_PROCESS = {"survey", "replay", "bench", "shakedown"}
"""Commands that are run here with names that no process was given: it takes a second to start one of each."""
CONTROL = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f]")


def raising(error):
    """A command that raises."""

    def command():
        raise error

    return command


def test_a_good_command_keeps_its_code():
    """The command's own code is the exit code."""
    assert run_command(lambda: 0) == 0
    assert run_command(lambda: 1) == 1


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (InputError("one", "two"), 2, "rvsim: one\nrvsim: two\n"),
        (BusError("the bus was lost"), 3, "rvsim: the bus was lost\n"),
        (KeyboardInterrupt(), 130, "rvsim: interrupted\n"),
    ],
)
def test_an_error_is_a_line_for_each_problem(capsys, error, code, said):
    """Each problem has its own line on stderr and stdout stays empty."""
    assert run_command(raising(error)) == code
    captured = capsys.readouterr()
    assert (captured.out, captured.err) == ("", said)


def test_a_mistake_of_ours_is_not_hidden():
    """An error that no user can cause is not swallowed."""
    with pytest.raises(ZeroDivisionError):
        run_command(lambda: 1 // 0)


def test_a_line_stays_one_line(capsys):
    """Line ends and control characters of a name neither forge a line nor reach the terminal."""
    say("a\nrvsim: good\x1b[2J")
    assert capsys.readouterr().err == "rvsim: a rvsim: good\\u001b[2J\n"


@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "cp1252"])
def test_every_text_can_be_written(monkeypatch, encoding):
    """What the output cannot take and has no twin is escaped as in JSON; the streams are the old ones afterwards."""
    out = io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="strict", newline="\n")
    monkeypatch.setattr(sys, "stdout", out)
    text = "\udcff \u0107 \U0001f600 \x9b"
    with safe_output():
        print(json.dumps(text, ensure_ascii=False))
        sys.stdout.writelines(["\x1b", "\n"])
        assert sys.stdout.encoding == encoding
    assert sys.stdout is out
    out.flush()
    first, second = out.buffer.getvalue().decode(encoding).splitlines()
    assert json.loads(first) == text
    assert second == "\\u001b"


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no /bin/sh")
def test_output_that_is_closed(tmp_path):
    """A command without stdout ends well: nobody wanted to read it."""
    done = subprocess.run(
        ["/bin/sh", "-c", '"$0" -m rvsim spell 19FFE45E 0100C864FFFFFFFF >&-', sys.executable],
        capture_output=True, check=False, env=environment(),
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, b"")


def environment():
    """Give a process the cache of the tests and strict UTF-8, as most systems have it."""
    path = os.pathsep.join(item for item in sys.path if item)
    given = {"PYTHONPATH": path, "PYTHONIOENCODING": "utf-8:strict", "PYTHONUTF8": "1"}
    return {**given, "XDG_CACHE_HOME": os.environ["XDG_CACHE_HOME"]}


@pytest.fixture(scope="module")
def named(tmp_path_factory, run_here):
    """Run a command in a folder whose files have names with control characters that are no UTF-8."""
    folder = tmp_path_factory.mktemp("named")
    for end, content in {
        b".log": FURNACE,
        b".dbc": b"BO_ 2566834709 X: 100000 Y\n",
        b"2.dbc": b'BO_ 2566834709 X: 64 Y\nBO_ 2583625982 Z: 8 Y\n SG_ a : 0|8@1+ (1,0) [0|0] "" Y\n',
        b".toml": b"nonsense\n",
        b"2.toml": b'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "1s"\n[[expect]]\nname = "x"\n',
    }.items():
        with open(os.path.join(os.fsencode(folder), NAME + end), "wb") as file:
            file.write(content)

    def go(*arguments):
        if arguments[0] in IN_THIS_PROCESS and b"--" + NAME not in arguments:
            code, *said = run_here(*arguments, folder=folder)
            return code, *(text.decode() for text in said)
        done = subprocess.run(
            [sys.executable, "-m", "rvsim", *arguments],
            capture_output=True, check=False, cwd=folder, env=environment(), timeout=300,
        )  # fmt: skip
        return done.returncode, done.stdout.decode(), done.stderr.decode()

    return go


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("survey", NAME + b".log"), 0),
        (("survey", NAME + b".log", "--json"), 0),
        (("survey", NAME + b".dbc"), 2),
        (("survey", NAME + b".log", "--rig", NAME + b".toml"), 2),
        (("survey", NAME + b".log", "--draft-rig", NAME + b"3.toml"), 0),
        (("replay", NAME + b".log", "--speed", "max"), 0),
        (("replay", NAME + b".log", "--speed", "max", "--json"), 0),
        (("spell", "19FFE45E", "00", "--dbc", NAME + b".dbc"), 2),
        (("spell", "19FFE45E", "00", "--dbc", NAME + b"2.dbc"), 0),
        (("spell", NAME, "00"), 2),
        (("bench", NAME + b".toml"), 2),
        (("bench", NAME), 2),
        (("bench", "--seconds", "1", "--speed", "max", "--record", NAME + b".jsonl"), 0),
        (("bench", NAME + b"2.toml", "--seconds", "1", "--speed", "max", "--record", NAME + b".jsonl"), 2),
        (("shakedown", NAME + b"2.toml", "--junit", NAME + b".xml"), 2),
        (("listen", "--interface", "virtual", "--channel", NAME, "--seconds", "0.1", "--record", NAME + b"2.jsonl"), 0),
        (("listen", "--interface", NAME), 2),
        ((NAME,), 2),
        (("bench", b"--" + NAME), 2),
    ],
)  # fmt: skip
def test_no_name_changes_the_terminal(named, arguments, code):
    """Whatever stands in a name, what is printed has no control character, and nothing ends in a traceback."""
    ended, out, err = named(*arguments)
    assert (ended, "Traceback" in err) == (code, False), err
    assert CONTROL.search(out + err) is None
    assert out + err


def test_what_is_left_out_of_a_file_is_said_and_the_command_goes_on(named):
    """A line on stderr says how many and one says which and why; stdout and the exit code are as usual."""
    code, out, err = named("spell", "19FFE45E", "0100C864FFFFFFFF", "--dbc", NAME + b"2.dbc")
    assert (code, out.partition("\n")[0]) == (0, "19FFE45E, carrying 01 00 C8 64 FF FF FF FF")
    first, second = err.splitlines()
    assert first.endswith("2.dbc: 1 of 2 messages is left out; the others are used")
    assert second.endswith("2.dbc: left out: message X has 64 bytes: a frame holds 1 to 8")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no device that is always full")
def test_output_that_cannot_be_written_says_why(tmp_path):
    """The system's own words stand in the line."""
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "rvsim", "spell", "19FFE45E", "00"],
            stdout=full, stderr=subprocess.PIPE, check=False, env=environment(),
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.decode() == (
        "rvsim: the output could not be written (No space left on device): free space there\n"
    )


def test_closing_words_that_cannot_be_written(capsys):
    """An interrupted command whose terminal has gone has been interrupted; without that a full disk is told."""

    def closing():
        try:
            raise KeyboardInterrupt
        finally:
            raise OSError(5, "Input/output error")

    with capsys.disabled(), pytest.MonkeyPatch.context() as patch:
        patch.setattr("rvsim.faces.cli.exits._drop_stdout", lambda: None)
        said = []
        patch.setattr("rvsim.faces.cli.exits.say", lambda *lines: said.extend(lines))
        assert run_command(closing) == 130
        assert run_command(raising(OSError(28, "No space left on device"))) == 2
    assert said == [
        "interrupted",
        "the output could not be written (No space left on device): free space there",
    ]


def test_what_is_said_to_a_terminal_that_has_gone(monkeypatch):
    """Nothing comes of it, and nothing is raised."""

    class Gone:
        def write(self, text):
            raise OSError(5, "Input/output error")

    monkeypatch.setattr("sys.stderr", Gone())
    say("a word")
