"""Code names that follow a rule, where a list would be too long for a definition file.

Knows: the bitmap of group members (a zero bit marks a member, bit 7 is always zero: the window shade proposal,
rv-c.com/node/101; seven groups follow from it), the codes of a delay (from memory, unsure), and the instances of
chargers with their type in the high nibble (30 hex and above are alternators: an alternator regulator maker's RV-C
appendix; two other makers use plain instances, which remain numbers). Does not know which field uses a rule: the
definition file states that in the attribute ``Coding``. Names in the file itself have precedence.
"""

from collections.abc import Mapping
from enum import StrEnum
from functools import cache
from typing import assert_never

_GROUP_COUNT = 7
_DELAY_SECONDS = range(1, 241)
_DELAY_MINUTES = {241 + step: 5 + step for step in range(10)}
_ALTERNATOR_TYPE = 0x30
_INSTANCES_OF_A_TYPE = range(1, 16)
"""The instances that the low nibble can contain; 0 is none."""


class Coding(StrEnum):
    """The rule by which the codes of a field have names."""

    PLAIN = "plain"
    GROUPS = "groups"
    DELAY = "delay"
    CHARGER_INSTANCE = "charger_instance"


@cache
def code_names(coding: Coding) -> Mapping[int, str]:
    """Return the name of each code that has one by the rule."""
    match coding:
        case Coding.PLAIN:
            return {}
        case Coding.GROUPS:
            return {raw: _group_text(raw) for raw in range(1 << _GROUP_COUNT)}
        case Coding.DELAY:
            return {seconds: f"{seconds} s" for seconds in _DELAY_SECONDS} | {
                raw: f"{minutes} min" for raw, minutes in _DELAY_MINUTES.items()
            }
        case Coding.CHARGER_INSTANCE:
            return {_ALTERNATOR_TYPE | number: f"alternator {number}" for number in _INSTANCES_OF_A_TYPE}
    assert_never(coding)


def _group_text(raw: int) -> str:
    groups = [str(bit + 1) for bit in range(_GROUP_COUNT) if not raw >> bit & 1]
    if not groups:
        return "no group"
    return f"group{'s' if len(groups) > 1 else ''} {', '.join(groups)}"
