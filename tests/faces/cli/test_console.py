"""Printing anywhere: whatever a console can show, and whatever was closed when a command began."""

import errno
import io
import json
import os
import subprocess
import sys

import pytest

from rvsim import shipped
from rvsim.faces.cli import console, exits
from rvsim.faces.cli.console import REPLACE_HANDLER, has_terminal, prepare, print_as

LOG = "quiet.log"
VERDICT = """
[[expect]]
says = "° × Ω"
expect = "world"
value = "cabin"
at_most = -40
"""
TEXT = {
    "help": ["--help"],
    "spell": ["spell", "19FFFD4A", "0178140100943577"],
    "survey": ["survey", LOG, "--rig", "ottersby"],
    "replay": ["replay", LOG, "--speed", "max"],
    "bench": ["bench", "heater_goes_quiet", "--plain", "--seconds", "30", "--speed", "max"],
    "explain": ["shakedown", "warm_cabin", "--explain"],
    "keys": ["shakedown", "--keys"],
    "verdict": ["shakedown", "t.toml"],
    "vary": ["vary", "t.toml", "weather.outdoor_c=1"],
    "about": ["about"],
    "error": ["survey", "no ° × Ω.log"],
    "usage": ["bench", "--°"],
}
JSON = {
    "spell": ["spell", "19FFE45E", "0100C864FFFFFFFF", "--json"],
    "survey": ["survey", LOG, "--rig", "ottersby", "--json"],
    "replay": ["replay", LOG, "--speed", "max", "--json", "--every"],
    "bench": ["bench", "heater_goes_quiet", "--json", "--every", "--seconds", "30", "--speed", "max"],
    "verdict": ["shakedown", "t.toml", "--json"],
    "vary": ["vary", "t.toml", "weather.outdoor_c=1", "--json"],
}
CODES = {"verdict": 1, "vary": 1, "error": 2, "usage": 2}
ENCODINGS = ["cp437", "cp1251", "latin-1", "utf-16"]
IN_PROCESSES = ["help", "usage", "spell"]
"""What is always run in a process of its own: two whose texts name the program, and one that is quick. The others are
run in this one, with streams of their own; those that are run with closed streams in a process have the same bytes.
"""
IN_EACH_ENCODING = ["spell", "error"]
"""One that prints signs on stdout and one that does on stderr. The others are run in ASCII, which lacks every sign: one
function replaces signs, for all commands and all encodings."""


@pytest.fixture(scope="module")
def typed(tmp_path_factory, run_here):
    """Run a command as it is typed, with a console of any encoding: (exit code, stdout, stderr), the last two bytes.

    ``alone`` asks for a process of its own, which options of ``subprocess.run`` and ``more`` of its environment need.
    """
    folder = tmp_path_factory.mktemp("console")
    head = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "5s"\n'
    (folder / "t.toml").write_text(head + VERDICT, encoding="utf-8")

    known = {}

    def go(*arguments, encoding="utf-8", more=None, alone=False, **options):
        if more or options:
            return run(arguments, encoding, more, options)
        alone = alone or any(arguments == tuple(TEXT[name]) for name in IN_PROCESSES)
        if (arguments, encoding) not in known:
            known[arguments, encoding] = (
                run(arguments, encoding, None, {}) if alone else run_here(*arguments, encoding=encoding, folder=folder)
            )
        return known[arguments, encoding]

    def run(arguments, encoding, more, options):
        env = {
            **os.environ,
            "PYTHONIOENCODING": encoding,
            "COLUMNS": "100",
            **(more or {}),
        }
        done = subprocess.run(
            **{
                "args": [sys.executable, "-m", "rvsim", *arguments],
                "stdin": subprocess.DEVNULL,
                "capture_output": True,
                "check": False,
                "cwd": folder,
                "env": env,
                **options,
            },
        )
        return done.returncode, done.stdout, done.stderr

    assert go("bench", "heater_goes_quiet", "--seconds", "95", "--speed", "max", "--record", LOG)[0] == 0
    return go


@pytest.mark.parametrize(
    ("name", "encoding"),
    [*((name, "ascii") for name in TEXT), *((name, encoding) for name in IN_EACH_ENCODING for encoding in ENCODINGS)],
)
def test_a_sign_that_a_console_lacks_ends_no_command(typed, name, encoding):
    """In each encoding the exit code is the command's own, and all that a sign's twin does not touch is as in UTF-8."""
    code, whole, errors = typed(*TEXT[name])
    assert code == CODES.get(name, 0)
    ascii_only = [sign_by_sign(text, "ascii") for text in (whole.decode(), errors.decode())]
    found = typed(*TEXT[name], encoding=encoding)
    said = [text.decode(encoding) for text in found[1:]]
    assert found[0] == code
    assert said == [sign_by_sign(text, encoding) for text in (whole.decode(), errors.decode())]
    assert [sign_by_sign(text, "ascii") for text in said] == ascii_only


