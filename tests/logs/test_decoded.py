"""Blocks decoded in columns: every field of every frame as the frame-by-frame decoder has it."""

import math
from dataclasses import replace
from typing import Any

import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.logs.blocks import to_blocks
from rvsim.logs.columns import to_columns
from rvsim.logs.decoded import NONE, ColumnDecoder, SignalKey, decode_block, series
from rvsim.logs.distinct_readings import distinct_readings
from rvsim.logs.field_columns import NO_LABEL, STATES
from rvsim.shipped import dbc_files
from rvsim.watch.decode import Decoder
from rvsim.wire.database import load_catalogue
from rvsim.wire.fields import State
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of, split_identifier

OWN = """VERSION ""
BO_ 2566848257 LEVELS: 8 Vector__XXX
 SG_ tilt : 0|12@1- (0.1,-3) [0|0] "deg" Vector__XXX
 SG_ turn : 23|16@0+ (0.05,-1600) [0|0] "A" Vector__XXX
 SG_ mode : 36|3@0- (1,0) [0|0] "" Vector__XXX
 SG_ across : 37|19@1+ (1e-7,0) [0|0] "kg" Vector__XXX
BO_ 2566848513 LARGE: 8 Vector__XXX
 SG_ serial : 0|64@1+ (1,0) [0|0] "" Vector__XXX
BO_ 2566848769 EXACT: 8 Vector__XXX
 SG_ energy : 7|64@0- (0.001,0.5) [0|0] "kWh" Vector__XXX
BO_ 2566849025 STEPS: 8 Vector__XXX
 SG_ steps_instance : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ fine : 8|33@1+ (1e18,-1e18) [0|0] "u" Vector__XXX
 SG_ places : 41|20@1+ (1e-18,1) [0|0] "u" Vector__XXX
 SG_ tiny : 61|3@1+ (4.859023290831e-14,0) [0|0] "u" Vector__XXX
VAL_ 2566848257 mode -1 "back" 0 "none" 3 "none" ;
VAL_ 2566848257 turn 7 "seven" 65535 "top" ;
VAL_ 2566848513 serial 18446744073709551615 "last" 5 "five" -1 "below" ;
"""


@pytest.fixture(scope="module")
def own(tmp_path_factory, definition_cache):
    """Definitions of a user with fields of every shape, beside the shipped ones."""
    folder = tmp_path_factory.mktemp("own")
    (folder / "own.dbc").write_text(OWN, encoding="ascii")
    return load_catalogue([folder / "own.dbc"])


def same(one, other):
    """Tell whether two numbers are the same, not-a-number included."""
    return one == other or (math.isnan(one) and math.isnan(other))


def check_distinct(column, count):
    """Hold the distinct readings of a field against those of its frames: all of them, and none that no frame has."""
    readings, places = distinct_readings(column)
    places = np.zeros(count, np.intp) if places is None else places
    assert set(places.tolist()) == set(range(len(readings.raws)))
    taken: tuple[Any, ...] = readings.take(places)
    for one, whole in zip(taken, (column.raws, column.values, column.states, column.labels), strict=True):
        assert one.dtype == whole.dtype
        np.testing.assert_array_equal(one, whole)


def check(frames, catalogue):
    """Hold each frame of a block against the decoder of single frames; return how many were decoded."""
    columns = to_columns(frames)
    decoder, seen = Decoder(catalogue), []
    for message in decode_block(columns, catalogue):
        for column in message.fields.values():
            check_distinct(column, len(message))
        assert list(message.rows) == sorted(message.rows)
        topics = {place: topic for topic in message.topics() for place in topic.places.tolist()}
        for place, row in enumerate(message.rows.tolist()):
            frame = frames[row]
            seen.append(row)
            parts = split_identifier(frame.identifier)
            assert (message.dgn, message.spec) == (parts.dgn, catalogue.by_dgn(parts.dgn))
            assert (message.times[place], message.sources[place]) == (frame.time, parts.source)
            assert (None if message.destinations is None else message.destinations[place]) == parts.destination
            topic = decoder.layout(parts.dgn).topic(parts.source, frame.data)
            assert message.instances[place] == (NONE if topic.instance is None else topic.instance)
            assert message.dsas[place] == (NONE if topic.dsa is None else topic.dsa)
            assert topics[place][:3] == (topic.source, topic.instance, topic.dsa)
            for reading, (name, column) in zip(message.spec.decode(frame.data), message.fields.items(), strict=True):
                assert (name, column.field) == (reading.field.name, reading.field)
                assert STATES[column.states[place]] is reading.state
                assert column.raws[place] == (reading.raw or 0)
                assert same(column.values[place], math.nan if reading.value is None else float(reading.value))
                code = column.labels[place]
                assert (None if code == NO_LABEL else column.label_names[code]) == reading.shown_label
    assert sorted(seen) == [row for row, frame in enumerate(frames) if catalogue.by_dgn(dgn_of(frame.identifier))]
    return len(seen)


def frames_of(specs):
    """Return lists of frames of messages, whole and short ones; many bytes have all bits set, or nearly."""
    byte = st.sampled_from((0, 1, 0x7F, 0x80, 0xFA, 0xFB, 0xFD, 0xFE, 0xFF)) | st.integers(0, 255)
    data = st.lists(byte, min_size=8, max_size=8) | st.lists(byte, max_size=8)
    one = st.tuples(st.sampled_from(specs), st.sampled_from((0, 1, 0x9C, 0xFF)), data)

    def build(drawn):
        return [
            Frame(time, spec.priority << 26 | spec.dgn << 8 | source, bytes(data))
            for time, (spec, source, data) in enumerate(drawn)
        ]

    return st.lists(one, max_size=40).map(build)


