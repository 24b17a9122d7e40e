"""The distinct readings of fields: few raw integers near each other, wide ones, and messages that never change.

`test_decoded.py` holds them against every frame of every message.
"""

import numpy as np
import pytest

from rvsim.logs import field_columns
from rvsim.logs.distinct_readings import distinct_readings
from rvsim.logs.field_columns import FieldColumn, FieldDecoder, Payloads
from rvsim.wire.fields import FieldSpec


def field(length, *, signed=False, big_endian=False):
    """Return a field at the start of a message."""
    return FieldSpec(name="x", first=0, length=length, signed=signed, big_endian=big_endian)


def column(spec, raws, decoder=None):
    """Return a field of frames with these raw integers."""
    order = "big" if spec.big_endian else "little"
    width = spec.length // 8
    data = [(raw % (1 << spec.length)).to_bytes(width, order).ljust(8, b"\x00") for raw in raws]
    words = np.array([int.from_bytes(one) for one in data], np.uint64)
    return FieldColumn(decoder or FieldDecoder(spec), Payloads(words, np.full(len(raws), 8, np.uint8)))


@pytest.mark.parametrize("step", [1, 7, 100_000, 1 << 40])
@pytest.mark.parametrize("big_endian", [False, True])
def test_near_and_far_raw_integers(step, big_endian):
    """They are counted where they are near each other and sorted where not, at both ends of what the bits can hold."""
    for spec, ends in (
        (field(64, signed=True, big_endian=big_endian), (-(1 << 63), -3 * step, (1 << 63) - 1 - 4 * step)),
        (field(64, big_endian=big_endian), (0, (1 << 63) - step, (1 << 64) - 1 - 4 * step)),
    ):
        for low in ends:
            raws = [low, low + 4 * step, low, low + step] * 5
            readings, places = distinct_readings(column(spec, raws))
            assert readings.raws.tolist() == sorted(set(raws))
            assert readings.raws[places].tolist() == raws


def test_a_field_that_never_changes(monkeypatch):
    """It has one reading and no places; those that were met before are kept, but not any number of them."""
    monkeypatch.setattr(field_columns, "_MAX_SINGLE", 2)
    for spec in (field(16, signed=True), field(16, signed=True, big_endian=True), field(8)):
        decoder = FieldDecoder(spec)
        for raw in (5, 100, 5, 7, 100, 5):
            readings, places = distinct_readings(column(spec, [raw] * 3, decoder))
            assert (readings.raws.tolist(), places) == ([raw], None)
            assert len(decoder._single) <= 2


def test_every_frame_is_too_short():
    """Then there is one reading, and its state is that it is missing."""
    short = Payloads(np.zeros(3, np.uint64), np.array([0, 1, 1], np.uint8))
    readings, places = distinct_readings(FieldColumn(FieldDecoder(field(16)), short))
    assert places is not None
    assert (readings.raws.tolist(), readings.states.tolist(), places.tolist()) == (
        [0],
        [field_columns.MISSING],
        [0] * 3,
    )
