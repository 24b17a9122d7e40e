"""Each expectation about what is seen, met and broken: the edges of its part of the run, what was found, and when."""

import pytest

from rvsim.wire.frame import SECOND_US

SIGHT = {"message": "THERMOSTAT_AMBIENT_STATUS"}
FIELD = {**SIGHT, "field": "ambient_temperature"}


# Seen, never.


def test_seen_once_is_enough(case):
    """At least once where nothing else is said; never is not."""
    assert case("seen", sight=SIGHT).sensor(3).end() is None
    assert case("seen", sight=SIGHT).end() == (60, "not seen by 60.000 s")


def test_seen_in_its_part_of_the_run(case):
    """The beginning belongs to it, the end does not."""
    part = {"sight": SIGHT, "from": "10s", "until": "20s"}
    assert case("seen", **part).sensor(9.999999, 20).end() == (20, "not seen by 20.000 s")
    assert case("seen", **part).sensor(10).end() is None
    assert case("seen", **part).sensor(19.999999).end() is None


def test_seen_so_many_times(case):
    """Fewer at the end, or one more at once, is not met."""
    times = {"sight": SIGHT, "at_least": 2, "at_most": 3}
    assert case("seen", **times).sensor(1).end() == (60, "seen once by 60.000 s")
    assert case("seen", **times).sensor(1, 2).end() is None
    assert case("seen", **times).sensor(1, 2, 3).end() is None
    time, found = case("seen", **times).sensor(1, 2, 3, 4, 5).end()
    assert (time, found[:32]) == (4, "seen for the 4th time at 4.000 s")


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (2, "2nd"),
        (3, "3rd"),
        (11, "11th"),
        (12, "12th"),
        (13, "13th"),
        (21, "21st"),
        (22, "22nd"),
        (111, "111th"),
        (112, "112th"),
    ],
)
def test_which_time_was_one_too_many(case, number, said):
    """As English counts: 11th to 13th are no 1st to 3rd."""
    found = case("seen", sight=SIGHT, at_most=number - 1).sensor(*(0.25 * one for one in range(number))).end()[1]
    assert found.startswith(f"seen for the {said} time at ")


def test_the_nearest_is_kept(case):
    """22.5 degrees was wanted, and 21 came nearest, not 19."""
    one = case("seen", sight={**FIELD, "above": 22.5}).sensor(1, celsius=19).sensor(2, celsius=21).sensor(3, celsius=20)
    assert one.end() is not None
    assert (one.judge.nearest.text, one.judge.nearest.frame.time) == ("ambient temperature 21.00 °C", 2 * SECOND_US)


@pytest.mark.parametrize(
    ("expect", "more"),
    [
        ("never", {}),
        ("seen", {"at_most": 1}),
        ("only_after", {"after": {"message": "WATERHEATER_STATUS"}}),
        ("only_until", {"end": {"message": "FURNACE_STATUS"}}),
    ],
)
def test_nothing_is_near_what_was_seen_and_should_not_be(case, expect, more):
    """25 degrees are too warm, twice: that others were cooler, before and after, is no evidence."""
    warm = case(expect, sight={**FIELD, "above": 22.5}, **more).heater(1)
    warm.sensor(2, celsius=20).sensor(3, 4, celsius=25).sensor(5, celsius=21)
    assert warm.end() is not None
    assert warm.judge.nearest is None


def test_the_nearest_is_of_the_time_at_which_it_was_missed(case):
    """22 degrees came nearer, but after the gap had been too long."""
    one = case("every", sight={**FIELD, "above": 22.5}, gap="10s").sensor(3, celsius=20).sensor(12, celsius=23)
    assert one.sensor(14, celsius=22).end() == (10, "not seen for 12 s from 0.000 s on")
    assert one.judge.nearest.text == "ambient temperature 20.00 °C"


def test_never(case):
    """The first time breaks it, outside its part nothing does."""
    never = {"sight": {**FIELD, "above": 30.0}, "from": "10s", "until": "20s"}
    assert case("never", **never).sensor(9, 20, celsius=35).sensor(15, celsius=30).end() is None
    time, found = case("never", **never).sensor(12, 13, celsius=35).end()
    assert time == 12
    assert found.startswith("seen at 12.000 s: 19FF9C91 01 80 26")
    assert found.endswith(" of sensor")


