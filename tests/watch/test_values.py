"""Tests for what a topic says: changes, bad values, no data."""

import pytest

AMBIENT = "THERMOSTAT_AMBIENT_STATUS"
# 21 degC in steps of 0.03125 from -273: (21 + 273) / 0.03125.
WARM, COOL = 9408, 9088
OUT_OF_RANGE, NO_DATA, RESERVED = 0xFFFE, 0xFFFF, 0xFFFD
# 900 degC: (900 + 273) / 0.03125.
IMPOSSIBLE = 37536


@pytest.fixture
def said(bus):
    """Say temperatures every 5 s from a sensor that has been there for 10 s; returns the bus."""

    def say(*raws: int | None, length: int = 8, device="sensor"):
        made = bus(device)
        made.say(0, AMBIENT, 0x91, instance=1).say(5, AMBIENT, 0x91, instance=1)
        for number, raw in enumerate(raws):
            made.say(
                10 + 5 * number,
                AMBIENT,
                0x91,
                length,
                instance=1,
                **({} if raw is None else {"ambient_temperature": raw}),
            )
        return made

    return say


def test_a_reading_is_told_when_it_changes(said):
    """The first time without a before, then only what is new; the instance is no reading."""
    assert said(WARM, WARM, COOL).readings == [
        ("sensor", 1, "ambient_temperature", "21.00 °C", "no data"),
        ("sensor", 1, "ambient_temperature", "11.00 °C", "21.00 °C"),
    ]


def test_first_sight_tells_values_only(bus):
    """Fields that say no data, are left unchanged or do not fit into a short frame are no news at first sight."""
    made = bus().say(0, "FURNACE_STATUS", 0x5E, instance=1, heat_output_level=100, operating_mode=0)
    made.say(0, "FURNACE_COMMAND", 0x44, instance=1, heat_output_level=60)
    made.say(0, AMBIENT, 0x91, 2, instance=3)
    assert made.readings == [
        ("address 5E hex", 1, "operating_mode", "automatic", None),
        ("address 5E hex", 1, "heat_output_level", "50 %", None),
        ("address 44 hex", 1, "heat_output_level", "30 %", None),
    ]


def test_each_instance_has_its_own_last_value(bus):
    """Two zones of one source do not take turns in changing."""
    made = bus()
    for second in (0, 5, 10):
        made.say(second, AMBIENT, 0x91, instance=1, ambient_temperature=WARM)
        made.say(second, AMBIENT, 0x91, instance=2, ambient_temperature=COOL)
    assert [(instance, now) for _, instance, _, now, _ in made.readings] == [(1, "21.00 °C"), (2, "11.00 °C")]


def test_a_source_that_repeats_itself_under_another_priority_says_nothing_new(bus):
    """A message is known by its DGN, whatever the priority and the destination."""
    made = bus().say(0, AMBIENT, 0x91, instance=1, ambient_temperature=WARM).forget()
    frame = made.frame(5, AMBIENT, 0x91, instance=1, ambient_temperature=WARM)
    made.observe(frame._replace(identifier=frame.identifier & 0x3FFFFFF | 3 << 26))
    asked = made.frame(6, "REQUEST_FOR_DGN", 0x44, desired_dgn=0xEE00)
    made.observe(asked).observe(asked._replace(identifier=asked.identifier & ~0xFF00 | 0x9100))
    assert [field for _, _, field, _, _ in made.readings] == [
        "desired_dgn",
        "requested_instance",
        "requested_instance_bank",
    ]


# 85 degC: (85 + 273) / 0.03125; the step below it.
UNMEASURED, NEAR_IT = 11456, 11455


def test_what_a_sensor_reports_before_its_first_measurement_is_no_measurement(said):
    """One such reading between others; with its reason, and the next good one ends it."""
    made = said(WARM, UNMEASURED, WARM)
    assert made.flags == [(15.0, "raised", "bad-value", "sensor"), (20.0, "cleared", "bad-value", "sensor")]
    (flag,) = made.watch.all_flags
    assert "85.00 °C" in str(flag.text)
    assert "from memory: its power-on value" in str(flag.text)
    assert "supply of the sensor" in flag.advice


def test_air_never_has_that_value_and_what_gets_near_it_may_have_it(said):
    """From the start on it is told once it lasts; a place that has warmed up step by step has measured it."""
    assert [when for when, *_ in said(UNMEASURED, UNMEASURED).flags] == [10.0]
    assert said(UNMEASURED - 320 + 1, UNMEASURED, NEAR_IT).flags == []
    assert [when for when, *_ in said(UNMEASURED - 320, UNMEASURED).flags] == [15.0]


def test_water_may_have_that_value_from_the_start(bus):
    """A coolant is hot; from 20 °C it does not get there between two frames."""
    made = bus()
    for second, raw in ((0, UNMEASURED), (5, UNMEASURED), (10, WARM), (15, UNMEASURED)):
        made.say(second, "WATERHEATER_STATUS", 0x5E, instance=1, water_temperature=raw)
    assert [(when, kind) for when, _, kind, _ in made.flags] == [(15.0, "bad-value")]


