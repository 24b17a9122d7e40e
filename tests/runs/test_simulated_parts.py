"""A part of a run is handed over as it happened: frames and notices in their order."""

import pickle

import pytest

from rvsim.logs.packed_frames import PackedFrames
from rvsim.runs.simulated_parts import Notice, part_of, replay_part
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import Overflowed, Waited

FRAMES = [Frame(1000 * number, 0x19FFE45E, bytes([number])) for number in range(4)]


def wait(before, since=0):
    """The notice of a frame that waited."""
    return Notice(before, "event", (Waited(1000 * before, "heater", 0x19FFE45E, since),))


@pytest.mark.parametrize(
    "notices",
    [
        [],
        [wait(1), wait(1, 7), wait(3)],
        [Notice(0, "second", (0, {"cabin": 1.0})), wait(0), Notice(2, "event", (Overflowed(5, "fan", 7),)), wait(2)],
        [wait(2), Notice(2, "failure", ()), wait(2), wait(4), Notice(4, "own", (0x18EAFFF9, b"\0"))],
    ],
)
def test_a_part_is_replayed_in_its_order(notices):
    """Waits, which are passed on as columns, come between the other notices where they were."""
    expected = []
    for position in range(len(FRAMES) + 1):
        expected += [(kind, *said) for before, kind, said in notices if before == position]
        expected += FRAMES[position : position + 1]
    found = []
    takers = {
        kind: lambda *said, kind=kind: found.append((kind, *said)) for kind in ("event", "second", "failure", "own")
    }
    replay_part(
        pickle.loads(pickle.dumps(part_of(FRAMES, notices))), lambda packed: found.extend(PackedFrames(packed)), takers
    )
    assert found == expected
    assert [type(one) for one in found] == [type(one) for one in expected]
    assert all(type(said) in (Waited, Overflowed) for kind, said in (one for one in found if one[0] == "event"))
