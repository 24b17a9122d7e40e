"""Entries within an hour, and what must not be seen while a state lasts: met and broken, at their edges."""

import pytest
from pydantic import ValidationError

from rvsim.wire.frame import SECOND_US

HEAT = {"message": "FURNACE_STATUS", "field": "heat_output_level"}
WARM = {"message": "THERMOSTAT_AMBIENT_STATUS", "field": "ambient_temperature", "above": 25.0}


class Vehicle:
    """A vehicle with a cabin."""

    def __init__(self, celsius):
        self.cabin_c = celsius


def starts(case, *seconds, **more):
    """A furnace that starts at some times and stops ten seconds later."""
    one = case("entered", sight={**HEAT, "becomes": True, "above": 0}, **more).heater(0, level=0)
    for second in seconds:
        one.heater(second, level=100).heater(second + 10, level=0)
    return one.end(8000)


def test_so_many_starts_in_any_hour(case):
    """Three at most: a fourth within 60 min is one too many, at the end of an hour it is not."""
    assert starts(case, 100, 1000, 2000, 3700, at_most_per_hour=3) is None
    time, found = starts(case, 100, 1000, 2000, 3699, at_most_per_hour=3)
    assert time == 3699
    assert found.startswith("entered for the 4th time since 100.000 s: ")


def test_the_hour_is_any_hour_not_the_first(case):
    """Few at first, then many."""
    assert starts(case, 100, 5000, 5100, 5200, 5300, at_most_per_hour=3)[0] == 5300
    assert starts(case, 100, 5000, 5100, 5200, at_most_per_hour=3) is None


def test_starts_of_an_hour_are_told_in_the_sentence(case):
    """With the limit."""
    plan = case("entered", sight={**HEAT, "becomes": True, "above": 0}, at_most_per_hour=4).plan
    assert "is entered at most 4 times within 60 min" in plan.sentence


def test_never_while_a_field_is_in_a_state(case):
    """From the frame that says so to the next one that says otherwise."""
    plan = {"sight": {**HEAT, "above": 0}, "during": WARM}
    one = case("never_while", **plan).sensor(1, celsius=20).heater(2).sensor(3, celsius=26).sensor(5, celsius=24)
    assert one.heater(6).end() is None
    time, found = case("never_while", **plan).sensor(3, celsius=26).heater(4).end()
    assert time == 4
    assert found.startswith("seen at 4.000 s while THERMOSTAT_AMBIENT_STATUS")
    assert ", since 3.000 s: " in found


def test_no_data_does_not_end_a_state(case):
    """A field without a value says nothing about it."""
    plan = {"sight": {**HEAT, "above": 0}, "during": WARM}
    one = case("never_while", **plan).sensor(3, celsius=26).sensor(4, celsius=None).heater(5)
    assert one.end()[0] == 5


def test_never_while_it_lasts_with_grace(case):
    """The state may be two seconds old, also where it is told again."""
    plan = {"sight": {**HEAT, "above": 0}, "during": WARM, "grace": "2s"}
    assert case("never_while", **plan).sensor(3, 4, celsius=26).heater(5).end() is None
    assert case("never_while", **plan).sensor(3, 4, celsius=26).heater(5.000001).end()[0] == 5.000001


def test_never_while_counts_in_its_part(case):
    """A state of before counts, a sight of before does not."""
    plan = {"sight": {**HEAT, "above": 0}, "during": WARM, "from": "10s", "until": "20s"}
    assert case("never_while", **plan).sensor(3, celsius=26).heater(9.9, 20).end() is None
    assert case("never_while", **plan).sensor(3, celsius=26).heater(10).end()[0] == 10


def test_never_while_a_value_of_the_vehicle_is_beyond_a_limit(case):
    """Seconds may be observed before the frames of their time."""

    def go(*frames, **more):
        one = case("never_while", sight={**HEAT, "above": 0}, value="cabin", **more)
        for second, celsius in enumerate((20, 26, 26, 24, 20, 27)):
            one.judge.observe_second(second * SECOND_US, Vehicle(celsius))
        return one.heater(*frames).end()

    assert go(0.5, 3.5, 4.5, above=25.0) is None
    assert go(0.5, 2.5, above=25.0)[0] == 2.5
    assert "while cabin is above 25, since 1.000 s" in go(2.5, above=25.0)[1]
    assert go(5.5, above=25.0)[0] == 5.5
    assert go(2.5, above=25.0, grace="2s") is None
    assert go(2.5, below=25.0) is None
    assert go(3.5, below=25.0)[0] == 3.5


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({}, "write during = { ... } for a field on the bus, or a value of the vehicle"),
        ({"during": WARM, "value": "cabin", "above": 1.0}, "and not both"),
        ({"value": "cabin"}, "write one limit of the value"),
        ({"value": "cabin", "above": 1.0, "below": 2.0}, "write one limit of the value"),
        ({"during": WARM, "above": 1.0}, "write them inside during"),
        ({"during": {"message": "DM_RV"}}, "during is a field in a state"),
        ({"during": {**WARM, "becomes": True}}, "during is a field in a state"),
    ],
)
def test_a_state_that_is_none_is_refused(case, more, told):
    """What is wrong, and what to write."""
    with pytest.raises(ValidationError, match="1 validation error") as error:
        case("never_while", sight=HEAT, **more)
    assert told in str(error.value)


def test_never_while_as_a_sentence(case):
    """Both forms."""
    field = case("never_while", sight={**HEAT, "above": 0}, during=WARM, grace="5s").plan.sentence
    assert field == (
        "FURNACE_STATUS with heat output level above 0 is never seen while THERMOSTAT_AMBIENT_STATUS with ambient "
        "temperature above 25, from 5 s after its start"
    )
    value = case("never_while", sight=HEAT, value="opening", above=0.05).plan.sentence
    assert value.endswith(" is never seen while opening is above 0.05")
