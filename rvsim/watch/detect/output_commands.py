"""Commands of dimmers and loads: what they ask for, to be compared with other commands and with statuses.

Knows: which codes command a state and which a change, which of them a status has to answer, the coding of a delay and
of a group, and what in a status explains that a command is not obeyed. Does not know any output. Only code 0 is
published (rv-c.com/node/104 and 106), the others are from memory, as is the coding of delays.
"""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from rvsim.wire.fields import Reading, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.quantity_text import compose
from rvsim.wire.spec import MessageSpec

FUNCTIONS = frozenset({"dc_dimmer", "dc_load"})
"""The functions that are commanded so."""
SET_LEVEL, TOGGLE, RAMP, RAMP_TOGGLE = 0, 5, 17, 18
LEVEL_CODES = frozenset({SET_LEVEL, RAMP})
"""The codes beside which the level is what the output shall have."""
ANSWERED_CODES = frozenset({SET_LEVEL, TOGGLE, RAMP, RAMP_TOGGLE})
"""The codes that change the output whatever it was, where it has not the commanded level already."""
LEVEL_FIELDS = ("desired_level", "desired_operating_level", "master_brightness")
"""The level, by its names in the three commands."""
GROUP_BITS = 0x7F
"""The bitmap of seven groups; a zero bit marks a member (rv-c.com/node/101)."""
ALL_MEMBERS = 254
"""An instance that was suggested for all members of a group (rv-c.com/node/104)."""
_EXPLAINING_FIELDS = ("over_current_status", "lock_status", "override_status", "interlock_status")
_HOLDS = 1
"""The code of these fields where they hold (from memory)."""


class OutputCoding(NamedTuple):
    """What a command of a dimmer or a load means."""

    levels: Mapping[str, Reading]
    """The level as a reading under one name, whatever the message calls it; empty for a command that sets none."""
    is_answered: bool
    """Whether a status has to change, or to have what is commanded."""
    delay_us: int
    """How long the output may wait until it does, in microseconds."""
    groups: frozenset[int]
    """The groups that it is for; none where it is for an instance."""


def output_coding(spec: MessageSpec, data: bytes, commanded: Mapping[str, Reading]) -> OutputCoding:
    """Return what a command means; ``commanded`` are the fields that it sets."""
    raws = {field.name: raw for field, raw in zip(spec.fields, spec.raws(data), strict=True)}
    code = raws.get("command") if "command" in raws else SET_LEVEL
    level = next((commanded[name] for name in LEVEL_FIELDS if name in commanded), None)
    levels = {} if level is None or code not in LEVEL_CODES else {"level": level}
    instance, group = raws.get("instance"), raws.get("group")
    by_group = instance in (ALL_MEMBERS, 0xFF) and group is not None and group <= GROUP_BITS
    groups = frozenset(bit + 1 for bit in range(7) if not (group or 0) >> bit & 1) if by_group else frozenset()
    return OutputCoding(levels, code in ANSWERED_CODES, _delay_us(raws.get("delay_duration")), groups)


def _delay_us(raw: int | None) -> int:
    """Return the microseconds of a delay's code, 0 for no data and codes without a meaning."""
    if raw is None or raw > 250:
        return 0
    return raw * SECOND_US if raw <= 240 else (raw - 236) * 60 * SECOND_US


def explanations(spec: MessageSpec, data: bytes) -> Iterator[str]:
    """Yield what in a status of an output explains that it does not obey, as text."""
    for reading in spec.decode(data):
        if reading.field.name in _EXPLAINING_FIELDS and reading.state is State.VALUE and reading.raw == _HOLDS:
            yield compose(f"{reading.field.title} ", reading.brief)