def sign_by_sign(text, encoding):
    """Replace each sign that an encoding lacks, as the error handler is to do it."""
    twins = {"°": "deg ", "×": "x", "Ω": "ohm", "═": "=", "▒": ":", "·": ".", "²": "2"}
    known = "".join(sign if sign.isascii() or can_have(sign, encoding) else twins[sign] for sign in text)
    return known.replace("deg \n", "deg\n").replace("deg  x", "deg x").replace("deg  (", "deg (")


def can_have(sign, encoding):
    """Tell whether an encoding has a sign."""
    try:
        sign.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


@pytest.mark.parametrize("name", JSON)
def test_json_is_ascii_lines_whatever_the_console_says(typed, name):
    """The same bytes in one whose bytes are all others, each line an object, and no carriage return."""
    code, out, _ = typed(*JSON[name])
    assert code == CODES.get(name, 0)
    assert out.isascii()
    assert b"\r" not in out
    assert all(isinstance(json.loads(line), dict) for line in out.splitlines())
    assert typed(*JSON[name], encoding="utf-16")[1] == out


def test_ascii_is_asked_for(typed):
    """`--ascii` has the twins although the console could show the signs."""
    plain = typed(*TEXT["spell"], "--ascii", alone=True)[1]
    assert b"276 x 0.05 = 13.8 V" in plain
    assert b"deg C" in typed(*TEXT["bench"], "--ascii")[1]
    for name in ("survey", "replay", "explain", "verdict", "vary", "about"):
        assert typed(*TEXT[name], "--ascii")[1].isascii()


def test_a_locale_without_utf8(typed):
    """The locale C, as on a small board or in a container, is ASCII."""
    bare = {"PYTHONIOENCODING": "", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "LC_ALL": "C"}
    code, out, err = typed(*TEXT["spell"], more=bare)
    assert (code, err) == (0, b"")
    assert b"276 x 0.05" in out


ALL_CLOSED = """
import os, sys
from rvsim.__main__ import main
for number in range(3):
    os.close(number)
sys.stdin = sys.stdout = sys.stderr = None
sys.argv = ["rvsim", *sys.argv[1:]]
main()
"""
"""What Python makes of closed streams when it starts (its documentation of ``sys.stdin``)."""
FORKED = ["bench", "survey", "verdict"]
"""Those that take long to start: Python itself starts with closed streams for all others."""


@pytest.mark.skipif(
    sys.platform == "win32", reason="names of files are no bytes there, and closing is the shell's there"
)
@pytest.mark.parametrize(
    ("name", "closed"),
    [
        *((name, "<&- >&- 2>&-") for name in ("help", "spell", "bench", "survey", "verdict", "error", "usage")),
        *((name, closed) for name in ("spell", "error") for closed in ("<&-", ">&-", "2>&-")),
    ],
)
def test_what_is_closed_at_the_start_is_not_missed(typed, forked, name, closed):
    """The exit code stays, nothing is a traceback, and what is not closed has what it always has."""
    code, out, err = typed(*TEXT[name])
    line = f'exec "$0" -m rvsim "$@" {closed}'
    command = {"args": ["/bin/sh", "-c", line, sys.executable, *TEXT[name]]}
    found = typed(**(forked(*TEXT[name], code=ALL_CLOSED) if name in FORKED else command))
    assert found == (code, b"" if ">&-" in closed.replace("2>&-", "") else out, b"" if "2>&-" in closed else err)


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no /bin/sh")
def test_a_log_from_a_closed_stdin_is_one_line(typed, run_here, tmp_path):
    """Who asks for stdin and has none is told so."""
    command = ["/bin/sh", "-c", 'exec "$0" -m rvsim "$@" <&-', sys.executable, "survey", "-"]
    typed_here = (["replay", "-"], ["survey", "-", "--draft-rig", "x.toml"])
    for code, out, err in (
        typed(args=command),
        *(run_here(*arguments, folder=tmp_path, stdin=None) for arguments in typed_here),
    ):
        assert (code, out, err.splitlines()) == (
            2,
            b"",
            [b"rvsim: -: stdin is closed: give a log, or what writes one before a pipe"],
        )


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names of files are text there, not bytes")
def test_a_name_that_is_not_utf8(typed):
    """It is found, printed with escapes, and JSON has no half of a sign."""
    name = b"caf\xe9.log"
    assert typed("bench", "--seconds", "5", "--speed", "max", "--record", name, alone=True)[0] == 0
    for arguments in (
        ["survey", name],
        ["replay", name, "--speed", "max"],
        ["survey", name, "--draft-rig", b"caf\xe9.toml"],
    ):
        code, out, err = typed(*arguments)
        assert (code, b"Traceback" in err, b"caf" in out) == (0, False, True)
        (out + err).decode("utf-8")
    for arguments in (["survey", name, "--json"], ["replay", name, "--speed", "max", "--json"]):
        code, out, _ = typed(*arguments)
        assert code == 0
        json.loads(out.splitlines()[0])["log"].encode("utf-8")


