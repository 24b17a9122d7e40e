"""Waiting for an interface and recording without end, as options and as lines for the person."""

import io
import json
import sys
from pathlib import Path

import pytest

from rvsim.edge.port import Port
from rvsim.edge.settings import resolve
from rvsim.errors import BusError
from rvsim.faces.cli import listen as from_bus
from rvsim.faces.cli import options
from rvsim.faces.cli.listen import ListenOptions, listen_bus
from rvsim.faces.cli.listen_recording import RecordingOptions
from rvsim.logs import long_recording
from rvsim.logs.read import open_log
from rvsim.runs import reopening
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import ListeningResumed, Marked

HEATER = Frame(0, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))
CLAIM = Frame(500, 0x18EEFF5E, bytes.fromhex("D3B11B0000000000"))
OWN = Frame(600, 0x18FF125E, b"customer")


class Talker(Port):
    """The port of the listener; it cannot be opened at first, then somebody else on the bus speaks."""

    refusals = 0
    said = (HEATER, CLAIM, OWN)

    def __init__(self, interface, channel, **more):
        if Talker.refusals > 0:
            Talker.refusals -= 1
            raise BusError(f"{interface} {channel}: no such device")
        super().__init__(interface, channel, **more)
        with Port(interface, channel, listen=False) as other:
            for frame in self.said:
                other.send(frame)


