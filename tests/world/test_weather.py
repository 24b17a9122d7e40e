"""The outdoor temperature over a day, tables of weather, and the sun."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.climate import WeatherPlan
from rvsim.world.moist_air import saturation_ratio
from rvsim.world.sun import NEW_YEAR, air_mass, clear_sky, refraction_deg, sun_position
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


# A table


def table(folder: Path, text: str) -> WeatherPlan:
    """A weather whose table has this text."""
    (folder / "weather.csv").write_text(text, encoding="utf-8")
    return WeatherPlan.model_validate({"table": "weather.csv", "wind_m_per_s": 3.0}, context={"folder": folder})


def test_between_the_rows_of_a_table(tmp_path: Path) -> None:
    """Half way is half way; after the last row its values stay; columns that are not there come from the keys."""
    weather = Weather(table(tmp_path, "hours,outdoor_c,humidity_percent\n0,4,50\n1,10,100\n2,0,100\n"))
    found = [weather.outdoor_c(second) for second in (0, 1800, 3600, 5400, 7200, 90_000)]
    assert found == [4.0, 7.0, 10.0, 5.0, 0.0, 0.0]
    assert weather.conditions(1800).humidity_ratio == pytest.approx(0.75 * saturation_ratio(7.0), rel=0.01)
    assert weather.conditions(1800).wind_m_per_s == 3.0


def test_a_step_replaces_a_column(tmp_path: Path) -> None:
    """The table no longer counts for what was set, and still for the rest."""
    weather = Weather(table(tmp_path, "hours,outdoor_c,wind_m_per_s\n0,4,1\n1,10,2\n"))
    changed = weather.changed(outdoor_c=-20.0)
    assert (changed.outdoor_c(3600), changed.conditions(3600).wind_m_per_s) == (-20.0, 2.0)
    assert weather.outdoor_c(3600) == 10.0
    again = changed.changed(wind_m_per_s=7.0)
    assert (again.outdoor_c(3600), again.conditions(3600).wind_m_per_s) == (-20.0, 7.0)


def test_what_does_not_change_is_refused() -> None:
    """The clock and the place of a run, unknown keys, and figures outside their range."""
    weather = Weather(WeatherPlan())
    for figures in ({"start_hour": 3.0}, {"rain": 1.0}, {"outdoor_c": 90.0}):
        with pytest.raises(ValueError, match=next(iter(figures))):
            weather.changed(**figures)


# The sun


def test_noon_and_night() -> None:
    """At latitude 50 the sun stands 63.4 degrees high at noon in midsummer and 16.6 in midwinter, in the south."""
    for day, elevation in ((172, 63.4), (355, 16.6)):
        noon = Weather(WeatherPlan(day_of_year=day, start_hour=12.0, cloud_percent=0.0)).conditions(0)
        assert noon.elevation == pytest.approx(elevation, abs=0.15)
        assert noon.azimuth == pytest.approx(180, abs=2)
        assert Weather(WeatherPlan(day_of_year=day, start_hour=0.0)).conditions(0).power.level == 0.0


def test_the_air_lifts_a_low_sun() -> None:
    """Near the horizon by a third of a degree, as seen from below."""
    for hour in (8.05, 8.1, 8.2):
        low = Weather(WeatherPlan(start_hour=hour, outdoor_c=10.0)).conditions(0)
        geometric = sun_position(NEW_YEAR + 14 + hour / 24, 50.0).elevation
        assert 0 < geometric < 3
        assert low.elevation - geometric == pytest.approx(refraction_deg(geometric, 101_325, 10.0), rel=1e-6)
        assert 0.2 < low.elevation - geometric < 0.5


def test_the_sun_is_stronger_on_a_mountain() -> None:
    """At 3000 m the same sun passes 69 % of the air, and less haze."""
    sea, high = (
        Weather(WeatherPlan(start_hour=12.0, cloud_percent=0.0, altitude_m=metres)) for metres in (0.0, 3000.0)
    )
    zenith = 90 - high.conditions(0).elevation
    expected = clear_sky(zenith, air_mass(zenith) * high.pressure_pa / 101_325, 3000.0)
    assert high.conditions(0).power == pytest.approx(expected)
    assert high.pressure_pa / 101_325 == pytest.approx(0.69, abs=0.005)
    assert high.conditions(0).power.beam > 1.1 * sea.conditions(0).power.beam


def test_azimuths_are_those_of_the_vehicle() -> None:
    """A van that points to the east has the southern sun on its right, at 90 degrees."""
    noon = Weather(WeatherPlan(start_hour=12.0, cloud_percent=0.0, heading_deg=90.0)).conditions(0)
    assert noon.azimuth == pytest.approx(90, abs=3)
    right, left = noon.on_plane(90, 90), noon.on_plane(90, 270)
    assert right[0] > 400
    assert left[0] == 0.0
    assert right[2] == left[2]


def test_clouds_take_the_beam_first() -> None:
    """A covered sky passes a quarter (Kasten and Czeplak), all of it from the sky."""
    clear, half, covered = (
        Weather(WeatherPlan(day_of_year=172, start_hour=12.0, cloud_percent=part)).conditions(0).power
        for part in (0.0, 50.0, 100.0)
    )
    assert covered.level == pytest.approx(0.25 * clear.level)
    assert (covered.beam, covered.sky) == (0.0, pytest.approx(covered.level))
    assert half.beam == pytest.approx(clear.beam / 2)
    assert clear.level > half.level > covered.level


def test_a_measured_sun_is_split(tmp_path: Path) -> None:
    """A table's power on a level plane is kept; a bright sky has most of it in the beam, a dull one in the sky."""
    for measured, least, most in ((850, 0.7, 1.0), (150, 0.0, 0.05)):
        plan = table(tmp_path, f"hours,sun_w_per_m2\n0,{measured}\n1,{measured}\n")
        plan = plan.model_copy(update={"day_of_year": 172, "start_hour": 12.0})
        noon = Weather(plan).conditions(0)
        assert noon.power.level == measured
        assert sum(noon.on_plane(0, 0)[::2]) == pytest.approx(measured)
        assert least <= 1 - noon.power.sky / measured <= most


@given(second=st.integers(0, 10**8), latitude=st.floats(-90, 90), day=st.integers(1, 365), clouds=st.floats(0, 100))
def test_the_sun_has_no_impossible_power(second: int, latitude: float, day: int, clouds: float) -> None:
    """Anywhere at any time: below the power outside the atmosphere, none at night, and its parts make the whole."""
    weather = Weather(WeatherPlan(latitude_deg=latitude, day_of_year=day, cloud_percent=clouds, outdoor_c=10.0))
    now = weather.conditions(second)
    level, beam, sky = now.power
    assert 0 <= sky <= level <= 1200
    assert 0 <= beam <= 1100
    if now.elevation <= 0:
        assert now.power == (0, 0, 0)
    assert sum(now.on_plane(0, 0)[::2]) == pytest.approx(level, abs=1e-6)