def test_a_reader_that_goes_away_on_windows(monkeypatch):
    """There the system says EINVAL; elsewhere that is an error like others."""

    class Gone(io.StringIO):
        def write(self, text):
            raise OSError(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(exits, "_drop_stdout", lambda: None)

    def command():
        Gone().write("x")
        return 0

    monkeypatch.setattr(console.sys, "platform", "win32")  # type: ignore[attr-defined]
    assert exits.run_command(command) == 0
    monkeypatch.setattr(console.sys, "platform", "linux")  # type: ignore[attr-defined]
    assert exits.run_command(command) == 2


def test_streams_that_are_not_there_are_opened_to_nowhere(monkeypatch):
    """As in a program of Windows without a console: nobody reads, and nothing fails."""
    monkeypatch.setattr(sys, "stdout", None)
    monkeypatch.setattr(sys, "stderr", None)
    prepare()
    with sys.stdout as out, sys.stderr as err:
        print("°", file=out)
        print("\udcff", file=err)
        assert (out.isatty(), out.errors) == (False, REPLACE_HANDLER)


@pytest.mark.parametrize("missing", ["__stdin__", "__stdout__", "__stderr__"])
def test_no_screen_without_all_three_streams(monkeypatch, missing):
    """A terminal to draw on is not enough: the screen takes keys and writes to stderr."""

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setattr(sys, "stdout", Terminal())
    assert has_terminal()
    monkeypatch.setattr(sys, missing, None)
    assert not has_terminal()


def test_lines_for_a_program_have_no_carriage_return(monkeypatch):
    """Even where the console's own line end is another."""
    out = io.TextIOWrapper(io.BytesIO(), encoding="cp437", newline="\r\n")
    monkeypatch.setattr(sys, "stdout", out)
    print_as(json=True, ascii_only=False)
    print("{}")
    out.flush()
    assert out.buffer.getvalue() == b"{}\n"


CASE = """schema = 1
title = "°"
rig = "RIG.TOML"
lasts = "5s"
[[expect]]
expect = "seen"
sight = { device = "heater" }
"""
TRIP = "(1.000000) can0 19FFE45E#0100C864FFFFFFFF\n(2.000000) can0 19FFE45E#0100C864FFFFFFFF\n"
OWN = 'VERSION ""\nBO_ 2583680004 OWN: 8 X\n SG_ warm : 0|8@1+ (1,-40) [0|0] "°C" X\n'


@pytest.mark.parametrize(("encoding", "end"), [("utf-8", "\n"), ("utf-8-sig", "\r\n"), ("utf-16", "\r\n")])
def test_files_may_be_named_in_capitals_and_saved_as_windows_does(run_here, tmp_path, end, encoding):
    """Scenario, rig, definitions and logs: names, line ends and encodings of other systems change nothing."""
    rig = (shipped.scenario_folder() / "rigs" / "ottersby.toml").read_text(encoding="utf-8")
    for name, text in {"RIG.TOML": rig, "CASE.TOML": CASE, "TRIP.LOG": TRIP, "OWN.DBC": OWN}.items():
        (tmp_path / name).write_bytes(text.replace("\n", end).encode(encoding))
    code, _, err = run_here("shakedown", "CASE.TOML", folder=tmp_path)
    assert (code, err) == (0, b"")
    files = ("TRIP.LOG", "--rig", "RIG.TOML", "--dbc", "OWN.DBC")
    code, out, err = run_here("survey", *files, "--json", folder=tmp_path)
    assert (code, err, json.loads(out)["frames"]) == (0, b"", 2)
    draft = tmp_path / "DRAFT.TOML"
    assert run_here("survey", "TRIP.LOG", "--draft-rig", draft.name, folder=tmp_path)[0] == 0
    assert "schema = 1\n" in draft.read_text(encoding="utf-8")


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no /bin/sh")
def test_no_other_file_gets_the_number_of_a_closed_one(tmp_path):
    """Or what the system or a library writes to stderr would stand in a recording."""
    program = (
        "import os, stat; from rvsim.faces.cli.console import prepare; prepare(); "
        "files = [os.fstat(n) for n in range(3)]; "
        "nowhere = os.stat(os.devnull); open('told', 'w').write(str([f.st_rdev == nowhere.st_rdev for f in files]))"
    )
    subprocess.run(
        ["/bin/sh", "-c", 'exec "$0" -c "$1" <&- >&- 2>&-', sys.executable, program],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        check=True,
    )
    assert (tmp_path / "told").read_text(encoding="utf-8") == "[True, True, True]"
