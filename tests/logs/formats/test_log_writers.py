"""Recordings in every format: read back by our readers and by those of python-can."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.formats.blf_writer import MAX_CONTAINER_BYTES
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.formats.log_writers import WRITERS, LogHead
from rvsim.logs.read import open_log
from rvsim.wire.error_report import ErrorReport
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ErrorFrame, ListeningResumed, LogEnded, Marked

STARTED = datetime(2026, 11, 30, 2, 3, 4, 567_891, tzinfo=UTC)
READERS = {".log": can.CanutilsLogReader, ".asc": can.ASCReader, ".csv": can.CSVReader, ".trc": can.TRCReader}
"""python-can's readers of text, by suffix."""
FRAMES = [
    Frame(0, 0x18EEFF5E, bytes.fromhex("D3B11B0000000000")),
    Frame(1, 0x19FFE45E, b""),
    Frame(250_999, 0x00000000, bytes.fromhex("0100C8")),
    Frame(86_400_000_123, 0x1FFFFFFF, bytes.fromhex("00EE00FFFFFFFFFF")),
]


def head_of(catalogue, started=None, *, sent=False, dated=False, channel="can0"):
    """Return what a writer has to know."""
    start = start_line(command="listen", started=None if started is None else started.isoformat())
    return LogHead(start, started, channel, sent, catalogue, dated)


def written(suffix, head, entries):
    """Return a log with these entries; a tuple is an error report."""
    writer = WRITERS[suffix](head)
    content = writer.head()
    for entry in entries:
        if isinstance(entry, Frame):
            content += writer.frame(entry)
        elif isinstance(entry, ListeningResumed):
            content += writer.gap(entry)
        elif isinstance(entry, Marked):
            content += writer.marker(entry)
        else:
            content += writer.report(*entry)
    content += writer.pending()
    final = writer.final_head()
    return final + content[len(final) :]


def read_back(tmp_path, suffix, content):
    """Return the opened log after reading, and its contents."""
    path = Path(tmp_path) / f"x{suffix}"
    path.write_bytes(content)
    with open_log(path) as log:
        return log, list(log.contents())


@pytest.mark.parametrize("suffix", WRITERS)
def test_we_read_every_format_back(tmp_path, catalogue, suffix):
    """Times to the microsecond, identifiers and bytes; nothing is unreadable."""
    log, found = read_back(tmp_path, suffix, written(suffix, head_of(catalogue), FRAMES))
    assert [entry for entry in found if isinstance(entry, Frame)] == FRAMES
    assert log.statistics.unreadable == ()


@pytest.mark.parametrize("suffix", WRITERS)
def test_the_date_of_the_start_is_kept(tmp_path, catalogue, suffix):
    """In the head, or in the times themselves; .asc, .trc and .blf have it to the millisecond or better."""
    log, found = read_back(tmp_path, suffix, written(suffix, head_of(catalogue, STARTED, dated=True), FRAMES))
    expected = round(STARTED.timestamp() * SECOND_US)
    assert log.statistics.started == pytest.approx(expected, abs=1000)
    if suffix in (".log", ".csv", ".blf", ".jsonl", ".trc"):
        assert log.statistics.started == expected
    assert [entry for entry in found if isinstance(entry, Frame)] == FRAMES


@pytest.mark.parametrize("suffix", [*READERS, ".blf"])
@pytest.mark.parametrize("sent", [False, True])
def test_python_can_reads_the_frames(tmp_path, catalogue, suffix, sent):
    """Its readers find the same frames, and the direction where the format has one."""
    path = tmp_path / f"x{suffix}"
    path.write_bytes(written(suffix, head_of(catalogue, sent=sent, channel="1"), FRAMES))
    reader = can.BLFReader(path) if suffix == ".blf" else READERS[suffix](path)
    found = list(reader)
    assert [(m.arbitration_id, bytes(m.data), m.is_extended_id) for m in found] == [(f[1], f[2], True) for f in FRAMES]
    times = [round((m.timestamp - found[0].timestamp) * 1e6) for m in found]
    assert times == pytest.approx([frame.time for frame in FRAMES], abs=1)
    if suffix != ".csv":
        assert {message.is_rx for message in found} == {not sent}


def test_python_can_reads_the_date_of_a_binary_log(tmp_path, catalogue):
    """To the millisecond in the head; the times of the frames have the rest."""
    path = tmp_path / "x.blf"
    path.write_bytes(written(".blf", head_of(catalogue, STARTED), FRAMES))
    reader = can.BLFReader(path)
    first, *_, last = reader
    assert first.timestamp == pytest.approx(STARTED.timestamp(), abs=2e-6)
    assert (last.timestamp - first.timestamp) == pytest.approx(86_400.000123, abs=2e-6)
    assert reader.file_size == path.stat().st_size
    assert reader.object_count == len(FRAMES)
    assert reader.stop_timestamp == pytest.approx((STARTED + timedelta(seconds=86_400)).timestamp(), abs=0.002)


@pytest.mark.parametrize("suffix", WRITERS)
def test_an_error_frame_is_kept_by_every_format(tmp_path, catalogue, suffix):
    """At its time among the frames."""
    entries = [FRAMES[0], (200, ErrorReport()), FRAMES[2]]
    log, found = read_back(tmp_path, suffix, written(suffix, head_of(catalogue), entries))
    assert [type(entry) for entry in found] == [Frame, ErrorFrame, Frame, LogEnded]
    assert found[1].time == 200
    assert log.statistics.unreadable == ()


