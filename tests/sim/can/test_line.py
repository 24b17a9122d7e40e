"""The simulated pair: one frame at a time, lowest identifier first, exact where frames meet; nobody to acknowledge."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.sim.can import SimultaneousSenders, transmission
from rvsim.wire.line_events import Collided, ErrorState, NotAcknowledged, Overflowed, StateChanged

BIT = 4
LEAST = 131 * BIT  # a full frame without stuff bits (Davis and others, 2007)
COUNTED = {  # bit counts that CAN hardware logged, the 3 between frames included (python-can's test log logfile.asc)
    bytes.fromhex("01A00FA6603BD140"): 141,
    bytes.fromhex("021FDE8025DFC02B"): 140,
    bytes.fromhex("03E1004BFFFF3C0F"): 146,
}
ZEROS = bytes(8)


def test_a_full_frame_takes_131_bits(pair):
    """An 8-byte frame without stuff bits takes 131 bits of 4 us, 524 us at 250 kbit/s (Davis and others 2007)."""
    line = pair()
    line.send(1000, 0x19FFE45E, ZEROS, 0)
    assert line.run() == [(1524, 0x19FFE45E, 0)]


def test_an_empty_frame_takes_67_bits(pair):
    """A frame without data takes 67 bits, 268 us (Davis and others 2007)."""
    line = pair()
    line.send(0, 0x18EAFF5E, b"", 0)
    assert line.run() == [(268, 0x18EAFF5E, 0)]


def test_frames_that_wait_start_where_hardware_ends_the_last_one(pair):
    """Frames in a row start at the exact ends of those before them, by bit counts that CAN hardware logged."""
    line = pair()
    for data in [*COUNTED, ZEROS]:
        line.send(0, 0x18EBFF00, data, "a")
    starts = itertools.accumulate(COUNTED.values(), initial=0)
    assert [time for time, _, _ in line.run()] == [start * BIT + LEAST for start in starts]


def test_waiting_frames_go_by_identifier(pair, bits):
    """Frames that find the pair busy wait; the lowest identifier goes next, whoever came first."""
    line = pair()
    for number, (time, identifier) in enumerate([(0, 0x500), (10, 0x300), (20, 0x100), (30, 0x200)]):
        line.send(time, identifier, ZEROS, number)
    frames = line.run()
    assert [(identifier, sender) for _, identifier, sender in frames] == [
        (0x500, 0),
        (0x100, 2),
        (0x200, 3),
        (0x300, 1),
    ]
    lengths = itertools.accumulate((bits(i, ZEROS) for i in (0x500, 0x100, 0x200)), initial=0)
    assert [time for time, _, _ in frames] == [length * BIT + LEAST for length in lengths]


def test_three_nodes_ready_at_once_go_by_identifier(pair, bits):
    """On a free pair too: who becomes ready in the same microsecond takes part, whatever the order of the calls."""
    line = pair()
    for identifier, data, sender in ((0x300, b"", "c"), (0x100, ZEROS, "a"), (0x200, b"12", "b")):
        line.send(1000, identifier, data, sender)
    second = 1000 + bits(0x100, ZEROS) * BIT
    third = second + bits(0x200, b"12") * BIT
    assert line.run() == [
        (1000 + LEAST, 0x100, "a"),
        (second + 83 * BIT, 0x200, "b"),
        (third + 67 * BIT, 0x300, "c"),
    ]


def test_a_microsecond_later_is_too_late(pair):
    """A frame that becomes ready after another's start waits, be its identifier lower."""
    line = pair()
    line.send(0, 0x300, ZEROS, "c")
    line.send(1, 0x100, ZEROS, "a")
    assert [sender for _, _, sender in line.run()] == ["c", "a"]


def test_equal_identifiers_keep_their_order(pair):
    """Two waiting frames of one node with one identifier go in the order they were sent."""
    line = pair()
    line.send(0, 0x1, ZEROS, "a")
    line.send(1, 0x2, b"first", "b")
    line.send(1, 0x2, b"later", "b")
    times = [time for time, _, _ in line.run()]
    assert [frame[1:] for frame in line.frames] == [(0x1, "a"), (0x2, "b"), (0x2, "b")]
    assert times[2] - times[1] >= 107 * BIT  # five bytes