def test_an_impossible_value_is_flagged_until_a_good_one_comes(said):
    """Once, however long it lasts and whatever else it says."""
    assert said(WARM, IMPOSSIBLE, IMPOSSIBLE + 1, OUT_OF_RANGE, WARM).flags == [
        (15.0, "raised", "bad-value", "sensor"),
        (30.0, "cleared", "bad-value", "sensor"),
    ]


def test_a_value_that_turns_to_no_data_is_flagged_until_one_comes(said):
    """Once, while it lasts."""
    assert said(WARM, NO_DATA, NO_DATA, COOL).flags == [
        (15.0, "raised", "no-data", "sensor"),
        (25.0, "cleared", "no-data", "sensor"),
    ]


def test_a_bad_value_that_turns_to_no_data_changes_its_flag(said):
    """One thing is wrong with a field at a time; the text keeps the last good value."""
    made = said(WARM, IMPOSSIBLE, NO_DATA, OUT_OF_RANGE, WARM)
    assert made.flags == [
        (15.0, "raised", "bad-value", "sensor"),
        (20.0, "cleared", "bad-value", "sensor"),
        (20.0, "raised", "no-data", "sensor"),
        (25.0, "cleared", "no-data", "sensor"),
        (25.0, "raised", "bad-value", "sensor"),
        (30.0, "cleared", "bad-value", "sensor"),
    ]
    assert "last value 21.00 °C" in made.watch.all_flags[1].text


def test_a_field_that_was_never_good_is_remembered_by_what_it_said(said):
    """There is nothing better to tell."""
    assert "last value 900.00 °C" in said(IMPOSSIBLE, NO_DATA).watch.all_flags[1].text


def test_a_reserved_code_tells_neither_good_nor_bad(said):
    """What stands stays, and nothing new is raised."""
    assert said(WARM, RESERVED).flags == []
    assert said(IMPOSSIBLE, RESERVED).flags == [(10.0, "raised", "bad-value", "sensor")]


@pytest.mark.parametrize("raw", [0xFFFB, 0xFFFC, 0xFFFD])
def test_all_codes_above_the_top_of_the_range_are_reserved(said, raw):
    """65531 to 65533 are no values: nothing is raised, whatever the limits."""
    assert said(WARM, raw, WARM).flags == []


def test_an_error_of_two_bits_is_a_bad_value(bus):
    """10b is said by the device itself, as out of range is."""
    made = bus("heater").say(0, "WATERHEATER_STATUS", 0x5E, instance=1, burner_status=0)
    made.say(5, "WATERHEATER_STATUS", 0x5E, instance=1, burner_status=2)
    made.say(10, "WATERHEATER_STATUS", 0x5E, instance=1, burner_status=1)
    assert made.flags == [(5.0, "raised", "bad-value", "heater"), (10.0, "cleared", "bad-value", "heater")]
    assert "burner status error" in made.watch.all_flags[0].text


def test_fields_of_the_protocol_are_not_judged(bus):
    """A heartbeat that turns to no data or to an error is told and raises nothing; nor does a reset that does."""
    made = bus("heater").heartbeat(0, 0x5E, 94).heartbeat(5, 0x5E, 94, operating_status_2=1).forget()
    made.heartbeat(10, 0x5E, 94, operating_status_2=2).heartbeat(15, 0x5E, 94, operating_status_2=3)
    made.say(16, "GENERAL_RESET", 0x5E, reboot=0).say(18, "GENERAL_RESET", 0x5E, reboot=2)
    assert [now for _, _, field, now, _ in made.readings if field == "operating_status_2"] == ["error", "no data"]
    assert made.flags == []


def test_a_frame_too_short_for_a_field_is_a_matter_of_its_length(said, bus):
    """It is not flagged as no data too, nor does it clear what stands."""
    made = said(IMPOSSIBLE)
    made.say(15, AMBIENT, 0x91, 2, instance=1)
    assert [(kind, what) for _, what, kind, _ in made.flags] == [("bad-value", "raised"), ("wrong-length", "raised")]


def test_a_field_that_never_carried_a_value_is_not_missed(said):
    """Each maker supports some fields only."""
    assert said(None, None, NO_DATA, RESERVED, NO_DATA).flags == []


def test_a_required_field_is_missed_from_the_start(said, planned):
    """Even if it never carried a value; a value clears the flag."""
    device = planned("sensor", required=["ambient_temperature"])
    made = said(NO_DATA, WARM, device=device)
    assert made.flags == [(5.0, "raised", "no-data", "sensor"), (15.0, "cleared", "no-data", "sensor")]
    assert "the rig requires a value" in made.watch.all_flags[0].text


