"""A frame that began on a pair at rest, until something else happens near it."""

import itertools

import pytest

from rvsim.sim.can import ReversedPair
from rvsim.wire.line_events import Collided, Disturbed

BIT = 4
LEAST = 131 * BIT  # a full frame without stuff bits (Davis and others, 2007)
ZEROS = bytes(8)


@pytest.fixture
def used(pair):
    """Return a pair that has carried a frame of each of its nodes and is at rest since; "a" sends another at 5000."""
    line = pair("a", "b")
    line.send(0, 0x100, b"", "a")
    line.send(2000, 0x100, b"", "b")
    line.send(5000, 0x200, ZEROS, "a")
    return line


@pytest.mark.parametrize("late", range(-LEAST, 30 * BIT, 37))
def test_what_comes_near_it_waits_for_its_exact_end(used, bits, late):
    """Be it while it runs or within its stuff bits."""
    used.send(5000 + LEAST + late, 0x300, ZEROS, "b")
    start = max(5000 + LEAST + late, 5000 + bits(0x200, ZEROS) * BIT)
    assert used.run()[2:] == [(5000 + LEAST, 0x200, "a"), (start + LEAST, 0x300, "b")]


def test_a_lower_identifier_in_the_same_microsecond_goes_before_it(used, bits):
    """Both take part in one arbitration."""
    used.send(5000, 0x150, ZEROS, "b")
    assert used.run()[2:] == [
        (5000 + LEAST, 0x150, "b"),
        (5000 + bits(0x150, ZEROS) * BIT + LEAST, 0x200, "a"),
    ]


def test_the_same_identifier_in_the_same_microsecond_collides_with_it(used):
    """As on a pair that was never used."""
    used.send(5000, 0x200, b"other", "b")
    used.run()
    assert used.told(Collided)[0].nodes == ("a", "b")


@pytest.mark.parametrize("late", [0, 100, LEAST])
def test_a_node_that_leaves_or_gives_up_has_begun_it(used, late):
    """What is under way goes through as begun."""
    used.at(5000 + late, used.line.disconnect, "a")
    assert used.run()[2:] == [(5000 + LEAST, 0x200, "a")]


@pytest.mark.parametrize("late", [1, 100, LEAST - 1])
def test_who_joins_leaves_it_as_it_is(used, bits, late):
    """And what the new one sends waits."""
    used.at(5000 + late, used.line.connect, "c")
    used.send(5000 + late, 0x100, ZEROS, "c")
    start = 5000 + bits(0x200, ZEROS) * BIT
    assert used.run()[2:] == [(5000 + LEAST, 0x200, "a"), (start + LEAST, 0x100, "c")]


def test_a_node_with_swapped_wires_spoils_it(used):
    """At the bit at which it begins to send."""
    used.line.connect("odd")
    used.at(5100, used.line.apply, ReversedPair("odd"))
    used.send(5200, 0x100, ZEROS, "odd")
    used.run()
    assert used.told(Disturbed)[0] == Disturbed(5200, 0x200, ("a",), "odd")


def test_who_hears_a_frame_may_answer_at_once(pair, bits):
    """The answer waits for the end of the frame."""
    line = pair("a", "b")
    heard = line.frames.append
    answers = {0x200: (0x300, "b"), 0x300: (0x400, "a")}

    class Answering(list):
        def append(self, frame):
            heard(frame)
            if frame[1] in answers:
                identifier, sender = answers[frame[1]]
                line.line.send(identifier, ZEROS, sender)

    line.frames, kept = Answering(), line.frames
    for turn in range(3):
        line.send(turn * 10_000, 0x200, ZEROS, "a")
    line.run()
    lengths = list(itertools.accumulate((bits(i, ZEROS) for i in (0x200, 0x300)), initial=0))
    assert kept == [
        (turn * 10_000 + length * BIT + LEAST, identifier, sender)
        for turn in range(3)
        for length, (identifier, sender) in zip(lengths, [(0x200, "a"), (0x300, "b"), (0x400, "a")], strict=True)
    ]
