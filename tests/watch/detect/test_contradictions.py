"""Tests for readings that contradict another one."""

import pytest

TANK, CHARGER, BATTERY = "TANK_STATUS", "CHARGER_STATUS_2", "DC_SOURCE_STATUS_1"
KINDS = ("bad-value",)


def volts(value):
    """Steps of 0.05 V."""
    return round(value * 20)


def amps(value):
    """Charger currents: steps of 0.05 A from -1600 A."""
    return round((value + 1600) * 20)


# Levels.


@pytest.fixture
def tank(bus, judge):
    """Send levels of tank 0, one each 5 s."""

    def go(*levels, devices=(), **raws):
        made = bus()
        frames = [
            made.frame(5 * n, TANK, 0x48, instance=0, **{"relative_level": level, "resolution": 100, **raws})
            for n, level in enumerate(levels)
        ]
        return judge(frames, 5 * len(levels), *devices, kinds=KINDS)

    return go


TANK_PLAN = {"name": "fresh tank", "address": 0x48, "functions": {"tank": 0}}


@pytest.mark.parametrize("devices", [(TANK_PLAN,), ()], ids=["with a rig", "without"])
def test_a_level_above_its_resolution_is_impossible(tank, devices):
    """234 of 100, until it is possible again; full is possible."""
    (found,) = tank(100, 100, 234, 233, 100, devices=devices)
    assert (found.told, found.until) == (10.0, 20.0)
    assert found.subject == ("fresh tank" if devices else "address 48 hex")
    assert (found.flag.message, found.flag.field, str(found.flag.severity)) == (TANK, "relative_level", "warning")
    assert found.text == "TANK_STATUS, instance 0: relative level 233, above its resolution, 100; layout from memory"


@pytest.mark.parametrize(
    "raws", [{"resolution": 0}, {"resolution": 0xFF}, {"relative_level": 0xFF}, {"relative_level": 0xFE}]
)
def test_a_missing_level_or_resolution_contradicts_nothing(tank, raws):
    """A resolution that is not set or has no data; a level without a value is reported by its code, if at all."""
    assert not [found for found in tank(*[150] * 4, **raws) if "above" in found.text]


def test_a_level_above_the_size_of_the_tank_is_impossible(tank):
    """71 litres in a tank of 70."""
    (found,) = tank(*[50] * 3, absolute_level=71, tank_size=70)
    assert "absolute level 71 L, above the size of the tank, 70 L" in found.text
    assert tank(*[50] * 3, absolute_level=70, tank_size=70) == []


# Voltages.


@pytest.fixture
def system(bus, judge):
    """A charger on DC source 1 and a monitor: the voltages of each from some second on, sent each half second."""

    def go(charger, monitor, end=40, devices=(), current=20.0, on=1, more=()):
        made = bus()
        frames = []
        for sender, states, build in (
            (0x4A, charger, lambda v: {"charger_instance": 1, "dc_source_instance": on, "charging_voltage": volts(v),
                                       "charging_current": amps(current)}),
            (0x46, monitor, lambda v: {"instance": 1, "device_priority": 120, "dc_voltage": volts(v)}),
        ):  # fmt: skip
            ends = [*(since for since, _ in states[1:]), end]
            for (since, value), until in zip(states, ends, strict=True):
                if value is None:
                    continue
                message = CHARGER if sender == 0x4A else BATTERY
                first = since + (0.0 if sender == 0x4A else 0.1)
                frames += made.frames(until, made.every(0.5, message, sender, first, **build(value)))
        frames += made.frames(end, made.every(1, "THERMOSTAT_AMBIENT_STATUS", 0x91, 0.2), *more)
        return judge(frames, end, *devices, kinds=KINDS)

    return go


PLANNED = ("charger", "monitor")


