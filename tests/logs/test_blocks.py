"""Blocks of a log hold the very entries that are read one by one, in their order."""

from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.blocks import to_blocks
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import ErrorFrame, LineEvent, LogEnded, TimeWentBack

FRAMES = st.builds(Frame, st.integers(0, 1 << 60), st.integers(0, (1 << 29) - 1), st.binary(max_size=8))
EVENTS = st.builds(ErrorFrame, st.integers(0, 99), st.text(max_size=3)) | st.builds(LogEnded, st.integers(0, 99))
ENTRIES = st.lists(st.tuples(st.sampled_from(("", "can0", "can1")), FRAMES | EVENTS), max_size=60)


@given(ENTRIES, st.integers(1, 9))
def test_each_channel_keeps_its_entries_and_their_order(entries, most):
    """Whatever the size of the blocks: no entry is lost, and none changes its place on its channel."""
    found: dict[str, list] = {}
    for channel, block in to_blocks(entries, most):
        kept = list(block.entries())
        assert 0 < len(kept) <= most
        assert len(block.frames) + len(block.events) == len(kept)
        found.setdefault(channel, []).extend(kept)
    expected: dict[str, list] = {}
    for channel, entry in entries:
        expected.setdefault(channel, []).append(entry)
    assert found == expected


def test_events_stand_where_they_were():
    """Before the first frame, between two, and after the last one."""
    entries: list[Frame | LineEvent] = [
        ErrorFrame(0),
        Frame(1, 2, b"\1"),
        TimeWentBack(1, 2, "line 3"),
        Frame(1, 2, b""),
        LogEnded(1),
    ]
    ((channel, block),) = to_blocks(("", entry) for entry in entries)
    assert (channel, list(block.entries())) == ("", entries)
    assert [place for place, _ in block.events] == [0, 1, 2]
