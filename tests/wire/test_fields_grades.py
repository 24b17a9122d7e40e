"""rvsim.wire.fields: the grades of a field's name, layout and codes, and the origin of a reading."""

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire.fields import FieldSpec, Grades, Origin, Reading, Special, State, weakest

PUBLISHED, USER, MEMORY, UNSURE = Origin.PUBLISHED, Origin.USER, Origin.MEMORY, Origin.UNSURE
ORDER = [PUBLISHED, USER, MEMORY, UNSURE]
"""From the surest to the least sure: our decision."""
ORIGINS = st.sampled_from(Origin)


def test_the_least_sure_of_some_origins():
    """Published, then what the user defines, then memory, then what is not sure; in whatever order they are given."""
    for place, origin in enumerate(ORDER):
        for some in permutations(ORDER[: place + 1]):
            assert weakest(*some) is origin


def reading(raw, grades=(PUBLISHED, PUBLISHED, PUBLISHED), special=Special.NO_DATA, single=None, length=8):
    """Return a reading of a field with names for 0 and 1."""
    field = FieldSpec("mode", 0, length, labels={0: "off", 1: "on"}, special=special, grades=Grades(*grades),
                      code_grades=single or {})  # fmt: skip
    return Reading(field, raw, field.state(raw))


@given(ORIGINS, ORIGINS, ORIGINS)
def test_a_number_rests_on_name_and_layout(name, layout, codes):
    """How sure the names of codes are does not matter where none is printed."""
    assert reading(7, (name, layout, codes)).origin is weakest(name, layout)


@given(ORIGINS, ORIGINS, ORIGINS)
def test_the_word_for_a_code_rests_on_name_layout_and_codes(name, layout, codes):
    """It is no better than the weakest of the three."""
    assert reading(1, (name, layout, codes)).origin is weakest(name, layout, codes)


@given(ORIGINS, ORIGINS, ORIGINS, ORIGINS)
def test_a_single_code_may_be_surer_than_the_others(name, layout, codes, single):
    """A code that is graded by itself does not count with the rest of its list."""
    grades, apart = (name, layout, codes), {0: single}
    assert reading(0, grades, single=apart).origin is weakest(name, layout, single)
    assert reading(1, grades, single=apart).origin is weakest(name, layout, codes)
    assert [reading(0, grades, single=apart).field.code_grade(raw) for raw in (0, 1, 9)] == [single, codes, codes]


@pytest.mark.parametrize(
    ("raw", "special", "length", "origin"),
    [
        (255, Special.MEASURED, 8, PUBLISHED),  # all ones: rv-c.com/node/522
        (255, Special.NO_DATA, 8, PUBLISHED),
        (3, Special.MEASURED, 2, PUBLISHED),
        # the other codes of the data types, and that commands leave a field as it is, are from memory
        (254, Special.MEASURED, 8, MEMORY),
        (251, Special.MEASURED, 8, MEMORY),
        (2, Special.MEASURED, 2, MEMORY),
        (255, Special.COMMANDED, 8, MEMORY),
        (255, Special.UNCHANGED, 8, MEMORY),
    ],
)
def test_a_state_rests_on_name_and_layout_and_on_its_rule(raw, special, length, origin):
    """That all ones are no data is published, what else the data types say is memory."""
    for layout in ORDER:
        found = reading(raw, (PUBLISHED, layout, UNSURE), special, length=length)
        assert found.state is not State.VALUE
        assert found.origin is weakest(layout, origin)


def test_a_field_that_the_frame_did_not_hold_rests_on_name_and_layout():
    """That it is missing is counted, nothing else is claimed."""
    assert reading(None, (USER, PUBLISHED, UNSURE)).origin is USER


def test_the_mode_of_a_thermostat_is_from_memory(catalogue):
    """The names Off and Fan only are published, all numbers are memory: so is the word for each of them."""
    mode = catalogue.by_name("THERMOSTAT_STATUS_1").by_name["operating_mode"]
    assert mode.grades == Grades(name=PUBLISHED, layout=MEMORY, codes=MEMORY)
    assert Reading(mode, 0, State.VALUE).origin is MEMORY


def test_the_worked_frame_of_a_battery_maker_is_published_but_for_some_codes(catalogue):
    """Priority 120 and instance 1 are in the makers' appendices, priority 60 and instance 3 are memory."""
    status = catalogue.by_name("DC_SOURCE_STATUS_1")
    printed = status.decode(bytes.fromhex("01 78 14 01 00 94 35 77"))
    assert [one.origin for one in printed] == [PUBLISHED] * 4
    remembered = status.decode(bytes.fromhex("03 3C 14 01 00 94 35 77"))
    assert [one.origin for one in remembered] == [MEMORY, MEMORY, PUBLISHED, PUBLISHED]


@pytest.mark.parametrize(
    ("raw", "label", "shown", "brief"),
    [(2, "error", None, "error"), (2, "broken", "broken", "error"), (3, "no data", None, "no data")],
)
def test_a_name_that_says_what_the_state_says_is_not_shown_twice(raw, label, shown, brief):
    """A pair of bits whose 10b is called an error is an error, once."""
    field = FieldSpec("lamp", 0, 2, labels={raw: label}, special=Special.MEASURED)
    found = Reading(field, raw, field.state(raw))
    assert (found.shown_label, found.brief) == (shown, brief)
