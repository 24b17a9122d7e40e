"""The rows of readings, messages and frames: what the decoder of single frames says of each."""

from operator import itemgetter

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rvsim.logs.columns import to_columns
from rvsim.logs.decoded import decode_block
from rvsim.logs.export import readings_table
from rvsim.logs.export.log_tables import FramesTable, LogPart, MessageTable
from rvsim.logs.export.placed import dense
from rvsim.logs.export.readings_table import ReadingsTable
from rvsim.logs.export.table import Integers, Numbers, Texts, Times
from rvsim.watch.decode import Decoder, instance_field
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.ident import split_identifier

PART = LogPart(None, "can0", 1_764_000_000_000_000, {0x5E: "heater", 0x44: "panel"})


@pytest.fixture(scope="module")
def clashing(tmp_path_factory, definition_cache):
    """A user's message whose fields have the names of other columns, and one of 64 bits."""
    path = tmp_path_factory.mktemp("clashing") / "own.dbc"
    path.write_text(
        'VERSION ""\nBO_ 2566848257 CLASH: 8 Vector__XXX\n'
        ' SG_ time : 0|8@1+ (1,0) [0|0] "s" Vector__XXX\n SG_ mode : 8|8@1+ (1,0) [0|0] "" Vector__XXX\n'
        ' SG_ mode_label : 16|8@1+ (0.5,0) [0|0] "" Vector__XXX\n SG_ time_state : 24|8@1+ (1,0) [0|0] "" Vector__XXX\n'
        'BO_ 2566848513 WIDE: 8 Vector__XXX\n SG_ serial : 0|64@1+ (1,0) [0|0] "" Vector__XXX\n'
        'BO_ 2566848769 LARGE: 8 Vector__XXX\n SG_ count : 0|40@1+ (1e12,0) [0|0] "" Vector__XXX\n'
        'VAL_ 2566848257 mode 1 "on" ;\n',
        encoding="ascii",
    )
    return load_catalogue([path])


def plain(rows):
    """Return rows as dictionaries."""
    rows = dense(rows)
    columns = {}
    for name, data in rows.columns.items():
        match data:
            case Texts():
                columns[name] = [None if code < 0 else data.names[code] for code in data.codes.tolist()]
            case Integers():
                missing = [False] * rows.length if data.missing is None else data.missing.tolist()
                pairs = zip(data.values.tolist(), missing, strict=True)
                columns[name] = [None if is_missing else value for value, is_missing in pairs]
            case Numbers():
                columns[name] = [None if value != value else value for value in data.values.tolist()]
            case Times():
                columns[name] = [None] * rows.length if data.microseconds is None else data.microseconds.tolist()
    assert {len(column) for column in columns.values()} <= {rows.length}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def topic(frame, catalogue):
    """Return the topic of a frame."""
    parts = split_identifier(frame.identifier)
    return Decoder(catalogue).layout(parts.dgn).topic(parts.source, frame.data)


def test_readings_are_those_of_single_frames(recorded, catalogue):
    """Every reading of two minutes of the shipped vehicle has one row; fields of instances have none."""
    frames = recorded["heater_goes_quiet"]
    table = ReadingsTable(catalogue, with_log=False)
    rows = table.rows(list(decode_block(to_columns(frames), catalogue)), PART)
    assert {column.name for column in table.table.columns} == set(rows.columns)
    expected = []
    for frame in frames:
        parts = split_identifier(frame.identifier)
        spec = catalogue.by_dgn(parts.dgn)
        for reading in spec.decode(frame.data) if spec else ():
            if reading.field is not instance_field(spec):
                expected.append(
                    {
                        "time": PART.started + frame.time,
                        "seconds": frame.time / 1_000_000,
                        "channel": "can0",
                        "source": parts.source,
                        "device": PART.devices.get(parts.source),
                        "message": spec.name,
                        "instance": topic(frame, catalogue).instance,
                        "field": reading.field.name,
                        "raw": reading.raw,
                        "value": reading.value,
                        "unit": reading.field.printed_unit or None,
                        "state": str(reading.state),
                        "label": reading.shown_label,
                    }
                )
    assert len(expected) > 5000

    def order(row):
        return row["time"], row["source"], row["message"], row["field"]

    assert len(set(map(order, expected))) == len(expected)
    assert sorted(plain(rows), key=order) == sorted(expected, key=order)


