"""How busy the pair of wires is over any second, worked by hand.

CAN hardware counted 141 bits for the frame 18EBFF00 01 A0 0F A6 60 3B D1 40, the 3 bits between frames included (a log
writer's test data); one second at 250 kbit/s holds 250 000. Without stuff bits a full frame has 131 (Davis and others
2007).
"""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rvsim.watch.bus.bus_load import BusFrame, BusLoad, BusySecond, Window
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import OtherFrame, OtherKind
from rvsim.wire.timing import min_bits

IDENTIFIER, DATA, BITS = 0x18EBFF00, bytes.fromhex("01A00FA6603BD140"), 141


def loaded(*bursts: tuple[float, int]) -> BusLoad:
    """Load by bursts: second, number of frames."""
    load = BusLoad()
    for second, count in bursts:
        for _ in range(count):
            load.add(Frame(round(second * SECOND_US), IDENTIFIER, DATA))
    return load


def percent(frames: int) -> float:
    """The load of so many of them in a second."""
    return 100 * frames * BITS / 250_000


def test_nothing_yet():
    """Before the first frame the wires are idle."""
    assert BusLoad().percent() == (0, 0)


def test_every_stuff_bit_of_a_second_that_is_over_counts():
    """177 frames of 141 bits are 24 957: 9.98 %."""
    assert loaded((0.5, 177), (1.0, 1)).percent() == pytest.approx((percent(177), percent(177)))
    assert percent(177) == pytest.approx(9.98, abs=0.01)


def test_the_present_second_counts_for_the_worst_only_and_without_stuff_bits():
    """The load is that of the last whole second; a burst shows as the worst at once, as what it has at least."""
    assert loaded((0, 100), (1.999, 200)).percent() == pytest.approx((percent(100), 100 * 200 * 131 / 250_000))


def test_the_busiest_second_is_remembered():
    """300, 100, 200 frames: the last whole second has 100, the busiest 300."""
    assert loaded((0, 300), (1, 100), (2, 200)).percent() == pytest.approx((percent(100), percent(300)))


def test_a_quiet_second_is_idle():
    """After a second without a frame the last second's load is none, and the worst stays."""
    assert loaded((0, 100), (2, 1)).percent() == pytest.approx((0, percent(100)))
    assert loaded((0, 100), (50, 1)).percent() == pytest.approx((0, percent(100)))


def test_wires_that_fell_quiet_are_idle_by_the_clock():
    """Without any frame the time tells: the burst is the last second for one second, then nothing is."""
    load = loaded((3, 100))
    assert load.percent(3_999_999) == pytest.approx((0, 100 * 100 * 131 / 250_000))
    assert load.percent(4 * SECOND_US) == load.percent(4_999_999) == pytest.approx((percent(100), percent(100)))
    assert load.percent(5 * SECOND_US) == pytest.approx((0, percent(100)))


def test_a_clock_that_is_behind_the_frames_changes_nothing():
    """Frames may be ahead of whoever looks."""
    load = loaded((3, 100), (4, 50))
    assert load.percent(2 * SECOND_US) == load.percent() == pytest.approx((percent(100), percent(100)))
    assert load.percent(4_500_000) == load.percent()


def test_frames_that_come_late_into_a_second_count():
    """A clock that is ahead of the frames does not fix a second that is still coming in."""
    load = loaded((0.2, 10))
    assert load.percent(30 * SECOND_US) == pytest.approx((0, percent(10)))
    for _ in range(90):
        load.add(Frame(900_000, IDENTIFIER, DATA))
    assert load.percent(30 * SECOND_US) == pytest.approx((0, percent(100)))


def test_seconds_are_closed_as_the_time_goes_on():
    """Each with its frames; of a long pause only the first three seconds are told."""
    load = loaded((0.5, 3))
    assert [(one.start, len(one.frames)) for one in load.close(SECOND_US)] == [(0, 3)]
    assert [(one.start, len(one.frames)) for one in load.close(90 * SECOND_US)] == [
        (n * SECOND_US, 0) for n in (1, 2, 3)
    ]
    assert load.end == 91 * SECOND_US
    load.add(Frame(95_500_000, IDENTIFIER, DATA))
    assert [(one.start, len(one.frames)) for one in load.close(97 * SECOND_US)] == [
        (95 * SECOND_US, 1),
        (96 * SECOND_US, 0),
    ]


def test_a_second_says_who_used_it():
    """Bits by source address, and by kind where there is none."""
    other = Frame(2, IDENTIFIER | 0x5E, DATA)
    told = OtherFrame(1, OtherKind.ERROR, 23)
    second = BusySecond(0, 3 * 131 + 23, (Frame(0, IDENTIFIER, DATA), Frame(1, IDENTIFIER, DATA), other), (told,))
    found = second.busiest()
    assert found.by_user()[0] == 2 * BITS
    assert found.by_user()["error"] == 23
    assert 131 < found.by_user()[0x5E] <= 160
    assert found.percent == second.percent == pytest.approx(100 * found.by_user().total() / 250_000)


