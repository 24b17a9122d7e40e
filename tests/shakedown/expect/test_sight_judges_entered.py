"""Entries into a state and lengths of stay: what counts, what does not, and the edges of both."""

from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun
from rvsim.shakedown.expect.expectation_plans import EnteredPlan
from rvsim.shakedown.expect.sight import Sight
from rvsim.shakedown.jobs import Job
from rvsim.wire.frame import SECOND_US

FURNACE = {"message": "FURNACE_STATUS", "field": "heat_output_level"}
ON = {**FURNACE, "becomes": True, "above": 0}
FULL = {**FURNACE, "becomes": 50.0}
OFF, HALF = 0, 100
"""Raw levels: half a percent each."""


def levels(one, *said):
    """Let the furnace say levels at some times."""
    for time, level in said:
        one.heater(time, level=level)
    return one


# Entries, as sights.


def test_a_repeat_is_no_entry(case):
    """On, on, off, on are two entries after an off; at_most counts those."""
    said = [(1, OFF), (2, HALF), (3, HALF), (4, OFF), (5, HALF)]
    assert levels(case("seen", sight=ON, at_least=2, at_most=2), *said).end() is None
    time, found = levels(case("seen", sight=ON, at_most=1), *said).end()
    assert (time, found[:32]) == (5, "seen for the 2nd time at 5.000 s")


def test_what_is_so_from_the_first_frame_on_is_not_entered(case):
    """Nobody saw it come."""
    assert levels(case("seen", sight=ON), (1, HALF), (2, HALF)).end() == (60, "not seen by 60.000 s")
    assert levels(case("never", sight=ON), (1, HALF), (2, OFF)).end() is None
    assert levels(case("never", sight=ON), (1, HALF), (2, OFF), (3, HALF)).end() is not None


def test_a_value_is_entered_from_any_other(case):
    """Also from one beyond it."""
    assert levels(case("seen", sight=FULL, at_least=2), (1, 200), (2, HALF), (3, 50), (4, HALF)).end() is None


def test_a_frame_without_a_value_changes_nothing(case):
    """On, no data, on is no entry; off, no data, on is one."""
    assert levels(case("seen", sight=ON), (1, HALF), (2, 255), (3, HALF)).end() is not None
    assert levels(case("seen", sight=ON), (1, OFF), (2, 255), (3, HALF)).end() is None


def test_a_state_can_be_entered(case):
    """A reading that is lost, and lost again."""
    lost = {**FURNACE, "becomes": "no data"}
    assert levels(case("seen", sight=lost, at_least=2), (1, OFF), (2, 255), (3, 255), (4, HALF), (5, 255)).end() is None


def test_a_frame_that_ends_before_the_field_changes_nothing(case):
    """A state that is told again after a short frame was not left."""
    one = levels(case("seen", sight={**FURNACE, "becomes": "no data"}, at_least=2), (1, OFF), (2, 255))
    one._frame(3, 0x19FFE45E, b"\x01", "heater")
    assert levels(one, (4, 255)).end() == (60, "seen once by 60.000 s")


def test_each_sender_counts_for_itself(case):
    """Two sensors by turns, one warm and one cold, enter nothing; nor do two instances of one sender."""
    warm = {"message": "THERMOSTAT_AMBIENT_STATUS", "field": "ambient_temperature", "becomes": True, "above": 10.0}
    one = case("never", sight=warm)
    for time in range(1, 9):
        instance, celsius = (1, 20) if time % 2 else (2, 0)
        data = bytes([instance]) + ((celsius + 273) * 32).to_bytes(2, "little") + b"\xff" * 5
        one._frame(time, 0x19FF9C91, data, "sensor")
        one._frame(time, 0x19FF9C91 + instance, bytes([1]) + data[1:], "sensors")
    assert one.end() is None


def test_what_came_before_the_part_is_known_in_it(case):
    """On since before the part began is no entry in it, and an off before it makes one."""
    part = {"sight": ON, "from": "10s"}
    assert levels(case("seen", **part), (1, OFF), (9, HALF), (11, HALF)).end() is not None
    assert levels(case("seen", **part), (9, OFF), (11, HALF)).end() is None


