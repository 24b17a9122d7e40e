"""The commands as a person types them: output, exit codes and clear lines."""

import json
import os
import re
import signal
import subprocess
import sys

import pytest

from rvsim.shakedown.scenario import shipped_scenarios

pytestmark = pytest.mark.paced


@pytest.fixture
def process(forked):
    """Start a command as a process of its own."""

    def go(*arguments):
        return subprocess.Popen(**forked(*arguments), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    return go


def test_the_bench_in_sentences(rvsim):
    """A sentence for each arrival, each flag with what to try next, and a summing up at the end."""
    code, out, err = rvsim("bench", "heater_goes_quiet", "--seconds", "120", "--speed", "max")
    assert (code, err) == (0, "")
    assert "heater is present, address 5E hex" in out
    assert "fault, heater: silent for" in out
    assert "Try next: " in out
    assert "cleared, heater: silent-device" in out
    assert out.splitlines()[-1].startswith("   120.0 s  end: 11 of 11 planned devices present; flags still raised:")


def test_the_bench_as_json(rvsim):
    """The first line is the start, every line is JSON, and times never go back."""
    code, out, err = rvsim("bench", "--json", "--seconds", "30", "--speed", "max")
    lines = [json.loads(text) for text in out.splitlines()]
    assert (code, err) == (0, "")
    start = lines[0]
    assert (start["type"], start["schema"], start["command"], start["scenario"]) == (
        "start",
        1,
        "bench",
        "winter_evening",
    )
    assert (start["seed"], start["started"]) == (1, None)
    times = [line["t"] for line in lines[1:]]
    assert times == sorted(times)
    assert {line["type"] for line in lines} == {"start", "presence", "reading", "identity"}
    furnace = next(line for line in lines if line.get("field") == "heat_output_level")
    assert furnace == {
        "t": furnace["t"], "type": "reading", "device": furnace["device"], "source": 94, "message": "FURNACE_STATUS",
        "instance": 1, "field": "heat_output_level", "raw": 0, "value": 0.0, "unit": "%", "state": "value",
        "label": None, "origin": "memory",
    }  # fmt: skip


def test_every_frame_and_reading(rvsim):
    """With --every each frame has its line, sent by us, and each reading of it, changed or not."""
    _, out, _ = rvsim("bench", "--json", "--every", "--seconds", "10", "--speed", "max")
    lines = [json.loads(text) for text in out.splitlines()]
    frames = [line for line in lines if line["type"] == "frame"]
    assert len(frames) > 50
    assert all(frame["sent"] and frame["channel"] == "rvsim" for frame in frames)
    repeated = [line for line in lines if line["type"] == "reading" and line["field"] == "fmi"]
    assert len(repeated) == len([frame for frame in frames if frame["message"] == "DM_RV"])


@pytest.mark.parametrize("name", ["night.jsonl", "night.log"])
def test_a_recording_has_every_frame(rvsim, tmp_path, name):
    """--record writes the frames of the run beside what is shown, the same for the same seed."""
    command = ("bench", "--seconds", "20", "--speed", "max", "--record", name, "--overwrite")
    assert rvsim(*command)[0] == 0
    first = (tmp_path / name).read_text()
    assert rvsim(*command)[0] == 0
    assert (tmp_path / name).read_text() == first
    assert len(first.splitlines()) > 100


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("bench", "winter_evning"), r'rvsim: .*winter_evning.*did you mean "winter_evening"'),
        (("bench", "nowhere.toml"), r"rvsim: .*nowhere\.toml"),
        (("bench", "--speed", "quick"), "rvsim: --speed quick: give a number from 0.000001"),
        (("bench", "--seconds", "-1"), "rvsim: --seconds -1: give a number"),
        (("bench", "--plain", "--json"), "rvsim: --plain and --json cannot go together"),
        (("bench", "--record", "x.txt"), r"rvsim: --record x\.txt: the name decides the format"),
        (("bench", "--dbc", "none.dbc"), r"rvsim: none\.dbc: cannot be read"),
        (("spell", "xyz", "00"), "rvsim: identifier 'xyz' is not hex"),
        (("spell", "19FFE45E", "00", "--dbc", "none.dbc"), r"rvsim: none\.dbc: cannot be read"),
    ],
)
def test_bad_input_is_one_clear_line_and_exit_code_2(rvsim, arguments, problem):
    """What, where and what to do next on stderr; nothing on stdout; exit code 2; no file left behind."""
    code, out, err = rvsim(*arguments)
    assert (code, out) == (2, "")
    assert re.match(problem, err), err
    assert len(err.splitlines()) == 1
    assert "Traceback" not in err


