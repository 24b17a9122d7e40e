"""Several logs as one, and a log in the order of its times."""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.logs import read
from rvsim.logs.merged import MergedLogs
from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import ListeningResumed

DATE = 1_764_000_000_000_000
ENTRIES = st.lists(
    st.tuples(st.integers(0, 9_000_000), st.integers(0, 2), st.sampled_from(["can0", "can1"])), min_size=1
)


def text(entries, started=DATE):
    """Entries as candump text: time in microseconds, number of the frame, channel."""
    times = (divmod(started + time, 1_000_000) for time, *_ in entries)
    lines = (
        f"({seconds}.{rest:06d}) {channel} 19FFE45E#{number:02X}"
        for (seconds, rest), (_, number, channel) in zip(times, entries, strict=True)
    )
    return "".join(f"{line}\n" for line in lines)


def opened(content, name="a.log"):
    """A log with this content."""
    return open_log(io.BytesIO(content.encode()), name)


def frames(log):
    """Its frames: time since the first one, number, channel."""
    return [(entry.time, entry.data[0], name) for name, entry in log.by_channel() if isinstance(entry, Frame)]


@given(st.lists(ENTRIES, min_size=1, max_size=3), st.data())
def test_parts_with_wrong_clocks_become_one_log_again(parts, data):
    """Each by a clock of its own: with its offset the frames come as they were, those of one time by logs."""
    offsets = [data.draw(st.integers(-5_000_000, 5_000_000)) for _ in parts]
    whole = sorted(((entry, place) for place, part in enumerate(parts) for entry in part), key=lambda one: one[0][0])
    first = whole[0][0][0]
    logs = [
        opened(text(sorted(part, key=lambda entry: entry[0]), DATE - offset), f"{place}.log")
        for place, (part, offset) in enumerate(zip(parts, offsets, strict=True))
    ]
    merged = MergedLogs(logs, offsets)
    assert sorted(frames(merged)) == sorted((time - first, number, name) for (time, number, name), _ in whole)
    assert merged.statistics.started == DATE + first
    assert set(merged.channels) == {name for (_, _, name), _ in whole}


def test_frames_of_one_time_come_in_the_order_of_the_logs():
    """And those of each log in its own order."""
    logs = [
        opened(text([(0, 1, "can0"), (5, 2, "can0"), (5, 1, "can0")])),
        opened(text([(5, 0, "can1"), (6, 2, "can1")])),
    ]
    assert frames(MergedLogs(logs, [0, 0])) == [
        (0, 1, "can0"), (5, 2, "can0"), (5, 1, "can0"), (5, 0, "can1"), (6, 2, "can1"),
    ]  # fmt: skip


def test_logs_without_a_date_are_put_together_by_their_own_times():
    """As two recorders that were switched on together have them; the first time of all is that of the merged log."""
    merged = MergedLogs([opened(text([(4_000_000, 1, "a")], 0)), opened(text([(1_000_000, 2, "a")], 0))], [0, 500_000])
    assert frames(merged) == [(0, 2, "a"), (2_500_000, 1, "a")]
    assert (merged.statistics.started, merged.statistics.first) == (None, 1_500_000)


def test_a_date_and_none_cannot_be_put_on_one_clock():
    """Both logs are named, and what would go."""
    merged = MergedLogs([opened(text([(0, 1, "a")]), "dated.log"), opened(text([(0, 1, "a")], 0), "bare.log")], [0, 0])
    with pytest.raises(InputError, match=r"dated\.log has a date and bare\.log has none: .*merge logs that all have"):
        frames(merged)


def test_an_empty_log_adds_nothing():
    """Neither entries nor a clock; several of them are an empty log."""
    assert frames(MergedLogs([opened(""), opened(text([(3, 1, "a")]))], [0, 7])) == [(0, 1, "a")]
    assert frames(MergedLogs([opened(""), opened("")], [0, 0])) == []


def test_the_time_in_which_nobody_listened_moves_with_its_log():
    """Its start as well as its end."""
    line = '{{"t": {}, "type": "frame", "identifier": "19FFE45E", "bytes": "01", "channel": "a"}}\n'
    gap = '{"t": 9.0, "type": "gap", "since": 2.0, "about": "lost", "channel": "a"}\n'
    pause = '{"type": "start", "schema": 1}\n' + line.format(1.0) + gap + line.format(9.5)
    (alone,) = [entry for _, entry in opened(pause).by_channel() if isinstance(entry, ListeningResumed)]
    assert (alone.since, alone.time) == (1_000_000, 8_000_000)
    merged = MergedLogs([opened(text([(0, 1, "a")], 0)), opened(pause)], [0, 3_000_000])
    (found,) = [entry for _, entry in merged.by_channel() if isinstance(entry, ListeningResumed)]
    assert (found.since, found.time) == (5_000_000, 12_000_000)


@given(ENTRIES, st.randoms())
def test_a_log_is_read_in_the_order_of_its_times(entries, random):
    """However its lines were mixed; lines of one time keep their order."""
    mixed = random.sample(entries, len(entries))
    log = opened(text(mixed))
    log.sort()
    in_order = sorted(mixed, key=lambda entry: entry[0])
    assert frames(log) == [(time - in_order[0][0], number, name) for time, number, name in in_order]
    assert log.statistics.steps_back == log.statistics.clock_set_count == 0


def test_blocks_of_a_sorted_log_are_in_order_too():
    """As everything else reads it."""
    log = opened(text([(9, 1, "a"), (2, 2, "a"), (5, 0, "a")]))
    log.sort()
    assert [time for _, block in log.blocks() for time in block.frames.times.tolist()] == [0, 3, 7]


def test_blocks_of_entries_read_one_by_one_are_never_larger_than_usual(monkeypatch):
    """Whatever is asked for: each of them takes much memory until it is in columns."""
    monkeypatch.setattr(read, "MAX_BLOCK_FRAMES", 5)
    log = opened(text([(time, time, "a") for time in range(12)]))
    log.sort()
    assert [len(block.frames) for _, block in log.blocks(100)] == [5, 5, 2]
    in_columns = opened(text([(time, time, "a") for time in range(12)]))
    assert [len(block.frames) for _, block in in_columns.blocks(100)] == [12]


def test_what_cannot_be_read_is_counted_in_a_sorted_log():
    """A line without a time stays where it was, and is told with its number."""
    log = opened(text([(9, 1, "a")]) + "nonsense\n" + text([(2, 2, "a")]))
    log.sort()
    assert [number for _, number, _ in frames(log)] == [2, 1]
    assert [line for line, _ in log.statistics.unreadable] == [2]


def test_a_log_that_is_too_long_is_not_sorted(monkeypatch):
    """It would have to be held in memory whole."""
    monkeypatch.setattr(read, "MAX_SORTED_ENTRIES", 3)
    log = opened(text([(0, 1, "a")] * 4), "long.log")
    log.sort()
    with pytest.raises(InputError, match=r"long\.log: more than 3 entries cannot be sorted.*cut the log into parts"):
        frames(log)
