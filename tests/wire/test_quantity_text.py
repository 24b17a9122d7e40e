"""Texts that keep the quantities in them."""

import json
import pickle
from fractions import Fraction
from typing import Any

import pytest

from rvsim.wire.fields import USER_GRADES, FieldSpec, Grades, Origin
from rvsim.wire.quantity_text import Equivalents, Quantity, QuantityText, compose, decimals_of, figure, join, rounded

TEMPERATURE = FieldSpec("air", 0, 16, scale=3125, offset=-27300000, decimals=5, unit="degC")
WARM = TEMPERATURE.brief(9408)
"""21 °C: (21 + 273) / 0.03125."""


def quantities(text):
    """The values in a text."""
    return [part.value for part in getattr(text, "parts", ()) if isinstance(part, Quantity)]


@pytest.mark.parametrize(
    ("text", "metric", "count"),
    [
        (compose("it says ", WARM, ", and ", WARM, "."), "it says 21.00 °C, and 21.00 °C.", 2),
        (compose(compose("it says ", WARM), " now"), "it says 21.00 °C now", 1),
        ("it says " + WARM, "it says 21.00 °C", 1),
        (WARM + " now", "21.00 °C now", 1),
        (join(", ", ["a", WARM, WARM]), "a, 21.00 °C, 21.00 °C", 2),
        (join(", ", iter([WARM])), "21.00 °C", 1),
        (join(", ", []), "", 0),
        (compose("at least 18", Equivalents((figure(18, "degC"),))), "at least 18", 0),
        (compose(figure(-50, "degC", names_unit=False), " to ", figure(70, "degC")), "-50 to 70 °C", 2),
    ],
)
def test_a_text_is_its_metric_words_and_keeps_its_quantities(text, metric, count):
    """However it is put together."""
    assert text == metric
    assert quantities(text) == ([-50, 70] if metric.startswith("-50") else [21] * count)
    assert json.dumps(text) == json.dumps(metric)


def test_words_without_a_quantity_are_a_plain_text():
    """Nothing is kept where there is nothing to keep."""
    assert type(compose("a", "b")) is str
    assert type(compose("a", Equivalents(()))) is str
    assert type(FieldSpec("level", 0, 8).brief(3)) is str


def test_a_text_that_went_to_another_process_is_whole():
    """Verdicts of parallel runs go through pickle."""
    text = compose("found ", WARM, Equivalents((figure(18, "degC"),)))
    back: Any = pickle.loads(pickle.dumps(text))
    assert (back, type(back), back.parts) == (text, QuantityText, text.parts)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("step", "decimals"),
    [("0", 0), ("4", 0), ("1", 0), ("0.5", 0), ("0.32", 0), ("0.31", 1), ("0.25", 1), ("0.1", 1), ("0.05", 1),
     ("0.032", 1), ("0.03125", 2), ("0.02", 2), ("0.0078125", 2), ("0.001", 3), ("0.000001", 6)],
)  # fmt: skip
def test_the_decimals_are_those_of_the_power_of_ten_nearest_to_the_step(step, decimals):
    """By ratio: the border between 1 and 0.1 is the square root of a tenth, 0.316."""
    assert decimals_of(Fraction(step)) == decimals


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        ("2.5", 0, "3"),
        ("-2.5", 0, "-2"),
        ("-0.04", 1, "0.0"),
        ("-0.05", 1, "0.0"),
        ("-0.06", 1, "-0.1"),
        ("7", 2, "7.00"),
    ],
)
def test_halves_go_up(value, decimals, text):
    """As in every text of a reading, and no zero is below zero."""
    assert rounded(Fraction(value), decimals) == text


def test_a_kelvin_is_a_difference_in_our_definitions_alone():
    """A user's own file may mean a temperature by it: that is not known."""
    ours = Grades(Origin.MEMORY, Origin.MEMORY, Origin.MEMORY)
    assert FieldSpec("dead_band", 0, 8, unit="K", grades=ours).quantity(3).is_difference
    assert not FieldSpec("dead_band", 0, 8, unit="K", grades=USER_GRADES).quantity(3).is_difference
    assert FieldSpec("dead_band", 0, 8, unit="K", grades=ours).figure(3).is_difference
    assert not TEMPERATURE.quantity(9408).is_difference
