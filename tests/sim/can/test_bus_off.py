"""Bus-off and back: 128 times 11 recessive bits."""

import pytest

from rvsim.sim.can import Noise
from rvsim.wire.line_events import ErrorState, StateChanged

BIT, LEAST = 4, 131 * 4
EVERY_BIT = Noise(1.0)
OFF = 15 * 24 + 32 + 15 * 31 + 1
"""Where every first bit is spoilt: the bits to the 32nd error. The dominant start becomes recessive; error active: flag
12 (nothing dominant before it), 8, 3; error passive: one recessive bit was there, so the others answer after 5 more:
11, 8, 3 and a pause of 8, which the 16th attempt has too."""
AT_REST = OFF + 11 + 8 + 3
"""The end of that last error frame."""


@pytest.fixture
def off(pair):
    """Return a pair whose node "a" goes bus-off from 0 us on, and whose wires are good again at 4 ms."""
    line = pair("a", "b")
    line.line.apply(EVERY_BIT)
    line.send(0, 0x100, bytes(8), "a")
    line.at(4000, line.line.remove, EVERY_BIT)
    return line


def states(line):
    """Return the changes of state."""
    return [(event.time, event.node, event.state) for event in line.told(StateChanged)]


def test_32_failed_attempts_are_bus_off_and_1408_bits_of_rest_the_way_back(off):
    """On a quiet pair: the end of the error frame is the first time of rest, 127 of 11 bits follow."""
    back = (AT_REST + 127 * 11) * BIT
    frames = off.run()
    assert states(off) == [
        ((15 * 24 + 1) * BIT, "a", ErrorState.PASSIVE),
        (OFF * BIT, "a", ErrorState.BUS_OFF),
        (back, "a", ErrorState.ACTIVE),
    ]
    assert frames == [(back + LEAST, 0x100, "a")]
    assert off.errors("a") == (0, 0)


