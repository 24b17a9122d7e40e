"""Durations are read exactly, other text is refused with one line; values are shown safely."""

import datetime
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from rvsim.rig.field_types import Duration
from rvsim.rig.quantity import (
    MAX_DURATION_US,
    duration_as_typed,
    duration_text,
    parse_duration_us,
    shown,
    time_text,
)

# Seconds in a unit: the SI brochure (BIPM), table 8, for min and h.
SECONDS = {"ms": Fraction(1, 1000), "s": Fraction(1), "min": Fraction(60), "h": Fraction(3600)}
HOW = 'write a number and its unit, ms, s, min or h, like "20s"'


class Holder(BaseModel):
    """Something that lasts."""

    lasts: Duration


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("250ms", 250_000),
        ("20s", 20_000_000),
        ("20 s", 20_000_000),
        ("1.5min", 90_000_000),
        ("2h", 7_200_000_000),
        ("0s", 0),
        ("0.000001s", 1),
        ("0" * 38 + "1s", 1_000_000),
        ("8784h", 366 * 86_400 * 1_000_000),
    ],
)
def test_a_duration_is_a_number_and_a_unit(written, expected):
    """Each unit is read, with decimals, down to a microsecond and up to a leap year."""
    assert parse_duration_us(written) == expected
    assert Holder(lasts=written).lasts == expected
    assert expected <= MAX_DURATION_US


@given(
    whole=st.integers(0, 10**12),
    decimals=st.text("0123456789", max_size=12),
    unit=st.sampled_from(sorted(SECONDS)),
)
def test_a_duration_is_exact_or_refused(whole, decimals, unit):
    """Against rational arithmetic: what is read is exact, what is refused has no exact microsecond or is too long."""
    written = f"{whole}.{decimals}{unit}" if decimals else f"{whole}{unit}"
    exact = (Fraction(whole) + Fraction(int(decimals or "0"), 10 ** len(decimals))) * SECONDS[unit] * 1_000_000
    if exact.denominator == 1 and exact <= 366 * 86_400 * 1_000_000:
        assert parse_duration_us(written) == exact
    else:
        with pytest.raises(ValueError, match="finer than a microsecond" if exact.denominator > 1 else "a year"):
            parse_duration_us(written)


@given(st.integers(0, MAX_DURATION_US))
def test_a_spoken_duration_is_read_back(time):
    """What is written in seconds is read back to the microsecond."""
    assert parse_duration_us(duration_text(time)) == time


@pytest.mark.parametrize(
    ("time", "text"), [(0, "0 s"), (250_000, "0.25 s"), (90_000_000, "90 s"), (1, "0.000001 s"), (100_000_000, "100 s")]
)
def test_a_spoken_duration_has_no_idle_digits(time, text):
    """Seconds, with as many decimals as are needed."""
    assert duration_text(time) == text


@given(st.integers(0, MAX_DURATION_US))
def test_a_typed_duration_is_read_back(time):
    """It has no space, as the TOML files of the package have none."""
    typed = duration_as_typed(time)
    assert " " not in typed
    assert parse_duration_us(typed) == time


@pytest.mark.parametrize(
    ("written", "problem"),
    [
        ("20", '20 has no unit; write the unit: "20s"'),
        ("20 ", '20 has no unit; write the unit: "20s"'),
        (20, '20 has no unit; write the unit: "20s"'),
        (1.5, '1.5 has no unit; write the unit: "1.5s"'),
        ("20sec", f'"20sec" has the unknown unit sec; {HOW}'),
        ("20S", f'"20S" has the unknown unit S; {HOW}'),
        ("-20s", f'"-20s" is negative; {HOW}'),
        (-20, f'"-20" is negative; {HOW}'),
        ("soon", f'"soon" is not a duration; {HOW}'),
        ("", f'"" is not a duration; {HOW}'),
        ("1e3s", f'"1e3s" is not a duration; {HOW}'),
        ("٢s", f'"٢s" is not a duration; {HOW}'),
        ("1" * 41, f'"{"1" * 40}..." is not a duration; {HOW}'),
        ("0.0000001s", '"0.0000001s" is finer than a microsecond; write fewer decimals'),
        ("0.0001ms", '"0.0001ms" is finer than a microsecond; write fewer decimals'),
        ("8784.001h", '"8784.001h" is longer than a year; write a shorter time'),
        (True, f"true is not a duration; {HOW}"),
        ([20], f"a list is not a duration; {HOW}"),
        (float("nan"), f"nan is not a duration; {HOW}"),
        (10**30, f"a number that is too large is not a duration; {HOW}"),
        (MAX_DURATION_US, f"{MAX_DURATION_US} is not a duration; {HOW}"),
        (1 - MAX_DURATION_US, f'"{1 - MAX_DURATION_US}" is negative; {HOW}'),
    ],
)
def test_what_is_no_duration_is_refused_in_plain_words(written, problem):
    """Each mistake has its own line that says what to write."""
    with pytest.raises(ValidationError) as refused:
        Holder.model_validate({"lasts": written})
    (error,) = refused.value.errors()
    assert error["msg"] == f"Value error, {problem}"


@given(st.text())
def test_any_text_is_a_duration_or_refused(written):
    """No text does anything else than give microseconds or a ValueError on one line."""
    try:
        answer = str(parse_duration_us(written))
    except ValueError as error:
        answer = str(error)
    assert answer.isprintable()


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("roof fan", '"roof fan"'),
        ("a\x1b[31m\nb", '"a\\x1b[31m\\nb"'),
        ("x" * 41, f'"{"x" * 40}..."'),
        ("x" * 40, f'"{"x" * 40}"'),
        (True, "true"),
        (False, "false"),
        (253, "253"),
        ((1 << 64) - 1, "18446744073709551615"),
        (1 << 64, "a number that is too large"),
        (-1 << 64, "a number that is too large"),
        pytest.param(16**5000, "a number that is too large", id="too long to write"),
        (21.5, "21.5"),
        ({"a": 1}, "a table"),
        ([1], "a list"),
        ((1,), "a list"),
        (datetime.date(2024, 2, 29), "2024-02-29"),
    ],
)
def test_a_value_is_shown_short_and_safe(value, text):
    """Texts are quoted, cut and stripped of what a terminal would obey; the rest is as a user would say it."""
    assert shown(value) == text


def test_a_longer_text_can_be_asked_for():
    """A path is cut later than other texts."""
    assert shown("x" * 60, 50) == f'"{"x" * 50}..."'


def test_a_time_is_cut_to_milliseconds():
    """What came a microsecond before a time is not shown at it."""
    assert [time_text(time) for time in (0, 999, 1000, 59_999_999, 3_600_000_000)] == [
        "0.000 s",
        "0.000 s",
        "0.001 s",
        "59.999 s",
        "3600.000 s",
    ]
