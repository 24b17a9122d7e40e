"""Limits within which the value of a field is plausible.

Knows: the limits of a rig (``MESSAGE.field`` goes before ``field``), limits that physics or practice set to a few
fields, and the fields for which "no data" is normal. Does not know any reading.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from rvsim.watch.transitions import Limits
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from rvsim.rig.device_plan import DevicePlan

_PRACTICE = "common practice, no source"
_AIR = Limits(-60, 85, _PRACTICE)
"""No weather is colder, and sensors for vehicles end at 85 °C."""
_UP_TO_48_V = Limits(0, 70, _PRACTICE)
"""Any battery system of a vehicle, up to 48 V nominal on charge."""
_HOUSE_12_V = Limits(0, 20, _PRACTICE)
"""A 12 V house system on charge, with room for a spike; holds where a rig is given, whose battery is of 12 V."""
_VOLTAGES = (
    ("DC_SOURCE_STATUS_1", "dc_voltage"),
    ("CHARGER_STATUS", "charge_voltage"),
    ("CHARGER_STATUS_2", "charging_voltage"),
)
_GENERAL: Mapping[tuple[str, str], Limits] = {
    ("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature"): _AIR,
    ("ROOF_FAN_STATUS_1", "ambient_temperature"): _AIR,
    ("WATERHEATER_STATUS", "water_temperature"): Limits(-60, 130, _PRACTICE),
    ("DC_SOURCE_STATUS_1", "dc_current"): Limits(-5000, 5000, _PRACTICE),
    ("DC_SOURCE_STATUS_2", "source_temperature"): Limits(-60, 150, _PRACTICE),
    ("DC_SOURCE_STATUS_2", "state_of_charge"): Limits(0, 110, _PRACTICE),
    ("CHARGER_STATUS_2", "charger_temperature"): Limits(-60, 150, _PRACTICE),
}
_UNMEASURED_C = 85.0
"""What a common digital temperature sensor reports before its first measurement (from memory: its power-on value)."""
_AIR_SENSORS = frozenset(
    {("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature"), ("ROOF_FAN_STATUS_1", "ambient_temperature")}
)
_MAY_BE_UNMEASURED = _AIR_SENSORS | {
    ("WATERHEATER_STATUS", "water_temperature"),
    ("DC_SOURCE_STATUS_2", "source_temperature"),
}
"""Fields that such a sensor may measure. Our decision."""
_MAY_BE_EMPTY = frozenset({("DC_SOURCE_STATUS_2", "time_remaining")})
"""Fields for which "no data" is normal: there is no time remaining while no current flows."""


class Expected(NamedTuple):
    """What is expected of one field: its limits, and whether the rig requires it to have a value.

    ``may_be_empty`` is whether "no data" after a value is normal. ``unmeasured`` is the value that a sensor of the
    field may report before its first measurement, None where none is known; ``is_air`` is whether it measures air,
    which never has that value.
    """

    limits: Limits | None
    required: bool
    may_be_empty: bool
    unmeasured: float | None = None
    is_air: bool = False


def expected(spec: MessageSpec, plan: "DevicePlan | None", *, twelve_volts: bool) -> tuple[Expected, ...]:
    """Return what is expected of each field of a message, in field order.

    Args:
        spec: the message.
        plan: the planned device that sends it, None for an unplanned source.
        twelve_volts: whether the house battery is known to have 12 V.
    """
    return tuple(_expected(spec.name, field.name, plan, twelve_volts=twelve_volts) for field in spec.fields)


def _expected(message: str, field: str, plan: "DevicePlan | None", *, twelve_volts: bool) -> Expected:
    required = plan is not None and not {field, f"{message}.{field}"}.isdisjoint(plan.required)
    limits = (_planned(message, field, plan) if plan else None) or _general(message, field, twelve_volts=twelve_volts)
    unmeasured = _UNMEASURED_C if (message, field) in _MAY_BE_UNMEASURED else None
    is_air = (message, field) in _AIR_SENSORS
    return Expected(limits, required, (message, field) in _MAY_BE_EMPTY, unmeasured, is_air)


def _planned(message: str, field: str, plan: "DevicePlan") -> Limits | None:
    pair = plan.limits.get(f"{message}.{field}", plan.limits.get(field))
    return Limits(*pair, "by the rig") if pair else None


def _general(message: str, field: str, *, twelve_volts: bool) -> Limits | None:
    if (message, field) in _VOLTAGES:
        return _HOUSE_12_V if twelve_volts else _UP_TO_48_V
    return _GENERAL.get((message, field))
