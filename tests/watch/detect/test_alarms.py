"""Tests for codes that are alarms by their definition, and for the faults in a heartbeat."""

import pytest

from rvsim.faces.text.flags import group_flags

WATER, GAS, LOAD = "WATERHEATER_STATUS", "GAS_SENSOR_STATUS", "DC_LOAD_STATUS_2"
HEATER = {"name": "heater", "address": 0x5E, "functions": {"water_heater": 1}}
NO_FAULT = {"spn": 0x7FFFF, "fmi": 31}
KINDS = ("reported-fault",)


@pytest.fixture
def codes_sent(bus, judge):
    """Send the codes of one field of a water heater, one each 5 s, or of another ``message`` and ``source``."""

    def go(
        field, *raws, devices=(), message=WATER, source=0x5E, more=lambda made: (), kinds=KINDS, instance=1, **others
    ):
        made = bus()
        others |= {} if instance is None else {"instance": instance}
        frames = [
            made.frame(5 * n, message, source, **others, **({} if raw is None else {field: raw}))
            for n, raw in enumerate(raws)
        ]
        return judge([*frames, *more(made)], 5 * len(raws), *devices, kinds=kinds)

    return go


@pytest.mark.parametrize("devices", [(HEATER,), ()], ids=["with a rig", "without"])
def test_an_alarm_code_is_reported_while_it_is_sent(codes_sent, devices):
    """From the first frame of a device on, without delay; the name of the code with its grade."""
    (found,) = codes_sent("failure_to_ignite", 1, 1, 0, devices=devices)
    assert (found.told, found.until) == (0.0, 10.0)
    assert (str(found.flag.severity), found.flag.message, found.flag.field) == ("fault", WATER, "failure_to_ignite")
    assert found.subject == ("heater" if devices else "address 5E hex")
    assert found.text == (
        'WATERHEATER_STATUS, instance 1: failure to ignite reports "failed to ignite"; the name of this code is '
        "from memory"
    )
    assert found.flag.advice.startswith("check fuel, voltage and exhaust first; a lockout is a safety function")
    assert "do not reset it repeatedly" in found.flag.advice


@pytest.mark.parametrize("raw", [0, 2, 3, None])
def test_other_codes_are_no_fault(codes_sent, raw):
    """No failure, error, no data, and not sent; an error is a bad value of its own."""
    assert codes_sent("failure_to_ignite", 0, raw, raw) == []
    found = codes_sent("failure_to_ignite", 1, raw, raw)
    assert [one.until for one in found] == [5.0]


@pytest.mark.parametrize(
    ("field", "advice"),
    [
        ("low_temperature_limit_status", "let it warm up; a lithium battery that is this cold is not charged"),
        ("high_temperature_limit_status", "let it cool down"),
        ("high_voltage_limit_status", "measure the voltage at its terminals, then check the set points"),
        ("low_voltage_limit_status", "check its supply: voltage at the device under load"),
        ("low_state_of_charge_limit_status", "charge the battery"),
    ],
)
def test_the_advice_fits_the_limit_of_a_battery(codes_sent, field, advice):
    """A cold battery is not to be cooled, nor is the supply of one with too high a voltage too weak."""
    (found,) = codes_sent(field, 1, 1, message="DC_SOURCE_STATUS_6", source=0x45)
    assert found.flag.advice.startswith(advice)


def test_an_error_is_a_bad_value(codes_sent):
    """10b in two bits."""
    (found,) = codes_sent("failure_to_ignite", 0, 2, 2, kinds=("bad-value",))
    assert found.text.startswith("WATERHEATER_STATUS, instance 1: failure to ignite error")


def test_a_frame_too_short_for_the_field_changes_nothing(bus):
    """The open problem stays open."""
    made = bus().say(0, WATER, 0x5E, instance=1, failure_to_ignite=1).say(5, WATER, 0x5E, 3, instance=1)
    assert next((str(flag.kind), flag.until) for flag in made.watch.all_flags) == ("reported-fault", None)


def test_each_field_and_each_topic_is_a_problem_of_its_own(codes_sent):
    """Two fields of one heater, and the same field of a second one."""
    second = codes_sent(
        "failure_to_ignite", 1, 1, dc_power_warning=1,
        more=lambda made: [made.frame(1, WATER, 0x5F, instance=2, failure_to_ignite=1)],
    )  # fmt: skip
    assert sorted((one.subject, one.flag.field, str(one.flag.severity)) for one in second) == [
        ("address 5E hex", "dc_power_warning", "warning"),
        ("address 5E hex", "failure_to_ignite", "fault"),
        ("address 5F hex", "failure_to_ignite", "fault"),
    ]


def test_another_alarm_code_renews_the_text(codes_sent):
    """From under-voltage, a warning, to extreme under-voltage, a fault: one flag."""
    (found,) = codes_sent("voltage_fault", 0, 2, 1, message="ATS_AC_STATUS_4", source=0x4F)
    assert (found.told, found.until, str(found.flag.severity)) == (5.0, None, "fault")
    assert found.text.endswith(' reports "extreme under-voltage"; the name of this code is not sure')
    assert "licensed person" in found.flag.advice


@pytest.mark.parametrize(
    ("message", "field", "advice"),
    [
        (GAS, "gas_detected", "leave the vehicle and let air in on the way; touch no switch and light nothing"),
        (LOAD, "over_current_status", "check what is connected to this output"),
        (WATER, "dc_power_failure", "check its supply"),
        (WATER, "high_temperature_limit_switch", "check fuel, voltage and exhaust first"),
        ("DC_SOURCE_STATUS_6", "high_temperature_limit_status", "let it cool down"),
        ("GENERATOR_STATUS_2", "oil_pressure_shutdown_switch", "look up in its manual"),
    ],
)
def test_the_advice_is_that_of_the_trade(codes_sent, message, field, advice):
    """The first step, by the kind of alarm."""
    instance = None if message.startswith("GENERATOR") else 1
    (found,) = codes_sent(field, 1, 1, message=message, source=0x80, instance=instance)
    assert found.flag.advice.startswith(advice)


def test_gas_goes_before_all_others(codes_sent):
    """First in every list, however late it is reported."""
    flags = codes_sent("failure_to_ignite", 1, 1, 1, dc_power_failure=1,
                 more=lambda made: [made.frame(7, GAS, 0x60, instance=1, gas_detected=1)])  # fmt: skip
    groups = group_flags(one.flag for one in flags)
    assert groups[0][0].message == GAS
    assert groups[0][0].is_gas
    assert not any(flag.is_gas for group in groups[1:] for flag in group)


def test_lamps_of_a_heartbeat_are_reported_once(codes_sent):
    """A protocol field is no status: DM_RV with its red lamp is one report, with its SPN."""
    (found,) = codes_sent("red_lamp_status", 1, 1, message="DM_RV", instance=None, dsa=101, spn=2130, fmi=7)
    assert "SPN 2130" in found.text


def test_codes_end_with_the_topic(bus):
    """The address turns out to be another device: its topic ends."""
    made = bus({**HEATER, "claimed_name": f"{5:016X}"})
    made.claim(0, 0x5E, 5).say(1, WATER, 0x5E, instance=1, failure_to_ignite=1)
    made.claim(2, 0x70, 5).say(3, WATER, 0x70, instance=1, failure_to_ignite=0)
    assert [(kind, what) for _, what, kind, _ in made.flags] == [
        ("reported-fault", "raised"),
        ("reported-fault", "cleared"),
    ]