def test_limits_include_their_ends(said, planned):
    """21.00 degC is within 11 to 21, the next step of 0.03125 is not."""
    device = planned("sensor", limits={"ambient_temperature": [11.0, 21.0]})
    assert said(WARM, COOL, device=device).flags == []
    assert said(WARM + 1, device=device).flags == [(10.0, "raised", "bad-value", "sensor")]
    assert said(COOL - 1, device=device).flags == [(10.0, "raised", "bad-value", "sensor")]


def test_a_code_for_out_of_range_is_outside_no_limits_of_ours(said):
    """The sensor says it itself; a value is told with the limits it breaks."""
    assert "outside" not in said(WARM, OUT_OF_RANGE).watch.flags[0].text
    assert "outside -60 to 85" in said(WARM, IMPOSSIBLE).watch.flags[0].text


def test_each_field_has_its_own_flag(bus):
    """Two wrong fields of one frame are two flags, and the field is named in each."""
    made = bus("charger")
    good = {"instance": 1, "device_priority": 80, "dc_voltage": 277, "dc_current": 2_000_000_000}
    made.say(0, "CHARGER_STATUS", 0x4A, charger_instance=1).say(0.5, "DC_SOURCE_STATUS_1", 0x4A, **good)
    made.say(2, "DC_SOURCE_STATUS_1", 0x4A, **good | {"dc_voltage": 65534, "dc_current": 0})
    made.say(2.5, "DC_SOURCE_STATUS_1", 0x4A, **good | {"dc_voltage": 277, "dc_current": 0})
    assert [flag.text.split(" 1: ")[1][:10] for flag in made.watch.all_flags] == ["dc voltage", "dc current"]
    assert [flag.text.split(" 1: ")[1][:10] for flag in made.watch.flags] == ["dc current"]


def test_a_device_has_a_second_to_settle(bus):
    """What it says in its first second is judged when it says it again, even with the same bytes."""
    wrong = {"instance": 1, "ambient_temperature": IMPOSSIBLE}
    made = bus("sensor").say(3, AMBIENT, 0x91, **wrong).say(3.999999, AMBIENT, 0x91, **wrong)
    assert made.flags == []
    made.say(4, AMBIENT, 0x91, **wrong).say(5, AMBIENT, 0x91, **wrong)
    assert made.flags == [(4.0, "raised", "bad-value", "sensor")]
    assert len(made.readings) == 1


def test_a_good_value_in_the_first_second_leaves_nothing_to_judge(bus):
    """Only the last word counts."""
    made = bus("sensor").say(0, AMBIENT, 0x91, instance=1, ambient_temperature=IMPOSSIBLE)
    made.say(0.5, AMBIENT, 0x91, instance=1, ambient_temperature=WARM)
    assert made.say(5, AMBIENT, 0x91, instance=1, ambient_temperature=WARM).flags == []


def test_no_time_remaining_is_an_answer(bus, planned):
    """It is missed only where the rig requires it."""
    for device, flags in [("charger", []), (planned("charger", required=["time_remaining"]), ["no-data"])]:
        made = bus(device).say(0, "CHARGER_STATUS", 0x4A, charger_instance=1)
        made.say(1, "DC_SOURCE_STATUS_2", 0x4A, instance=1, time_remaining=100, state_of_charge=100)
        made.say(2, "DC_SOURCE_STATUS_2", 0x4A, instance=1, state_of_charge=100)
        assert [kind for _, _, kind, _ in made.flags] == flags


def test_a_command_may_leave_unchanged_what_it_set_before(bus):
    """All ones in a command are no loss of data; a code for out of range in it is wrong until it is gone."""
    made = bus().say(0, "FURNACE_COMMAND", 0x44, instance=1, heat_output_level=60)
    made.say(5, "FURNACE_COMMAND", 0x44, instance=1, circulation_fan_speed=60)
    assert made.flags == []
    made.say(6, "FURNACE_COMMAND", 0x44, instance=1, heat_output_level=254)
    made.say(7, "FURNACE_COMMAND", 0x44, instance=1)
    assert [(what, kind) for _, what, kind, _ in made.flags] == [("raised", "bad-value"), ("cleared", "bad-value")]


def test_a_source_is_judged_by_its_plan_once_it_is_known(bus, planned):
    """The panel's own limits count for what it said before its heartbeat told who it is."""
    device = planned("panel", limits={"heat_output_level": [0.0, 40.0]})
    made = bus(device).say(0, "FURNACE_COMMAND", 0x44, instance=1, heat_output_level=100)
    made.say(1, "FURNACE_COMMAND", 0x44, instance=1, heat_output_level=100).heartbeat(2, 0x44, 68)
    assert made.flags == []
    made.say(3, "FURNACE_COMMAND", 0x44, instance=1, heat_output_level=100)
    assert made.flags == [(3.0, "raised", "bad-value", "panel")]