def test_each_node_offers_its_own_most_urgent_frame(pair):
    """Behind a frame under way a node's frames go by identifier, not by the order in which it got them ready."""
    line = pair()
    for identifier, sender in ((0x500, "a"), (0x400, "a"), (0x200, "b"), (0x100, "a"), (0x300, "b")):
        line.send(0, identifier, ZEROS, sender)
    assert [identifier for _, identifier, _ in line.run()] == [0x100, 0x200, 0x300, 0x400, 0x500]


def test_what_a_node_has_begun_on_a_free_pair_goes_first(pair):
    """A node that gets two frames ready at once, alone, has begun the first when it has the second."""
    line = pair()
    line.send(0, 0x500, ZEROS, "a")
    line.send(0, 0x400, ZEROS, "a")
    assert [identifier for _, identifier, _ in line.run()] == [0x500, 0x400]


def test_a_free_pair_starts_at_once(pair):
    """After a pause the next frame starts when it is ready."""
    line = pair()
    line.send(0, 0x1, ZEROS, "a")
    line.send(10_000, 0x1, ZEROS, "a")
    assert [time for time, _, _ in line.run()] == [LEAST, 10_000 + LEAST]


@pytest.mark.parametrize("late", range(0, 30 * BIT, 7))
def test_a_frame_that_comes_within_the_stuff_bits_waits_for_the_exact_end(pair, bits, late):
    """Behind the least length a frame still runs for its stuff bits; only then the next may start."""
    line = pair()
    line.send(0, 0x100, ZEROS, "a")
    line.send(LEAST + late, 0x200, ZEROS, "b")
    start = max(LEAST + late, bits(0x100, ZEROS) * BIT)
    assert line.run()[1] == (start + LEAST, 0x200, "b")


def test_a_lone_frame_is_never_worked_out_to_the_bit(pair, monkeypatch):
    """Where no frame is near another, how many stuff bits each has is never asked."""
    monkeypatch.setattr(transmission, "exact_bits", None)
    line = pair()
    for turn in range(20):
        line.send(turn * 1000, 0x100 + turn, ZEROS, "a")
    assert len(line.run()) == 20


@pytest.mark.parametrize(
    ("rate", "first", "second"),
    [(500_000, 262, 544), (125_000, 1048, 2176), (1_000_000, 131, 272), (800_000, 164, 341)],
)
def test_other_rates(pair, rate, first, second):
    """At other rates the 131 and then 141 + 131 bits take their time, rounded up to microseconds frame by frame."""
    line = pair(rate=rate)
    line.send(0, 0x18EBFF00, bytes.fromhex("01A00FA6603BD140"), "a")
    line.send(0, 0x18EBFF00, ZEROS, "a")
    assert [time for time, _, _ in line.run()] == [first, second]


def test_a_node_without_room_loses_the_frame_and_says_so(pair):
    """A node holds 64 frames besides the one under way; the next is lost and told of."""
    line = pair()
    for turn in range(67):
        line.send(0, 0x100 + turn, ZEROS, "a")
    assert len(line.run()) == 65
    assert line.told(Overflowed) == [Overflowed(0, "a", 0x141), Overflowed(0, "a", 0x142)]


frames = st.lists(
    st.tuples(
        st.integers(0, 12_000),
        st.integers(0, 5),  # highest in the identifier; the frame's number is lowest, so that none collide
        st.integers(0, 0xFFFFF),
        st.binary(max_size=8),
    ),
    max_size=40,
)


@settings(deadline=None)
@given(sends=frames)
def test_whatever_is_sent_goes_once_in_the_order_of_arbitration_without_overlap(pair_class, naive_bits, sends):
    """Each frame is delivered once, none starts before the one before has ended, none goes past a more urgent one."""
    line = pair_class()
    for number, (time, sender, low, data) in enumerate(sends):
        line.send(time, sender << 26 | low << 6 | number, data, (sender, number))
    sent = {(sender, number): (time, data) for number, (time, sender, _, data) in enumerate(sends)}
    delivered = [(time, identifier, *sent[sender], sender) for time, identifier, sender in line.run()]
    assert sorted(sender for *_, sender in delivered) == sorted(sent)
    clear = 0
    for place, (time, identifier, ready, data, _) in enumerate(delivered):
        start = time - (67 + 8 * len(data)) * BIT
        assert start >= max(clear, ready)
        waiting = [(r, i) for _, i, r, _, _ in delivered[place:] if r <= start]
        assert identifier == min(i for _, i in waiting)
        assert start == max(clear, min(r for _, _, r, _, _ in delivered[place:]))
        clear = start + naive_bits(identifier, data) * BIT


