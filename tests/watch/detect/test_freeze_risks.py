"""Tests for what is too cold: water, diesel, and a lithium battery that is charged."""

import pytest

KINDS = ("freeze-risk",)
AMBIENT, TANK, HEATER = "THERMOSTAT_AMBIENT_STATUS", "TANK_STATUS", "WATERHEATER_STATUS"
SENSOR = {"name": "bay sensor", "address": 0x91, "functions": {"ambient_sensor": 1}, "zone": "bay"}
OUTSIDE = {"name": "outdoor sensor", "address": 0x91, "functions": {"ambient_sensor": 1}, "zone": "outdoors"}
LEVEL = {"name": "grey tank", "address": 0x93, "functions": {"tank": 2}}
BURNER = {"name": "heater", "address": 0x5E, "functions": {"furnace": 1}}
MONITOR = {"name": "monitor", "address": 0x46, "functions": {"dc_source": 1}}
BAY = {"zone": [{"name": "bay"}], "grey_tank": {"zone": "bay"}}


def celsius(value):
    """Steps of 1/32 degree from -273."""
    return round((value + 273) * 32)


@pytest.fixture
def judge_cold(bus, judge):
    """Judge temperatures, each from some second on, sent each 5 s, beside a grey tank with some level."""

    def go(*states, end=200, level=50, message=AMBIENT, field="ambient_temperature", devices=(), source=0x91, **tables):
        made = bus()
        ends = [*(since for since, _ in states[1:]), end]
        frames = [
            made.frame(second, message, source, instance=1, **{field: celsius(degrees)})
            for (since, degrees), until in zip(states, ends, strict=True)
            for second in range(since, until, 5)
        ]
        if level is not None:
            frames += [
                made.frame(second + 0.5, TANK, 0x93, instance=2, relative_level=level, resolution=100)
                for second in range(0, end, 5)
            ]
        return judge(frames, end, *devices, kinds=KINDS, **tables)

    return go


def test_a_cold_bay_with_water_in_its_tank_is_reported(judge_cold):
    """-8 C for a minute: the water freezes; it ends 1 K above the limit."""
    (found,) = judge_cold((0, 10), (50, -8), (150, 2.5), (170, 3), devices=(SENSOR, LEVEL), **BAY)
    assert (found.subject, found.flag.since / 1e6, found.until) == ("bay sensor", 110.0, 170.0)
    assert found.text == (
        "THERMOSTAT_AMBIENT_STATUS, instance 1: ambient temperature 2.50 °C, below 2 °C, where there is water in the "
        "grey tank; layout from memory"
    )
    (found,) = judge_cold((0, 10), (50, -8), devices=(SENSOR, LEVEL), **BAY)
    assert str(found.flag.severity) == "fault"
    assert "-8.00 °C, below -1 °C" in found.text


def test_a_sensor_that_is_heard_after_the_tank_is_judged_from_then_on(judge_cold):
    """The bay has been cold for long when its sensor begins to send."""
    (found,) = judge_cold((50, -8), devices=(SENSOR, LEVEL), **BAY)
    assert found.flag.since / 1e6 == 110.0


@pytest.mark.parametrize(
    ("degrees", "level", "zone", "severity"),
    [(1.9, 50, "bay", "warning"), (2.0, 50, "bay", None), (-8, 0, "bay", None), (-8, None, "bay", None),
     (-8, 50, "cabin", None), (-8, 0xFF, "bay", None)],
)  # fmt: skip
def test_only_water_in_the_same_zone_near_freezing_counts(judge_cold, degrees, level, zone, severity):
    """An empty tank, a tank without a level, and a tank in another zone are not at risk."""
    given = {**BAY, "grey_tank": {"zone": zone}}
    found = judge_cold((0, degrees), level=level, devices=(SENSOR, LEVEL), **given)
    assert [str(one.flag.severity) for one in found] == ([severity] if severity else [])


def test_the_water_of_a_water_heater_is_judged_without_a_rig(judge_cold):
    """1 C in the water heater; no place of an ambient sensor is known."""
    given = {"message": HEATER, "field": "water_temperature", "source": 0x5E}
    (found,) = judge_cold((0, 8), (50, 1), **given)
    assert "its water may freeze" in found.text
    assert judge_cold((0, -8)) == []


@pytest.mark.parametrize(("grade", "degrees", "is_cold"), [("F", -24.1, True), ("F", -23.9, False), ("0", -24.1, True),
                                                           ("B", -4.1, True), ("B", -3.9, False)])  # fmt: skip
def test_fuel_is_judged_4_k_below_its_plugging_point(judge_cold, grade, degrees, is_cold):
    """EN 590: F and 0 have -20 C, B has 0 C; nothing is said within the 4 K by which two laboratories differ."""
    found = judge_cold((0, degrees), level=None, devices=(OUTSIDE, BURNER), fuel={"grade": grade})
    assert [one.subject for one in found] == (["heater"] if is_cold else [])
    assert all(f"diesel of grade {grade} (EN 590)" in one.text for one in found)