def expected_readings(frames, catalogue):
    """Return the readings of frames one by one, as the rows of a table have them, in order of time and field."""
    found = []
    for frame in frames:
        spec = catalogue.by_dgn(split_identifier(frame.identifier).dgn)
        for reading in spec.decode(frame.data):
            if reading.field is instance_field(spec):
                continue
            fits = reading.raw is not None and reading.raw < 1 << 63  # the column cannot hold more
            row = {
                "time": PART.started + frame.time,
                "field": reading.field.name,
                "raw": reading.raw if fits else None,
                "value": None if reading.value is None else float(reading.value),
                "state": str(reading.state),
                "label": reading.shown_label,
                "instance": topic(frame, catalogue).instance,
            }
            found.append(tuple(row[name] for name in CHECKED))
    return sorted(found, key=itemgetter(0, 1))


CHECKED = ("time", "field", "raw", "value", "state", "label", "instance")
BLOCKS = st.lists(
    st.lists(
        st.tuples(
            st.sampled_from(("WATERHEATER_STATUS", "DC_SOURCE_STATUS_1", "WIDE")),
            st.integers(0, 7),
            st.sampled_from((0, 1, 0x7F, 0x80, 0xFD, 0xFE, 0xFF)) | st.integers(0, 255),
            st.just(8) | st.just(8) | st.integers(0, 8),
        ),
        min_size=1,
        max_size=6,
    ),
    min_size=1,
    max_size=8,
)


