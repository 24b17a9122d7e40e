"""Which fields of a status answer the fields of a command, and whether they say what was commanded.

Knows: fields that are called alike, the few that are called otherwise, modes in which a field is the device's own
affair, and functions that start slowly. Does not know time.
"""

from collections.abc import Iterable, Iterator, Mapping

from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.spec import MessageSpec

_CALLED_OTHERWISE: Mapping[str, str] = {
    "desired_operating_level": "operating_status",
    "desired_level": "operating_status",
}
"""Fields of commands to loads and dimmers, and what their status calls the level."""
_ONLY_WITH_CODE: Mapping[str, tuple[str, int]] = {
    "desired_operating_level": ("command", 0),
    "desired_level": ("command", 0),
}
"""Fields that are taken as they stand only with a code of another field of the command, or without that field: 0 sets a
level, the others of that list do something else with it (rv-c.com/node/106: only 0 is published)."""
_OWN_AFFAIR: Mapping[str, frozenset[str]] = {
    "fan_speed": frozenset({"fan_mode"}),
    "fan_speed_setting": frozenset({"fan_mode", "speed_mode"}),
}
"""Fields that a device chooses by itself while one of these modes of its status is an automatic one."""
SLOW_STARTERS = frozenset({"furnace", "water_heater", "air_conditioner", "heat_pump", "floor_heat", "generator"})
"""Functions that take minutes from rest to their output: ignition, coolant, the rest of a compressor, a cold engine."""


def answering(field: FieldSpec, status: MessageSpec) -> FieldSpec | None:
    """Return the field of a status message that answers a field of a command, None where it has none."""
    return status.by_name.get(field.name) or status.by_name.get(_CALLED_OTHERWISE.get(field.name, ""))


def counts(name: str, given: Mapping[str, Reading]) -> bool:
    """Tell whether a field of a command is to be taken as it stands, beside the others that are given."""
    other, code = _ONLY_WITH_CODE.get(name, ("", 0))
    return other not in given or given[other].raw == code


def is_own_affair(field: FieldSpec, said: Iterable[Reading]) -> bool:
    """Tell whether a device chooses a field of its status by itself, by what it says of its modes."""
    modes = _OWN_AFFAIR.get(field.name, frozenset())
    return any(one.field.name in modes and (one.label or "").startswith("auto") for one in said)


def same(one: Reading, other: Reading) -> bool:
    """Tell whether two readings say the same value, whatever their scales; exact. All above 100 % is full."""
    first, second = _steps(one), _steps(other)
    if first is None or second is None:
        return False
    return first * other.field.unit_steps == second * one.field.unit_steps


def is_rest(reading: Reading) -> bool:
    """Tell whether a percentage says zero."""
    return reading.field.unit == "%" and _steps(reading) == 0


def _steps(reading: Reading) -> int | None:
    if reading.state is not State.VALUE or reading.raw is None:
        return None
    steps = reading.raw * reading.field.scale + reading.field.offset
    return min(steps, 100 * reading.field.unit_steps) if reading.field.unit == "%" else steps


def comparable(given: Mapping[str, Reading], status: MessageSpec, data: bytes) -> Iterator[tuple[Reading, Reading]]:
    """Yield each field of a command with what a status frame says of it, but for those of which it says nothing."""
    for name, wanted in given.items():
        field = answering(wanted.field, status)
        if field is None or not counts(name, given):
            continue
        raw = field.raw_in(data)
        said = Reading(field, raw, field.state(raw))
        if said.state is State.VALUE and not is_own_affair(field, status.decode(data)):
            yield wanted, said
