"""Tests for values that stand while something works that moves them."""

import pytest

from rvsim.watch.detect.courses import Range, Sum
from rvsim.watch.flag import Severity

SOURCE, CHARGE, TANK, PUMP = "DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2", "TANK_STATUS", "WATER_PUMP_STATUS"
WATER, AIR, FURNACE = "WATERHEATER_STATUS", "THERMOSTAT_AMBIENT_STATUS", "FURNACE_STATUS"
MONITOR = {"name": "monitor", "address": 0x46, "functions": {"dc_source": 1}}
GAP = 10


def celsius(value):
    """Steps of 1/32 degree from -273."""
    return round((value + 273) * 32)


@pytest.fixture
def judge_series(bus, judge):
    """Judge messages that are sent each ten seconds: (message, source, raw values), which may be functions of time."""

    def go(end, *series, devices=(), first=0, **tables):
        made, frames = bus(), []
        for place, (message, source, raws) in enumerate(series):
            for second in range(first, end, GAP):
                now = {name: raw(second) if callable(raw) else raw for name, raw in raws.items()}
                if None not in now.values():
                    frames.append(made.frame(second + place / 4, message, source, **now))
        return judge(frames, end, *devices, kinds=("stuck-value",), **tables)

    return go


def battery(amps, charge=120, volts=250, source=0x46, instance=1):
    """A monitor with its current, which flows out, and its state of charge in half percents."""
    current = amps if callable(amps) else lambda _: amps
    return (
        (SOURCE, source, {"instance": instance, "dc_voltage": volts,
                          "dc_current": lambda now: 2_000_000_000 + round(1000 * current(now))}),
        (CHARGE, source, {"instance": instance, "state_of_charge": charge}),
    )  # fmt: skip


