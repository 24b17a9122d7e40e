"""Replaying as a person and as a program get it."""

import json
import sys
import threading
from pathlib import Path

import pytest

from rvsim.faces.cli.logs import ReplayOptions, replay_log
from rvsim.faces.screen.app import LiveScreen

pytestmark = pytest.mark.paced

MARINE = str(Path(__file__).parents[2] / "data" / "marine_bus_2014.log")


@pytest.fixture
def recorded(rvsim):
    """A recording of the quiet heater, and the lines of the run."""
    _, out, _ = rvsim(
        "bench", "heater_goes_quiet", "--json", "--seconds", "120", "--speed", "max", "--record", "quiet.jsonl"
    )
    return [json.loads(line) for line in out.splitlines()]


def test_a_recording_replayed_raises_the_flags_of_the_run(rvsim, recorded):
    """Line by line the same readings, presences, flags and causes, a fraction of a second apart."""
    code, out, err = rvsim("replay", "quiet.jsonl", "--json", "--speed", "max", "--rig", "ottersby")
    lines = [json.loads(line) for line in out.splitlines()]
    assert (code, err) == (0, "")
    assert (lines[0]["command"], lines[0]["log"], lines[0]["seed"]) == ("replay", "quiet.jsonl", None)

    def events(of):
        return [
            {key: value for key, value in line.items() if key not in ("t", "text", "evidence", "since", "until")}
            for line in of
            if line["type"] in ("presence", "reading") or line.get("kind")
        ]

    assert events(lines) == events(recorded)
    known = [line for line in recorded[1:] if line["type"] != "balance"]  # which the simulation alone knows
    assert len(known) == len(recorded) - 2
    pairs = [pair for pair in zip(lines[1:], known, strict=True) if pair[0]["type"] != "cause"]
    apart = {round(new["t"] - old["t"], 6) for new, old in pairs}
    assert len(apart) == 1  # the log begins with its first frame; causes are told at its end


def test_a_replay_in_sentences(rvsim, recorded):
    """It opens with the log, its format, the speed and the rig, and sums up at the end."""
    code, out, err = rvsim("replay", "quiet.jsonl", "--speed", "max", "--rig", "ottersby", "--from", "10", "--to", "50")
    lines = out.splitlines()
    assert (code, err) == (0, "")
    assert lines[0] == (
        "quiet.jsonl, JSON lines of rvsim (.jsonl), as fast as possible; compared with the rig ottersby. "
        "Nothing is sent."
    )
    assert lines[2] == "    10.0 s  control panel is present, address 44 hex"
    assert any("fault, heater: silent for 15.0 s" in line for line in lines)
    assert (
        lines[-1] == "    50.0 s  end: 10 of 11 planned devices present; flags still raised: [4] silent-device heater"
    )


def test_without_a_rig_addresses_are_counted(rvsim):
    """Nobody is planned, so nobody is missing from a plan."""
    _, out, _ = rvsim("replay", MARINE, "--speed", "max", "--to", "20")
    assert "no rig given" in out.splitlines()[0]
    assert "end: 4 of 4 addresses present" in out.splitlines()[-1]


def test_every_frame_of_a_log(rvsim, recorded):
    """With --every each frame has its line; none was sent by us; the channel is the log's."""
    _, out, _ = rvsim("replay", "quiet.jsonl", "--json", "--every", "--speed", "max", "--to", "5")
    frames = [line for line in map(json.loads, out.splitlines()) if line["type"] == "frame"]
    assert len(frames) > 30
    assert {(frame["sent"], frame["channel"]) for frame in frames} == {(False, "rvsim")}


def test_the_start_of_a_log_with_dates(rvsim):
    """A log whose times are dates says when it began; one that counts from nought does not, nor one
    whose times lie behind the year 9999, the last that a date can have."""
    line = "(1700000000.250000) can0 19FFE45E#0100C864FFFFFFFF\n"
    Path("dated.log").write_text(line)
    Path("counted.log").write_text(line.replace("1700000000", "5"))
    Path("beyond.log").write_text(line.replace("1700000000", "253402300800"))
    started = {}
    for name in ("dated.log", "counted.log", "beyond.log"):
        _, out, _ = rvsim("replay", name, "--json", "--speed", "max")
        started[name] = json.loads(out.splitlines()[0])["started"]
    assert started == {"dated.log": "2023-11-14T22:13:20.250000+00:00", "counted.log": None, "beyond.log": None}


def test_a_log_from_a_pipe(rvsim):
    """Stdin is replayed like a file, and what could not be read is told on stderr by line."""
    lines = Path(MARINE).read_text().splitlines()[:300]
    for place in (250, 200, 150, 100, 50, 3):
        lines.insert(place, "garbage in between")
    code, out, err = rvsim("replay", "-", "--speed", "max", input="\n".join(lines) + "\n")
    assert code == 0
    assert "end: " in out
    assert err.startswith("rvsim: -: line 4 could not be read: ")
    assert err.splitlines()[-1] == "rvsim: -: and 1 more places could not be read"


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("none.log",), "none.log: no such file: check the name"),
        (("quiet.jsonl", "--from", "500", "--speed", "max"), "--from 500: the log ends 119."),
        (("quiet.jsonl", "--from", "5", "--to", "3"), "--to 3: give more than 5, the start of the part"),
        (("quiet.jsonl", "--from", "-1"), "--from -1: give a number from 0"),
        (("quiet.jsonl", "--loop", "--speed", "max"), "--loop does not go with --speed max, which would never end"),
        (("-", "--loop"), "--loop does not go with stdin, which can be read once"),
        (("quiet.jsonl", "--rig", "otterby"), 'no rig is called "otterby" (did you mean "ottersby"?)'),
        (("quiet.jsonl", "--plain", "--json"), "--plain and --json cannot go together"),
    ],
)
def test_what_cannot_be_replayed_is_one_clear_line(rvsim, recorded, arguments, problem):
    """Exit code 2, one line, nothing on stdout but what was shown before."""
    code, _, err = rvsim("replay", *arguments)
    assert code == 2
    assert err.startswith(f"rvsim: {problem}")
    assert len(err.splitlines()) == 1


def test_a_log_from_a_pipe_never_opens_the_screen(monkeypatch, capsys):
    """Its keys would come out of the log: sentences instead, even in front of a terminal."""
    monkeypatch.setattr("sys.stdin", type("Piped", (), {"buffer": open(MARINE, "rb")})())  # noqa: SIM115
    assert replay_log("-", ReplayOptions(form="screen", speed=None, part=(0, 5_000_000))) == 0
    assert capsys.readouterr().out.startswith("-, candump text, as fast as possible; no rig given.")
    sys.stdin.buffer.close()


def test_a_replay_on_the_screen_tells_damage_afterwards(tmp_path, monkeypatch, capsys):
    """What could not be read stands on stderr when the screen is left."""
    path = tmp_path / "odd.log"
    path.write_text("garbage\n" + Path(MARINE).read_text()[:3000])
    monkeypatch.setattr(LiveScreen, "run", stay_until_the_end)
    assert replay_log(str(path), ReplayOptions(form="screen", speed=1e6)) == 0
    assert "line 1 could not be read" in capsys.readouterr().err


def stay_until_the_end(screen):
    """Leave the screen when the log behind it has been read; its thread stays, for ways back."""
    (thread,) = (thread for thread in threading.enumerate() if thread.name == "run")
    for _ in range(2000):
        if screen.scene.ended:
            return 0
        thread.join(0.01)
    raise AssertionError("the log did not end")
