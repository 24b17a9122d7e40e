"""Which fields of a status answer the fields of a command, and whether they report what was commanded.

Knows: fields with the same name, the few that have different names, modes in which the device itself sets a field, and
functions that start slowly. Does not know time.
"""

from collections.abc import Iterable, Iterator, Mapping

from rvsim.watch.detect.output_commands import LEVEL_CODES
from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.spec import MessageSpec

_OTHER_STATUS_NAMES: Mapping[str, str] = {
    "desired_operating_level": "operating_status",
    "desired_level": "operating_status",
}
"""Fields of commands to loads and dimmers, and the name of the level in their status."""
_VALID_WITH_CODES: Mapping[str, tuple[str, frozenset[int]]] = {
    "desired_operating_level": ("command", LEVEL_CODES),
    "desired_level": ("command", LEVEL_CODES),
}
"""Fields that are commanded values only beside some codes of another field of the command, or without that field: code
0 sets a level, a ramp comes to one, other codes use it for something else (rv-c.com/node/106: only 0 is published)."""
_SET_BY_DEVICE_IN_MODES: Mapping[str, frozenset[str]] = {
    "fan_speed": frozenset({"fan_mode"}),
    "fan_speed_setting": frozenset({"fan_mode", "speed_mode"}),
}
"""Fields that the device itself sets while one of these modes of its status is automatic."""
SLOW_STARTERS = frozenset({"furnace", "water_heater", "air_conditioner", "heat_pump", "floor_heat", "generator"})
"""Functions that need minutes until they have an output: ignition, cold coolant, the pause of a compressor, a cold
engine."""


def answering_field(field: FieldSpec, status: MessageSpec) -> FieldSpec | None:
    """Return the field of a status message that answers a field of a command, None where it has none."""
    return status.by_name.get(field.name) or status.by_name.get(_OTHER_STATUS_NAMES.get(field.name, ""))


def is_commanded_value(name: str, commanded_fields: Mapping[str, Reading]) -> bool:
    """Return whether a field of a command is a commanded value, given the other fields of the command."""
    other, codes = _VALID_WITH_CODES.get(name, ("", frozenset()))
    return other not in commanded_fields or commanded_fields[other].raw in codes


def is_set_by_device(field: FieldSpec, reported: Iterable[Reading]) -> bool:
    """Return whether the device itself sets a field of its status in its present mode."""
    modes = _SET_BY_DEVICE_IN_MODES.get(field.name, frozenset())
    return any(reading.field.name in modes and (reading.label or "").startswith("auto") for reading in reported)


def same_value(reading: Reading, other: Reading) -> bool:
    """Return whether two readings have the same value, whatever their scales; exact. Above 100 % counts as 100 %."""
    first, second = _steps(reading), _steps(other)
    if first is None or second is None:
        return False
    return first * other.field.unit_steps == second * reading.field.unit_steps


def is_zero_percent(reading: Reading) -> bool:
    """Return whether a reading is 0 %."""
    return reading.field.unit == "%" and _steps(reading) == 0


def _steps(reading: Reading) -> int | None:
    if reading.state is not State.VALUE or reading.raw is None:
        return None
    steps = reading.raw * reading.field.scale + reading.field.offset
    return min(steps, 100 * reading.field.unit_steps) if reading.field.unit == "%" else steps


def comparable_readings(
    commanded_fields: Mapping[str, Reading], status: MessageSpec, data: bytes
) -> Iterator[tuple[Reading, Reading]]:
    """Yield each commanded reading with the reading of a status frame that answers it, where the frame has a value."""
    for name, commanded in commanded_fields.items():
        field = answering_field(commanded.field, status)
        if field is None or not is_commanded_value(name, commanded_fields):
            continue
        raw = field.raw_in(data)
        reported = Reading(field, raw, field.state(raw))
        if reported.state is State.VALUE and not is_set_by_device(field, status.decode(data)):
            yield commanded, reported