MOVING_VOLTS = {"volts": lambda now: 250 - now // 300}


@pytest.mark.parametrize(("amps", "way"), [(21, "out of"), (-21, "into")])
def test_a_charge_that_stands_while_current_flows_is_stuck(judge_series, amps, way):
    """A twentieth of 80 Ah flows in 12 minutes at 20 A; the text says so, and a step ends it."""
    charge = lambda now: 120 if now < 900 else 119  # noqa: E731 - a function of time
    series = battery(amps, charge, **MOVING_VOLTS)
    (found,) = judge_series(1200, *series, devices=(MONITOR,), battery={"capacity_ah": 80})
    assert (found.subject, found.flag.since / 1e6, found.until) == ("monitor", 720.25, 900.25)
    assert found.flag.severity is Severity.WARNING
    assert f"state of charge has been 60 % for 720.0 s, since 0.250 s, while at least 4 Ah flowed {way} the battery "\
        "(DC_SOURCE_STATUS_1, instance 1)" in found.text  # fmt: skip
    assert "measure voltage and current" in found.flag.advice


@pytest.mark.parametrize(
    ("amps", "charge", "instance"),
    [(19.9, 120, 1), (21, 9, 1), (-21, 191, 1), (21, 120, 7), (lambda now: 21 if now % 700 else 0, 120, 1),
     (21, lambda now: 120 - now // 600, 1)],
    ids=["small", "empty", "full", "no battery", "with pauses", "one step in time"],
)  # fmt: skip
def test_a_charge_that_may_stand_is_not_stuck(judge_series, amps, charge, instance):
    """A current that is small or pauses, both ends of the scale, a DC source that is no battery, a slow gauge."""
    series = battery(amps, charge, instance=instance, **MOVING_VOLTS)
    assert judge_series(1300, *series, devices=(MONITOR,), battery={"capacity_ah": 80}) == []


def test_without_a_rig_the_battery_may_be_large(judge_series):
    """40 Ah at 80 A in half an hour: told then, and not before."""
    (found,) = judge_series(2000, *battery(81, **MOVING_VOLTS))
    assert (found.flag.since / 1e6, found.text.count("at least 40 Ah")) == (1800.25, 1)


def test_a_value_that_stands_again_is_told_again(judge_series):
    """After one step."""
    series = battery(21, lambda now: 120 if now < 900 else 119, **MOVING_VOLTS)
    found = judge_series(1700, *series, devices=(MONITOR,), battery={"capacity_ah": 80})
    assert [(one.flag.since / 1e6, one.until) for one in found] == [(720.25, 900.25), (1620.25, None)]


def test_a_higher_current_is_told_sooner(judge_series):
    """20 Ah: 1000 s at 20 A, then 650 s at 80 A."""
    rising = lambda now: 21 if now < 1000 else 81  # noqa: E731 - a function of time
    (found,) = judge_series(1800, *battery(rising, **MOVING_VOLTS), devices=(MONITOR,), battery={"capacity_ah": 400})
    assert found.flag.since / 1e6 == pytest.approx(1650, abs=1)


def test_a_voltage_that_stands_while_the_battery_is_discharged_is_stuck(judge_series):
    """40 % of 50 Ah at 40 A in half an hour; the charge falls as it should."""
    series = battery(41, lambda now: 200 - now // 30)
    (found,) = judge_series(2000, *series, devices=(MONITOR,), battery={"capacity_ah": 50})
    assert (found.flag.since / 1e6, found.flag.field) == (1800.0, "dc_voltage")
    assert judge_series(2000, *battery(-41, lambda now: 100 + now // 30), devices=(MONITOR,)) == []  # it is regulated


def test_a_voltage_that_stands_from_charge_to_discharge_is_stuck(judge_series):
    """From 45 A into the battery to 45 A out of it, with a rig or without; absorption has no swing of sign."""
    swing = lambda now: -45 if now < 300 else 45  # noqa: E731 - a function of time
    charge = {"charge": lambda now: 120 + now // 60}
    (found,) = judge_series(700, *battery(swing, **charge))
    assert (found.flag.since / 1e6, found.subject) == (600.0, "address 46 hex")
    assert "dc voltage has been 12.5 V for 700.0 s, since 0.000 s, while dc current of address 46 hex moved between "\
        "-45.000 A and 45.000 A (DC_SOURCE_STATUS_1, instance 1)" in found.text  # fmt: skip
    assert "measure voltage and current" in found.flag.advice
    assert judge_series(700, *battery(lambda now: -100 if now < 300 else -5, **charge)) == []
    assert judge_series(700, *battery(lambda now: -45 if now < 50 else 45, **charge)) == []  # it just changed


def water(level, runs, resolution=100, size=70, hookup=0, instance=0, **more):
    """A tank, and a pump that runs."""
    return (
        (TANK, 0x48, {"instance": instance, "relative_level": level, "resolution": resolution, "tank_size": size}),
        (PUMP, 0x49, {"operating_status": 1, "pump_status": runs, "water_hookup_detected": hookup}),
        *more.values(),
    )


def test_a_level_that_stands_while_the_pump_runs_is_stuck(judge_series):
    """Every second minute of ten: five minutes in sum."""
    (found,) = judge_series(800, *water(60, lambda now: int(now % 120 < 60)))
    assert (found.flag.since / 1e6, found.subject) == (600.25, "address 48 hex")
    assert "relative level has been 60 for 799.8 s, since 0.250 s, while address 49 hex ran for" in found.text
    assert "look whether water comes" in found.flag.advice


@pytest.mark.parametrize("series", [
    water(60, 0), water(60, lambda now: int(now < 290)), water(60, 1, hookup=1), water(8, 1), water(97, 1),
    water(60, 1, instance=2), water(2, 1, resolution=3), water(60, 1, size=1000), water(60, 3),
    water(lambda now: 60 - now // 290, 1),
    water(60, 1, second=(TANK, 0x47, {"instance": 16, "relative_level": 50, "resolution": 100})),
], ids=["off", "short", "hookup", "empty", "full", "grey", "coarse", "large", "unknown", "used", "two"])  # fmt: skip
def test_a_level_that_may_stand_is_not_stuck(judge_series, series):
    """A pump that does not draw, a tank at its end, another tank, a coarse or large one; two tanks for one pump."""
    assert judge_series(800, *series) == []


def heated(degrees, demand=1, burner=1, limit=0, wanted=60, element=0):
    """A water heater that burns."""
    raws = {"instance": 1, "operating_mode": 1, "set_point_temperature": celsius(wanted),
            "water_temperature": celsius(degrees), "thermostat_status": demand, "burner_status": burner,
            "ac_element_status": element, "high_temperature_limit_switch": limit}  # fmt: skip
    return ((WATER, 0x5E, raws),)


def test_water_that_stays_as_warm_while_it_is_heated_is_stuck(judge_series):
    """Half an hour of burner, or of element."""
    for series in (heated(30), heated(30, burner=0, element=1)):
        (found,) = judge_series(1900, *series)
        assert found.flag.since / 1e6 == 1800.0
        assert "water temperature has been 30.00 °C for 1900.0 s, since 0.000 s, while address 5E hex heated the" in (
            found.text
        )
    out = lambda now: int(now != 900)  # noqa: E731 - a function of time
    for series in (heated(30, demand=0), heated(30, burner=0), heated(30, limit=1), heated(56), heated(30, burner=out)):
        assert judge_series(1900, *series) == []


def test_air_that_stays_as_warm_in_full_heat_is_stuck(judge_series):
    """Three hours at 95 %, which does not move; at 85 % it may be all that the cold needs."""

    def series(level):
        return (AIR, 0x91, {"instance": 1, "ambient_temperature": celsius(12)}), (
            FURNACE, 0x5E, {"instance": 1, "heat_output_level": level}
        )  # fmt: skip

    (found,) = judge_series(10_900, *series(190))
    assert "while address 5E hex gave full heat for 10800.0 s (FURNACE_STATUS, instance 1)" in found.text
    assert judge_series(10_900, *series(170)) == []


def test_the_air_at_a_roof_fan_that_stands_while_the_cabin_warms_is_stuck(judge_series):
    """5 K at the sensor of the same instance, in half an hour; a fan that is off may not measure."""

    def series(is_on, kelvin=11, instance=1):
        fan = {"instance": 1, "system_status": is_on, "ambient_temperature": celsius(9)}
        warms = lambda now: celsius(8 + kelvin * now / 3600)  # noqa: E731 - a function of time
        return ("ROOF_FAN_STATUS_1", 0x90, fan), (
            AIR, 0x91, {"instance": instance, "ambient_temperature": warms}
        )  # fmt: skip

    (found,) = judge_series(3600, *series(1))
    assert (found.subject, found.flag.message) == ("address 90 hex", "ROOF_FAN_STATUS_1")
    for still in (series(0), series(1, kelvin=4), series(1, instance=2)):
        assert judge_series(3600, *still) == []


def sensor(number, zone):
    """A planned ambient sensor."""
    return {"name": f"{zone} {number}", "address": 0x90 + number, "functions": {"ambient_sensor": number}, "zone": zone}


def test_a_sensor_that_stands_while_others_move_is_stuck(judge_series):
    """One of two in a zone, after 5 K; one indoors after 10 K outdoors in two hours; not without the rig."""

    def air(number, kelvin_per_hour):
        degrees = lambda now: celsius(8 + kelvin_per_hour * now / 3600)  # noqa: E731 - a function of time
        return AIR, 0x90 + number, {"instance": number, "ambient_temperature": degrees}

    cabin, mate, bay, outdoors = sensor(1, "cabin"), sensor(2, "cabin"), sensor(3, "bay"), sensor(4, "outdoors")
    zones = {"zone": [{"name": "bay"}]}
    (found,) = judge_series(3600, air(1, 0), air(2, 10), devices=(cabin, mate), **zones)
    assert found.subject == "cabin 1"
    assert "while ambient temperature of cabin 2 moved between " in found.text
    assert judge_series(3600, air(1, 0), air(3, 10), devices=(cabin, bay), **zones) == []
    assert judge_series(3600, air(1, 0), air(2, 4), devices=(cabin, mate), **zones) == []
    assert judge_series(3600, air(1, 0), air(2, 10)) == []
    (found,) = judge_series(7500, air(1, 0), air(4, -11), devices=(cabin, outdoors), **zones)
    assert (found.subject, found.flag.since / 1e6) == ("cabin 1", 7200.25)
    assert judge_series(7500, air(1, 10), air(4, 0), devices=(cabin, outdoors), **zones) == []  # a cold night


def test_what_is_late_is_not_judged_and_what_is_silent_is_forgotten(judge_series):
    """The pump's message stops: nothing is known of it; a tank that was away begins anew."""
    beat = ("DM_RV", 0x49, {"dsa": 100, "operating_status_1": 1, "spn": 0x7FFFF, "fmi": 31})
    gone = lambda now: 1 if now < 200 else None  # noqa: E731 - a function of time
    assert judge_series(800, *water(60, gone), beat) == []
    away = lambda now: 60 if not 200 < now < 300 else None  # noqa: E731 - a function of time
    (found,) = judge_series(1000, *water(away, 1))
    assert found.flag.since / 1e6 == 900.0


def test_a_sum_counts_from_any_moment():
    """Between changes of the rate; it begins again after a pause where it is not cumulative; old changes are lost."""
    done = Sum(is_cumulative=False)
    assert (done.until(50), done.reaches(1, 0)) == (0, None)
    assert done.note(10, 2)
    assert not done.note(12, 2)
    assert done.note(20, 4)
    assert [done.until(now) for now in (5, 10, 15, 20, 25)] == [0, 0, 10, 20, 40]
    assert (done.reaches(30, 0), done.reaches(31, 0), done.reaches(6, 17)) == (23, 23, 20)
    assert done.note(30, 0)
    assert (done.until(40), done.reaches(1, 0)) == (0, None)
    assert done.note(50, 1)
    assert done.reaches(5, 0) == 55
    more = Sum(is_cumulative=True)
    for now, rate in ((0, 1), (10, 0), (100, 1)):
        more.note(now, rate)
    assert (more.until(105), more.reaches(15, 0), more.reaches(3, 8)) == (15, 105, 101)
    more.restart(200)
    assert more.reaches(15, 0) == 215
    for now in range(1000, 3000):
        more.note(now, now % 2)
    assert more.until(3000) - more.until(0) == 512 // 2


def test_a_range_counts_bands_that_were_left():
    """Only whole bands count, from the one in which it is at the moment; without a value it begins again."""
    moved = Range((0.0, 5.0, 10.0))
    assert [moved.note(now, value, value) for now, value in ((0, -1), (1, 0), (2, 6), (3, 7), (4, 11))] == [
        True, True, True, False, True,
    ]  # fmt: skip
    assert (moved.moves(5, 0), moved.moves(10, 0), moved.moves(11, 0)) == ((2, -1, 6), (4, -1, 11), None)
    assert (moved.moves(5, 1), moved.moves(5, 2)) == ((4, 0, 11), None)
    moved.restart(9)
    assert moved.moves(5, 0) is None
    assert moved.note(10, None, None)
    assert not moved.note(11, None, None)
    assert moved.note(12, -1, -1)
    assert moved.moves(5, 0) is None
