"""Recordings: read back by python-can and by a JSON reader."""

import errno
import json
import os
from contextlib import nullcontext
from importlib.metadata import version
from pathlib import Path

import can
import pytest

from rvsim.errors import BusError, InputError
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.read import open_log
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


@pytest.mark.parametrize("name", ["X.LOG", "x.Log", "X.JSONL", "x.jsonL"])
def test_a_suffix_may_be_written_in_any_case(tmp_path, catalogue, name):
    """Other systems make no difference; the file has the format of its suffix."""
    with Recorder(tmp_path / name, catalogue, start=START, channel="x", sent=True):
        pass
    assert (tmp_path / name).read_text(encoding="utf-8") == (START if "json" in name.lower() else "")


def test_another_suffix_is_refused_before_the_run(tmp_path, catalogue):
    """A format that is not written is one clear line, and no file appears."""
    with pytest.raises(
        InputError, match=r"^--record .*x\.txt: the name .* has to end in \.jsonl, \.log, \.asc, \.csv, \.trc or \.blf"
    ):
        Recorder(tmp_path / "x.txt", catalogue, start="", channel="x", sent=True)
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_is_refused(tmp_path, catalogue):
    """A folder that is not there is one clear line."""
    with pytest.raises(InputError, match=r"cannot be written \(No such file or directory\): name another file"):
        Recorder(tmp_path / "nowhere" / "x.log", catalogue, start="", channel="x", sent=True)


OLD = "an older recording\n"


@pytest.fixture(params=["x.jsonl", "x.log"])
def old(request, tmp_path):
    """A recording that is there already."""
    path = tmp_path / request.param
    path.write_text(OLD)
    return path


START = start_line(command="bench")


def recorder(path, catalogue):
    """Return a recorder."""
    return Recorder(path, catalogue, start=START, channel="rvsim", sent=True)


def test_an_old_recording_is_replaced_by_the_first_frame(old, catalogue):
    """Until then it is as it was, also after a flush; then nothing of it is left, however short the new one is."""
    with recorder(old, catalogue) as one:
        one.flush()
        assert old.read_text() == OLD
        one.write(FRAMES[2])
        one.flush()
        begun = old.read_text()
        one.write(FRAMES[2])
    line = begun.removeprefix(START)
    assert OLD not in begun
    assert begun.startswith(START) == (old.suffix == ".jsonl")
    assert old.read_text() == begun + line


def test_a_run_without_a_frame_leaves_a_recording_without_frames(old, tmp_path, catalogue):
    """It ended as it should, or by Ctrl-C: what was there before is replaced, and a new one is there."""
    expected = START if old.suffix == ".jsonl" else ""
    with recorder(old, catalogue):
        pass
    assert old.read_text() == expected
    new = tmp_path / f"new{old.suffix}"
    with pytest.raises(KeyboardInterrupt), recorder(new, catalogue):
        raise KeyboardInterrupt
    assert new.read_text() == expected
    with open_log(new) as log:
        assert list(log.frames()) == []
        assert log.statistics.unreadable == ()


def test_a_run_that_fails_before_its_first_frame_leaves_things_as_they_were(old, tmp_path, catalogue):
    """The old recording is whole, and no empty one appears beside it."""
    for path in (old, tmp_path / f"new{old.suffix}"):
        with pytest.raises(BusError), recorder(path, catalogue):
            raise BusError("could not be opened")
    assert old.read_text() == OLD
    assert list(tmp_path.iterdir()) == [old]


def test_a_file_that_somebody_else_took_away_is_no_error(tmp_path, catalogue):
    """What ended the run is told, and nothing else."""

    def run():
        with recorder(tmp_path / "x.log", catalogue):
            (tmp_path / "x.log").unlink()
            raise BusError("could not be opened")

    with pytest.raises(BusError):
        run()


def test_a_run_that_fails_later_keeps_what_was_recorded(old, tmp_path, catalogue):
    """A frame that was written stays, in place of an old recording or in a new one."""

    def run(path):
        with recorder(path, catalogue) as one:
            one.write(FRAMES[0])
            raise BusError("lost")

    new = tmp_path / f"new{old.suffix}"
    for path in (old, new):
        with pytest.raises(BusError):
            run(path)
    assert "18EEFF5E" in new.read_text()
    assert old.read_text() == new.read_text()