def test_a_time_is_cut_to_milliseconds(case):
    """A frame a microsecond before the end of its part is not shown at that end; 2.0296 s is 2.029, as in a flag."""
    found = case("never", sight=SIGHT, until="20s").sensor(19.999999).end()[1]
    assert found.startswith("seen at 19.999 s: ")
    assert case("never", sight=SIGHT).sensor(2.0296).end()[1].startswith("seen at 2.029 s: ")


# Again and again, in order.


def test_every(case):
    """A gap of exactly that length is met, a longer one is not; beginning and end count too."""
    every = {"sight": SIGHT, "gap": "10s"}
    assert case("every", **every).sensor(10, 20, 30, 40, 50).end() is None
    assert case("every", **every).sensor(10, 20.5, 30, 40, 50).end() == (20, "not seen for 10.5 s after 10.000 s")
    assert case("every", **every).sensor(11, 20, 30, 40, 50).end() == (10, "not seen for 11 s from 0.000 s on")
    assert case("every", **every).sensor(10, 20, 30, 40).end() == (50, "not seen for 20 s after 40.000 s")
    assert case("every", **every).end(9) is None
    assert case("every", **every, **{"from": "20s", "until": "40s"}).sensor(30).end() is None


def test_every_in_its_part(case):
    """What is seen before it began counts for nothing, nor does anything but the sight in it."""
    every = {"sight": {**FIELD, "above": 25.0}, "gap": "10s", "from": "20s"}
    assert case("every", **every).sensor(19, celsius=30).end(31) == (30, "not seen for 11 s from 20.000 s on")
    assert case("every", **every).sensor(22, 26, celsius=20).end(31) == (30, "not seen for 11 s from 20.000 s on")
    assert case("every", **every).sensor(22, 29, celsius=30).end(31) is None


def test_order(case):
    """What comes between does not matter; the first that is missing is told."""
    steps = [{**FIELD, "below": 10.0}, {"message": "FURNACE_STATUS"}, {**FIELD, "above": 20.0}]
    one = case("order", steps=steps)
    assert (
        one.sensor(1, celsius=25).sensor(2, celsius=5).sensor(3, celsius=25).heater(4).sensor(5, celsius=21).end()
        is None
    )
    time, found = case("order", steps=steps).sensor(2, celsius=5).sensor(5, celsius=21).end()
    assert (time, found) == (60, "the 1st at 2.000 s, then FURNACE_STATUS not seen by 60.000 s")
    assert case("order", steps=steps).end()[1].startswith("from the start THERMOSTAT_AMBIENT_STATUS with")


# Answers, before and after.


def test_each_question_needs_an_answer_in_time(case):
    """Exactly in time is in time; a question near the end of the run is left open."""
    answer = {"to": SIGHT, "sight": {"message": "FURNACE_STATUS"}, "within": "2s"}
    assert case("answer", **answer).sensor(10).heater(12).sensor(59).end() is None
    late = (12, "asked at 10.000 s, no answer by 12.000 s")
    assert case("answer", **answer).sensor(10).heater(12.000001).end() == late
    assert case("answer", **answer).sensor(10).end() == late
    assert case("answer", **answer).sensor(10, 11).heater(12).sensor(20).end() == (
        22,
        "asked at 20.000 s, no answer by 22.000 s",
    )


def test_that_an_answer_is_late_is_known_at_the_next_frame(case):
    """At the next question, or at what could be an answer and is none: what was on the bus is kept then."""
    sight = {"message": "FURNACE_STATUS", "field": "heat_output_level", "above": 60.0}
    answer = {"to": SIGHT, "sight": sight, "within": "2s"}
    assert case("answer", **answer).sensor(10, 20).failures
    assert not case("answer", **answer).sensor(10, 12).failures
    assert case("answer", **answer).sensor(10).heater(13).failures
    assert not case("answer", **answer).sensor(10).heater(12).failures
    (late,) = case("answer", **answer).sensor(10).heater(12, 13).failures
    assert late.nearest.frame.time == 12 * SECOND_US  # what comes later was not near it then


