"""Silences of a bus on which little is sent: the watch passes over those in which bus time goes on, and no other."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.survey import Surveyor
from rvsim.rig.model import Rig
from rvsim.watch.flag import FlagKind
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ListeningResumed

GAPS_S = {"THERMOSTAT_AMBIENT_STATUS": 5, "DC_SOURCE_STATUS_1": 0.5, "TANK_STATUS": 5, "FURNACE_STATUS": 5}
"""The defined gaps of some messages, in seconds."""
UNDEFINED = 0x19F2EF00
NO_RIG = None
RIG = Rig.model_validate(
    {
        "schema": 1,
        "name": "test",
        "title": "Test",
        "device": [
            {
                "name": f"tank {number}",
                "address": 0x40 + number,
                "functions": {"tank": [10 + number]},
                "claimed_name": f"80000000000000{10 + number:02X}",
            }
            for number in range(4)
        ],
    }
)


class Log:
    """A log made by hand, of few frames."""

    def __init__(self, made):
        self.made = made

    def say(self, source, message, *times, instance=1, **raws):
        """Add frames at some moments, in seconds."""
        for time in times:
            self.made.say(time, message, source, instance=instance, **raws)

    def say_undefined(self, source, *times):
        """Add frames of a message without a definition."""
        self.made.frames += [Frame(round(time * SECOND_US), UNDEFINED | source, bytes(8)) for time in times]

    def claim(self, source, unit, time):
        """Add an address claim."""
        self.made.claim(time, source, f"80000000000000{unit:02X}")


@pytest.fixture
def log(hand_made):
    """Return an empty log."""
    return Log(hand_made())


@pytest.fixture(scope="module")
def flags(survey_both):
    """Survey a log frame by frame and in blocks of some sizes, which must find the same; return the flags."""

    def survey(log, rig=NO_RIG, sizes=(65_536, 300, 41)):
        found, _ = survey_both(log.made, rig, sizes)
        return [flag for flag in found.flags if flag.kind is FlagKind.BUS_QUIET]

    return survey


def every(gap, until, start=0.0):
    """Return moments with a gap, in seconds."""
    return [start + gap * number for number in range(int((until - start) / gap) + 1)]


def test_a_regular_bus_with_long_silences_is_passed_over(log, flags, catalogue, monkeypatch):
    """Three devices that send within half a second of each other every five seconds: no bus time stops."""
    for number in range(3):
        log.say(0x40 + number, "TANK_STATUS", *every(5, 5000, number / 6), instance=number)
    assert flags(log) == []
    awaited = []
    await_frame = Watch.await_frame

    def counted(watch, time, **known):
        awaited.append(time)
        await_frame(watch, time, **known)

    monkeypatch.setattr(Watch, "await_frame", counted)
    surveyor = Surveyor(catalogue)
    for frame in sorted(log.made.frames):
        surveyor.observe(frame)
    surveyor.finish()
    assert len(awaited) < 50  # of a thousand silences


def test_a_silence_in_which_two_sources_miss_a_message_stops_bus_time(log, flags):
    """All send every 0.5 s, but not for 1.45 s now and then."""
    for number in range(2):
        times = [time + 1.2 * (time // 5) for time in every(0.5, 200, number / 10)]
        log.say(0x40 + number, "DC_SOURCE_STATUS_1", *times, instance=number + 1)
    assert flags(log)


def test_a_message_without_a_definition_is_missed_by_its_own_rhythm(log, flags):
    """Two sources send only such messages, each every 1.3 s, and then nothing for 6 s."""
    for number in range(2):
        times = every(1.3, 100, number / 10)
        log.say_undefined(0x40 + number, *times, *(time + 106 for time in times))
    assert flags(log)


def test_a_message_with_a_longer_gap_than_defined_is_missed_later(log, flags):
    """Two send every 9 s, though 5 s is defined, and end at once; a third one sends 10 s more, then comes back."""
    for number in range(2):
        log.say(0x40 + number, "TANK_STATUS", *every(9, 271, number / 10), instance=number)
    log.say(0x50, "FURNACE_STATUS", *every(0.5, 278.5), *every(0.5, 400, 292))
    (flag,) = flags(log)
    assert flag.since == 283.6 * SECOND_US


def size_until(log, moment):
    """Return how many frames come before a moment, in seconds: the block of this size ends there."""
    return sum(frame.time < moment * SECOND_US for frame in log.made.frames)


def test_a_silence_of_less_than_two_gaps_can_stop_bus_time(log, flags):
    """Two tanks miss a frame from 107.5 s on, the bus is silent from 106.9 to 109 s."""
    for number in range(2):
        log.say(0x40 + number, "TANK_STATUS", *every(5, 101, number / 10), *every(5, 200, 109), instance=number)
    log.say(0x50, "FURNACE_STATUS", *every(0.1, 106.9), *every(0.1, 200, 109))
    (flag,) = flags(log)
    assert flag.since == 107.9 * SECOND_US


def test_bus_time_that_stopped_before_makes_a_message_missed_later(log, flags):
    """The whole bus is quiet for 100 s; two tanks do not come back, and count as missed 107.5 s after their frames."""
    for number in range(2):
        log.say(0x40 + number, "TANK_STATUS", *every(5, 101, number / 10), instance=number)
    log.say(0x50, "FURNACE_STATUS", *every(0.1, 101), *every(0.1, 205, 201), *every(0.1, 300, 220))
    assert [flag.since for flag in flags(log)] == [107.6 * SECOND_US, 207.6 * SECOND_US]


def test_bus_time_that_stopped_in_an_earlier_block_still_counts(log, flags):
    """The whole bus is quiet for 100 s; two tanks are missed at its end, in a block that begins after their frames."""
    for number in range(2):
        times = *every(5, 101, number / 10), *every(5, 302, 201 + number / 10)
        log.say(0x40 + number, "TANK_STATUS", *times, instance=number)
    log.say(0x50, "FURNACE_STATUS", *every(0.1, 101), *every(0.1, 302, 201), *every(0.1, 400, 320))
    found = flags(log, sizes=(size_until(log, 301.5), size_until(log, 201), 65_536))
    assert [flag.since for flag in found] == [107.6 * SECOND_US, 308.6 * SECOND_US]


@pytest.mark.parametrize("returns_with", ["its other message", "a new message", "a claim"])
def test_a_device_that_comes_back_misses_its_messages_later(log, flags, returns_with):
    """Two devices come back after 40 s with a message that they do not miss in the silence; another one is missed 7.5 s
    after that. Long before, the bus was quiet for 100 s.
    """
    for number in range(2):
        source, offset = 0x40 + number, number / 10
        sent = *every(5, 101, offset), *every(5, 301, 200 + offset)
        log.claim(source, number, 0.2)
        log.say(source, "TANK_STATUS", *sent, instance=number)
        if returns_with == "its other message":
            log.say(source, "TANK_STATUS", *sent, *every(5, 400, 340 + offset), instance=number + 4)
        elif returns_with == "a new message":
            log.say(source, "THERMOSTAT_AMBIENT_STATUS", *every(5, 400, 340 + offset))
        else:
            log.claim(source, number, 340 + offset)
    log.say(0x50, "FURNACE_STATUS", *every(0.1, 101), *every(0.1, 346, 200), *every(0.1, 400, 350))
    found = flags(log, sizes=(65_536, *(size_until(log, moment) for moment in (150, 320, 342, 345.5))))
    assert [flag.since for flag in found] == [107.6 * SECOND_US, 347.6 * SECOND_US]


def test_a_device_that_is_identified_late_misses_its_messages_later(log, flags):
    """Two tanks are silent but for claims of NAMEs that are not in the rig; then they claim those of the rig."""
    for number in range(2):
        source, offset = 0x40 + number, number / 10
        log.say(source, "TANK_STATUS", *every(5, 301, offset), instance=10 + number)
        for moment in every(10, 335, offset):
            log.claim(source, number, moment)
        for moment in every(10, 400, 340 + offset):
            log.claim(source, 10 + number, moment)
    log.say(0x50, "FURNACE_STATUS", *every(0.1, 346), *every(0.1, 400, 350))
    (flag,) = flags(log, RIG, sizes=(65_536, *(size_until(log, moment) for moment in (320, 342, 345.5))))
    assert flag.since == 347.6 * SECOND_US


def test_ages_count_from_the_end_of_a_listening_gap(log, flags):
    """Nobody listens from 301 to 304 s; two tanks that ended before are missed 7.5 s after that, in a silence."""
    for number in range(2):
        log.say(0x40 + number, "TANK_STATUS", *every(5, 301, number / 10), instance=number)
    log.say(0x50, "FURNACE_STATUS", *every(0.1, 301), *every(0.1, 310, 304), *every(0.1, 400, 314))
    log.made.frames.append(ListeningResumed(304 * SECOND_US - 1, 301 * SECOND_US, "test"))
    (flag,) = flags(log)
    assert flag.since == 311.5 * SECOND_US - 1


@given(seed=st.integers(0, 2**32))
def test_a_log_of_few_frames_is_surveyed_the_same_in_columns(hand_made, flags, seed):
    """Devices that start, fall silent, come back and change their NAME, on a bus that is quiet for a time."""
    rng = random.Random(seed)
    log, until = Log(hand_made()), rng.choice((300, 900))
    quiet = [(rng.uniform(5, until), rng.choice((1.5, 3, 8, 20, 120))) for _ in range(rng.choice((0, 0, 1, 3)))]
    for number in range(rng.randint(2, 4)):
        source = 0x40 + number
        away = [(rng.uniform(0, until), rng.choice((2, 6, 16, 40, 10_000))) for _ in range(rng.choice((0, 0, 1, 2)))]
        for moment in rng.sample((0.2, rng.uniform(0, until)), rng.randint(0, 2)):
            log.claim(source, rng.choice((number, 10 + number, 9)), moment)
        for _ in range(rng.randint(1, 3)):
            message = rng.choice(list(GAPS_S))
            gap = rng.choice((GAPS_S[message], GAPS_S[message], 2.5, rng.uniform(0.3, 9)))
            times = every(gap, rng.choice((until, until, until, 25)), rng.uniform(0, gap))
            heard = [time for time in times if not any(start <= time < start + last for start, last in quiet + away)]
            log.say(source, message, *heard, instance=rng.randint(1, 2))
        if rng.random() < 0.2:
            heard = [time for time in every(rng.uniform(0.5, 9), until) if not any(a <= time < a + b for a, b in quiet)]
            log.say_undefined(source, *heard)
    flags(log, rng.choice((NO_RIG, NO_RIG, RIG)), sizes=(65_536, rng.randint(37, 400)))