def test_closing_what_was_broken_off_does_nothing(old, catalogue):
    """The old recording stays."""
    one = recorder(old, catalogue)
    with pytest.raises(BusError), one:
        raise BusError("could not be opened")
    one.close()
    assert old.read_text() == OLD


def test_closing_twice_does_nothing_more(old, catalogue):
    """The second time the file is closed already."""
    one = recorder(old, catalogue)
    one.write(FRAMES[0])
    one.close()
    written = old.read_text()
    one.close()
    assert old.read_text() == written


@pytest.mark.parametrize("name", ["x\0.log", "x" * 300 + ".log"])
def test_a_name_that_no_file_can_have_is_one_clear_line(tmp_path, catalogue, name):
    """Whatever the system says against it."""
    with pytest.raises(InputError, match=r"^--record .*: cannot be written \(.+\): name another file$"):
        recorder(tmp_path / name, catalogue)


def test_a_folder_is_refused(tmp_path, catalogue):
    """And stays."""
    (tmp_path / "x.log").mkdir()
    with pytest.raises(InputError, match=r"cannot be written \(Is a directory\): name another file"):
        recorder(tmp_path / "x.log", catalogue)


def test_a_file_that_may_not_be_written_is_refused_at_once(old, catalogue, monkeypatch):
    """Before the run and not with the first frame; the tests may run as somebody who may write everything."""
    opened = Path.open

    def forbid(path, mode="r", **more):
        if mode == "ab":
            raise PermissionError(13, "Permission denied")
        return opened(path, mode, **more)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", forbid)
        with pytest.raises(InputError, match=r"cannot be written \(Permission denied\): name another file"):
            recorder(old, catalogue)
    assert old.read_text() == OLD


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_written_as_it_is(tmp_path, catalogue):
    """It holds nothing that could be replaced."""
    os.mkfifo(tmp_path / "x.log")
    reader = os.open(tmp_path / "x.log", os.O_RDONLY | os.O_NONBLOCK)
    with recorder(tmp_path / "x.log", catalogue) as one:
        one.write(FRAMES[0])
    assert os.read(reader, 100) == b"(0.000000) rvsim 18EEFF5E#D3B11B0000000000 T\n"
    os.close(reader)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
def test_a_full_disk_is_one_clear_line(catalogue, tmp_path):
    """An error while writing names the file and the reason, whether it shows at once, at a flush or at the end."""
    (tmp_path / "x.log").symlink_to("/dev/full")
    recorder = Recorder(tmp_path / "x.log", catalogue, start="", channel="x", sent=True)
    recorder.write(FRAMES[0])
    for last in (recorder.flush, recorder.close):
        with pytest.raises(InputError, match=r"x\.log: writing stopped \(No space left on device\): free space there"):
            last()


def test_another_error_is_told_in_the_systems_words(catalogue, tmp_path, monkeypatch):
    """Where it is not for want of space, no space is asked for."""

    def fail(*args):
        raise OSError(errno.EIO, "Input/output error")

    with Recorder(tmp_path / "x.log", catalogue, start="", channel="x", sent=True) as recorder:
        recorder.write(FRAMES[0])
        with monkeypatch.context() as patch:
            patch.setattr(recorder, "_write", fail)
            with pytest.raises(InputError, match=r"writing stopped \(Input/output error\): write it to another place"):
                recorder.write(FRAMES[0])


def test_a_file_that_is_written_is_refused_to_another_run(tmp_path, catalogue):
    """Until the first one is closed; what that one has written stays."""
    path = tmp_path / "x.log"
    with recorder(path, catalogue) as first:
        first.write(FRAMES[0])
        first.flush()
        with pytest.raises(
            InputError, match=r"^--record .*x\.log: another run is writing this file: name another file"
        ):
            recorder(path, catalogue)
    written = path.read_text()
    assert "18EEFF5E" in written
    with recorder(path, catalogue) as second:
        second.write(FRAMES[2])
    assert "18EEFF5E" not in path.read_text()


