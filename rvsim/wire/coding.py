"""Names of codes that follow a rule, where a list would be too long for a definition file.

Knows: the bitmap of group members (a zero bit is a member, bit 7 is zero as a mark: the window shade proposal,
rv-c.com/node/101; seven groups follow from it), the codes of a delay (from memory, not sure), and instances of chargers
with their type in the high nibble (30h and up are alternators: an alternator regulator maker's RV-C appendix; two other
makers write plain instances, which stay numbers). Does not know which field has them: a definition file says so in the
attribute ``Coding``. Names that the file itself gives go first.
"""

from collections.abc import Mapping
from enum import StrEnum
from functools import cache

_GROUP_COUNT = 7
_DELAY_SECONDS = range(1, 241)
_DELAY_MINUTES = {241 + step: 5 + step for step in range(10)}
_ALTERNATOR_TYPE = 0x30
_INSTANCES_OF_A_TYPE = range(1, 16)
"""Instances that the low nibble can hold; 0 is none."""


class Coding(StrEnum):
    """By which rule the codes of a field have names."""

    PLAIN = "plain"
    GROUPS = "groups"
    DELAY = "delay"
    CHARGER_INSTANCE = "charger_instance"


@cache
def code_names(coding: Coding) -> Mapping[int, str]:
    """Return the names of all codes that have one by the rule."""
    if coding is Coding.GROUPS:
        return {raw: _group_text(raw) for raw in range(1 << _GROUP_COUNT)}
    if coding is Coding.DELAY:
        return {seconds: f"{seconds} s" for seconds in _DELAY_SECONDS} | {
            raw: f"{minutes} min" for raw, minutes in _DELAY_MINUTES.items()
        }
    if coding is Coding.CHARGER_INSTANCE:
        return {_ALTERNATOR_TYPE | number: f"alternator {number}" for number in _INSTANCES_OF_A_TYPE}
    return {}


def _group_text(raw: int) -> str:
    groups = [str(bit + 1) for bit in range(_GROUP_COUNT) if not raw >> bit & 1]
    if not groups:
        return "no group"
    return f"group{'s' if len(groups) > 1 else ''} {', '.join(groups)}"
