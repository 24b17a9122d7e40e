"""Recordings: read back by python-can and by a JSON reader."""

import json
from importlib.metadata import version
from pathlib import Path

import can
import pytest

from rvsim.errors import InputError
from rvsim.logs.jsonl import start_line
from rvsim.logs.record import Recorder
from rvsim.wire.frame import Frame

FRAMES = [
    Frame(0, 0x18EEFF5E, bytes.fromhex("D3B11B0000000000")),
    Frame(250_001, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF")),
    Frame(86_400_000_123, 0x18EAFFF9, bytes.fromhex("00EE00")),
]


@pytest.fixture
def recorded(tmp_path, catalogue):
    """Record the frames under a name and return the file."""

    def write(name):
        path = tmp_path / name
        with Recorder(path, catalogue, start=start_line(command="bench"), channel="rvsim", sent=True) as recorder:
            for frame in FRAMES:
                recorder.write(frame)
        return path

    return write


def test_python_can_reads_the_text_log_back(recorded):
    """python-can's own reader finds the same frames and times, sent by us."""
    messages = list(can.CanutilsLogReader(recorded("x.log")))
    assert [(round(m.timestamp * 1e6), m.arbitration_id, bytes(m.data)) for m in messages] == [tuple(f) for f in FRAMES]
    assert all(m.is_extended_id and m.channel == "rvsim" and not m.is_rx for m in messages)


def test_json_lines_have_a_start_and_one_object_a_frame(recorded):
    """The first line says what follows, then each frame has its line."""
    lines = [json.loads(text) for text in recorded("x.jsonl").read_text().splitlines()]
    assert lines[0] == {"type": "start", "schema": 1, "version": version("rvsim-bench"), "command": "bench"}
    assert [
        (round(each["t"] * 1e6), int(each["identifier"], 16), bytes.fromhex(each["bytes"])) for each in lines[1:]
    ] == [tuple(frame) for frame in FRAMES]
    assert [each["message"] for each in lines[1:]] == ["ADDRESS_CLAIM", "FURNACE_STATUS", "REQUEST_FOR_DGN"]


def test_what_was_written_can_be_read_before_the_end(tmp_path, catalogue):
    """After a flush the file holds every frame so far."""
    with Recorder(tmp_path / "x.log", catalogue, start="", channel="rvsim", sent=True) as recorder:
        recorder.write(FRAMES[0])
        recorder.flush()
        assert (tmp_path / "x.log").read_text() == "(0.000000) rvsim 18EEFF5E#D3B11B0000000000 T\n"


def test_another_suffix_is_refused_before_the_run(tmp_path, catalogue):
    """A format that is not written is one clear line, and no file appears."""
    with pytest.raises(InputError, match=r"^--record .*x\.csv: the name .* has to end in \.jsonl or \.log"):
        Recorder(tmp_path / "x.csv", catalogue, start="", channel="x", sent=True)
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_is_refused(tmp_path, catalogue):
    """A folder that is not there is one clear line."""
    with pytest.raises(InputError, match=r"cannot be written \(No such file or directory\): name another file"):
        Recorder(tmp_path / "nowhere" / "x.log", catalogue, start="", channel="x", sent=True)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
def test_a_full_disk_is_one_clear_line(catalogue, tmp_path):
    """An error while writing names the file and the reason, whether it shows at once, at a flush or at the end."""
    (tmp_path / "x.log").symlink_to("/dev/full")
    recorder = Recorder(tmp_path / "x.log", catalogue, start="", channel="x", sent=True)
    recorder.write(FRAMES[0])
    for last in (recorder.flush, recorder.close):
        with pytest.raises(InputError, match=r"x\.log: writing stopped \(No space left on device\): free space there"):
            last()