@settings(deadline=None)
@given(sends=frames, stops=st.lists(st.integers(0, 20_000), max_size=4))
def test_a_frame_without_an_event_of_its_own_is_the_same_frame(pair_class, sends, stops):
    """What an action sends as the last thing that it does: same frames and times, however near others come."""

    def run(which):
        line = pair_class()
        for number, (time, sender, low, data) in enumerate(sends):
            line.at(time, getattr(line.line, which), sender << 26 | low << 6 | number, data, (sender, number))
        for stop in sorted(stops):
            line.run(stop)
        return line.run(), line.kernel.planned

    with_events, without = run("send"), run("send_last")
    assert without[0] == with_events[0]
    assert without[1] <= with_events[1]


def test_a_lone_frame_needs_no_event_of_its_own(pair):
    """Ten frames far from each other: beside the ten actions that send them, only the first has an event."""
    line = pair("a")
    for number in range(10):
        line.at(1000 * number, line.line.send_last, 0x19FFE45E, ZEROS, "a")
    assert [time for time, _, _ in line.run()] == [1000 * number + LEAST for number in range(10)]
    assert line.kernel.planned == 11


def test_two_nodes_with_the_same_frame_at_once_send_it_together(pair, bits):
    """Equal identifier and equal data: no bit differs, so it is one frame, which neither of them hears."""
    line = pair()
    for sender in ("a", "b"):
        line.send(0, 0x100, b"same", sender)
    line.send(0, 0x200, ZEROS, "c")
    (first, second) = line.run()
    assert first == (99 * BIT, 0x100, ("a", "b"))
    assert isinstance(first[2], SimultaneousSenders)
    assert second == (bits(0x100, b"same") * BIT + LEAST, 0x200, "c")
    assert line.events == []


def test_the_same_frame_of_two_nodes_that_wait_is_one_frame(pair, bits):
    """Behind another one, while nothing else is planned, as at once."""
    line = pair()
    line.send(0, 0x200, ZEROS, "c")
    for sender in ("a", "b"):
        line.send(10, 0x100, b"same", sender)
    assert line.run()[1:] == [(bits(0x200, ZEROS) * BIT + 99 * BIT, 0x100, ("a", "b"))]
    assert line.events == []


def test_frames_that_wait_need_no_event_of_their_own(pair):
    """Of ten ready at once nine wait: beside the ten actions that send them, the first one's end is planned. After them
    the pair is at rest as before, for one that comes alone."""
    line = pair("a")
    for number in range(10):
        line.send(0, 0x100 + number, ZEROS, "a")
    line.at(50_000, line.line.send_last, 0x100, ZEROS, "a")
    assert len(line.run()) == 11
    assert line.kernel.planned == 12


def test_the_exact_length_is_that_of_each_frame(pair, bits):
    """Frames that differ in one bit have lengths of their own, though those of many frames are kept."""
    line, sent = pair("a", "b"), [bytes(8), bytes([0, 0x55] * 4), bytes([0] * 7 + [0x55]), bytes(7), bytes(8)]
    for number, data in enumerate(sent):
        line.send(10_000 * number, 0x100, data, "a")
        line.send(10_000 * number + 1, 0x200, ZEROS, "b")
    second = [time for time, identifier, _ in line.run() if identifier == 0x200]
    assert second == [10_000 * place + bits(0x100, data) * BIT + LEAST for place, data in enumerate(sent)]
    assert len({second[place] - 10_000 * place for place in range(5)}) == 4