def test_whether_a_second_can_reach_a_load_is_told_by_it_and_the_one_before():
    """At most 1000 frames of 160 bits: 64 %; whatever lies across the two seconds."""
    assert BusySecond(0, 1000 * 131, ()).can_reach(60)
    assert not BusySecond(0, 1000 * 131, ()).can_reach(65)
    assert BusySecond(0, 500 * 131, (), least_before=500 * 131).can_reach(60)
    assert not BusySecond(0, 500 * 131, (), least_before=500 * 131).can_reach(65)


def test_the_busiest_second_may_lie_across_two():
    """100 frames at 0.9 s and 100 at 1.4 s: neither whole second has them all, and one that begins at 0.5 s has."""
    assert loaded((0.9, 100), (1.4, 100), (4, 1)).percent() == pytest.approx((0, percent(200)))


def test_a_second_ends_with_a_frame_and_begins_behind_one():
    """Of two frames exactly a second apart each has a second of its own; a microsecond less and one has both."""
    assert loaded((0.5, 1), (1.5, 1), (4, 1)).percent()[1] == pytest.approx(percent(1))
    assert loaded((0.5, 1), (1.499999, 1), (4, 1)).percent()[1] == pytest.approx(percent(2))


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0, 1, 137, 250_000, 999_999, SECOND_US, 3 * SECOND_US]), st.integers(0, 8), st.booleans()
        ),
        max_size=60,
    )
)
def test_the_busiest_second_is_that_of_a_count_by_hand(drawn):
    """For random frames of all lengths, 11-bit ones among them: the most bits before stuffing in any second."""
    load, time, passed = BusLoad(), 0, []
    for step, length, is_other in drawn:
        time += step
        one = OtherFrame(time, OtherKind.STANDARD, 50) if is_other else Frame(time, IDENTIFIER, bytes(length))
        load.add(one)
        passed.append((time, 50 if is_other else min_bits(length), one))
    for _ in load.close(time + 2 * SECOND_US):
        pass
    sums = {
        end: sum(bits for time, bits, _ in passed if end - SECOND_US < time <= end)
        for end in {one[0] for one in passed}
    }
    most = max(sums.values(), default=0)
    ends = [end for end, bits in sorted(sums.items()) if bits == most]
    exact = [
        Window(end, tuple(one for time, _, one in passed if end - SECOND_US < time <= end)).percent for end in ends[:1]
    ]
    assert load.percent(time + 4 * SECOND_US) == pytest.approx((0, exact[0] if exact else 0))


def test_a_crowded_second_is_kept():
    """Two frames within the time of the longest one, 640 us: the later may have waited; further apart it has not."""
    load = BusLoad()
    frames = [Frame(time, 0x18EEFF5E, bytes(8)) for time in (100_000, 100_640, 1_500_000, 1_500_641, 2_500_000)]
    for frame in frames:
        load.add(frame)
    assert load.crowded == tuple(frames[:2])


STEPS = st.lists(
    st.tuples(st.sampled_from((1_000, 90_000, 400_000, 3_000_000)), st.integers(0, 8), st.booleans()), max_size=60
)


@given(STEPS, st.booleans())
@example([(3_000_000, 0, False), (3_000_000, 0, False)], False)  # the busiest second ends where an idle one does
@example([(1_000, 4, False), (3_000_000, 0, True)], True)  # one with more stuff bits has fewer bits without them
def test_how_often_the_load_is_asked_for_changes_nothing(steps, with_others):
    """Asked after every frame or only after the last one, the busiest second is that of a plain search."""
    often, once = BusLoad(), BusLoad()
    time, passed = 0, list[BusFrame]()
    for step, length, is_other in steps:
        time += step
        if with_others and is_other:
            passed.append(OtherFrame(time, OtherKind.STANDARD, 100 + length))
        else:
            passed.append(Frame(time, IDENTIFIER, bytes(length)))
        often.add(passed[-1])
        once.add(passed[-1])
        often.percent()
    assert often.percent() == once.percent()
    assert often.percent(time + 5 * SECOND_US) == once.percent(time + 5 * SECOND_US)
    seconds = [[one for one in passed if end.time - SECOND_US < one.time <= end.time] for end in passed]
    least = [sum(min_bits(len(o.data)) if isinstance(o, Frame) else o.bits for o in second) for second in seconds]
    busiest = Window(0, tuple(seconds[least.index(max(least))])).percent if seconds else 0
    assert often.percent(time + 5 * SECOND_US)[1] == busiest


@pytest.mark.parametrize("again", ["restore", "skip_to"])
def test_a_second_that_is_taken_anew_is_searched_anew(again):
    """Frames that were left out do not stay in the search for the busiest second."""
    load = BusLoad()
    for _ in range(3):
        load.add(Frame(1_200_000, IDENTIFIER, b""))
    load.percent()
    full = [Frame(1_500_000, IDENTIFIER, DATA)] * 5
    if again == "restore":
        load.restore(SECOND_US, full, ())
    else:
        load.skip_to(SECOND_US)
        for frame in full:
            load.add(frame)
    assert load.percent(3 * SECOND_US)[1] == percent(5)
