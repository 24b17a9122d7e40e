"""Endless retries: told once for as long as a node is not heard, and ended by an error on the wires."""

import pytest

from rvsim.sim.can import Noise
from rvsim.wire.line_events import Disturbed, NotAcknowledged

ZEROS = bytes(8)


@pytest.fixture
def alone(pair):
    """Return a pair whose node "lone" has sent one frame that nobody acknowledges."""
    line = pair("lone", acknowledges=False)
    line.send(0, 0x300, ZEROS, "lone")
    return line


def endless(line):
    """Return what was told of endless retries: node and identifier."""
    return [(event.node, event.identifier) for event in line.told(NotAcknowledged) if event.endless]


def test_endless_retries_are_told_once_however_many_frames_follow(alone):
    """More urgent frames take the place of the one that is retried; the node is as alone as before."""
    for turn in range(20):
        alone.send(100_000 * (turn + 1), 0x200 - turn, ZEROS, "lone")
    alone.run(3_000_000)
    assert endless(alone) == [("lone", 0x300)]


def test_they_are_told_anew_when_a_frame_went_through_in_between(alone):
    """Another node came and left: that is a second time."""
    alone.at(100_000, alone.line.connect, "other")
    alone.at(200_000, alone.line.disconnect, "other")
    alone.send(300_000, 0x200, ZEROS, "lone")
    assert len(alone.run()) == 1
    assert endless(alone) == [("lone", 0x300), ("lone", 0x200)]


def test_they_are_told_anew_after_bus_off(alone):
    """Errors took the node off the pair, and it came back as if new."""
    noise = Noise(1.0)
    alone.at(100_000, alone.line.apply, noise)
    alone.at(105_000, alone.line.remove, noise)
    alone.run()
    assert endless(alone) == [("lone", 0x300)] * 2


def test_who_is_heard_from_the_next_attempt_on_is_not_alone(alone, bits):
    """Another node appears within the first attempt behind those that were told one by one."""
    alone.at((16 * (bits(0x300, ZEROS) + 6) + 8) * 4 + 10, alone.line.connect, "other")
    assert len(alone.run()) == 1
    assert endless(alone) == []


def test_each_of_two_that_send_one_frame_is_told(pair):
    """Both are alone with it."""
    line = pair("a", "b", acknowledges=False)
    for sender in ("a", "b"):
        line.send(0, 0x100, ZEROS, sender)
    line.run()
    assert endless(line) == [("a", 0x100), ("b", 0x100)]


def test_an_error_within_the_retries_is_found_at_its_attempt(alone, bits):
    """A hit at a bit ends the closed form: it falls into an attempt, before its acknowledgement slot."""
    alone.at(100_000, alone.line.apply, Noise(1e-4))
    alone.run()
    length = bits(0x300, ZEROS)
    first = (16 * (length + 6) + 8) * 4
    spoilt = alone.told(Disturbed)[0].time
    assert spoilt > 100_000
    assert 0 < (spoilt - first) % ((length + 14) * 4) <= (length - 11) * 4


def test_of_two_that_repeat_one_frame_the_other_goes_on(pair):
    """Both are senders, so nobody acknowledges; when one gives its frame up, it acknowledges the other's at once."""
    line = pair("a", "b", acknowledges=False)
    for name in ("a", "b"):
        line.send(0, 0x100, bytes(8), name)
    line.at(500_000, line.line.withdraw, "a")
    ((time, identifier, sender),) = line.run()
    assert (identifier, sender) == (0x100, "b")
    assert 500_000 < time < 502_000
