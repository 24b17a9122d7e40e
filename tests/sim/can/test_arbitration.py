"""Who has a frame ready, and who of them wins."""

import pytest

from rvsim.sim.can.arbitration import Arbitration
from rvsim.sim.can.controller import Controller


@pytest.fixture
def arbitration():
    """Make an arbitration of (name, free from, frames)."""

    def make(*nodes):
        made = Arbitration()
        for name, free_from, *frames in nodes:
            node = Controller(name, name)
            node.free_from = free_from
            for frame in frames:
                node.hold(frame)
            made[node] = None
        return made

    return make


def taken(ready, now=0):
    """Return what wins, by name."""
    return [(node.name, frame[:2]) for node, frame in ready.take(now).items()]


def test_the_lowest_identifier_wins(arbitration):
    """Whoever came first; each node offers its most urgent frame."""
    ready = arbitration(("a", 0, (5, 1, 0, b"")), ("b", 0, (7, 2, 0, b""), (3, 3, 0, b"")), ("c", 0, (4, 4, 0, b"")))
    assert [taken(ready) for _ in range(4)] == [[("b", (3, 3))], [("c", (4, 4))], [("a", (5, 1))], [("b", (7, 2))]]
    assert not ready


def test_nodes_with_one_identifier_win_together_in_the_order_of_their_frames(arbitration):
    """The one whose frame has been ready for longest is the first, whoever else contends."""
    ready = arbitration(
        ("a", 0, (3, 9, 0, b"")), ("b", 0, (3, 8, 0, b"")), ("c", 0, (4, 1, 0, b"")), ("d", 0, (3, 7, 0, b""))
    )
    assert taken(ready) == [("d", (3, 7)), ("b", (3, 8)), ("a", (3, 9))]
    assert [node.name for node in ready] == ["c"]


def test_a_node_that_pauses_does_not_contend_yet(arbitration):
    """From the end of its pause on it does."""
    ready = arbitration(("a", 100, (3, 1, 0, b"")), ("b", 20, (4, 2, 0, b"")), ("c", 50, (5, 3, 0, b"")))
    assert ready.free_from() == 20
    assert taken(ready, 99) == [("b", (4, 2))]
    assert taken(ready, 100) == [("a", (3, 1))]