def test_a_file_that_another_program_only_has_open_is_written(tmp_path, catalogue):
    """A reader, such as an editor or a program that follows it, is no other run."""
    path = tmp_path / "x.log"
    path.write_text(OLD)
    with path.open() as reader, recorder(path, catalogue) as one:
        one.write(FRAMES[0])
        one.flush()
        assert "18EEFF5E" in reader.read()


def delete(path):
    """Delete it."""
    path.unlink()


def replace_it(path):
    """Put another file in its place, as an editor does when it saves."""
    path.with_suffix(".new").write_text(OLD)
    path.with_suffix(".new").replace(path)


def move(path):
    """Move it away."""
    path.rename(path.with_suffix(".1"))


LOST = [(delete, "it was deleted or moved away"), (move, "it was deleted"), (replace_it, "another file has taken its")]


@pytest.mark.parametrize(("act", "said"), LOST)
@pytest.mark.parametrize("last", ["flush", "close"])
def test_a_file_that_is_no_longer_there_is_told(old, catalogue, act, said, last):
    """At the next flush, or at the end; what has taken its place is left alone."""
    one = recorder(old, catalogue)
    one.write(FRAMES[0])
    one.flush()
    act(old)
    with pytest.raises(InputError, match=rf"^--record .*: {said}.* while it was written, .*: record again$"):
        getattr(one, last)()
    with pytest.raises(InputError, match=said) if last == "flush" else nullcontext():
        one.close()
    one.close()
    assert act is not replace_it or old.read_text() == OLD


@pytest.mark.parametrize("ends", [None, KeyboardInterrupt, BusError])
def test_a_lost_file_and_the_end_of_a_run(tmp_path, catalogue, ends):
    """It is told however the run ended, but by an error: then that is told."""

    def run():
        with recorder(tmp_path / "x.log", catalogue) as one:
            one.write(FRAMES[0])
            (tmp_path / "x.log").unlink()
            if ends is not None:
                raise ends("the end")

    with pytest.raises(BusError if ends is BusError else InputError):
        run()


def test_a_link_to_a_recording_is_followed(tmp_path, catalogue):
    """The file at its end is what is written, and what has to be there."""
    (tmp_path / "x.log").symlink_to(tmp_path / "real.log")
    with recorder(tmp_path / "x.log", catalogue) as one:
        one.write(FRAMES[0])
    assert "18EEFF5E" in (tmp_path / "real.log").read_text()


@pytest.mark.skipif(not Path("/dev/null").exists(), reason="this system has no device that forgets everything")
def test_a_device_may_be_written_by_several_runs(tmp_path, catalogue):
    """It keeps nothing, so nobody takes anything from anybody."""
    (tmp_path / "x.log").symlink_to("/dev/null")
    with recorder(tmp_path / "x.log", catalogue) as first, recorder(tmp_path / "x.log", catalogue) as second:
        for one in (first, second):
            one.write(FRAMES[0])
            one.flush()


def test_a_binary_recording_has_a_complete_head_at_its_end(tmp_path, catalogue):
    """Its size and the number of frames; until then it can be read, too."""
    path = tmp_path / "x.blf"
    with Recorder(path, catalogue, start="", channel="can0", sent=True, clock=iter(range(10**12)).__next__) as one:
        for frame in FRAMES:
            one.write(frame)
    with can.BLFReader(path) as reader:
        assert [message.arbitration_id for message in reader] == [frame.identifier for frame in FRAMES]
        assert (reader.file_size, reader.object_count) == (path.stat().st_size, len(FRAMES))


def test_a_recording_is_synchronised_with_the_disk_now_and_then(tmp_path, catalogue, monkeypatch):
    """Every five seconds and at the end, where that is wanted; else never."""
    synced, now = [], [0]
    monkeypatch.setattr(os, "fsync", synced.append)
    for syncs, expected in ((True, [0, 0, 1, 1, 2, 3]), (False, [0] * 6)):
        synced.clear()
        now[0] = 0
        one = Recorder(
            tmp_path / "x.log", catalogue, start="", channel="x", sent=True, syncs=syncs, clock=lambda: now[0]
        )
        found = []
        for second in (1, 4, 5, 9, 10):
            now[0] = second * 10**9
            one.write(FRAMES[0])
            one.flush()
            found.append(len(synced))
        one.close()
        assert [*found, len(synced)] == expected
