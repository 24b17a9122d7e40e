"""The checks of single options."""

import pytest

from rvsim.errors import InputError
from rvsim.faces.cli.options import microseconds, output_form, speed_of


@pytest.mark.parametrize(("given", "expected"), [(None, None), (0.0, 0), (120.0, 120_000_000), (0.25, 250_000)])
def test_seconds_become_microseconds(given, expected):
    """A run's length in whole microseconds; none means until interrupted."""
    assert microseconds(given) == expected


@pytest.mark.parametrize("given", [-1.0, float("nan"), float("inf"), 1e12])
def test_seconds_that_make_no_run(given):
    """Negative, endless and absurd lengths are refused."""
    with pytest.raises(InputError, match=r"--seconds .*: give a number from 0"):
        microseconds(given)


@pytest.mark.parametrize(
    ("given", "expected"), [("1", 1.0), ("20", 20.0), ("0.5", 0.5), ("0.000001", 1e-6), ("max", None)]
)
def test_speed(given, expected):
    """A factor of the wall clock, or no waiting at all."""
    assert speed_of(given) == expected


@pytest.mark.parametrize("given", ["0", "-2", "fast", "nan", "1e9", "1e-7", "5e-324", ""])
def test_speed_that_is_none(given):
    """Anything else says what to give."""
    with pytest.raises(InputError, match=r'--speed .*: give a number from 0.000001 to 1000000 .* or "max"'):
        speed_of(given)


def test_contradictions_are_refused():
    """Two forms at once, or all readings without JSON, are refused; one form is fine."""
    with pytest.raises(InputError, match="choose one"):
        output_form(plain=True, json=True, every=False, terminal=True)
    with pytest.raises(InputError, match="--every goes with --json"):
        output_form(plain=True, json=False, every=True, terminal=True)


@pytest.mark.parametrize(
    ("plain", "json", "terminal", "form"),
    [
        (False, False, True, "screen"),
        (False, False, False, "plain"),
        (True, False, True, "plain"),
        (False, True, True, "json"),
        (False, True, False, "json"),
    ],
)
def test_the_form_of_a_run(plain, json, terminal, form):
    """A terminal gets the screen unless another form is asked for; a pipe gets sentences."""
    assert output_form(plain=plain, json=json, every=False, terminal=terminal) == form
