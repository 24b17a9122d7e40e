"""The thermostat of a zone by itself: when it starts, stops and rests; the time of day and schedules."""

import pytest

from rvsim.devices.control.day_clock import SchedulePoint, is_within, schedule_values
from rvsim.devices.control.zone_thermostat import MODES, Work, ZoneSettings, ZoneThermostat, ZoneView

S = 1_000_000


class Zone:
    """A thermostat that decides each five seconds; ``work`` is what it does."""

    def __init__(self, **settings):
        self.thermostat = ZoneThermostat(ZoneSettings(instance=1, sensor=1, **settings))
        self.now = 0

    def at(self, inside, outside=None, coldest=None, wait=5.0, heat=True, cool=True, vent=False):
        """Decide after a wait, and return what it does."""
        self.now += round(wait * S)
        view = ZoneView(inside, outside, inside if coldest is None else coldest, heat, cool, vent)
        self.thermostat.decide(self.now, view)
        return str(self.thermostat.work)


def test_it_heats_within_its_dead_band():
    """On half a kelvin below 21, off half a kelvin above; full power far below, half of it near."""
    zone = Zone(min_on_s=0, min_off_s=0)
    assert [zone.at(t) for t in (20.6, 20.4, 21.4, 21.6, 20.6, 20.4)] == [
        "rest",
        "heat",
        "heat",
        "rest",
        "rest",
        "heat",
    ]
    assert zone.thermostat.heat_percent == 50.0
    zone.at(18.9)
    assert zone.thermostat.heat_percent == 100.0
    zone.at(22.0)
    assert zone.thermostat.heat_percent == 0.0


def test_it_cools_within_its_dead_band():
    """On half a kelvin above 25, off half a kelvin below."""
    zone = Zone(min_on_s=0, min_off_s=0)
    assert [zone.at(t) for t in (25.4, 25.6, 24.6, 24.4)] == ["rest", "cool", "cool", "rest"]


@pytest.mark.parametrize(
    ("mode", "cold", "hot"),
    [
        ("off", "rest", "rest"),
        ("heat", "heat", "rest"),
        ("cool", "rest", "cool"),
        ("auto", "heat", "cool"),
        ("fan", "fan", "fan"),
    ],
)
def test_the_mode_says_what_it_may(mode, cold, hot):
    """Heat, cool, both, the fan alone, nothing."""
    assert Zone(mode=mode).at(15.0, vent=True) == cold
    assert Zone(mode=mode).at(35.0, vent=True) == hot


def test_air_from_outside_cools_where_it_is_cooler():
    """The roof fan before the air conditioner; it changes over when the air outside gets warm."""
    zone = Zone()
    assert zone.at(27.0, outside=20.0, vent=True) == "vent"
    assert zone.at(27.0, outside=26.0, vent=True) == "cool"
    assert Zone().at(27.0, outside=20.0) == "cool"
    assert Zone().at(27.0, outside=26.0, vent=True, cool=False) == "rest"


def test_it_keeps_its_least_times():
    """Five minutes on and five off, a quarter of an hour between heat and cooling."""
    zone = Zone()
    assert [zone.at(20.0), zone.at(22.0), zone.at(22.0, wait=294.9), zone.at(22.0, wait=0.2)] == ["heat"] * 3 + ["rest"]
    assert [zone.at(20.0), zone.at(20.0, wait=294.9), zone.at(20.0, wait=0.2)] == ["rest", "rest", "heat"]
    assert [zone.at(26.0, wait=300), zone.at(26.0, wait=899), zone.at(26.0, wait=2)] == ["rest", "rest", "cool"]


def test_a_lost_device_and_the_mode_off_end_at_once():
    """Whatever the least times; without the temperature of the zone nothing is heated."""
    for lost in ({"heat": False}, {"inside": None, "coldest": None}):
        zone = Zone()
        assert zone.at(15.0) == "heat"
        assert zone.at(**{"inside": 15.0, **lost}) == "rest"
    zone = Zone()
    zone.at(15.0)
    zone.thermostat.mode = MODES["off"]
    assert zone.at(15.0) == "rest"


def test_frost_is_watched_in_every_mode():
    """Below 4 it heats with full power until 6, also where only a further place is cold and the zone is not known."""
    zone = Zone(mode="off", min_on_s=0, min_off_s=0)
    assert [zone.at(15.0, coldest=t) for t in (4.0, 3.9, 5.9, 6.0)] == ["rest", "heat", "heat", "rest"]
    assert Zone(mode="cool").at(None, coldest=3.0) == "heat"
    assert Zone(mode="off", frost_c=None).at(1.0) == "rest"
    cold = Zone()
    cold.at(20.9, coldest=2.0)
    assert (cold.thermostat.work, cold.thermostat.heat_percent) == (Work.HEAT, 100.0)


def test_settings_that_would_heat_and_cool_in_turn_are_refused():
    """The set points have to be a dead band apart; a schedule point has to set something, at a time of day."""
    with pytest.raises(ValueError, match="less than the dead band of 2 K above heat_c 24"):
        ZoneSettings(instance=1, sensor=1, heat_c=24.0, dead_band_k=2.0)
    with pytest.raises(ValueError, match="it sets nothing"):
        SchedulePoint(at="06:30")
    for time in ("6:30", "24:00", "06:60", "0630"):
        with pytest.raises(ValueError, match="is not a time of day"):
            SchedulePoint(at=time, heat_c=20.0)


def test_a_schedule_goes_past_midnight():
    """Before its first point the last one of the day before holds; heat and cooling have points of their own."""
    points = [SchedulePoint(at=at, heat_c=heat, cool_c=cool) for at, heat, cool in
              (("22:00", 17.0, None), ("06:30", 21.0, 26.0), ("12:00", None, 24.0))]  # fmt: skip
    at = {
        time: schedule_values(points, 60 * int(time[:2]) + int(time[3:]))
        for time in ("00:00", "06:29", "06:30", "13:00", "23:59")
    }
    assert at == {
        "00:00": (17.0, 24.0),
        "06:29": (17.0, 24.0),
        "06:30": (21.0, 26.0),
        "13:00": (21.0, 24.0),
        "23:59": (17.0, 24.0),
    }
    assert schedule_values([], 5) == (None, None)


def test_a_span_of_the_day_goes_past_midnight():
    """From 22:00 until 07:00, and from 07:00 until 22:00."""
    night = (22 * 60, 7 * 60)
    assert [is_within(60 * hour, *night) for hour in (21, 22, 0, 6, 7, 12)] == [False, True, True, True, False, False]
    assert [is_within(60 * hour, 420, 1320) for hour in (6, 7, 21, 22)] == [False, True, True, False]
