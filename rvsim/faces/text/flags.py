"""Flags grouped for reading: flags under the cause that explains them, and flags of one kind and advice together.

Knows: causes, severities and numbers of flags. Does not know screens or files.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from rvsim.watch.cause import Cause, CauseKind
from rvsim.watch.flag import WORST_FIRST, Flag

MAX_LISTED_TAGS = 4


class ExplainedFlags(NamedTuple):
    """Flags with their causes: causes that are no flags themselves, and the flags that nothing explains.

    ``under`` has, by the number of a flag of ``top``, the flags that it explains.
    """

    causes: tuple[Cause, ...]
    top: tuple[Flag, ...]
    under: Mapping[int, tuple[Flag, ...]]


def explain_flags(flags: Iterable[Flag], causes: Iterable[Cause]) -> ExplainedFlags:
    """Put flags under their causes, so that none is counted twice."""
    found = tuple(causes)
    separate = tuple(cause for cause in found if isinstance(cause.kind, CauseKind))
    heads = {cause.flags[0].number: cause.flags[1:] for cause in found if cause not in separate}
    told = {cause.flags[0].number: (cause.text, cause.advice) for cause in found if cause not in separate}
    explained = {flag.number for cause in separate for flag in cause.flags}
    explained |= {flag.number for below in heads.values() for flag in below}
    top = [_told_by(flag, told.get(flag.number)) for flag in flags if flag.number not in explained]
    return ExplainedFlags(separate, tuple(sorted(top, key=lambda flag: flag.number not in heads)), heads)


def _told_by(flag: Flag, told: tuple[str, str] | None) -> Flag:
    """Return a flag with the text and the advice of its cause, which may know more than the flag."""
    return flag if told is None or told == (flag.text, flag.advice) else replace(flag, text=told[0], advice=told[1])


def group_flags(flags: Iterable[Flag]) -> list[list[Flag]]:
    """Group flags of one kind, severity and advice; gas first, then the worst groups, within a group by number."""
    groups: dict[tuple[str, str, str], list[Flag]] = {}
    for flag in flags:
        groups.setdefault((str(flag.severity), flag.kind, flag.advice), []).append(flag)
    return sorted(groups.values(), key=lambda group: (not group[0].is_gas, WORST_FIRST.index(group[0].severity)))


def tags(group: Sequence[Flag]) -> str:
    """Return the tags of a group: ``[3]``, ``(1) (4)``, ``(1) to (6)`` in a row, ``(1) and 130 more`` out of order."""
    numbers = [flag.number for flag in group]
    if len(group) > 2 and numbers == list(range(numbers[0], numbers[0] + len(numbers))):
        return f"{group[0].tag} to {group[-1].tag}"
    if len(group) > MAX_LISTED_TAGS:
        return f"{group[0].tag} and {len(group) - 1} more"
    return " ".join(flag.tag for flag in group)
