"""A pair that is too busy: which seconds raise a flag, how serious it is, and when it is over."""

import bisect
import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.model import Rig
from rvsim.watch.bus.overload import Overload
from rvsim.watch.transitions import Ended
from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ErrorFrame, OtherFrame, OtherKind
from rvsim.wire.timing import frame_bits

IDENTIFIER, DATA, BITS = 0x18EBFF00, bytes.fromhex("01A00FA6603BD140"), 141
"""CAN hardware counted 141 bits for this frame: 1773 of them fill a second, 709 are 40 %, 1241 are 70 %."""


class Bus:
    """Frames spread over seconds, and what the watch says of the pair."""

    def __init__(self, catalogue, rig=None):
        self.watch, self.events = Watch(catalogue, rig), []

    def second(self, number, frames):
        """So many frames in a second, one after the other."""
        for n in range(frames):
            time = number * SECOND_US + n * SECOND_US // max(frames, 1)
            self.events += self.watch.observe(Frame(time, IDENTIFIER, DATA))
        return self

    @property
    def flags(self):
        """(seconds, raised, severity)."""
        return [
            (event.time / SECOND_US, type(event) is FlagRaised, str(event.flag.severity))
            for event in self.events
            if isinstance(event, FlagRaised | FlagCleared) and event.flag.kind == "bus-busy"
        ]


@pytest.fixture
def bus(catalogue):
    """A bus without a rig."""
    return Bus(catalogue)


def test_forty_percent_is_not_too_much_and_a_frame_more_is(bus):
    """709 frames are 39.99 % of a second, 710 are 40.04 %: a notice, known at the end of the second that has the last.

    Of 709 and then 710 in a second the second frame of the later one, at 1.001408 s, ends the first second with 710: it
    began behind 0.001408 s, with the second frame at 0.001410 s.
    """
    bus.second(0, 709).second(1, 710).second(2, 1)
    assert bus.flags == [(2.0, True, "notice")]
    flag = bus.watch.flags[-1]
    assert (flag.since, flag.subject) == (1_001_408, "bus")
    assert flag.text == (
        "bus load 40 %, above 40 %: 710 frames in the second up to 1.001 s, 100 % of the bits from address 00 hex"
    )


def test_above_seventy_percent_it_is_a_warning(bus):
    """1241 frames are 69.99 %, 1242 are 70.05 %; the notice gives way to the warning."""
    bus.second(0, 1241).second(1, 1242).second(2, 1)
    assert bus.flags == [(1.0, True, "notice"), (2.0, False, "notice"), (2.0, True, "warning")]


def test_it_is_over_after_three_calm_seconds(bus):
    """Two are not enough; then the flag goes. The whole second behind a burst is not calm: full ones end in it."""
    bus.second(0, 800).second(1, 10).second(2, 10).second(3, 10)
    assert bus.flags == [(1.0, True, "notice")]
    bus.second(4, 800)
    for number in range(5, 9):
        bus.second(number, 10)
    assert bus.flags == [(1.0, True, "notice")]
    bus.second(9, 1)
    assert bus.flags == [(1.0, True, "notice"), (9.0, False, "notice")]


def test_a_pause_is_calm(bus):
    """Nothing at all for a while ends it, by the time alone."""
    bus.second(0, 800)
    bus.events += bus.watch.advance(2 * SECOND_US) + bus.watch.advance(3 * SECOND_US) + bus.watch.advance(4 * SECOND_US)
    assert bus.flags == [(1.0, True, "notice"), (4.0, False, "notice")]


def test_a_burst_after_a_long_pause_is_noticed(bus):
    """Seconds that went by untold change nothing."""
    bus.second(0, 10).second(60, 800).second(61, 1)
    assert bus.flags == [(61.0, True, "notice")]


def test_how_times_are_told_does_not_matter(catalogue):
    """In one step or in many, the same events at the same times."""
    told = []
    for steps in ((9_000_000,), tuple(range(1_000_000, 9_000_001, 250_000))):
        bus = Bus(catalogue).second(0, 800)
        for step in steps:
            bus.events += bus.watch.advance(step)
        told.append([(event.time, type(event)) for event in bus.events])
    assert told[0] == told[1]


def test_the_planned_device_that_uses_most_is_named(catalogue):
    """By its name in the rig."""
    rig = Rig.model_validate(
        {"schema": 1, "name": "t", "title": "T", "device": [{"name": "chatterer", "address": 0, "kind": "own"}]}
    )
    bus = Bus(catalogue, rig).second(0, 800).second(1, 1)
    assert "100 % of the bits from chatterer" in bus.watch.flags[-1].text


# Every second, wherever it begins, against a count by hand.