@pytest.fixture
def listen(monkeypatch, capsys, tmp_path):
    """Listen to a bus with a talker: (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(from_bus, "Port", Talker)
    monkeypatch.setattr(reopening, "RETRY_US", 100_000)

    def go(channel, form="plain", refusals=0, end=200_000, **more):
        monkeypatch.setattr(Talker, "refusals", refusals)
        code = listen_bus(resolve("virtual", channel, None), ListenOptions(form=form, end=end, **more))
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return go


def test_an_interface_is_waited_for(listen):
    """It is not there at first: why, since when it is listened, how long nobody listened; the recording has the gap."""
    code, out, err = listen("wait_one", refusals=1, end=500_000, wait=True, record=Path("x.jsonl"))
    assert code == 0
    assert "rvsim: virtual wait_one: no such device. Waiting for it; Ctrl-C ends\n" in err
    assert "rvsim: virtual wait_one: listening since 0." in err
    assert "rvsim: nobody listened in 1 gap, together 0." in err
    assert "listening again: nobody listened from 0.000 s to 0." in out
    assert "address 5E hex is present" in out
    assert err.splitlines()[-1] == "rvsim: Listening only. Nothing has been sent: 0 frames sent, 3 received."
    with open_log(Path("x.jsonl")) as log:
        entries = list(log.contents())
    assert [type(entry) for entry in entries][:2] == [ListeningResumed, Frame]
    assert entries[0].about == "virtual wait_one: no such device"


def test_a_gap_as_json(listen):
    """A line of its own in the stream, as in a recording."""
    _, out, _ = listen("wait_json", form="json", refusals=1, end=500_000, wait=True)
    (gap,) = (line for line in map(json.loads, out.splitlines()) if line["type"] == "gap")
    assert list(gap) == ["t", "type", "since", "about", "channel"]
    assert (gap["since"], gap["about"]) == (0.0, "virtual wait_json: no such device")
    assert gap["t"] >= 0.1


def test_without_waiting_it_is_an_error(listen):
    """As ever."""
    with pytest.raises(BusError, match="no such device"):
        listen("wait_not", refusals=1)


def test_an_interface_whose_package_is_missing_is_not_waited_for(listen, monkeypatch):
    """Waiting does not install it."""
    monkeypatch.setattr(from_bus, "missing_package", lambda interface: "some package")
    with pytest.raises(BusError, match="no such device"):
        listen("wait_package", refusals=1, wait=True)


def test_a_format_without_gaps_is_told(listen):
    """Only where there may be gaps, and not of JSON lines."""
    line = "--record x.log: this format has no place for a gap of the listening"
    assert line in listen("gap_log", wait=True, record=Path("x.log"))[2]
    assert "no place for a gap" not in listen("gap_not", record=Path("y.log"))[2]
    assert "no place for a gap" not in listen("gap_jsonl", wait=True, record=Path("x.jsonl"))[2]


def test_a_row_of_files_is_told(listen, tmp_path):
    """The one file of a short run has the name of its row."""
    code, _, err = listen("row", record=Path("x.jsonl"), recording=RecordingOptions(every_us=10_000_000))
    (path,) = tmp_path.iterdir()
    assert code == 0
    assert path.name.startswith("x-2")
    assert path.name.endswith("Z-0001.jsonl")
    assert f"rvsim: recorded in {path.name}\n" in err


def test_what_is_recorded_is_made_anonymous_what_is_shown_is_not(listen):
    """In the file neither the NAME, nor the unknown data, nor the bus; on the screen everything; what may remain is
    said last.
    """
    recording = RecordingOptions(redact=True)
    code, out, err = listen("redacted_bus", record=Path("x.jsonl"), recording=recording)
    text = Path("x.jsonl").read_text()
    assert code == 0
    assert "serial number 1814995" in out
    assert "redacted_bus" not in text
    assert CLAIM.data.hex().upper() not in text
    assert OWN.data.hex().upper() not in text
    assert HEATER.data.hex().upper() in text
    lines = err.splitlines()
    assert lines[-2].startswith("rvsim: redacted: 1 NAME and 0 pieces of text replaced; the data of 1 unknown")
    assert lines[-1].startswith("rvsim: what may remain: dates and times")
    listen("kept_bus", record=Path("y.jsonl"), recording=RecordingOptions(redact=True, keep_unknown=True))
    assert OWN.data.hex().upper() in Path("y.jsonl").read_text()


def test_a_disk_that_becomes_full_ends_the_recording_not_the_listening(listen, monkeypatch):
    """It is told at once and at the end, and the exit code is not good."""
    free = [10 * long_recording.MIN_FREE_BYTES, 0]
    monkeypatch.setattr(long_recording, "CHECK_NS", 0)
    monkeypatch.setattr(
        long_recording.LongRecording, "_free", lambda recording: free.pop(0) if len(free) > 1 else free[0]
    )
    code, out, err = listen("full_disk", record=Path("x.jsonl"))
    assert code == 1
    assert "the recording stopped: 0 MB are free on its disk, and 200 MB are kept free" in err
    assert err.splitlines()[-1] == "rvsim: the recording stopped before the end: too little of its disk is free"
    assert "end: " in out


def test_recordings_without_a_head_have_dates(listen):
    """A .log of a bus says when it was."""
    listen("dated", record=Path("x.log"))
    with open_log(Path("x.log")) as log:
        list(log.frames())
    assert log.statistics.started is not None


# The options.


@pytest.mark.parametrize(
    ("given", "expected"), [("1h", 3_600_000_000), ("10s", 10_000_000), ("1.5 min", 90_000_000), (None, None)]
)
def test_a_period(given, expected):
    """A duration with its unit."""
    assert options.recording_period(given) == expected


@pytest.mark.parametrize(
    ("given", "expected"),
    [("100MB", 10**8), ("1.5 GB", 15 * 10**8), ("100kB", 10**5), ("200mb", 2 * 10**8), (None, None)],
)
def test_a_size(given, expected):
    """A number with its unit, in decimal units."""
    assert options.recording_size(given) == expected


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--record-every", "9s", "--record", "x.log"), "--record-every 9s: give at least 10s"),
        (("--record-every", "1", "--record", "x.log"), '--record-every: 1 has no unit; write the unit: "1s"'),
        (("--record-max", "99kB", "--record", "x.log"), "--record-max 99kB: give at least 100kB"),
        (("--record-max", "100", "--record", "x.log"), "--record-max 100: write a number and its unit, kB, MB or GB"),
        (("--record-max", "1e9MB", "--record", "x.log"), "--record-max 1e9MB: write a number and its unit"),
        (("--record-every", "1h"), "--record-every and --record-max go with --record FILE"),
        (("--record-max", "1GB"), "--record-every and --record-max go with --record FILE"),
        (("--record-max", "1GB", "--record", "x.log", "--overwrite"), "--overwrite does not go with --record-every"),
        (("--redact",), "--redact goes with --record FILE: add it, or leave --redact out"),
        (("--keep-unknown", "--record", "x.log"), "--keep-unknown goes with --redact: add it"),
        (("--record", "x.txt"), "--record x.txt: the name decides the format and has to end in .jsonl, .log"),
    ],
)
def test_options_that_do_not_fit(rvsim, arguments, said):
    """One clear line, exit code 2, and no bus is opened."""
    code, out, err = rvsim("listen", "--interface", "virtual", "--channel", "a", "--seconds", "0", *arguments)
    assert (code, out) == (2, "")
    assert said in err.splitlines()[-1]


def test_all_options_of_a_long_night(rvsim):
    """They reach the run."""
    arguments = ("--record", "x.jsonl", "--record-every", "1h", "--record-max", "1GB", "--redact", "--keep-unknown")
    code, _, err = rvsim(
        "listen", "--interface", "virtual", "--channel", "night", "--seconds", "0.1", "--wait", "--plain", *arguments
    )
    assert code == 0
    assert "recorded in x-2" in err
    assert "what may remain" in err


def test_touches_of_a_bench(run_here, tmp_path):
    """What moved is told with what the rig calls it; as JSON lines it stands among the others."""
    more = ("bench", "heater_goes_quiet", "--seconds", "40", "--speed", "max", "--touch")
    code, out, _ = run_here(*more, folder=tmp_path)
    text = out.decode()
    assert code == 0
    assert "32.540 s  moved:" in text
    assert 'a command to circulation pump 1 of control panel: output status command on to off; "circulation' in text
    assert "set point" not in text  # nothing else of the run but flags
    code, out, _ = run_here(*more, "--json", folder=tmp_path)
    lines = [json.loads(line) for line in out.decode().splitlines()]
    touches = [line for line in lines if line["type"] == "touch"]
    moved = {(one["message"], one["instance"], one["rig"]) for touch in touches for one in touch["movements"]}
    assert ("CIRCULATION_PUMP_STATUS", 1, "circulation pump") in moved
    assert any(line["type"] == "reading" for line in lines)


@pytest.mark.parametrize(
    ("seconds", "said"), [("12", b"--touch: ready at 10.1"), ("5", b"--touch: ended before it was ready")]
)
def test_touches_say_when_they_are_ready(run_here, tmp_path, seconds, said):
    """Nothing can stand out before it is known for a while: who waits at the vehicle is told of it, on stderr."""
    more = ("--seconds", seconds, "--speed", "max", "--touch")
    _, _, err = run_here("bench", "heater_goes_quiet", *more, folder=tmp_path)
    learning, ready = err.splitlines()
    assert b"--touch: learning for 10 s from the first frame on" in learning
    assert said in ready


def test_only_what_is_around_flags(run_here, tmp_path):
    """The recording of a bench with flags at 30 s and at 90 s: a gap stands between the two parts."""
    more = ("--seconds", "100", "--speed", "max", "--record", "x.jsonl", "--record-around-flags", "5s")
    code, _, err = run_here("bench", "heater_goes_quiet", "--plain", *more, folder=tmp_path)
    assert code == 0
    assert b"further than 5 s from a flag were left out" in err
    assert b"has no place" not in err
    with open_log(tmp_path / "x.jsonl") as log:
        entries = list(log.contents())
    (gap,) = (entry for entry in entries if isinstance(entry, ListeningResumed))
    assert gap.about == "left out: no flag within 5 s"
    assert not any(gap.since < entry.time < gap.time for entry in entries)
    more = ("--seconds", "1", "--speed", "max", "--record", "x.log", "--record-around-flags", "5s")
    code, _, err = run_here("bench", "heater_goes_quiet", "--plain", *more, folder=tmp_path)
    assert (code, b".log has no place for what is left out" in err) == (0, True)
    for given, what in (
        (["--record-around-flags", "5s"], b"--record-around-flags goes with --record FILE"),
        (["--record", "y.jsonl", "--record-around-flags", "5"], b"--record-around-flags: "),
        (["--record", "y.jsonl", "--record-around-flags", "1h"], b"give 1s to 10min"),
    ):
        code, out, err = run_here("bench", "winter_evening", "--plain", *given, folder=tmp_path)
        assert (code, out) == (2, b"")
        assert what in err


def test_a_note_is_recorded_and_told(listen, monkeypatch):
    """What is typed marks its moment: in the recording, with what moved before it and what the rig says of its name."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("pressed the roof fan\n"))
    code, out, _ = listen("noted", end=600_000, touch=True, rig="ottersby", record=Path("n.jsonl"))
    assert code == 0
    assert "marked: pressed the roof fan" in out
    assert "too early to tell what moved: readings have to be known for 10 s" in out
    assert "roof fan is roof fan 1 in the rig; too early to tell: its readings have to be known for 10 s" in out
    with open_log(Path("n.jsonl")) as log:
        (marked,) = (entry for entry in log.contents() if isinstance(entry, Marked))
    assert marked.note == "pressed the roof fan"


def test_a_recording_without_a_place_for_notes_is_told(listen, monkeypatch):
    """Before anything is typed."""
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    for name, has_place in (("n.log", False), ("N.JSONL", True)):
        _, _, err = listen("lost", end=1_000, touch=True, record=Path(name))
        assert ("notes that you type are not recorded in it" in err) is not has_place