def test_an_answer_that_is_due_after_its_part_is_left_open(case):
    """Late or never, it makes no difference there; as at the end of the run."""
    answer = {"to": SIGHT, "sight": {"message": "FURNACE_STATUS"}, "within": "2s", "until": "20s"}
    assert case("answer", **answer).sensor(19).end() is None
    assert case("answer", **answer).sensor(19).heater(25).end() is None
    assert case("answer", **answer).sensor(17).heater(25).end() == (19, "asked at 17.000 s, no answer by 19.000 s")


def test_a_question_that_is_never_asked_proves_nothing(case):
    """Then it is not met."""
    answer = {"to": {**FIELD, "above": 30.0}, "sight": {"message": "FURNACE_STATUS"}, "within": "2s"}
    assert case("answer", **answer).sensor(1).heater(2).end()[1].startswith("never asked: THERMOSTAT_AMBIENT_STATUS")


def test_only_after(case):
    """Before the other it is too early, from then on it is not; in one and the same moment neither."""
    plan = {"sight": {"message": "FURNACE_STATUS"}, "after": {**FIELD, "below": 10.0}}
    assert case("only_after", **plan).sensor(5, celsius=20).sensor(6, celsius=5).heater(6, 7).end() is None
    time, found = case("only_after", **plan).heater(3).sensor(6, celsius=5).end()
    assert (time, found[:24]) == (3, "seen too early at 3.000 ")


def test_only_until(case):
    """Afterwards it must not be seen, but for the grace."""
    plan = {"sight": {"message": "FURNACE_STATUS"}, "end": {**FIELD, "above": 25.0}, "grace": "2s"}
    assert case("only_until", **plan).heater(1).sensor(10, celsius=26).heater(12).end() is None
    time, found = case("only_until", **plan).heater(1).sensor(10, celsius=26).heater(12.000001).end()
    assert time == pytest.approx(12.000001)
    assert "after 10.000 s" in found


def test_only_until_the_first_time(case):
    """Before the end it may be seen as often as it likes; a second end gives no new grace."""
    plan = {"sight": {"message": "FURNACE_STATUS"}, "end": {**FIELD, "above": 25.0}, "grace": "2s"}
    assert case("only_until", **plan).heater(1, 5, 9).sensor(10, celsius=26).end() is None
    assert case("only_until", **plan).sensor(10, 11, celsius=26).heater(12.5).end()[1].startswith("seen at 12.500 s")


# Values.


def test_stays(case):
    """The bounds belong to it; no data does not, and never said is not stayed."""
    stays = {"sight": FIELD, "at_least": 18.0, "at_most": 22.0}
    assert case("stays", **stays).sensor(1, celsius=18).sensor(2, celsius=22).end() is None
    assert (
        case("stays", **stays).sensor(1).sensor(2, celsius=22.5).end()[1].startswith("ambient temperature 22.50 °C at")
    )
    assert case("stays", **stays).sensor(1, celsius=17.9).end()[0] == 1
    assert case("stays", **stays).sensor(1, celsius=None).end()[1].startswith("ambient temperature no data at 1.000 s")
    assert case("stays", **stays).end() == (60, "not seen by 60.000 s")


def test_stays_in_its_part_and_of_its_device(case):
    """What another device says, or what is said at another time, is neither a value of it nor proof of one."""
    stays = {"sight": {**FIELD, "device": "sensor"}, "at_most": 22.0, "from": "10s", "until": "20s"}
    assert case("stays", **stays).sensor(9, 20, celsius=30).sensor(15).end() is None
    assert case("stays", **stays).sensor(15).sensor(16, celsius=30, device="other").end() is None
    assert case("stays", **stays).sensor(9, 20).end() == (20, "not seen by 20.000 s")


def test_a_rate_in_a_run_that_ended_before_its_part(case):
    """Nothing was seen in no time."""
    assert case("rate", sight=SIGHT, at_least=0.2, **{"from": "30s"}).sensor(5).end(20) == (
        20,
        "seen 0 times in 0 s: 0 times a second",
    )


def test_rate(case):
    """Twelve in a minute are 0.2 a second."""
    plan = {"sight": SIGHT, "at_least": 0.2, "at_most": 0.2}
    assert case("rate", **plan).sensor(*range(0, 60, 5)).end() is None
    assert case("rate", **plan).sensor(*range(0, 60, 6)).end() == (
        60,
        "seen 10 times in 60 s: 0.167 times a second",
    )
    assert case("rate", **plan, **{"from": "30s"}).sensor(*range(30, 60, 5)).end() is None
