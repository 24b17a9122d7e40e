"""A log in another form: what python-can's readers read back, with the log's own clock, whole or in part."""

import random
from datetime import UTC, datetime
from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.logs.read import open_log
from rvsim.logs.survey import SurveyedTime
from rvsim.runs.convert import ConvertRequest, convert
from rvsim.runs.selection import LogSelection
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ErrorFrame, ListeningResumed, LogEnded

STARTED = 1_764_000_000_123_457
READERS = {
    ".log": can.CanutilsLogReader,
    ".asc": can.ASCReader,
    ".csv": can.CSVReader,
    ".trc": can.TRCReader,
    ".blf": can.BLFReader,
}
FORMS = (*READERS, ".jsonl")


def drawn(count, seed=1):
    """Return frames of all lengths, from a few microseconds to seconds apart."""
    chance, time, frames = random.Random(seed), 0, []
    for _ in range(count):
        frames.append(Frame(time, chance.getrandbits(29), chance.randbytes(chance.choice((0, 1, 7, 8, 8)))))
        time += chance.choice((1, 130, 1000, 999_999, 5_000_000))
    return frames


def write(path, frames, started=STARTED, channel="can0"):
    """Write frames as candump text, which every other form is made from."""
    lines = (
        f"({(started + frame.time) // SECOND_US}.{(started + frame.time) % SECOND_US:06d}) {channel} "
        f"{frame.identifier:08X}#{frame.data.hex().upper()}\n"
        for frame in frames
    )
    path.write_text("".join(lines), encoding="ascii")
    return path


def made(source, target, catalogue, request=None, overwrite=False):
    """Write a log in another form; return how many frames were written."""
    count, _ = convert(
        lambda: open_log(source), target, request or ConvertRequest(), catalogue, lambda *_: None, overwrite=overwrite
    )
    return count


def read(path):
    """Return the frames of a log, and the moment of its first one."""
    with open_log(path) as log:
        return list(log.frames()), log.statistics.started


@pytest.mark.parametrize("suffix", READERS)
def test_python_can_reads_the_same_frames(suffix, tmp_path, catalogue):
    """Identifiers and bytes of every frame; its clock time within what a float and the form hold."""
    frames = drawn(300)
    path = tmp_path / f"x{suffix}"
    assert made(write(tmp_path / "from.log", frames), path, catalogue) == 300
    options = {"relative_timestamp": False} if suffix == ".asc" else {}
    with READERS[suffix](path, **options) as reader:
        messages = list(reader)
    assert [(message.arbitration_id, bytes(message.data)) for message in messages] == [
        (frame.identifier, frame.data) for frame in frames
    ]
    assert all(message.is_extended_id for message in messages)
    for message, frame in zip(messages, frames, strict=True):
        assert message.timestamp == pytest.approx((STARTED + frame.time) / SECOND_US, abs=2e-6)


@pytest.mark.parametrize("through", FORMS)
def test_every_form_keeps_times_and_date(through, tmp_path, catalogue):
    """To any form and back: the same frames to the microsecond, and the same date."""
    frames = drawn(200)
    middle = tmp_path / f"middle{through}"
    made(write(tmp_path / "from.log", frames), middle, catalogue)
    made(middle, tmp_path / "back.log", catalogue)
    assert read(middle) == read(tmp_path / "back.log") == (frames, STARTED)


@pytest.mark.parametrize("suffix", FORMS)
def test_a_log_without_a_date_gets_none(suffix, tmp_path, catalogue):
    """It keeps its own times."""
    frames = drawn(50)
    path = tmp_path / f"x{suffix}"
    made(write(tmp_path / "from.log", frames, started=7_000_250), path, catalogue)
    found, started = read(path)
    assert (found, started) == (frames, None)
    if suffix in (".log", ".csv"):
        with READERS[suffix](path) as reader:
            assert next(iter(reader)).timestamp == 7.00025


@given(st.integers(0, 40), st.none() | st.integers(1, 90))
def test_a_part_keeps_its_clock(tmp_path_factory, catalogue, start, length):
    """The frames of a period, with the times that they had."""
    folder = tmp_path_factory.getbasetemp()
    frames = drawn(60)
    source = write(folder / "part_from.log", frames)
    part = SurveyedTime(start * SECOND_US, None if length is None else (start + length) * SECOND_US)
    wanted = [frame for frame in frames if part.contains(frame.time)]
    request = ConvertRequest(selected=LogSelection(part))
    assert made(source, folder / "part.asc", catalogue, request, overwrite=True) == len(wanted)
    found, started = read(folder / "part.asc")
    moments = [(started + frame.time, *frame[1:]) for frame in found] if found else []
    assert moments == [(STARTED + frame.time, *frame[1:]) for frame in wanted]


