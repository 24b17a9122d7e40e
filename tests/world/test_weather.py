"""The outdoor temperature over a day."""

import pytest

from rvsim.rig.vehicle import WeatherPlan
from rvsim.world.weather import Weather

HOUR = 3600


def test_no_swing_is_the_same_all_day() -> None:
    """Without a swing the temperature is the given one at every second."""
    weather = Weather(WeatherPlan(outdoor_c=-7.5))
    assert {weather.outdoor_c(second) for second in range(0, 48 * HOUR, 600)} == {-7.5}


@pytest.mark.parametrize(
    ("hour_of_day", "expected"),
    # A cosine by hand: mean 4, amplitude 6, warmest at 15; half the amplitude 4 hours (60 degrees) from there.
    [(15, 10.0), (19, 7.0), (11, 7.0), (21, 4.0), (9, 4.0), (3, -2.0), (23, 1.0)],
)
def test_the_swing_of_a_day(hour_of_day: int, expected: float) -> None:
    """The warmest hour stands at mean plus amplitude, twelve hours from it at mean minus amplitude."""
    weather = Weather(WeatherPlan(outdoor_c=4.0, swing_amplitude_k=6.0, warmest_hour=15.0, start_hour=6.0))
    for day in range(3):
        second = (hour_of_day - 6) % 24 * HOUR + day * 24 * HOUR
        assert weather.outdoor_c(second) == pytest.approx(expected, abs=1e-9)


def test_the_run_begins_at_its_start_hour() -> None:
    """Second 0 is the start hour, decimals included."""
    weather = Weather(WeatherPlan(outdoor_c=0.0, swing_amplitude_k=10.0, warmest_hour=14.5, start_hour=14.5))
    assert weather.outdoor_c(0) == 10.0