def test_fuel_is_judged_only_where_the_rig_names_it(judge_cold):
    """The default of a rig that says nothing of its fuel is no knowledge."""
    assert judge_cold((0, -40), level=None, devices=(OUTSIDE, BURNER)) == []


# A lithium battery.


@pytest.fixture
def judge_charge(bus, judge):
    """Judge a battery of some temperature whose current is ``amps`` (out of it) at 20 to 60 s, in the end ``later``."""

    def go(degrees, amps, battery=None, type_code=None, apart=False, later=None):
        made = bus()
        frames = []
        for step in range(160):
            flowing = amps if later is None or step < 80 else later
            current = round((flowing if 40 <= step < 120 else 3.0) * 1000) + 2_000_000_000
            source = 0x47 if apart else 0x46
            frames.append(made.frame(step / 2, "DC_SOURCE_STATUS_1", source, instance=1, dc_current=current))
            frames.append(
                made.frame(step / 2 + 0.1, "DC_SOURCE_STATUS_2", 0x46, instance=1, source_temperature=celsius(degrees))
            )
            if type_code is not None:
                frames.append(
                    made.frame(step / 2 + 0.2, "DC_SOURCE_STATUS_4", 0x46, instance=1, battery_type=type_code)
                )
        given = {"battery": battery} if battery is not None else {}
        return judge(frames, 80, *((MONITOR,) if battery is not None else ()), kinds=KINDS, **given)

    return go


def test_a_lithium_battery_that_is_charged_while_it_is_frozen_is_a_fault(judge_charge):
    """-3 C and 8 A into it, for 10 s."""
    (found,) = judge_charge(-3, -8, {"chemistry": "lfp"})
    assert (found.subject, found.flag.since / 1e6, found.until) == ("monitor", 30.0, 60.0)
    assert str(found.flag.severity) == "fault"
    assert found.text.endswith(
        "source temperature -3.00 °C, below 0 °C, while dc current is -8.000 A: a lithium battery is charged"
    )
    assert "Lithium: no charging below 0 °C cell temperature" in found.flag.advice


@pytest.mark.parametrize(
    ("degrees", "amps", "battery", "type_code", "is_found"),
    [
        (-3, -8, None, 3, True),
        (-3, -8, None, None, False),
        (-3, -8, None, 2, False),
        (-3, -8, {"chemistry": "agm"}, 3, False),
        (0, -8, {"chemistry": "lfp"}, None, False),
        (-3, -0.9, {"chemistry": "lfp"}, None, False),
        (-3, 8, {"chemistry": "lfp"}, None, False),
    ],
)
def test_only_a_charge_into_a_frozen_lithium_battery_counts(judge_charge, degrees, amps, battery, type_code, is_found):
    """Without a rig the battery has to say what it is; a rig goes before that."""
    assert bool(judge_charge(degrees, amps, battery, type_code)) is is_found


def test_the_readings_of_two_senders_are_not_put_together(judge_charge):
    """The temperature of one monitor and the current of another may be of two batteries."""
    assert judge_charge(-3, -8, {"chemistry": "lfp"}, apart=True) == []


@pytest.mark.parametrize(("later", "until"), [(-0.6, 60.0), (-0.4, 40.0)])
def test_a_charge_ends_below_half_an_ampere(judge_charge, later, until):
    """A charge of 8 A that falls to 0.6 A goes on; at 0.4 A it has ended."""
    (found,) = judge_charge(-3, -8, {"chemistry": "lfp"}, later=later)
    assert found.until == until


@pytest.mark.parametrize(("moves", "level"), [("tank", 0), ("sensor", 50)])
def test_what_a_device_sent_from_an_old_address_counts_for_nothing(bus, judge, moves, level):
    """From 120 s on the tank, now empty, or the sensor, now at 10 C, sends from another address."""
    made = bus()
    frames = []
    for n in range(60):
        has_moved = n >= 24
        if not (16 <= n < 24 and moves == "sensor"):
            degrees, source = (10, 0x9B) if has_moved and moves == "sensor" else (-8, 0x91)
            frames.append(made.frame(n * 5, AMBIENT, source, instance=1, ambient_temperature=celsius(degrees)))
        if not (16 <= n < 24 and moves == "tank"):
            water, source = (level, 0x9A) if has_moved and moves == "tank" else (50, 0x93)
            frames.append(made.frame(n * 5 + 0.5, TANK, source, instance=2, relative_level=water, resolution=100))
    (found,) = judge(frames, 300, SENSOR, LEVEL, kinds=KINDS, **BAY)
    assert found.until == (120.5 if moves == "tank" else 120.0)
