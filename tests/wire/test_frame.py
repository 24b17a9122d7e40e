"""rvsim.wire.frame: one frame as it was on the bus."""

import pytest

from rvsim.wire.frame import Frame


def test_a_frame_is_written_as_identifier_and_bytes():
    """Eight hexadecimal digits, then the bytes one by one."""
    assert str(Frame(1_250_000, 0x19FFE2A1, b"\x01\x02\xff")) == "19FFE2A1 01 02 FF"


def test_a_small_identifier_keeps_its_eight_digits():
    """A 29-bit identifier is written with leading zeros, as the text logs do."""
    assert str(Frame(0, 0x0CF00400, bytes(1))) == "0CF00400 00"


def test_a_frame_without_bytes_is_its_identifier():
    """Nothing trails behind the identifier of an empty frame."""
    assert str(Frame(0, 0x19FFE2A1, b"")) == "19FFE2A1"


def test_frames_are_values():
    """Equal content makes equal frames, which can be kept in a set, and none can be altered."""
    frame = Frame(5, 0x19FFE2A1, b"\x01")
    assert {frame, Frame(5, 0x19FFE2A1, b"\x01")} == {frame}
    assert frame != Frame(6, 0x19FFE2A1, b"\x01")
    with pytest.raises(AttributeError):
        frame.time = 7  # type: ignore[misc]