def test_devices_and_messages(tmp_path, catalogue):
    """By addresses, by names that belong to a channel, and by DGNs."""
    spec, other = catalogue.by_name("TANK_STATUS"), catalogue.by_name("FURNACE_STATUS")
    frames = [Frame(time, each.identifier(source), bytes(8)) for time, (each, source) in enumerate(
        [(spec, 1), (other, 1), (spec, 2), (other, 3), (spec, 3)]
    )]  # fmt: skip
    source = write(tmp_path / "from.log", frames)

    def times(**selected):
        request = ConvertRequest(selected=LogSelection(**selected), devices={"can0": {1: "tank", 3: "heater"}})
        made(source, tmp_path / "x.log", catalogue, request, overwrite=True)
        first = STARTED - (read(tmp_path / "x.log")[1] or 0)
        return [frame.time - first for frame in read(tmp_path / "x.log")[0]]

    assert times(devices=("tank",)) == [0, 1]
    assert times(devices=("tank", "address 02 hex")) == [0, 1, 2]
    assert times(messages=((spec.dgn, spec.name),)) == [0, 2, 4]
    assert times(devices=("heater",), messages=((spec.dgn, spec.name),)) == [4]


def test_error_frames_and_states_are_kept(tmp_path, catalogue):
    """Where the form has a place for them; in JSON lines all of it."""
    (tmp_path / "from.asc").write_text(
        "date Mon Nov 24 16:00:00.000 2025\nbase hex  timestamps absolute\n"
        " 0.000000 1  19FFE45Ex      Rx   d 2 01 02\n 0.500000 1  ErrorFrame  bit error\n"
        " 1.000000 CAN 1 Status:chip status error passive - TxErr: 128 RxErr: 3\n"
        " 2.000000 1  19FFE45Ex      Rx   d 2 01 03\n"
    )

    def contents(path):
        with open_log(path) as log:
            return [entry for _, entry in log.by_channel()]

    expected = contents(tmp_path / "from.asc")
    assert len(expected) == 5
    for name in ("x.jsonl", "y.asc", "x.log"):
        made(tmp_path / "from.asc", tmp_path / name, catalogue)
        assert len(contents(tmp_path / name)) == 5
    assert contents(tmp_path / "y.asc") == expected
    made(tmp_path / "from.asc", tmp_path / "x.blf", catalogue)
    assert [type(entry) for entry in contents(tmp_path / "x.blf")] == [Frame, ErrorFrame, Frame, LogEnded]


def test_a_gap_in_listening_is_kept(tmp_path, catalogue):
    """In JSON lines, with its beginning; its times are moved as all others are."""
    write(tmp_path / "from.log", [Frame(0, 0x19FFE45E, b"\1")])
    made(tmp_path / "from.log", tmp_path / "from.jsonl", catalogue)
    with (tmp_path / "from.jsonl").open("a") as file:
        file.write('{"t": 9.000457, "type": "gap", "since": 2.000457, "channel": "can0", "about": "unplugged"}\n')
    made(tmp_path / "from.jsonl", tmp_path / "to.jsonl", catalogue)

    def gap(path):
        with open_log(path) as log:
            return [entry for _, entry in log.by_channel() if isinstance(entry, ListeningResumed)]

    assert gap(tmp_path / "to.jsonl") == gap(tmp_path / "from.jsonl") == [
        ListeningResumed(9_000_000, 2_000_000, "unplugged")
    ]  # fmt: skip


@pytest.mark.parametrize(("name", "lost"), [("to.jsonl", False), ("to.log", True), ("to.asc", True), ("to.blf", True)])
def test_marked_moments_are_kept_or_told(name, lost, tmp_path, catalogue):
    """Only JSON lines have a place for what somebody wrote while it was recorded."""
    write(tmp_path / "from.log", [Frame(0, 0x19FFE45E, b"\1")])
    made(tmp_path / "from.log", tmp_path / "from.jsonl", catalogue)
    with (tmp_path / "from.jsonl").open("a") as file:
        file.write('{"t": 9.5, "type": "marker", "note": "pressed", "channel": "can0"}\n')
    lines = []
    convert(
        lambda: open_log(tmp_path / "from.jsonl"),
        tmp_path / name,
        ConvertRequest(),
        catalogue,
        lines.append,
        overwrite=False,
    )
    suffix = name.removeprefix("to")
    told = f"left out with their notes: 1 marked moment; {suffix} has no place for them, .jsonl has"
    assert lines == [told] * lost
    assert (b"pressed" in (tmp_path / name).read_bytes()) is not lost


