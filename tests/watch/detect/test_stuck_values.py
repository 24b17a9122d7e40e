"""Tests for measured values that stay constant while their neighbours change."""

import pytest

AIR, FURNACE, BATTERY, CHARGER = "THERMOSTAT_AMBIENT_STATUS", "FURNACE_STATUS", "DC_SOURCE_STATUS_1", "CHARGER_STATUS_2"
KINDS = ("stuck-value",)
SENSOR, HEATER = 0x91, 0x5E
WARM = 9408
"""21 °C in steps of 1/32 from -273."""


@pytest.fixture
def air(bus, judge):
    """An indoor sensor and a furnace: the values of each from some second on."""

    def go(temperatures, levels, end=900, devices=(), gap=5, furnace=1, more=lambda made: ()):
        made = bus()
        frames = []
        for message, source, field, states, instance, every in (
            (AIR, SENSOR, "ambient_temperature", temperatures, 1, gap),
            (FURNACE, HEATER, "heat_output_level", levels, furnace, 5),
        ):
            ends = [*(since for since, _ in states[1:]), end]
            for (since, raw), until in zip(states, ends, strict=True):
                if raw is not None:
                    one = made.every(every, message, source, since, instance=instance, **{field: raw})
                    frames += made.frames(until, one)
        frames += made.frames(end, made.every(1, "DM_RV", 0x44, 0.3, dsa=68, spn=0x7FFFF, fmi=31))
        return judge([*frames, *more(made)], end, *devices, kinds=KINDS)

    return go


@pytest.mark.parametrize("devices", [("sensor", "heater"), ()], ids=["with a rig", "without"])
def test_a_constant_value_beside_one_that_moves_is_reported(air, devices):
    """Ten minutes at 21 °C while the furnace goes from 20 to 25 %: ten steps of half a percent."""
    (found,) = air([(0, WARM)], [(0, 40), (200, 50)], devices=devices)
    who, other = ("sensor", "heater") if devices else ("address 91 hex", "address 5E hex")
    assert (found.told, found.flag.since, found.until) == (600.3, 600_000_000, None)
    assert (found.subject, str(found.flag.severity)) == (who, "warning")
    assert (found.flag.message, found.flag.field) == (AIR, "ambient_temperature")
    assert found.text == (
        "THERMOSTAT_AMBIENT_STATUS, instance 1: ambient temperature has been 21.00 °C for 900.0 s, since 0.000 s, "
        "while "
        f"heat output level of {other} moved between 20 % and 25 % (FURNACE_STATUS, instance 1); layout from memory"
    )


def test_a_step_ends_it(air):
    """One step of 1/32 °C; then it takes ten minutes again."""
    (found,) = air([(0, WARM), (700, WARM + 1)], [(0, 40), (200, 50)], end=1400)
    assert found.until == 700.0


@pytest.mark.parametrize(
    ("temperatures", "levels"),
    [
        ([(0, WARM), (595, WARM + 1)], [(0, 40), (200, 50)]),
        ([(0, WARM)], [(0, 40), (200, 49)]),
        ([(0, WARM)], [(0, 40)]),
        ([(0, 0xFFFF)], [(0, 40), (200, 50)]),
        ([(0, WARM)], [(0, 40), (200, 0xFF)]),
        ([(0, WARM)], [(0, 40), (55, 50)]),
        ([(0, WARM)], [(0, 40), (850, 50)]),
        ([(0, WARM), (400, None)], [(0, 40), (200, 50)]),
        ([(0, WARM), (300, None), (320, WARM)], [(0, 40), (200, 50)]),
    ],
    ids=[
        "a step in time",
        "nine steps",
        "nobody moves",
        "no data",
        "its neighbour has none",
        "moved with its last change",
        "moved just now",
        "silent since",
        "away in between",
    ],
)
def test_what_is_not_stuck(air, temperatures, levels):
    """Just inside each limit."""
    assert air(temperatures, levels) == []


def test_a_value_that_is_no_longer_sent_is_late_and_not_stuck(air):
    """The sensor continues with its heartbeat."""

    def beats(made):
        return made.frames(900, made.every(5, "DM_RV", SENSOR, 0.7, dsa=0xFF, spn=0x7FFFF, fmi=31))

    assert air([(0, WARM), (400, None)], [(0, 40), (200, 50)], more=beats) == []


def test_the_last_of_its_steps_counts_once_it_could_be_followed(air):
    """Five steps at 700 s, five more at 755 s: told a minute after the second."""
    (found,) = air([(0, WARM)], [(0, 40), (700, 45), (755, 50)])
    assert found.flag.since == 815_000_000