def test_what_is_awaited_later_is_watched_from_the_start(case):
    """The second of an order had been off while the first was waited for."""
    steps = [{"message": "THERMOSTAT_AMBIENT_STATUS"}, ON]
    assert levels(levels(case("order", steps=steps), (1, OFF)).sensor(2), (3, HALF)).end() is None


@pytest.mark.parametrize(
    ("sight", "said"),
    [
        ({"becomes": False}, "false has no meaning here; write what the field becomes, or omit becomes"),
        ({"becomes": True}, 'becomes = true goes with above or below; or write what it becomes, like becomes = "on"'),
        ({"becomes": 1.0, "above": 2.0}, '"above" goes with becomes = true; or write becomes alone'),
        ({"becomes": 1.0, "is": 2.0}, '"is" goes with becomes = true; or write becomes alone'),
    ],
)
def test_what_cannot_become(sight, said):
    """One line that says what to write."""
    with pytest.raises(ValidationError, match=said):
        Sight.model_validate({**FURNACE, **sight})


def test_becomes_needs_a_field():
    """As is, above and below do."""
    with pytest.raises(ValidationError, match='"becomes" needs the field'):
        Sight.model_validate({"message": "FURNACE_STATUS", "becomes": 1.0})


@pytest.mark.parametrize(
    ("sight", "said"),
    [
        (ON, "FURNACE_STATUS with heat output level becoming above 0"),
        (FULL, "FURNACE_STATUS with heat output level becoming 50"),
        (
            {**ON, "instance": 1, "device": "heater"},
            "FURNACE_STATUS, instance 1, of heater with heat",
        ),
    ],
)
def test_in_words(sight, said):
    """As they stand in a verdict."""
    assert str(Sight.model_validate(sight)).startswith(said)


# How often and how long.


def test_so_many_times(case):
    """Not fewer, not more; none at all is a number too."""
    twice = [(1, OFF), (2, HALF), (3, OFF), (4, HALF)]
    assert levels(case("entered", sight=ON, at_least_times=2, at_most_times=2), *twice).end() is None
    assert levels(case("entered", sight=ON, at_least_times=3), *twice).end() == (60, "seen 2 times by 60.000 s")
    time, found = levels(case("entered", sight=ON, at_most_times=0), *twice).end()
    assert (time, found[:32]) == (2, "seen for the 1st time at 2.000 s")
    assert levels(case("entered", sight=ON, at_most_times=0), (1, HALF), (2, OFF)).end() is None


def test_where_no_value_is_said_nothing_is_met(case):
    """A furnace that says nothing, or no data, has not kept from starting."""
    silent = case("entered", sight=ON, at_most_times=0)
    assert silent.end() == (60, "no value reported by 60.000 s, so it cannot be judged")
    assert levels(case("entered", sight=ON, shortest_on="1s"), (1, 255)).end()[1].startswith("no value reported")
    before = case("entered", sight=ON, at_most_times=3, **{"from": "10s"})
    assert levels(before, (1, OFF), (2, HALF)).end()[1].startswith("no value reported")


def test_the_shortest_stay(case):
    """Exactly so long is long enough; what has no end or no beginning in the part is not too short."""
    short = {"sight": ON, "shortest_on": "10s"}
    assert levels(case("entered", **short), (1, OFF), (2, HALF), (12, OFF)).end() is None
    time, found = levels(case("entered", **short), (1, OFF), (2, HALF), (11.999999, OFF)).end()
    assert time == 11.999999
    assert found.startswith("lasted 9.999 s, from 2.000 s to 11.999 s: 19FFE45E 01 00 C8 00")
    assert levels(case("entered", **short), (1, HALF), (2, OFF)).end() is None
    assert levels(case("entered", **short), (1, OFF), (55, HALF)).end() is None
    part = {**short, "from": "5s"}
    assert levels(case("entered", **part), (1, OFF), (4, HALF), (6, OFF)).end() is None
    until = {**short, "until": "10s"}
    assert levels(case("entered", **until), (1, OFF), (8, HALF), (10, OFF)).end() is None


