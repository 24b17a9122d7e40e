"""Events in columns are the same objects as entry by entry, joined and cut as blocks are."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.blocks import Block
from rvsim.logs.columns import to_columns
from rvsim.logs.columns_read.clocked import BlockBuilder, end_block
from rvsim.logs.columns_read.event_columns import BACK, EventColumns, stamp_of
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import (
    ErrorFrame,
    ErrorState,
    JoinedMessage,
    ListeningResumed,
    LogEnded,
    Marked,
    OtherFrame,
    OtherKind,
    StateChanged,
    TimeWentBack,
)

EVENTS = [
    OtherFrame(5, OtherKind.STANDARD, 60),
    ErrorFrame(6, "stuff error"),
    StateChanged(7, "n", ErrorState.PASSIVE, 128, None),
    JoinedMessage(8, 0x18FEF000, bytes(9)),
    ListeningResumed(9, 2, "lost"),
    Marked(9, "pressed"),
]


def columns(*events) -> EventColumns:
    """Return events at their times, each with one frame more before it than the last one, as columns."""
    stamps = [stamp_of(event._replace(time=0) if type(event) is not ListeningResumed else event) for event in events]
    numbers = np.arange(len(events))
    times = np.array([event.time for event in events], np.int64)
    return EventColumns(numbers, times, numbers + 1, 0 * numbers, 0 * numbers, stamps, "line {}".format)


def test_all_kinds():
    """Each event is of its type, with all that belongs to it, at its time; a pause keeps its length."""
    found = list(columns(*EVENTS))
    assert [event for _, event in found] == EVENTS
    assert [type(event) for _, event in found] == [type(event) for event in EVENTS]
    assert found[4][1].since == 2
    before, time, code, step, place = (np.array([value], np.int64) for value in (3, 70, BACK, 12, 9))
    back = EventColumns(before, time, code, step, place, [], "line {}".format)
    assert list(back) == [(3, TimeWentBack(70, 12, "line 9"))]


def test_a_sequence():
    """Events are counted, and taken by their positions, also from the end; a part is columns again."""
    events = columns(*EVENTS)
    assert (len(events), events[0], events[-1]) == (6, (0, EVENTS[0]), (5, EVENTS[5]))
    assert list(events[1:3]) == [(1, EVENTS[1]), (2, EVENTS[2])]
    assert isinstance(events[1:3], EventColumns)
    with pytest.raises(IndexError):
        events[6]


PARTS = st.lists(
    st.tuples(st.integers(0, 9), st.lists(st.tuples(st.integers(0, 9), st.sampled_from(EVENTS)), max_size=5))
)


@given(PARTS, st.integers(1, 20))
def test_blocks_are_joined_and_cut(parts, most):
    """Whatever the sizes of what is read at once: blocks keep all entries in their order, and have at most so many."""
    expected: list[object] = []
    builder, found = BlockBuilder(most), []
    for count, events in parts:
        frames = [Frame(number, 7, b"") for number in range(len(expected), len(expected) + count)]
        placed = sorted(((min(place, count), event) for place, event in events), key=lambda one: one[0])
        given_events = columns(*(event for _, event in placed))
        object.__setattr__(given_events, "before", np.array([place for place, _ in placed], np.int64))
        block = Block(to_columns(frames), given_events if placed else ())
        expected += block.entries()
        found += builder.add(None, block)
    found += (block for _, block in builder.rest())
    assert [entry for block in found for entry in block.entries()] == expected
    assert all(0 < len(block.frames) + len(block.events) <= most for block in found)


def test_the_end():
    """A log ends with an event behind all frames."""
    assert list(end_block(12).entries()) == [LogEnded(12)]
