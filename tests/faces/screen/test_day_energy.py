"""Ampere-hours of the day: sums worked by hand, words and bars."""

import pytest

from rvsim.faces.screen.day_energy import DayEnergy
from rvsim.faces.screen.ledger import Ledger
from rvsim.faces.screen.lines import text_of
from rvsim.wire.frame import SECOND_US

HOUR = 3600


def ledger(given=0.0, taken=0.0, measured=None):
    """A ledger of one charger and one device that takes."""
    return Ledger((("charger", given),), (("heater", taken),), (), (), measured)


def shown(*looks):
    """The lines after looks at some seconds."""
    energy = DayEnergy()
    for second, found in looks:
        energy.add(round(second * SECOND_US), found)
    return [text_of(line) for line in energy.lines()]


def each(seconds, found, step=30):
    """The same ledger again and again."""
    return [(second, found) for second in range(0, seconds + 1, step)]


def test_two_hours_by_hand():
    """18 A for two hours are 36 Ah, 6 A are 12; the longer bar is whole, the other a third of it."""
    assert shown(*each(2 * HOUR, ledger(18.0, 6.0, 12.0))) == [
        "  ampere-hours of the last 2 h 0 min",
        f"  given       36.0 Ah  {'═' * 30}",
        f"  taken       12.0 Ah  {'═' * 10}",
        "  left        24.0 Ah into the battery",
    ]


def test_a_battery_that_gives():
    """What it gave stands as such; a current that changes counts with its mean."""
    lines = shown(*each(HOUR, ledger(0.0, 6.0, -6.0)))
    assert lines[1:] == [
        "  given        0.0 Ah",
        f"  taken        6.0 Ah  {'═' * 30}",
        "  left         6.0 Ah out of the battery",
    ]
    rising = [(second, ledger(second / HOUR)) for second in range(0, HOUR + 1, 30)]
    assert shown(*rising)[1] == f"  given        0.5 Ah  {'═' * 30}"


def test_nothing_is_said_too_soon_or_without_a_measurement():
    """Less than a minute is no day; without a monitor nothing is said of the battery."""
    assert shown() == shown(*each(30, ledger(1.0), 5)) == []
    assert [line.split()[0] for line in shown(*each(HOUR, ledger(1.0, 1.0)))] == ["ampere-hours", "given", "taken"]
    assert shown(*each(HOUR, ledger(1.0, 1.0, 0.01)))[-1] == "  left      nothing changed"


def test_a_gap_counts_nothing():
    """A pause of an hour, or going back in a log: the minutes before and after are counted alone."""
    before, after = each(600, ledger(6.0)), [(HOUR + second, ledger(6.0)) for second in range(0, 601, 30)]
    assert shown(*before, *after)[:2] == ["  ampere-hours of the last 20 min", f"  given        2.0 Ah  {'═' * 30}"]
    back = [(second, ledger(6.0)) for second in range(0, 601, 30)]
    assert shown(*before, *back)[0] == "  ampere-hours of the last 20 min"


def test_only_the_last_day_counts():
    """After thirty hours the first six are forgotten, hour by hour."""
    first = [(second, ledger(10.0)) for second in range(0, 6 * HOUR, 60)]
    later = [(second, ledger(0.0, 1.0)) for second in range(6 * HOUR, 30 * HOUR, 60)]
    lines = shown(*first, *later)
    assert lines[0].startswith("  ampere-hours of the last 24 h 0 min")
    assert float(lines[1].split()[1]) == pytest.approx(0.0, abs=0.2)


def test_when_it_is_due():
    """At first, then each five seconds, and at once where time runs back."""
    energy = DayEnergy()
    assert energy.is_due(0)
    energy.add(10 * SECOND_US, ledger())
    assert [energy.is_due(round(second * SECOND_US)) for second in (10, 14.9, 15, 3)] == [False, False, True, True]
