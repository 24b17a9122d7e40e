"""Tests for what a field can say and be believed."""

import pytest

from rvsim.rig.device_plan import DevicePlan
from rvsim.watch.limits import expected
from rvsim.watch.transitions import Limits


@pytest.fixture
def of(catalogue):
    """What is expected of one field: ``of("MESSAGE", "field", plan=..., twelve_volts=...)``."""

    def find(message, field, plan=None, twelve_volts=False):
        spec = catalogue.by_name(message)
        by_name = dict(zip(spec.by_name, expected(spec, plan, twelve_volts=twelve_volts), strict=True))
        return by_name[field]

    return find


def plan(**more) -> DevicePlan:
    """A planned sensor."""
    return DevicePlan.model_validate(
        {"name": "sensor", "kind": "ambient", "address": 1, "functions": {"ambient_sensor": 1}, **more}
    )


def test_the_rigs_limits_go_before_the_general_ones(of):
    """And MESSAGE.field before field."""
    assert of("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature").limits == Limits(
        -60, 85, "common practice, no source"
    )
    assert of("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature", plan()).limits.low == -60
    general = plan(limits={"ambient_temperature": [-20.0, 40.0]})
    assert of("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature", general).limits == Limits(-20, 40, "by the rig")
    both = plan(limits={"ambient_temperature": [-20.0, 40.0], "THERMOSTAT_AMBIENT_STATUS.ambient_temperature": [0, 30]})
    assert of("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature", both).limits == Limits(0, 30, "by the rig")
    assert of("ROOF_FAN_STATUS_1", "ambient_temperature", both).limits == Limits(-20, 40, "by the rig")


@pytest.mark.parametrize(
    ("message", "field"),
    [
        ("DC_SOURCE_STATUS_1", "dc_voltage"),
        ("CHARGER_STATUS", "charge_voltage"),
        ("CHARGER_STATUS_2", "charging_voltage"),
    ],
)
def test_a_voltage_fits_twelve_volts_only_where_the_battery_is_known(of, message, field):
    """A 48 V lithium battery on charge has 58.4 V (16 cells at 3.65 V): nothing strange where no rig is given."""
    anyone, house = of(message, field).limits, of(message, field, twelve_volts=True).limits
    assert (anyone.low, anyone.high, house.low, house.high) == (0, 70, 0, 20)
    assert anyone.high > 58.4


def test_all_general_limits_leave_room_for_what_is_normal(of):
    """Bounds that no healthy device of a vehicle reaches."""
    for message, field, low, high in [
        ("ROOF_FAN_STATUS_1", "ambient_temperature", -40, 60),
        ("WATERHEATER_STATUS", "water_temperature", -40, 100),
        ("DC_SOURCE_STATUS_1", "dc_current", -1000, 1000),
        ("DC_SOURCE_STATUS_2", "source_temperature", -40, 80),
        ("DC_SOURCE_STATUS_2", "state_of_charge", 0, 100),
        ("CHARGER_STATUS_2", "charger_temperature", -40, 110),
    ]:
        limits = of(message, field).limits
        assert limits.low <= low
        assert high < limits.high < 6000
    assert of("DC_SOURCE_STATUS_2", "state_of_charge").limits == Limits(0, 110, "common practice, no source")
    assert of("DC_SOURCE_STATUS_1", "dc_current").limits[:2] == (-5000, 5000)
    assert of("WATERHEATER_STATUS", "water_temperature").limits[:2] == (-60, 130)
    assert of("CHARGER_STATUS_2", "charger_temperature").limits[:2] == (-60, 150)
    assert of("DC_SOURCE_STATUS_2", "source_temperature").limits[:2] == (-60, 150)
    assert of("ROOF_FAN_STATUS_1", "ambient_temperature").limits[:2] == (-60, 85)
    assert of("FURNACE_STATUS", "heat_output_level").limits is None


def test_a_required_field_is_named_alone_or_with_its_message(of):
    """And only where it is named."""
    assert of("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature", plan(required=["ambient_temperature"])).required
    named = plan(required=["THERMOSTAT_AMBIENT_STATUS.ambient_temperature"])
    assert of("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature", named).required
    assert not of("ROOF_FAN_STATUS_1", "ambient_temperature", named).required
    assert not of("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature", plan()).required
    assert not of("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature").required


def test_no_time_remains_while_no_current_flows(of):
    """There "no data" is a proper answer, elsewhere it is not."""
    assert of("DC_SOURCE_STATUS_2", "time_remaining").may_be_empty
    assert not of("DC_SOURCE_STATUS_2", "state_of_charge").may_be_empty