def test_traffic_lengthens_the_way_back(off, bits):
    """A frame of another node counts as one time of rest, whatever its length."""
    off.send(5000, 0x200, bytes(8), "b")
    off.run()
    before = (5000 // BIT - AT_REST) // 11
    rest = 5000 // BIT + bits(0x200, bytes(8))
    assert states(off)[-1] == ((rest + (127 - before - 1) * 11) * BIT, "a", ErrorState.ACTIVE)


def test_a_busy_pair_still_lets_it_back(off, bits):
    """With frame after frame each end is one time of rest: 127 frames behind the error frame."""
    for turn in range(200):
        off.send(4000 + turn * 500, 0x200, bytes(8), "b")
    off.run()
    time, node, state = states(off)[-1]
    assert (node, state) == ("a", ErrorState.ACTIVE)
    quiet = (4000 // BIT - AT_REST) // 11
    frames = 127 - quiet
    assert time == 4000 + frames * bits(0x200, bytes(8)) * BIT
    assert off.kernel.planned < 1000


def test_while_bus_off_a_node_neither_hears_nor_sends_nor_acknowledges(pair):
    """Its frames wait; a second node is then alone."""
    line = pair("a", "b", acknowledges=False)
    line.line.apply(EVERY_BIT)
    line.send(0, 0x100, bytes(8), "a")
    line.at(4000, line.line.remove, EVERY_BIT)
    line.send(5000, 0x50, bytes(8), "a")
    line.send(5000, 0x200, bytes(8), "b")
    assert line.run(6000) == []
    assert line.line.not_receiving == {"a"}
    frames = line.run()
    assert [identifier for _, identifier, _ in frames] == [0x50, 0x100, 0x200]
    assert line.line.not_receiving == set()
    assert frames[0][0] > (AT_REST + 127 * 11) * BIT + LEAST


def test_a_node_that_leaves_does_not_come_back(off):
    """What was counted for it is forgotten."""
    off.at(5000, off.line.disconnect, "a")
    assert off.run() == []
    assert states(off)[-1][2] is ErrorState.BUS_OFF


@pytest.mark.parametrize("gap", [520, 545, 700, 1111])
def test_it_is_back_at_the_very_bit_with_traffic_and_without(off, bits, gap):
    """The end of each frame is one time of rest, and each whole 11 bits from there to the next start are one."""
    for turn in range(400):
        off.send(4000 + turn * gap, 0x200, bytes(8), "b")
    off.run()
    seen, clear = 1, AT_REST * BIT
    length = bits(0x200, bytes(8)) * BIT
    for ready in range(4000, 4000 + 400 * gap, gap):
        start = max(ready, clear)
        rest = (start - clear) // (11 * BIT)
        if seen + rest >= 128:
            break
        seen, clear = seen + rest + 1, start + length
        if seen >= 128:
            break
    assert states(off)[-1] == (clear + max(128 - seen, 0) * 11 * BIT, "a", ErrorState.ACTIVE)
    assert off.kernel.planned < 3000


@pytest.mark.parametrize("odd", [0, 1])
def test_beside_a_lone_node_each_of_its_attempts_is_two_times_of_rest(pair, bits, odd):
    """From the acknowledgement slot to the next start there are 25 recessive bits; few events are needed."""
    line = pair("a", "b", acknowledges=False)
    line.line.apply(EVERY_BIT)
    line.send(0, 0x100, bytes(8), "a")
    line.at(4000, line.line.remove, EVERY_BIT)
    start = 5000 + odd * 44
    line.send(start, 0x200, bytes(8), "b")
    line.run()
    length = bits(0x200, bytes(8))
    active, passive = length + 6, length + 14
    seen = 1 + (start // BIT - AT_REST) // 11 + 16
    begun = start + (16 * active + 8) * BIT
    turns = -(-(128 - seen) // 2)
    back = next(event.time for event in line.told(StateChanged) if event[1:3] == ("a", ErrorState.ACTIVE))
    assert back == begun + (turns * passive - 8) * BIT
    assert line.kernel.planned < 200


def test_frames_given_up_as_a_repeat_starts_do_not_hold_up_the_way_back(pair, bits):
    """The lone node has nothing more to send from that microsecond on; the pair is at rest, and time goes on."""
    line = pair("off", "lone", acknowledges=False)
    line.line.apply(EVERY_BIT)
    line.send(0, 0x100, bytes(8), "off")
    line.at(4000, line.line.remove, EVERY_BIT)
    line.send(4000, 0x200, bytes(8), "lone")
    line.run(8000)
    length, first = bits(0x200, bytes(8)), 4000 // BIT
    passive = first + 15 * (length - 11 + 6 + 8 + 3) + length - 11
    repeats = passive + 6 + 8 + 3 + 8  # from here on, a repeat each length - 11 + 25 bits
    given_up = repeats + 3 * (length - 11 + 25)
    line.at(given_up * BIT, line.line.withdraw, "lone")
    line.run(100_000)
    rests = 1 + (first - AT_REST) // 11 + 16 + 3 * 2  # 16 error frames to error passive, 3 repeats
    clear = given_up - 8
    assert states(line)[-1] == ((clear + (128 - rests) * 11) * BIT, "off", ErrorState.ACTIVE)
    assert line.kernel.planned < 200


def test_who_left_the_pair_bus_off_does_not_change_the_way_back_of_another(pair):
    """One goes bus-off and leaves; the other comes back when it would have come back alone."""
    found = []
    for names in (("a", "b"), ("gone", "a", "b")):
        line = pair(*names)
        line.line.apply(EVERY_BIT)
        if "gone" in names:
            line.send(0, 0x100, bytes(8), "gone")
        line.at(4000, line.line.disconnect, "gone")
        line.send(4100, 0x100, bytes(8), "a")
        line.at(8000, line.line.remove, EVERY_BIT)
        line.run()
        found.append([state for state in states(line) if state[1] == "a"])
    assert found[0] == found[1]
    assert found[0][-1][2] is ErrorState.ACTIVE
