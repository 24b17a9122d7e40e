"""Tests for transitions: what tells one problem from another."""

import pytest

from rvsim.watch.transitions import (
    BusFellQuiet,
    DataLost,
    FellSilent,
    GapExceeded,
    LengthWrong,
    MessageUndefined,
    Presence,
    Topic,
    UnplannedDevice,
    ValueOutOfRange,
)
from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.frame import Frame

FRAME = Frame(0, 0x19FFE45E, bytes(8))
ONE, OTHER = Topic(0x5E, 0x1FFE4, "FURNACE_STATUS", 1), Topic(0x5E, 0x1FFE4, "FURNACE_STATUS", 2)
LEVEL, SPEED = (Reading(FieldSpec(name, 0, 8), 1, State.VALUE) for name in ("level", "speed"))


def range_left(topic, reading):
    """A reading out of range."""
    return ValueOutOfRange(1, "heater", topic, reading, None, FRAME)


def data_lost(topic, reading):
    """A reading that turned to no data."""
    return DataLost(1, "heater", topic, reading, None, FRAME)


def stranger(planned, function, source=1):
    """A source that the rig does not have."""
    return UnplannedDevice(1, 1, "x", source, planned, function, None, 15, FRAME)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (GapExceeded(1, 1, "heater", ONE, 1, 3, FRAME), GapExceeded(1, 1, "heater", OTHER, 1, 3, FRAME)),
        (FellSilent(1, 1, "heater", (), 1, 3, FRAME), FellSilent(1, 1, "roof fan", (), 1, 3, FRAME)),
        (range_left(ONE, LEVEL), range_left(OTHER, LEVEL)),
        (range_left(ONE, LEVEL), range_left(ONE, SPEED)),
        (data_lost(ONE, LEVEL), data_lost(OTHER, LEVEL)),
        (data_lost(ONE, LEVEL), data_lost(ONE, SPEED)),
        (data_lost(ONE, LEVEL), range_left(ONE, LEVEL)),
        (stranger(True, "furnace 1"), stranger(True, "furnace 2")),
        (stranger(True, "furnace 1"), stranger(True, "furnace 1", source=2)),
        (stranger(False, None), stranger(False, None, source=2)),
        (LengthWrong(1, "x", ONE, 1, 2, (), False, FRAME), MessageUndefined(1, "x", ONE, FRAME)),
        (BusFellQuiet(1, 1, 1, 1, 1, 2, FRAME), FellSilent(1, 1, "bus", (), 1, 3, FRAME)),
    ],
)
def test_different_problems_have_different_causes(one, other):
    """So that the end of one does not end the other."""
    assert one.problem_key != other.problem_key
    assert len({one.problem_key, other.problem_key}) == 2


def test_one_problem_keeps_its_cause():
    """Whatever the time and the figures: an unknown source is one problem, and so is a message's length."""
    assert stranger(False, None).problem_key == stranger(False, "furnace 2").problem_key
    other_time = GapExceeded(9, 8, "heater", ONE, 2, 6, FRAME)
    assert GapExceeded(1, 1, "heater", ONE, 1, 3, FRAME).problem_key == other_time.problem_key
    wrong = LengthWrong(1, "x", ONE, 1, 2, (), False, FRAME)
    assert wrong.problem_key == LengthWrong(2, "x", OTHER, 3, 4, (), True, FRAME).problem_key
    assert MessageUndefined(1, "x", ONE, FRAME).problem_key == MessageUndefined(3, "y", OTHER, FRAME).problem_key
    assert BusFellQuiet(1, 1, 1, 1, 1, 2, FRAME).problem_key == BusFellQuiet(2, 2, 2, 2, 2, 3, FRAME).problem_key


def test_what_a_frame_shows_begins_with_the_frame():
    """There was no limit of time to pass."""
    for problem in (range_left(ONE, LEVEL), data_lost(ONE, LEVEL), MessageUndefined(1, "x", ONE, FRAME)):
        assert problem.since == problem.time == 1
    assert LengthWrong(1, "x", ONE, 1, 2, (), False, FRAME).since == 1


def test_the_states_of_the_roll_call_are_the_words_that_are_printed():
    """The contract of the JSON lines has them."""
    assert [str(state) for state in Presence] == ["present", "late", "silent", "asleep", "unplanned"]
