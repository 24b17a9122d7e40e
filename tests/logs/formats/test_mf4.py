"""Measurement files with bus logging, read by a stand-in for the package asammdf: 147 MB are too much for the tests.

The stand-in reads frames from a JSON text behind the mark, and has the parts of the package that are used;
`tests/benchmarks/bench_mf4.py` holds the same reader against the real one.
"""

import io
import json
import sys

import pytest

from rvsim.errors import InputError
from rvsim.logs.formats.mf4_process import RECORDS_AT_ONCE
from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame

STAND_IN = """
import json, os
from datetime import UTC, datetime
from types import SimpleNamespace
import numpy as np


class MDF:
    def __init__(self, path):
        text = open(path, "rb").read()[64:].decode()
        if text == "crash":
            os._exit(3)
        self.content = json.loads(text)
        self.header = SimpleNamespace(start_time=datetime.fromtimestamp(self.content["start"], UTC))
        self.groups = [
            SimpleNamespace(
                channels=[SimpleNamespace(name=name) for name in ("time", group["name"])],
                channel_group=SimpleNamespace(cycles_nr=len(group["rows"])),
            )
            for group in self.content["groups"]
        ]

    def get(self, name, group, record_offset, record_count, raw):
        found = self.content["groups"][group]
        rows = found["rows"][record_offset : record_offset + record_count]
        if rows and rows[0] == "damage":
            raise ValueError("Incomplete block\\n  at 0x10")
        types = {"DataBytes": ("u1", (64,)), "ID": "<u4"}
        fields = [(f"{name}.{field}", *np.atleast_1d(types.get(field, "u1"))) if field != "DataBytes"
                  else (f"{name}.DataBytes", "u1", (64,)) for field in found["fields"]]
        samples = np.zeros(len(rows), fields)
        for place, row in enumerate(rows):
            for field, value in zip(found["fields"], row[1:], strict=True):
                samples[f"{name}.{field}"][place] = (value + [0] * 64)[:64] if field == "DataBytes" else value
        return SimpleNamespace(samples=samples, timestamps=np.array([row[0] for row in rows], float))
"""
ALL = ["BusChannel", "ID", "IDE", "DLC", "DataLength", "DataBytes", "EDL"]
START = 1_700_000_000


@pytest.fixture
def package(tmp_path, monkeypatch):
    """Let the stand-in be found, here and in the process that reads."""
    (tmp_path / "asammdf.py").write_text(STAND_IN)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))


def measurement(*groups, mark=b"MDF     4.10    ", text=None):
    """Return a file with these groups: (name, fields, rows)."""
    named = [{"name": name, "fields": fields, "rows": rows} for name, fields, rows in groups]
    return mark.ljust(64, b"\0") + (text or json.dumps({"start": START, "groups": named})).encode()


def read(content):
    """Return the frames by channel and the statistics of a log."""
    with open_log(io.BytesIO(content), "x.mf4") as log:
        assert log.kind == "measurement with bus logging (.mf4)"
        return [(name, entry) for name, entry in log.by_channel() if isinstance(entry, Frame)], log.statistics


def test_frames_of_all_groups_in_the_order_of_time(package):
    """Data frames of two groups, remote frames and errors; FD and 11-bit frames are counted."""
    first = [
        [0.5, 1, 0x19FFE45E, 1, 3, 3, [1, 2, 3], 0],
        [0.75, 2, 0x123, 0, 1, 1, [1], 0],
        [2.0000005, 1, 0x19FFE45E, 1, 8, 8, list(range(8)), 0],
        [2.5, 1, 0x19FFE45E, 1, 9, 12, [0] * 12, 1],
    ]
    content = measurement(
        ("CAN_DataFrame", ALL, first),
        ("speed", ["value"], []),
        ("CAN_DataFrame", ["ID", "DataLength", "DataBytes"], [[1.25, 0x99FFE45E, 1, [7]], [1.5, 0x7DF, 1, [7]]]),
        ("CAN_ErrorFrame", ["BusChannel"], [[1.0, 1]]),
        ("CAN_RemoteFrame", ["BusChannel", "ID", "IDE", "DLC"], [[1.75, 1, 0x19FFE45E, 1, 3]]),
    )
    frames, found = read(content)
    assert frames == [
        ("1", Frame(0, 0x19FFE45E, b"\1\2\3")),
        ("", Frame(750_000, 0x19FFE45E, b"\7")),
        ("1", Frame(1_500_000, 0x19FFE45E, bytes(range(8)))),
    ]
    assert found.skipped == {"11-bit": 2, "error": 1, "remote": 1, "FD": 1}
    assert (found.first, found.started) == (500_000, START * 1_000_000 + 500_000)
    assert found.unreadable == ()