def test_the_shortest_absence(case):
    """From its going to its coming again."""
    short = {"sight": ON, "shortest_off": "10s"}
    assert levels(case("entered", **short), (1, OFF), (2, HALF), (3, OFF), (13, HALF)).end() is None
    time, found = levels(case("entered", **short), (1, OFF), (2, HALF), (3, OFF), (12, HALF)).end()
    assert (time, found[:42]) == (12, "absent for 9.000 s, from 3.000 s to 12.000")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"at_least_times": 2, "at_most_times": 1}, "at_most_times 1 is below at_least_times 2"),
        ({}, "write at_least_times, at_most_times, at_most_per_hour, shortest_on"),
        ({"sight": {**FURNACE, "above": 0}, "at_most_times": 1}, "the sight has no becomes"),
        ({"at_most_times": -1}, "greater than or equal to 0"),
        ({"shortest_on": "0s"}, "greater than 0"),
    ],
)
def test_what_cannot_be_expected(given, said):
    """One line that says what to write."""
    with pytest.raises(ValidationError, match=said):
        EnteredPlan.model_validate({"expect": "entered", "sight": ON, **given})


def test_it_reads_as_a_sentence():
    """With all that is bounded."""
    plan = {"at_least_times": 1, "at_most_times": 6, "shortest_on": "5min", "shortest_off": "2min", "from": "10s"}
    assert EnteredPlan.model_validate({"expect": "entered", "sight": ON, **plan}).sentence == (
        "FURNACE_STATUS with heat output level becoming above 0 is seen at least once and at most 6 times, "
        "lasts at least 300 s, is entered again after 120 s at the earliest from 10 s"
    )


# Against a count by hand.

SAID = st.lists(st.tuples(st.integers(1, 9), st.sampled_from([OFF, 50, HALF, 255])), max_size=40)
"""Seconds since the one before, and a level; 255 is no data."""


def stays(said, start, end):
    """All stays as (on, from, until) that begin and end within a part, and the times of entry."""
    known = [(time, level > 0) for time, level in said if level != 255]
    turns = [later for earlier, later in pairwise(known) if earlier[1] is not later[1]]
    turns = [(time, on) for time, on in turns if start <= time < end]
    return [(on, time, later) for (time, on), (later, _) in pairwise(turns)], [time for time, on in turns if on]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])  # it makes cases, and keeps nothing
@given(SAID, st.integers(0, 100), st.integers(1, 100), st.integers(1, 20), st.integers(0, 6))
def test_against_a_count_by_hand(case, gaps, start, length, shortest, most):
    """Whatever is said when: as often, and as short, as a plain list of changes has it."""
    time, said = 0, []
    for gap, level in gaps:
        time += gap
        said.append((time, level))
    end = start + length
    part = {"from": f"{start}s", "until": f"{end}s", "sight": ON}
    lasted, entries = stays(said, start, end)
    spoke = any(level != 255 and start <= time < end for time, level in said)

    def met(**bounds):
        return levels(case("entered", **part, **bounds), *said).end(1000) is None

    assert met(at_most_times=most) == (spoke and len(entries) <= most)
    assert met(at_least_times=most) == (spoke and len(entries) >= most)
    assert met(shortest_on=f"{shortest}s") == (spoke and all(b - a >= shortest for on, a, b in lasted if on))
    assert met(shortest_off=f"{shortest}s") == (spoke and all(b - a >= shortest for on, a, b in lasted if not on))
    seen = levels(case("seen", **part, at_least=max(1, most)), *said).end(1000) is None
    assert seen == (len(entries) >= max(1, most))


def test_a_step_can_wait_for_an_entry(tmp_path):
    """Each time the furnace starts, and not at each frame in which it says that it runs."""
    path = tmp_path / "t.toml"
    sight = '{ message = "FURNACE_STATUS", instance = 1, field = "heat_output_level", becomes = true, above = 0 }'
    step = (
        f'[[step]]\nwhen = {{ seen = {sight} }}\neach_time = true\nsend = {{ identifier = "18EF0042", bytes = "01" }}\n'
    )
    head = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "60s"\n'
    path.write_text(head + step, encoding="utf-8")
    frames = []
    session = VirtualScenarioRun(PreparedScenario(Job(str(path), {})), ["heater"], frames.append)
    for seconds, level in ((1, OFF), (2, HALF), (3, HALF), (4, OFF), (5, 255), (6, HALF), (7, 200)):
        session.until(seconds)
        session.put(0x19FFE45E, bytes([1, 0, 200, level]) + b"\xff" * 4)
    session.until(10)
    assert [frame.time // SECOND_US for frame in frames if frame.identifier == 0x18EF0042] == [2, 6]