def test_the_neighbour_of_another_instance_does_not_count(air):
    """Furnace 2 heats another zone."""
    assert air([(0, WARM)], [(0, 40), (200, 50)], furnace=2) == []


def test_a_neighbour_that_moves_late_is_checked_later(air):
    """It moves after twelve minutes: a minute later the value should have followed."""
    (found,) = air([(0, WARM)], [(0, 40), (720, 60)])
    assert 780.0 <= found.told <= 781.0


@pytest.mark.parametrize(("end", "count"), [(1735, 0), (1800, 1)])
def test_a_slow_message_has_twenty_gaps(air, end, count):
    """One that comes each minute may stay for twenty; its rhythm is known from 540 s on, before that it is late."""
    assert len(air([(0, WARM)], [(0, 40), (1000, 60)], end=end, gap=60)) == count


def test_two_sensors_are_two(air):
    """The second one is beside the thermometer of the roof fan, its other neighbour."""

    def second(made):
        fan = [made.every(5, "ROOF_FAN_STATUS_1", 0x90, start, instance=2, ambient_temperature=raw)
               for start, raw in ((0.1, WARM),)]  # fmt: skip
        frames = made.frames(300, *fan, made.every(5, AIR, 0x92, 0.2, instance=2, ambient_temperature=WARM))
        later = made.every(5, "ROOF_FAN_STATUS_1", 0x90, 300.1, instance=2, ambient_temperature=WARM + 20)
        return frames + made.frames(900, later, made.every(5, AIR, 0x92, 300.2, instance=2, ambient_temperature=WARM))

    both = air([(0, WARM)], [(0, 40), (200, 50)], more=second)
    assert [one.subject for one in both] == ["address 91 hex", "address 92 hex"]


# Batteries.


@pytest.fixture
def battery(bus, judge):
    """A monitor of DC source 3 with a constant voltage, and a charger that sends its DC source."""

    def go(on, instance=1):
        made = bus()
        common = {"charger_instance": instance, "dc_source_instance": on}
        frames = made.frames(900, made.every(0.5, BATTERY, 0x46, instance=3, dc_voltage=250))
        frames += made.frames(300, made.every(0.5, CHARGER, 0x4A, 0.1, **common, charging_voltage=250))
        frames += made.frames(900, made.every(0.5, CHARGER, 0x4A, 300.1, **common, charging_voltage=260))
        return judge(frames, 900, kinds=KINDS)

    return go


@pytest.mark.parametrize(("on", "instance", "count"), [(3, 1, 1), (1, 3, 0), (0xFF, 1, 0), (0xFF, 3, 1)])
def test_the_charger_of_a_battery_is_known_by_its_dc_source(battery, on, instance, count):
    """By the DC source that it charges; where it has none, by its instance."""
    assert [one.flag.message for one in battery(on, instance)] == [BATTERY] * count


@pytest.mark.parametrize(("on", "instance", "count"), [(3, 1, 1), (1, 3, 0), (0xFF, 3, 1)])
def test_a_message_without_a_dc_source_has_that_of_its_charger(bus, judge, on, instance, count):
    """CHARGER_STATUS names no DC source: the charger's other message does, and only without one its instance counts."""
    made = bus()
    named = made.every(0.5, CHARGER, 0x4A, 0.1, charger_instance=instance, dc_source_instance=on, charging_voltage=250)
    frames = made.frames(900, made.every(0.5, BATTERY, 0x46, instance=3, dc_voltage=250), named)
    for first, end, volts in ((0.2, 300, 250), (300.2, 900, 260)):
        plain = made.every(5, "CHARGER_STATUS", 0x4A, first, charger_instance=instance, charge_voltage=volts)
        frames += made.frames(end, plain)
    found = [one.flag.message for one in judge(frames, 900, kinds=KINDS) if one.flag.message == BATTERY]
    assert found == [BATTERY] * count


def test_a_value_that_another_device_sends_now_is_not_stuck(bus, judge):
    """A charger leaves the battery to its monitor after ten seconds: its last value for it does not count."""
    made = bus()
    common = {"charger_instance": 1, "dc_source_instance": 1}
    frames = made.frames(10, made.every(0.5, BATTERY, 0x4A, 0.2, instance=1, device_priority=80, dc_voltage=250))
    for first, end, volts in ((0.3, 300, 250), (300.3, 900, 262)):
        monitor = made.every(0.5, BATTERY, 0x46, first, instance=1, device_priority=120, dc_voltage=volts)
        charger = made.every(0.5, CHARGER, 0x4A, first + 0.1, **common, charging_voltage=volts)
        frames += [frame for frame in made.frames(end, monitor, charger) if frame.time >= first * 1e6]
    assert judge(frames, 900, kinds=KINDS) == []
