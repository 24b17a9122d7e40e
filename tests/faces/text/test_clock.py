"""Clock times of a log."""

import pytest

from rvsim.faces.text.clock import NO_CLOCK, Clock
from rvsim.wire.frame import SECOND_US

EVENING = Clock(1_700_006_390 * SECOND_US)
"""2023-11-14 23:59:50 UTC."""


def test_a_log_without_a_date_has_no_clock_times():
    """Nor one whose times lie behind the year 9999."""
    for clock in (NO_CLOCK, Clock(253_402_300_800 * SECOND_US)):
        assert (clock.at(0), clock.span(0, SECOND_US), clock.span(0, None)) == (None, "", "")


@pytest.mark.parametrize(
    ("since", "until", "text"),
    [
        (1, 5, ", 23:59:51 to 23:59:55 UTC"),
        (1, None, ", 23:59:51 UTC"),
        (5, 15, ", 23:59:55 to 2023-11-15 00:00:05 UTC"),
        (15, 20, ", 2023-11-15 00:00:05 to 2023-11-15 00:00:10 UTC"),
    ],
)
def test_the_day_is_named_where_it_is_another(since, until, text):
    """Than the one on which the log started."""
    assert EVENING.span(since * SECOND_US, None if until is None else until * SECOND_US) == text
    assert EVENING.at(0) == "2023-11-14 23:59:50"
