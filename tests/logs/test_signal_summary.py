"""Summaries of fields: equal to counting frame by frame, whatever the blocks, and wherever a log is cut in two."""

from dataclasses import replace

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.blocks import to_blocks
from rvsim.logs.columns import to_columns
from rvsim.logs.decoded import SignalKey
from rvsim.logs.signal_summary import SignalSummaries, SignalSummary, merged
from rvsim.watch.decode import Decoder, instance_field
from rvsim.wire.fields import State
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of

MESSAGES = ("DC_SOURCE_STATUS_1", "TANK_STATUS", "DATE_TIME_STATUS", "DM_RV", "THERMOSTAT_COMMAND_1")

CONTENTS = (
    b"\1" * 8, bytes(8), b"\1\0", b"\1\2\3\4\5\6\7\x08", b"\1\xff\xff\xff\xff\xff\xff\xff", b"\1\1\1", b"",
    b"\1" + bytes(7),
    b"\2\xfe\xfe\xfe" * 2,
)  # fmt: skip


def counted(frames, catalogue):
    """Count frame by frame, with the decoder of single frames."""
    decoder, seen = Decoder(catalogue), {}
    for frame in frames:
        layout = decoder.layout(dgn_of(frame.identifier))
        if layout.spec is None or layout.spec.is_protocol:
            continue
        topic = layout.topic(frame.identifier & 0xFF, frame.data)
        for reading in layout.spec.decode(frame.data):
            if reading.field is not instance_field(layout.spec):
                key = SignalKey(topic.dgn, topic.source, topic.instance, topic.dsa, reading.field.name)
                seen.setdefault(key, []).append((frame.time, reading))
    found = {}
    for key, readings in seen.items():
        raws = [reading.raw for _, reading in readings]
        values = [reading.raw for _, reading in readings if reading.state is State.VALUE]
        changes = [place for place in range(1, len(raws)) if raws[place] != raws[place - 1]]
        found[key] = SignalSummary(
            readings[0][1].field,
            len(raws),
            len(values),
            min(values, default=None),
            max(values, default=None),
            raws[0],
            raws[-1],
            len(changes),
            readings[changes[-1] if changes else 0][0],
            readings[-1][0],
        )
    return found


def summarized(frames, catalogue, most):
    """Summarize frames in blocks of some size."""
    summaries = SignalSummaries(catalogue)
    for _, block in to_blocks((("", frame) for frame in frames), most):
        summaries.add(block.frames)
    return summaries.summaries


def drawn_frames(catalogue):
    """Frames of few kinds, so that many repeat the one before; some are short."""
    data = st.sampled_from(CONTENTS)
    one = st.tuples(st.sampled_from(MESSAGES), st.sampled_from((0x10, 0x9C)), data | st.binary(max_size=8))

    def build(drawn):
        frames = []
        for time, (name, source, content) in enumerate(drawn):
            spec = catalogue.by_name(name)
            frames.append(Frame(time, spec.priority << 26 | spec.dgn << 8 | source, content))
        return frames

    return st.lists(one, max_size=60).map(build)


@given(data=st.data(), most=st.integers(1, 30))
def test_equal_to_counting_frame_by_frame(catalogue, data, most):
    """Every figure of every field, for blocks of any size."""
    frames = data.draw(drawn_frames(catalogue))
    found = summarized(frames, catalogue, most)
    assert found == counted(frames, catalogue)


@given(data=st.data(), cut=st.integers(0, 60))
def test_two_parts_are_one_log(catalogue, data, cut):
    """The summaries of the parts of a log, put together, are those of the whole log."""
    frames = data.draw(drawn_frames(catalogue))
    parts = [summarized(part, catalogue, 8) for part in (frames[:cut], frames[cut:])]
    assert merged(*parts) == summarized(frames, catalogue, 8)


@given(data=st.data())
def test_bits_after_the_last_byte_have_no_meaning(catalogue, data):
    """Short frames that differ only there are equal."""
    frames = data.draw(drawn_frames(catalogue))
    columns = to_columns(frames)
    spoilt = [data.draw(st.integers(0, (1 << 8 * (8 - len(frame.data))) - 1)) for frame in frames]
    summaries = SignalSummaries(catalogue)
    summaries.add(replace(columns, data=columns.data | np.array(spoilt, np.uint64)))
    assert summaries.summaries == counted(frames, catalogue)


def test_a_recorded_bus(recorded, catalogue):
    """Two minutes of the shipped vehicle."""
    frames = recorded["winter_evening"]
    found = summarized(frames, catalogue, 1000)
    assert found == counted(frames, catalogue)
    assert len(found) >= 100
    assert list(found) == sorted(found, key=lambda key: [-1 if part is None else part for part in key[:4]])


def test_readings_and_later_clocks(catalogue):
    """Lowest, highest and last are readings, with the states that they have; a later log has its own clock."""
    spec = catalogue.by_name("TANK_STATUS")
    frames = [
        Frame(time, spec.identifier(0x9C), spec.pack(instance=1, relative_level=level, resolution=100))
        for time, level in enumerate((40, 20, 60, 0xFF, 0xFF))
    ]
    key = SignalKey(spec.dgn, 0x9C, 1, None, "relative_level")
    level = summarized(frames, catalogue, 2)[key]
    assert (level.lowest.value, level.highest.value, level.last.state) == (20, 60, State.NO_DATA)
    assert (level.frames, level.valid, level.changes, level.unchanged_since, level.last_time) == (5, 3, 3, 3, 4)
    later = merged({key: level}, {key: level.shifted(100)})[key]
    assert (later.frames, later.changes, later.unchanged_since, later.last_time) == (10, 7, 103, 104)
    nothing = summarized(frames[3:], catalogue, 2)[key]
    assert (nothing.lowest, nothing.highest, nothing.valid) == (None, None, 0)
    assert level.followed_by(nothing.shifted(10)).unchanged_since == 3
