"""Commands of dimmers and loads: their codes, and a frame read as what it asks of an output.

Knows: the codes of the command byte (only 0 is published, the others are from memory), the coding of a delay, the
bitmap of groups, and that all ones leave a field unchanged. Does not know any output.

Delay and ramp time stand at places that are unsure in some of the messages. They are obeyed there, since a load that
ignored the end of "on for duration" would stay on; the bench opens virtual buses only.
"""

from enum import IntEnum
from typing import NamedTuple

from rvsim.devices.device import commanded
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

FULL_RAW = 200
"""The raw level of 100 % (rv-c.com/node/569)."""
GROUPS = 0x7F
"""The seven bits of the group bitmap; a zero bit marks a member (rv-c.com/node/101)."""
NO_DATA = 0xFF
ALL_MEMBERS = 254
"""An instance that was suggested for all members of a group (rv-c.com/node/104)."""


class Code(IntEnum):
    """The codes of the command byte; only the first is published (rv-c.com/node/104 and 106), the others are memory."""

    SET_LEVEL = 0
    ON_FOR = 1
    ON_AFTER = 2
    OFF_AFTER = 3
    STOP = 4
    TOGGLE = 5
    MEMORY_OFF = 6
    RAMP = 17
    RAMP_TOGGLE = 18
    RAMP_UP = 19
    RAMP_DOWN = 20
    RAMP_DOWN_UP = 21
    LOCK = 33
    UNLOCK = 34
    FLASH = 49
    FLASH_ONCE = 50


RAMPS = frozenset({Code.RAMP, Code.RAMP_TOGGLE, Code.RAMP_UP, Code.RAMP_DOWN, Code.RAMP_DOWN_UP})


_CODES: dict[int | None, Code] = {int(code): code for code in Code}
_LEVELS = ("master_brightness", "desired_level", "desired_operating_level")
"""The level by its names in the three messages."""


class OutputCommand(NamedTuple):
    """What a frame asks of the outputs with its instance, or with one of its groups."""

    code: Code
    level: float | None = None
    """In percent, 0 to 100; None: not given."""
    delay_us: int | None = None
    """Delay or duration; None: not given, or without limit."""
    ramp_us: int | None = None
    """The time of a ramp; None: not given."""
    interlock: int | None = None
    """A bitmap: bit 0 is interlock A, bit 1 is B; None: not given."""


def read_delay(raw: int | None) -> int | None:
    """Return the microseconds of a delay's code, None for no limit, no data and codes without a meaning."""
    if raw is None or raw > 250:
        return None
    return raw * SECOND_US if raw <= 240 else (raw - 236) * 60 * SECOND_US


def delay_code(time_us: int | None) -> int:
    """Return the code of a time that is left, rounded up; all ones for none."""
    if time_us is None:
        return NO_DATA
    seconds = -(-time_us // SECOND_US)
    return seconds if seconds <= 240 else min(250, max(5, -(-seconds // 60)) + 236)


def group_bits(groups: tuple[int, ...]) -> int:
    """Return the bitmap of an output's groups; all ones, no data, for one without any."""
    if not groups:
        return NO_DATA
    return GROUPS & ~sum(1 << (group - 1) for group in set(groups))


def shares_group(own: int, wanted: int) -> bool:
    """Return whether an output with bitmap ``own`` is a member of a group of the bitmap ``wanted``."""
    return own <= GROUPS and wanted <= GROUPS and bool(~own & ~wanted & GROUPS)


def read_command(spec: MessageSpec, data: bytes) -> tuple[int | None, int, OutputCommand] | None:
    """Return the instance (None: by group), the group bitmap and the command of a frame, None where it has none."""
    given = commanded(spec, data)
    raws = {field.name: raw for field, raw in zip(spec.fields, spec.raws(data), strict=True)}
    instance, group = raws["instance"], raws.get("group")
    if instance is None:
        return None
    number = given.get("command") if "command" in spec.by_name else Code.SET_LEVEL
    if number not in _CODES:
        return None
    levels = (given.get(name) for name in _LEVELS)
    level = next((raw for raw in levels if raw is not None), None)
    interlock = raws.get("interlock")
    ramp = given.get("ramp_time")
    return (
        None if instance in (ALL_MEMBERS, NO_DATA) else instance,
        NO_DATA if group is None else group,
        OutputCommand(
            _CODES[number],
            None if level is None else min(level, FULL_RAW) / 2,
            read_delay(raws.get("delay_duration")),
            None if ramp is None else ramp * 100_000,
            interlock if interlock in (0, 1, 2) else None,
        ),
    )