@given(BLOCKS)
@example([[("WATERHEATER_STATUS", 1, code, 8)] * 2 for code in (1, 2, 1, 0xFF, 3, 1)])
@example([[("WIDE", 7, 0x80, 8)], [("WIDE", 7, 0x7F, 8)], [("WIDE", 0, 5, 8), ("WIDE", 7, 0x81, 8)]])
def test_readings_of_one_block_after_another(clashing, blocks):
    """What does not change within a block is kept for later blocks, and still each reading is that of its own frame."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readings_table, "_MAX_STEADY", 2)
        table = ReadingsTable(clashing, with_log=False)
        content = {}
        for number, block in enumerate(blocks):
            frames = []
            for name, place, byte, length in block:
                spec = clashing.by_name(name)
                data = content.setdefault(name, bytearray((1, 100, *range(2, 8))))
                data[place] = byte
                frames.append(Frame(number * 10 + len(frames), spec.identifier(0x44), bytes(data[:length])))
            found = plain(table.rows(decode_block(to_columns(frames), clashing), PART))
            rows = [tuple(row[name] for name in CHECKED) for row in found]
            assert sorted(rows, key=itemgetter(0, 1)) == expected_readings(frames, clashing)
        assert all(len(fields._steady) <= 2 for fields in table._fields.values())


def test_a_message_has_a_column_for_each_field(catalogue):
    """Values, states and labels; an instance that is none is missing; a frame that is too short has no values."""
    spec = catalogue.by_name("WATERHEATER_STATUS")
    frames = [
        Frame(5, spec.identifier(0x5E), spec.pack(instance=1, operating_mode=1, water_temperature=10240)),
        Frame(6, spec.identifier(0x44), spec.pack(instance=0xFF)[:2]),
    ]
    (message,) = decode_block(to_columns(frames), catalogue)
    table = MessageTable(spec, instance_field=message.instance_field, with_log=True)
    rows = table.rows(message, LogPart("a.log", "", None, PART.devices))
    assert {column.name for column in table.table.columns} == set(rows.columns)
    first, second = plain(rows)
    assert list(first)[:8] == ["log", "time", "seconds", "channel", "source", "device", "instance", "operating_mode"]
    assert list(first.values())[:7] == ["a.log", None, 5e-06, None, 0x5E, "heater", 1]
    assert (first["operating_mode"], first["operating_mode_label"]) == (1, "combustion")
    assert (first["water_temperature"], first["set_point_temperature_state"]) == (47.0, "no data")
    assert (second["instance"], second["device"], second["operating_mode_state"]) == (None, "panel", "no data")
    assert (second["water_temperature"], second["water_temperature_state"]) == (None, "missing")


def test_frames_with_and_without_a_definition(catalogue):
    """Identifier and bytes in hex, a destination only where there is one; bytes of all lengths."""
    known = catalogue.by_name("TANK_STATUS")
    frames = [Frame(length, 0x18EA1244, bytes(length)) for length in range(9)]
    frames += [Frame(9, known.identifier(0x44), b"\x01\xff"), Frame(10, 0x1FFFFFFF, b"\xab" * 8)]
    table = FramesTable(catalogue, with_log=False)
    rows = plain(table.rows(to_columns(frames), PART))
    assert {column.name for column in table.table.columns} == set(rows[0])
    for frame, row in zip(frames, rows, strict=True):
        parts = split_identifier(frame.identifier)
        spec = catalogue.by_dgn(parts.dgn)
        assert (row["identifier"], row["bytes"]) == (f"{frame.identifier:08X}", frame.data.hex().upper())
        assert (row["priority"], row["dgn"]) == (parts.priority, f"{parts.dgn:05X}")
        assert (row["source"], row["destination"]) == (parts.source, parts.destination)
        assert (row["message"], row["time"]) == (spec.name if spec else None, PART.started + frame.time)


def test_readings_of_frames_that_are_too_short(catalogue):
    """Their fields are missing: no raw integer, no value; the same fields of other frames have theirs."""
    spec = catalogue.by_name("DC_SOURCE_STATUS_1")
    whole = bytes([1, 100, *range(2, 8)])
    frames = [Frame(place, spec.identifier(0x44), data) for place, data in enumerate((whole, whole[:3], b"", whole))]
    rows = plain(ReadingsTable(catalogue, with_log=False).rows(decode_block(to_columns(frames), catalogue), PART))
    for frame in frames:
        found = {row["field"]: row for row in rows if row["time"] == PART.started + frame.time}
        for reading in spec.decode(frame.data):
            if reading.field is not instance_field(spec):
                row = found[reading.field.name]
                assert (row["raw"], row["value"]) == (reading.raw, reading.value)
                assert (row["state"], row["label"]) == (str(reading.state), reading.shown_label)
        assert {row["instance"] for row in found.values()} == {topic(frame, catalogue).instance}
    assert {row["state"] for row in rows} >= {"value", "missing"}


def test_names_that_clash_are_told_apart(clashing):
    """A field keeps its name unless a column that all tables have is called so; what stands beside it gives way."""
    spec = clashing.by_name("CLASH")
    (message,) = decode_block(to_columns([Frame(0, spec.identifier(1), bytes([7, 1, 4, 9, 0, 0, 0, 0]))]), clashing)
    table = MessageTable(spec, instance_field=None, with_log=False)
    names = [column.name for column in table.table.columns]
    assert len(set(names)) == len(names)
    (row,) = plain(table.rows(message, PART))
    assert (row["time_value"], row["time_value_state"], row["time_state"]) == (7, "value", 9)
    assert (row["mode"], row["mode_label"], row["mode_label_"]) == (1, 2.0, "on")


def test_whole_numbers_that_no_column_of_integers_can_hold(clashing):
    """They are numbers there, the nearest floats."""
    spec = clashing.by_name("LARGE")
    (message,) = decode_block(to_columns([Frame(0, spec.identifier(1), b"\xfe" * 8)]), clashing)
    (row,) = plain(MessageTable(spec, instance_field=None, with_log=False).rows(message, PART))
    assert row["count"] == float(int.from_bytes(b"\xfe" * 5) * 10**12)


def test_a_raw_integer_that_no_column_can_hold(clashing):
    """64 bits without a sign: above the range of the column there is none, the value is the nearest float."""
    spec = clashing.by_name("WIDE")
    frames = [Frame(place, spec.identifier(1), data) for place, data in enumerate((b"\xff" * 7 + b"\x7f", b"\xfe" * 8))]
    messages = list(decode_block(to_columns(frames), clashing))
    low, high = plain(ReadingsTable(clashing, with_log=False).rows(messages, PART))
    assert (low["raw"], low["value"]) == ((1 << 63) - 1, float((1 << 63) - 1))
    assert (high["raw"], high["value"]) == (None, float(int.from_bytes(b"\xfe" * 8)))
