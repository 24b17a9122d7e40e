"""A part of a log's blocks: the very entries that are chosen one by one."""

from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.logs.block_filter import BlockFilter
from rvsim.logs.blocks import to_blocks
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import ErrorFrame

DGNS = (0x1FFB7, 0x0EA00, 0x1FFE4)
IDENTIFIERS = st.builds(
    lambda dgn, low, source: 6 << 26 | (dgn | (low if dgn == 0x0EA00 else 0)) << 8 | source,
    st.sampled_from(DGNS),
    st.integers(0, 255),
    st.sampled_from((0, 0x44, 0x5E)),
)
FRAMES = st.builds(Frame, st.just(0), IDENTIFIERS, st.binary(max_size=8))
ENTRIES = st.lists(st.tuples(st.integers(0, 1), FRAMES | st.none()), max_size=40)


@given(
    ENTRIES,
    st.integers(-1, 9),
    st.none() | st.integers(0, 15),
    st.none() | st.sets(st.sampled_from((0, 0x44, 0x5E, 0xFE))),
    st.none() | st.sets(st.sampled_from(DGNS)),
    st.integers(1, 50),
)
@settings(max_examples=300)
def test_chosen_entry_by_entry(drawn, start, end, sources, dgns, most):
    """Period with both ends in it, sources and messages; other entries only where all of both are chosen."""
    entries, time = [], 0
    for step, frame in drawn:
        time += step
        entries.append(ErrorFrame(time) if frame is None else frame._replace(time=time))
    chosen = BlockFilter(start, end, sources, dgns)
    found = [
        entry
        for _, block in to_blocks((("", entry) for entry in entries), most)
        for entry in chosen.of(block).entries()
    ]
    expected = []
    for entry in entries:
        inside = start <= entry.time and (end is None or entry.time <= end)
        if isinstance(entry, Frame):
            from_source = sources is None or entry.identifier & 0xFF in sources
            of_message = dgns is None or dgn_of(entry.identifier) in dgns
            inside = inside and from_source and of_message
        else:
            inside = inside and sources is None and dgns is None
        if inside:
            expected.append(entry)
    assert found == expected == [entry for entry in entries if chosen.has(entry)]
