"""Keys of a table, read out of its model."""

from typing import Annotated, Literal

import pytest
from pydantic import BaseModel, Field, create_model

from rvsim.rig.field_types import Duration
from rvsim.rig.key_lists import bounds, descriptions, first_sentence, keys, span, tables, unit_of


class Motor(BaseModel):
    """A motor of the fan. It turns."""

    full_watts_w: Annotated[float, Field(gt=0, le=500)]
    """Power at full speed. Invented."""


class Fan(BaseModel):
    """A fan with
    blades.

    More of it.
    """

    blades: int = Field(default=4, ge=2, lt=9)
    """How many it has, on
    one hub. More is louder."""
    side: Literal["left", "right"] = "left"
    """Which side it is on."""
    lag: Annotated[Duration, Field(gt=0)] = 1_500_000
    until: Duration | None = None
    address: Annotated[int, Field(ge=0, le=255)] | None = Field(default=None, description="Where it is.")
    point: tuple[float, str] = (1.0, "x")
    motor: tuple[Motor, ...] = ()
    spare: Motor | None = None
    named: dict[str, Motor] = {}
    loud: bool = False
    name: str


class Louder(Fan):
    """A louder fan."""

    side: Literal["left"] = "left"
    """Where it hangs."""


def test_a_line_for_each_key():
    """Type, range, unit, default and meaning; first what has to be there, then the rest as it stands in the model."""
    assert list(keys(Fan)) == [
        "    name = text",
        "    blades = whole number, at least 2 and below 9 (4): How many it has, on one",
        "        hub",
        '    side = "left" or "right" (left): Which side it is on',
        "    lag = time, above 0s (1.5s)",
        "    until = time, optional",
        "    address = whole number, 0 to 255, optional: Where it is",
        "    point = [number, text], optional",
        "    motor = [a table, ...], optional",
        "    spare = a table, optional",
        "    named = a table, optional",
        "    loud = true or false (false)",
    ]
    assert next(keys(Fan, left_out=("name",))).startswith("    blades")


def test_tables_below_a_table_are_listed_once():
    """Each with all places in which it can stand, and with its own docstring."""
    lines = list(tables("[fan]", Fan, path="fan"))
    assert lines[0] == "[fan]: A fan with blades."
    assert " ".join(lines[-3:]).split("[[")[1] == (
        "fan.motor]], [fan.spare], fan.named.NAME = { ... }: A motor of the fan. It     turns. "
        "    full_watts_w = number, above 0 and at most 500 W: Power at full speed"
    )


def test_docstrings_of_fields_are_inherited_and_replaced():
    """What the class itself says goes before what a class above says, and a description before both."""
    assert descriptions(Louder) == {
        "blades": "How many it has, on\none hub. More is louder.",
        "side": "Where it hangs.",
        "address": "Where it is.",
    }


def test_a_model_without_source_has_its_descriptions_alone():
    """A model that was made while the program runs is listed all the same."""
    made = create_model("Made", level=(int, Field(default=1, description="How high.")), other=(int, 2))
    assert list(keys(made)) == ["    level = whole number (1): How high", "    other = whole number (2)"]


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ({}, ""),
        ({"ge": 1, "le": 2.5}, "1 to 2.5"),
        ({"gt": 0}, "above 0"),
        ({"ge": 1}, "at least 1"),
        ({"le": 10_000_000}, "at most 10000000"),
        ({"gt": 5, "lt": 20}, "above 5 and below 20"),
        ({"ge": 0, "lt": 24}, "at least 0 and below 24"),
    ],
)
def test_a_range_in_words(limits, said):
    """Both bounds, one, or none."""
    assert span(limits) == said


def test_bounds_stand_anywhere_in_a_type():
    """In an alias, in one of several types, or beside the default; the field's own go before those of its type."""
    percent = Annotated[float, Field(ge=0, le=100)]
    assert bounds(percent) == {"ge": 0, "le": 100}
    assert bounds(percent | None) == {"ge": 0, "le": 100}
    assert bounds(Annotated[percent, Field(le=50)]) == {"ge": 0, "le": 50}
    assert bounds(Annotated[percent | None, Field(le=50)]) == {"ge": 0, "le": 50}
    assert bounds(list[percent]) == {}


@pytest.mark.parametrize(
    ("key", "unit"),
    [
        ("start_c", "°C"),
        ("fan_amps", "A"),
        ("amps", "A"),
        ("litres", "L"),
        ("loss_w_per_k", "W/K"),
        ("burner_w", "W"),
        ("start_hour", "h"),
        ("lag_hours", "h"),
        ("per_hour", ""),
        ("factor", ""),
    ],
)
def test_the_end_of_a_key_is_its_unit(key, unit):
    """A figure without a unit in its key has none."""
    assert unit_of(key) == unit


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("", ""),
        ("A limit. Invented.", "A limit"),
        ("Between 0.65 and 5.9 W. From a\ntable.", "Between 0.65 and 5.9 W"),
        ("As ``is``", 'As "is"'),
    ],
)
def test_the_first_sentence(text, first):
    """Without its full stop; a decimal point ends no sentence."""
    assert first_sentence(text) == first