def test_a_long_measurement_is_read_in_parts(package):
    """More frames than are read at once, and a start of another form."""
    rows = [[n / 1000, 0x19FFE45E, 1, 1, [n & 0xFF]] for n in range(RECORDS_AT_ONCE + 5)]
    content = measurement(("CAN_DataFrame", ["ID", "IDE", "DataLength", "DataBytes"], rows), mark=b"UnFinMF 4.10    ")
    frames, found = read(content)
    assert [frame.data[0] for _, frame in frames] == [n & 0xFF for n in range(len(rows))]
    assert (frames[-1][1].time, found.unreadable) == ((len(rows) - 1) * 1000, ())


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (measurement(("speed", ["value"], [])),
         "a measurement without CAN frames: log the bus, not only signals of it"),
        (measurement(text="nonsense"),
         "the file is damaged, or of an unknown form (Expecting value: line 1 column 1 (char 0))"),
        (measurement(text="crash"), "the file is damaged, or of an unknown form (it ended the reading program)"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read(package, content, why):
    """The package raises anything, and ends the process on some damage: it is told in one line, and nothing printed."""
    frames, found = read(content)
    assert (frames, found.unreadable) == ([], ((1, why),))


def test_what_comes_before_damage_is_kept(package):
    """The frames that were read are given."""
    rows = [*[[n / 1000, 0x19FFE45E, 1, 1, [1]] for n in range(RECORDS_AT_ONCE)], "damage"]
    frames, found = read(measurement(("CAN_DataFrame", ["ID", "IDE", "DataLength", "DataBytes"], rows)))
    assert len(frames) == RECORDS_AT_ONCE
    assert [why for _, why in found.unreadable] == [
        "the file is damaged, or of an unknown form (Incomplete block at 0x10)"
    ]


def test_a_frame_that_is_impossible_is_told(package):
    """An identifier with more than 29 bits, and a time that is none."""
    rows = [[0.0, 0x3FFFFFFF, 1, 1, [1]], [1e13, 0x19FFE45E, 1, 1, [1]], [0.5, 0xFFF, 0, 1, [1]]]
    frames, found = read(measurement(("CAN_DataFrame", ["ID", "IDE", "DataLength", "DataBytes"], rows)))
    assert (frames, found.unreadable_count) == ([], 3)


def test_without_the_package_one_line_says_what_to_install(monkeypatch):
    """Also for such a file in an archive, and nothing is imported."""
    monkeypatch.setattr("rvsim.logs.formats.mf4.find_spec", lambda name: None)
    with pytest.raises(InputError) as refused:
        read(measurement())
    assert str(refused.value) == (
        "x.mf4: a measurement with bus logging (.mf4): asammdf is missing, which reads such files: pip install asammdf"
    )
    assert "asammdf" not in sys.modules


def test_a_log_that_is_left_early_ends_the_process(package):
    """Nothing stays behind."""
    rows = [[n / 1000, 0x19FFE45E, 1, 1, [1]] for n in range(RECORDS_AT_ONCE)]
    with open_log(io.BytesIO(measurement(("CAN_DataFrame", ["ID", "IDE", "DataLength", "DataBytes"], rows)))) as log:
        assert next(log.frames()).time == 0