@pytest.mark.parametrize("devices", [PLANNED, ()], ids=["with a rig", "without"])
def test_a_charger_with_another_voltage_than_the_battery(system, devices):
    """14.4 V on a battery of 12.0 V for more than ten seconds while it charges; ends when they agree again."""
    (found,) = system([(0, 14.4), (25, 12.5)], [(0, 14.2), (5, 12.0)], devices=devices)
    assert (found.flag.since, found.told, found.until) == (15_100_000, 15.2, 25.0)
    who, other = ("charger", "monitor") if devices else ("address 4A hex", "address 46 hex")
    assert found.subject == who
    assert found.text == (
        f"CHARGER_STATUS_2, instance 1: charging voltage 14.4 V, while {other} reports dc voltage 12.0 V for the same "
        "quantity (DC_SOURCE_STATUS_1, instance 1); layout from memory"
    )


@pytest.mark.parametrize(("until", "count"), [(15.1, 0), (15.6, 1)])
def test_it_has_to_last_for_more_than_ten_seconds(system, until, count):
    """Ten seconds can pass between the measurements of two devices."""
    assert len(system([(0, 14.4)], [(0, 14.2), (5, 12.0), (until - 0.1, 14.2)])) == count


@pytest.mark.parametrize(
    ("charger", "battery", "count"),
    [
        (14.0, 12.0, 0),
        (14.05, 12.0, 1),
        (12.0, 14.05, 1),
        (28.8, 24.8, 0),
        (28.9, 24.8, 1),
        (57.7, 49.6, 1),
        (17.4, 14.4, 1),
    ],
)
def test_two_volts_for_each_twelve_are_a_voltage_drop(system, charger, battery, count):
    """Just at the limit and just beyond, in systems of 12, 24 and 48 V."""
    assert len(system([(0, charger)], [(0, battery)])) == count


@pytest.mark.parametrize(("current", "count"), [(0.95, 0), (1.0, 1)])
def test_a_charger_without_current_may_be_disconnected(system, current, count):
    """Below one ampere its voltage is not compared."""
    assert len(system([(0, 14.4)], [(0, 12.0)], current=current)) == count


@pytest.mark.parametrize("on", [2, 0xFF])
def test_only_the_battery_that_it_charges_counts(system, on):
    """It charges another DC source, or does not send which."""
    assert system([(0, 14.4)], [(0, 12.0)], on=on) == []


def test_a_silent_monitor_contradicts_nothing(system):
    """Its last reading is too old before the ten seconds have passed, or the contradiction ends with it."""
    assert system([(0, 14.4)], [(0, 14.2), (5, 12.0), (10, None)]) == []
    (found,) = system([(0, 14.4), (30, 14.45)], [(0, 12.0), (15, None)])
    assert found.until == 30.0


def test_a_silent_charger_contradicts_nothing(system):
    """It is unplugged, and the voltage falls."""
    assert system([(0, 14.4), (4, None)], [(0, 14.2), (12, 12.0)]) == []


def test_a_contradiction_ends_with_its_topic(bus):
    """The unit moves to another address: its topic at the old one ends."""
    made = bus({**TANK_PLAN, "claimed_name": f"{5:016X}"}).claim(0, 0x48, 5)
    made.say(1, TANK, 0x48, instance=0, relative_level=50, resolution=100)
    made.say(6, TANK, 0x48, instance=0, relative_level=150, resolution=100).claim(7, 0x70, 5)
    made.say(8, TANK, 0x70, instance=0, relative_level=50, resolution=100)
    assert [(what, kind) for _, what, kind, _ in made.flags] == [("raised", "bad-value"), ("cleared", "bad-value")]


def test_the_highest_priority_counts_for_the_battery(system, bus):
    """An inverter with a lower priority that reports 12 V beside the 14.2 V of the monitor."""
    made = bus()
    inverter = made.every(0.5, BATTERY, 0x42, 0.15, instance=1, device_priority=100, dc_voltage=volts(12.0))
    assert system([(0, 14.4)], [(0, 14.2)], more=(inverter,)) == []
    louder = made.every(0.5, BATTERY, 0x42, 0.15, instance=1, device_priority=121, dc_voltage=volts(12.0))
    assert len(system([(0, 14.4)], [(0, 14.2)], more=(louder,))) == 1


def test_a_flagged_voltage_contradicts_nothing(system):
    """The monitor reports 90 V: only that is flagged."""
    assert [found.subject for found in system([(0, 14.4)], [(0, 14.2), (5, 90.0)])] == ["address 46 hex"]