def test_every_shipped_message_decodes_alike(catalogue):
    """Frames of each shipped message, of every length, with bytes at the edges of each range and drawn from all."""
    edges = (0x00, 0x01, 0xFA, 0xFB, 0xFC, 0xFD, 0xFE, 0xFF)
    chance = np.random.default_rng(7)
    frames = []
    for spec in catalogue:
        identifier = spec.priority << 26 | spec.dgn << 8 | 0x9C
        for high in edges:
            frames.append(
                Frame(len(frames), identifier, bytes((low, high)[place % 2] for place, low in enumerate(edges)))
            )
            frames.append(Frame(len(frames), identifier, bytes([high]) * 8))
        frames += [Frame(len(frames), identifier, chance.bytes(length)) for length in range(9)]
    assert check(frames, catalogue) == len(frames)


@given(data=st.data())
def test_drawn_frames_decode_alike(catalogue, data):
    """Any mixture of messages, sources and lengths in one block."""
    check(data.draw(frames_of(list(catalogue))), catalogue)


@given(data=st.data())
@settings(max_examples=60)
def test_fields_of_a_user_decode_alike(own, data):
    """Signed, big-endian, crossing bytes, of 64 bits, and with scales that no float holds exactly."""
    check(data.draw(frames_of([own.by_name(name) for name in ("LEVELS", "LARGE", "EXACT", "STEPS")])), own)


@given(st.lists(st.tuples(st.integers(0, (1 << 29) - 1), st.binary(max_size=8)), max_size=60))
def test_identifiers_of_any_kind(catalogue, drawn):
    """Destinations, reserved bits and unknown numbers are told apart as frame by frame."""
    check([Frame(time, *each) for time, each in enumerate(drawn)], catalogue)


def test_values_are_those_of_cantools(recorded, catalogue):
    """Two recorded buses: raw integers equal, values equal but for the floating point of the other program."""
    messages = {
        dgn_of(each.frame_id): each for file in dbc_files() for each in cantools.database.load_file(file).messages
    }
    compared = 0
    for frames in (recorded["winter_evening"], recorded["marine"]):
        for message in decode_block(to_columns(frames), catalogue):
            theirs = messages[message.dgn]
            for place, row in enumerate(message.rows.tolist()):
                options = {"decode_choices": False, "allow_truncated": True}
                raws: Any = theirs.decode(frames[row].data, scaling=False, **options)
                scaled: Any = theirs.decode(frames[row].data, **options)
                for name, column in message.fields.items():
                    if STATES[column.states[place]] is State.MISSING:
                        assert name not in raws
                        continue
                    assert column.raws[place] == raws[name]
                    if STATES[column.states[place]] is State.VALUE:
                        assert column.values[place] == pytest.approx(scaled[name], rel=1e-12, abs=1e-9)
                        compared += 1
    assert compared > 5000


@given(data=st.data())
def test_bits_after_the_last_byte_have_no_meaning(catalogue, data):
    """Whatever they are: the same readings of frames that are short."""
    frames = data.draw(frames_of(list(catalogue)))
    columns = to_columns(frames)
    spoilt = columns.data | np.array([(1 << 8 * (8 - len(frame.data))) - 1 for frame in frames], np.uint64)
    for one, other in zip(
        decode_block(columns, catalogue), decode_block(replace(columns, data=spoilt), catalogue), strict=True
    ):
        assert [topic[:3] for topic in one.topics()] == [topic[:3] for topic in other.topics()]
        for name, column in one.fields.items():
            for array in ("raws", "states", "values", "labels"):
                assert np.array_equal(getattr(column, array), getattr(other.fields[name], array), equal_nan=True)


def test_a_frame_of_one_message_only(catalogue):
    """A decoder for chosen messages leaves all others out."""
    wanted, other = catalogue.by_name("DC_SOURCE_STATUS_1"), catalogue.by_name("TANK_STATUS")
    frames = [Frame(0, spec.identifier(1), bytes(8)) for spec in (other, wanted, other)]
    (message,) = ColumnDecoder(catalogue, {wanted.dgn}).decode(to_columns(frames))
    assert (message.spec, message.rows.tolist()) == (wanted, [1])


def test_series_of_a_log(catalogue):
    """One field of one sender over several blocks, with the times of no data in it, from one channel."""
    spec = catalogue.by_name("TANK_STATUS")
    key = SignalKey(spec.dgn, 0x9C, 3, None, "relative_level")
    entries = []
    for time in range(90):
        data = spec.pack(instance=3 if time % 3 else 4, relative_level=0xFF if time == 53 else time, resolution=100)
        entries.append(("a" if time % 2 else "b", Frame(time, spec.identifier(0x9C if time % 5 else 1), data)))
    found = series(to_blocks(entries, 7), catalogue, [key, key._replace(source=9)], "a")
    expected = [time for time in range(90) if time % 3 and time % 2 and time % 5]
    assert found[key].times.tolist() == expected
    assert found[key].values.tolist() == pytest.approx([math.nan if t == 53 else t for t in expected], nan_ok=True)
    states = {STATES[state] for t, state in zip(expected, found[key].states.tolist(), strict=True) if t != 53}
    assert states == {State.VALUE}
    assert STATES[found[key].states[expected.index(53)]] is State.NO_DATA
    assert len(found[key._replace(source=9)].times) == 0
    both = series(to_blocks(entries, 7), catalogue, [key])[key]
    assert sorted(both.times.tolist()) == [time for time in range(90) if time % 3 and time % 5]