@pytest.mark.parametrize("suffix", [*READERS, ".blf"])
def test_python_can_reads_over_or_reads_an_error_frame(tmp_path, catalogue, suffix):
    """No frame behind it is lost."""
    path = tmp_path / f"x{suffix}"
    path.write_bytes(written(suffix, head_of(catalogue), [FRAMES[0], (200, ErrorReport()), FRAMES[2]]))
    reader = can.BLFReader(path) if suffix == ".blf" else READERS[suffix](path)
    found = [message for message in reader if not message.is_error_frame]
    assert [message.arbitration_id for message in found] == [FRAMES[0].identifier, FRAMES[2].identifier]


@pytest.mark.parametrize("suffix", WRITERS)
def test_only_json_lines_keep_a_gap(tmp_path, catalogue, suffix):
    """With its beginning, its end and its reason; the other formats are unchanged by it."""
    gap = ListeningResumed(61 * SECOND_US, 2 * SECOND_US, "pulled out")
    head = head_of(catalogue)
    content = written(suffix, head, [FRAMES[0], gap])
    _, found = read_back(tmp_path, suffix, content)
    assert [entry for entry in found if isinstance(entry, ListeningResumed)] == [gap] * (suffix == ".jsonl")
    assert WRITERS[suffix](head).keeps_gaps == (suffix == ".jsonl")
    assert suffix == ".jsonl" or content == written(suffix, head, [FRAMES[0]])


@pytest.mark.parametrize(
    "line",
    ['{"t": 9, "type": "gap"}', '{"type": "gap", "since": 1}', '{"t": 9, "type": "gap", "since": 1, "about": 7}'],
)
def test_a_damaged_gap_is_unreadable(tmp_path, line):
    """As any other damaged line."""
    log, found = read_back(tmp_path, ".jsonl", f'{{"type": "start"}}\n{line}\n'.encode())
    assert log.statistics.unreadable_count == 1
    assert not any(isinstance(entry, ListeningResumed) for entry in found)


def test_a_gap_is_no_left_out_entry(tmp_path, catalogue):
    """It is an event of the log, and counts as nothing that was skipped."""
    gap = ListeningResumed(61 * SECOND_US, 2 * SECOND_US)
    log, _ = read_back(tmp_path, ".jsonl", written(".jsonl", head_of(catalogue), [FRAMES[0], gap]))
    assert sum(log.statistics.skipped.values()) == 0


@pytest.mark.parametrize("suffix", WRITERS)
def test_only_json_lines_keep_a_marked_moment(tmp_path, catalogue, suffix):
    """With its note; the other formats are unchanged by it, and nothing counts as skipped."""
    marked = Marked(7 * SECOND_US, "pressed the galley switch, 230 V ± 1")
    head = head_of(catalogue)
    content = written(suffix, head, [FRAMES[0], marked])
    log, found = read_back(tmp_path, suffix, content)
    assert [entry for entry in found if isinstance(entry, Marked)] == [marked] * (suffix == ".jsonl")
    assert sum(log.statistics.skipped.values()) == 0
    assert suffix == ".jsonl" or content == written(suffix, head, [FRAMES[0]])


@pytest.mark.parametrize("line", ['{"t": 9, "type": "marker"}', '{"type": "marker", "note": "x"}'])
def test_a_damaged_marker_is_unreadable(tmp_path, line):
    """Without its note or its time."""
    log, _ = read_back(tmp_path, ".jsonl", f'{{"type": "start"}}\n{line}\n'.encode())
    assert log.statistics.unreadable_count == 1


def test_a_binary_log_has_many_containers(tmp_path, catalogue):
    """What is written at any moment can be read up to the last full container, and the rest is bounded."""
    writer = WRITERS[".blf"](head_of(catalogue))
    content, waiting = writer.head(), 0
    for number in range(10_000):
        content += writer.frame(Frame(number * 100, 0x19FFE45E, number.to_bytes(8, "little")))
        waiting = max(waiting, writer.pending_size)
    assert waiting < MAX_CONTAINER_BYTES
    _, found = read_back(tmp_path, ".blf", content)
    frames = [entry for entry in found if isinstance(entry, Frame)]
    assert 10_000 - MAX_CONTAINER_BYTES / 48 <= len(frames) < 10_000
    _, found = read_back(tmp_path, ".blf", content + writer.pending())
    assert len([entry for entry in found if isinstance(entry, Frame)]) == 10_000


@given(
    st.sampled_from(sorted(WRITERS)),
    st.lists(st.tuples(st.integers(0, 10**12), st.integers(0, (1 << 29) - 1), st.binary(max_size=8)), max_size=20),
)
def test_any_frames_are_read_back(tmp_path_factory, catalogue, suffix, parts):
    """Whatever their times, identifiers and bytes."""
    frames = [Frame(0, 1, b"")] + [Frame(*part) for part in sorted(parts)]
    _, found = read_back(tmp_path_factory.getbasetemp(), suffix, written(suffix, head_of(catalogue), frames))
    assert [entry for entry in found if isinstance(entry, Frame)] == frames