@settings(deadline=None)
@given(sends=frames, others=st.lists(st.integers(0, 20_000), max_size=20))
def test_what_else_is_planned_changes_no_frame(pair_class, sends, others):
    """Whatever happens between frames that wait, and whenever: the same frames, times and waits are told."""

    def run(moments):
        line = pair_class()
        for number, (time, sender, low, data) in enumerate(sends):
            line.send(time // 8, sender << 26 | low << 6 | number, data, sender)
        for moment in moments:
            line.at(moment, lambda: None)
        return line.run(), line.events

    assert run(others) == run(()) == run(range(0, 24_000, 3))


# One identifier, different data.


ONE, OTHER, SHARED = bytes.fromhex("00 00 F0 FF FF FF FF FF"), bytes.fromhex("00 00 E0 FF FF FF FF FF"), 0x19FF9C91


def collision(wire):
    """Return the first bit that differs, and the bits of a failed attempt, flags and their answer included."""
    one, other = wire(SHARED, ONE), wire(SHARED, OTHER)
    differing = next(place for place in range(200) if one[place] != other[place])
    on_the_pair = other[: differing + 1]  # the dominant bit is there
    run = len(on_the_pair) - len(on_the_pair.rstrip("0"))
    return differing + 1, differing + 1 + (6 - run) + 6 + 8 + 3


def test_one_identifier_with_different_data_collides_until_both_are_error_passive(pair, wire, bits):
    """Sixteen times both see an error and count 8; then the one with the dominant bit goes through, then the other.

    The flags: the first one's 6 bits complete 6 equal ones with those before it, then all others' flags follow.
    """
    line = pair("one", "other", "third")
    line.send(0, SHARED, ONE, "one")
    line.send(0, SHARED, OTHER, "other")
    first_bit, cycle = collision(wire)
    assert (first_bit, wire(SHARED, ONE)[first_bit - 1]) == (64, "1")  # 59th of the frame, 5 stuff bits before it
    frames = line.run()
    times = [(turn * cycle + first_bit) * BIT for turn in range(16)]
    last_start = (16 * cycle + 8) * BIT  # both pause: they are error passive now
    assert line.told(Collided) == [
        *(Collided(time, SHARED, ("one", "other")) for time in times),
        Collided(last_start + first_bit * BIT, SHARED, ("one", "other")),
    ]
    through = last_start + (bits(SHARED, OTHER) + 8) * BIT
    assert frames == [(last_start + LEAST, SHARED, ("other", "one")), (through + LEAST, SHARED, "one")]
    assert [(event.time, event.node, event.state) for event in line.told(StateChanged)] == [
        (times[-1], "one", ErrorState.PASSIVE),
        (times[-1], "other", ErrorState.PASSIVE),
        (last_start + LEAST, "other", ErrorState.ACTIVE),
    ]
    assert (line.errors("one"), line.errors("other"), line.errors("third")) == ((135, 0), (127, 0), (0, 14))


def test_a_collision_ends_when_the_times_differ(pair):
    """A node that gave its frame up, and sends it later, no longer collides."""
    line = pair("one", "other")
    line.send(0, SHARED, ONE, "one")
    line.send(0, SHARED, OTHER, "other")
    line.at(1000, line.line.withdraw, "one")
    line.send(50_000, SHARED, ONE, "one")
    assert [sender for _, _, sender in line.run()] == ["other", "one"]
    assert 1 < len(line.told(Collided)) < 16


def test_the_shorter_of_two_frames_loses_no_bit_of_its_length(pair):
    """Frames that differ in length differ in the length code; the dominant bit there is the shorter one's."""
    line = pair("short", "long")
    line.send(0, SHARED, b"", "short")
    line.send(0, SHARED, ZEROS, "long")
    assert [sender for _, _, sender in line.run()] == [("short", "long"), "long"]


# Nobody acknowledges.


def lone(pair, identifier=0x19FFE45E, data=ZEROS, **more):
    """Return a pair where one node alone sends one frame at 1000 us."""
    line = pair("lone", acknowledges=False, **more)
    line.send(1000, identifier, data, "lone")
    return line


def attempts(length):
    """Return the starts of a lone node's attempts, in microseconds.

    To the end of the acknowledgement slot 11 bits less than all; then flag 6, delimiter 8, 3 between frames, and 8
    more as soon as it is error passive.
    """
    active = (1000 + turn * (length - 11 + 6 + 8 + 3) * BIT for turn in range(16))
    start = 1000 + (16 * (length + 6) + 8) * BIT
    return itertools.chain(active, itertools.count(start, (length + 14) * BIT))


def test_a_lone_node_stays_at_128_and_error_passive(pair, bits):
    """Nobody acknowledges: its transmit error counter rises by 8 to 128 and stays (a maker's note SLAAET4, 2025)."""
    line = lone(pair)
    assert line.run(3_600_000_000) == []
    assert line.errors("lone") == (128, 0)
    length = bits(0x19FFE45E, ZEROS)
    slots = [start + (length - 11) * BIT for start in itertools.islice(attempts(length), 17)]
    assert line.events == [
        *(NotAcknowledged(time, "lone", 0x19FFE45E) for time in slots[:16]),
        StateChanged(slots[15], "lone", ErrorState.PASSIVE, 128, 0),
        NotAcknowledged(slots[16], "lone", 0x19FFE45E, endless=True),
    ]


def test_an_hour_of_endless_retries_costs_a_handful_of_events(pair):
    """Some six million attempts are one state, not events."""
    line = lone(pair)
    line.run(3_600_000_000)
    assert line.kernel.planned < 60


@pytest.mark.parametrize("moment", [1_500, 11_111, 60_000, 1_234_567, 3_600_000_001])
def test_the_next_attempt_goes_through_when_another_node_appears(pair, bits, moment):
    """It hears nothing of an attempt under way and acknowledges the next one, at the time of its start to the bit."""
    line = lone(pair)
    line.at(moment, line.line.connect, "other")
    start = next(time for time in attempts(bits(0x19FFE45E, ZEROS)) if time >= moment)
    assert line.run(moment + 100_000) == [(start + LEAST, 0x19FFE45E, "lone")]
    assert line.errors("lone")[0] <= 127
    assert [event.state for event in line.told(StateChanged)] in ([], [ErrorState.PASSIVE, ErrorState.ACTIVE])


def test_a_frame_that_is_given_up_is_retried_no_more(pair):
    """Withdrawn, it does not go through when another node appears."""
    line = lone(pair)
    line.at(500_000, line.line.withdraw, "lone")
    line.at(600_000, line.line.connect, "other")
    assert line.run() == []
    line.send(1_000_001, 0x100, b"", "lone")
    assert line.run(2_000_000) == [(1_000_001 + 268, 0x100, "lone")]


def test_a_more_urgent_frame_takes_the_place_of_the_one_that_is_retried(pair, bits):
    """It is offered from the next attempt on, and goes first when another node appears."""
    line = lone(pair)
    line.send(500_000, 0x100, b"", "lone")
    line.send(500_001, 0x1FFFFFFF, b"", "lone")
    line.at(700_000, line.line.connect, "other")
    first, second, third = line.run()
    assert [identifier for _, identifier, _ in (first, second, third)] == [0x100, 0x19FFE45E, 0x1FFFFFFF]
    before = next(time for time in attempts(bits(0x19FFE45E, ZEROS)) if time >= 500_000)
    cycle = (bits(0x100, b"") + 14) * BIT
    assert first[0] == before + -(-(700_000 - before) // cycle) * cycle + 268


def test_another_nodes_frame_is_acknowledged_and_acknowledges(pair, bits):
    """A node that appears with a frame waits for the attempt under way to end; then both get through."""
    line = lone(pair)
    line.send(500_000, 0x100, b"", "other")
    frames = line.run()
    assert [sender for _, _, sender in frames] == ["other", "lone"]
    before = max(time for time in itertools.islice(attempts(bits(0x19FFE45E, ZEROS)), 1000) if time <= 500_000)
    free = before + (bits(0x19FFE45E, ZEROS) - 11 + 6 + 8 + 3) * BIT
    assert frames[0][0] == max(500_000, free) + 268


def test_a_node_that_leaves_ends_its_retries_and_acknowledges_no_more(pair):
    """A node that is gone neither sends nor acknowledges."""
    line = lone(pair)
    line.at(2_000, line.line.connect, "other")
    line.at(50_000, line.line.disconnect, "other")
    line.send(60_000, 0x100, b"", "lone")
    line.at(90_000, line.line.disconnect, "lone")
    line.at(100_000, line.line.connect, "other")
    assert len(line.run()) == 1
    assert list(line.line.controllers) == ["other"]


def test_two_nodes_acknowledge_each_other(pair):
    """Without anybody else a second node is enough."""
    line = pair("a", "b", acknowledges=False)
    line.send(0, 0x100, b"", "a")
    line.send(0, 0x200, b"", "b")
    assert [sender for _, _, sender in line.run()] == ["a", "b"]
    assert line.events == []


def test_two_senders_of_one_frame_do_not_acknowledge_each_other(pair):
    """Both are senders of it, so its slot stays empty, as long as nobody else is there."""
    line = pair("a", "b", acknowledges=False)
    for sender in ("a", "b"):
        line.send(0, 0x100, b"", sender)
    line.at(500_000, line.line.connect, "c")
    frames = line.run()
    assert [sender for _, _, sender in frames] == [("a", "b")]
    assert frames[0][0] > 500_000
    assert line.kernel.planned < 80