def test_the_head_of_a_binary_log_is_complete(tmp_path, catalogue):
    """It has the number of its objects and its end, which are known only then."""
    frames = drawn(40)
    made(write(tmp_path / "from.log", frames), tmp_path / "x.blf", catalogue)
    with can.BLFReader(tmp_path / "x.blf") as reader:
        assert reader.object_count == 40
        assert reader.stop_timestamp == pytest.approx((STARTED + frames[-1].time) / SECOND_US, abs=0.002)


def test_a_log_that_begins_below_zero(tmp_path, catalogue):
    """Its times begin at zero: not every form has a place for a sign."""
    rows = "".join(f"{time},0x19ffe45e,1,0,0,1,{data}\n" for time, data in (("-2.0", "AQ=="), ("0.5", "Ag==")))
    (tmp_path / "from.csv").write_text("timestamp,arbitration_id,extended,remote,error,dlc,data\n" + rows)
    made(tmp_path / "from.csv", tmp_path / "x.trc", catalogue)
    expected = [Frame(0, 0x19FFE45E, b"\1"), Frame(2_500_000, 0x19FFE45E, b"\2")]
    assert read(tmp_path / "from.csv") == read(tmp_path / "x.trc") == (expected, None)
    assert "-2" not in (tmp_path / "x.trc").read_text()


def test_channels_stand_together_where_the_form_names_them(tmp_path, catalogue):
    """In the order of the log; other forms have one channel, which has to be chosen."""
    frames = drawn(40)
    one, two = (write(tmp_path / name, frames, channel=name).read_text() for name in ("can0", "can1"))
    pairs = zip(one.splitlines(keepends=True), two.splitlines(keepends=True), strict=True)
    (tmp_path / "both.log").write_text("".join(line for pair in pairs for line in pair))

    def by_channel(path):
        with open_log(path) as log:
            return [entry for entry in log.by_channel() if isinstance(entry[1], Frame)]

    expected = by_channel(tmp_path / "both.log")
    for suffix in (".log", ".jsonl"):
        assert made(tmp_path / "both.log", tmp_path / f"x{suffix}", catalogue) == 80
        assert by_channel(tmp_path / f"x{suffix}") == expected
    with pytest.raises(InputError, match=r"the log has the channels can0, can1.*--channel can0"):
        made(tmp_path / "both.log", tmp_path / "x.asc", catalogue)
    assert not (tmp_path / "x.asc").exists()
    assert made(tmp_path / "both.log", tmp_path / "x.asc", catalogue, ConvertRequest(channel="can1")) == 40
    assert read(tmp_path / "x.asc") == (frames, STARTED)
    with pytest.raises(InputError, match=r"--channel can7: not in .*both\.log"):
        made(tmp_path / "both.log", tmp_path / "x.log", catalogue, ConvertRequest(channel="can7"), overwrite=True)


@pytest.mark.parametrize("suffix", FORMS)
def test_a_log_without_frames(suffix, tmp_path, catalogue):
    """It is one in the other form."""
    (tmp_path / "from.log").write_text("")
    assert made(tmp_path / "from.log", tmp_path / f"x{suffix}", catalogue) == 0
    assert read(tmp_path / f"x{suffix}")[0] == []


def test_what_is_refused(tmp_path, catalogue):
    """A name of no form, a file that is there, a part after the end; nothing is left of it."""
    source = write(tmp_path / "from.log", drawn(5))
    for name, why in (("x.pcap", r"end it in one of \.jsonl"), ("from.log", "the file exists")):
        with pytest.raises(InputError, match=why):
            made(source, tmp_path / name, catalogue)
    with pytest.raises(InputError, match=r"--from 9999: .* ends \d+\.\d s after its first frame"):
        made(
            source, tmp_path / "x.log", catalogue, ConvertRequest(selected=LogSelection(SurveyedTime(9999 * SECOND_US)))
        )
    assert [path.name for path in Path(tmp_path).iterdir()] == ["from.log"]


def test_the_date_is_the_one_of_the_log(tmp_path, catalogue):
    """In the head of JSON lines, with its microseconds together with the times."""
    made(write(tmp_path / "from.log", drawn(3)), tmp_path / "x.jsonl", catalogue)
    first, second = (tmp_path / "x.jsonl").read_text().splitlines()[:2]
    assert datetime.fromtimestamp(STARTED // 1000 / 1000, UTC).isoformat(timespec="milliseconds")[:-6] in first
    assert second.startswith('{"t": 0.000457, "type": "frame"')