def test_a_scenario_with_mistakes_names_them_all(rvsim, tmp_path):
    """Each mistake has its line in the file, all at once."""
    (tmp_path / "mine.toml").write_text(
        'schema = 1\ntitle = "Mine"\nrig = "ottersby"\nlasts = "1h"\nsede = 3\n\n'
        '[[fault]]\nfault = "silent"\ndevice = "heatr"\nfrom = "20 parsecs"\n'
    )
    code, _, err = rvsim("bench", "mine.toml")
    lines = err.splitlines()
    assert code == 2
    assert any("mine.toml, line 5" in line and 'did you mean "seed"' in line for line in lines)
    assert any("mine.toml, line 9" in line and 'did you mean "heater"' in line for line in lines)
    assert any("mine.toml, line 10" in line for line in lines)


def test_a_dgn_defined_twice_names_both_files(rvsim, tmp_path):
    """Two files of the user with one DGN are refused; one of them replaces our message."""
    text = 'VERSION ""\nBU_:\nBO_ 2583684350 {}: 8 Vector__XXX\n SG_ heat : 24|8@1+ (0.5,0) [0|100] "%" Vector__XXX\n'
    for name in ("ONE", "OTHER"):
        (tmp_path / f"{name}.dbc").write_text(text.format(name))
    code, _, err = rvsim("spell", "19FFE45E", "0000000A", "--dbc", "ONE.dbc", "--dbc", "OTHER.dbc")
    assert code == 2
    assert err.startswith("rvsim: DGN 1FFE4 hex is defined twice, as ONE in ONE.dbc and as OTHER in OTHER.dbc")
    code, out, _ = rvsim("spell", "19FFE45E", "0000000A", "--dbc", "ONE.dbc", "--json")
    assert code == 0
    spelled = json.loads(out)
    assert (spelled["message"], spelled["fields"][0]["value"], spelled["fields"][0]["origin"]) == ("ONE", 5.0, "user")


def test_about_says_what_is_there(rvsim):
    """Versions, where definitions and scenarios were found, interfaces."""
    code, out, _ = rvsim("about")
    assert code == 0
    assert "python-can 4." in out
    assert ", ".join(name for name, _ in shipped_scenarios()) + " in" in out
    assert "virtual" in out
    assert "Listening is the default" in out


def test_help_tells_the_exit_codes(rvsim):
    """Help lists the commands and what the exit codes mean; without arguments it is shown as an error."""
    code, out, _ = rvsim("--help")
    assert code == 0
    assert all(word in " ".join(out.split()) for word in ("bench", "spell", "about", "130 interrupted"))
    assert rvsim()[0] == 2


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no signals")
def test_interrupting_ends_cleanly_with_130(tmp_path, process):
    """Ctrl-C ends a run at once: exit code 130, no traceback, the recording complete and closed."""
    with process("bench", "--record", str(tmp_path / "x.log")) as run:
        for line in run.stdout:
            if "is present" in line:
                break
        run.send_signal(signal.SIGINT)
        out, err = run.communicate(timeout=20)
    assert run.returncode == 130
    assert re.search(r"end: \d+ of \d+ planned devices present; no flag is raised\n$", out)
    assert err == "rvsim: interrupted\n"
    recorded = (tmp_path / "x.log").read_text()
    assert recorded.count("18EEFF") >= 6
    assert recorded.endswith("\n")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no device that is always full")
def test_a_full_disk_for_stdout_is_one_clear_line(forked):
    """Output that cannot be written ends with one line and exit code 2, not with a traceback."""
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            **forked("bench", "--plain", "--seconds", "300", "--speed", "max"),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr.startswith("rvsim: the output could not be written (No space left on device)")
    assert len(done.stderr.splitlines()) == 1


def test_a_reader_that_goes_away_is_no_error(process):
    """`rvsim bench --json | head -1` ends without a traceback and with exit code 0."""
    with process("bench", "--json", "--speed", "1000") as run:
        run.stdout.readline()
        run.stdout.close()
        err = run.stderr.read()
        assert run.wait(timeout=20) == 0
    assert err == ""