def flags_by_hand(told, end):
    """Return (time, raised, limit, moment of the first second above it, percent) by a count of every second.

    ``told`` are (time, bits) of all that took the pair; ``end`` is how far the time was told.
    """
    out, standing, calm = [], 0, 0
    times, totals = [time for time, _ in told], [0, *itertools.accumulate(bits for _, bits in told)]

    def bits_until(at):
        return totals[bisect.bisect_right(times, at)]

    for number in range(end // SECOND_US):
        here = sorted({time for time in times if time // SECOND_US == number})
        loads = {at: (bits_until(at) - bits_until(at - SECOND_US)) / 2500 for at in here}
        most = max(loads.values(), default=0)
        above = 70 if most > 70 else 40 if most > 40 else 0
        over = (number + 1) * SECOND_US
        if above < standing:
            calm += 1
            if calm < 3:
                continue
        calm = 0
        if above == standing:
            continue
        if standing:
            out.append((over, False, standing, None, None))
        if above:
            out.append((over, True, above, next(at for at, load in loads.items() if load > above), most))  # type: ignore[arg-type]
        standing = above
    return out


@given(
    st.lists(
        st.tuples(
            st.integers(0, 1_300_000),
            st.integers(1, 700),
            st.sampled_from([600, 700, 1000]),
            st.sampled_from(["frame", "frame", "short", "11-bit", "error"]),
        ),
        max_size=12,
    )
)
def test_every_second_is_judged_as_by_a_count_by_hand(bursts):
    """Bursts of full, short, 11-bit and error frames: the same flags at the same moments, with the same figures."""
    emitted, time, told = [], 0, []
    busyness = Overload(emitted.append, hex)
    for pause, count, gap, what in bursts:
        time += pause
        for _ in range(count):
            time += gap
            one = {
                "frame": Frame(time, IDENTIFIER, DATA),
                "short": Frame(time, IDENTIFIER, DATA[:3]),
                "11-bit": OtherFrame(time, OtherKind.STANDARD, 111),
                "error": OtherFrame(time, OtherKind.ERROR, 23),
            }[what]
            busyness.pass_seconds(time)
            busyness.bus_load.add(one)  # type: ignore[arg-type]
            told.append((time, len(frame_bits(*one[1:])) if isinstance(one, Frame) else one.bits))  # type: ignore[attr-defined]
    end = time + 10 * SECOND_US
    busyness.pass_seconds(end)
    standing, found = None, []
    for one in emitted:
        if isinstance(one, Ended):
            found.append((one.time, False, standing, None, None))  # type: ignore[attr-defined]
            standing = None
        elif standing is None:
            standing = one.above
            found.append((one.time, True, one.above, one.since, pytest.approx(one.percent)))  # type: ignore[arg-type]
    assert found == flags_by_hand(told, end)


def test_a_burst_across_two_whole_seconds_is_noticed(bus):
    """400 frames in the last half of a second and 400 in the first of the next: alone neither is above 40 %."""
    for n in range(400):
        bus.events += bus.watch.observe(Frame(500_000 + n * 1250, IDENTIFIER, DATA))
    for n in range(400):
        bus.events += bus.watch.observe(Frame(SECOND_US + n * 1250, IDENTIFIER, DATA))
    bus.second(2, 1)
    assert bus.flags == [(2.0, True, "notice")]
    assert "bus load 45 %," in bus.watch.flags[-1].text


def test_the_flag_tells_the_worst_second_so_far(bus):
    """A busier second renews the words of the flag that stands, and raises none."""
    bus.second(0, 800).second(1, 1000).second(2, 800).second(3, 1)
    assert bus.flags == [(1.0, True, "notice")]
    assert "bus load 56 %, above 40 %: 1000 frames in the second up to 1.99" in bus.watch.flags[-1].text


@pytest.mark.parametrize(("bits", "raised"), [(100_000, False), (100_001, True)])
def test_the_limit_to_a_bit(catalogue, bits, raised):
    """Forty percent of 250,000 bits are 100,000: not more than 40 %; one bit more is."""
    bus = Bus(catalogue)
    for kind, taken in ((OtherKind.STANDARD, 99_900), (OtherKind.REMOTE, bits - 99_900)):
        bus.events += bus.watch.observe_event(OtherFrame(500_000, kind, taken))
    bus.events += bus.watch.advance(SECOND_US)
    assert bus.flags == ([(1.0, True, "notice")] if raised else [])
    if raised:
        assert "100 % of the bits from 11-bit frames" in bus.watch.flags[-1].text


def test_error_frames_fill_the_pair_too(catalogue):
    """4348 error frames of 23 bits are 40.002 % of a second."""
    bus = Bus(catalogue)
    for n in range(4348):
        bus.events += bus.watch.observe_event(ErrorFrame(n * 200))
    bus.events += bus.watch.advance(SECOND_US)
    assert bus.flags == [(1.0, True, "notice")]


# What cannot be.


def test_a_full_pair_is_judged(bus):
    """Frames one behind the other are a full pair: a warning; that it cannot be is not said."""
    for n in range(2 * 1773):
        bus.events += bus.watch.observe(Frame((n + 1) * BITS * 4, IDENTIFIER, DATA))
    assert [severity for *_, severity in bus.flags] == ["warning"]
    assert "bus load 100 %," in bus.watch.flags[-1].text


def test_more_than_fits_proves_wrong_times_and_no_load_is_judged(bus):
    """2000 frames of 141 bits in a second are 112.8 %: said with the figure; what stood is over, no more comes."""
    bus.second(0, 800).second(1, 2000).second(2, 1500).second(3, 1)
    assert bus.flags == [(1.0, True, "notice"), (2.0, False, "notice"), (2.0, True, "notice")]
    (flag,) = [flag for flag in bus.watch.flags if flag.kind == "bus-busy"]
    assert flag.text.startswith("computed bus load 112.8 %: 2000 frames in the second up to 1.")
    assert (
        "exceed what 250000 bit/s can carry, so the times or the bit rate are wrong; bus load is no longer judged"
        in flag.text
    )
    assert bus.watch.bus_load.percent()[1] == pytest.approx(112.8)
