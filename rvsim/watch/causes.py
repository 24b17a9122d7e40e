"""The causes behind flags: which flags a single problem explains.

Knows: which kinds of flag follow from which others, on one device or on the whole bus, and that devices which disappear
and return together have something in common: a part of the rig, where the rig says what they are connected to. Does not
know how a flag was raised, nor what the parts of a rig are (`rig.shared_parts` does).

Which kind follows from which is common practice of the trade, no source.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import chain, combinations
from math import inf
from typing import TYPE_CHECKING, NamedTuple

from rvsim.rig.quantity import time_text
from rvsim.rig.shared_parts import SharedPart, shared_parts
from rvsim.watch.bus.pauses import Resumption
from rvsim.watch.cause import Cause, CauseKind, cause_of, explained_evidence, names_text
from rvsim.watch.device_causes import (
    explained_by_dark_batteries,
    explained_within_devices,
    floods,
    lost_settings,
)
from rvsim.watch.drafts.draft import span
from rvsim.watch.flag import WORST_FIRST, Flag, FlagKind, Severity
from rvsim.watch.joint_restarts import joint_restarts
from rvsim.watch.recording_causes import pause_cause, recording_causes
from rvsim.watch.rules import Finding
from rvsim.watch.transitions import FellSilent, Replaced, UnplannedDevice
from rvsim.wire.frame import SECOND_US

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

SAME_MOMENT_US = 300_000
"""Devices that disappear or return within this time of each other do so together. Our decision."""
MAX_AFTER_END_US = 10 * SECOND_US
"""How long after the end of a cause its effects may begin: a device must start, and three gaps must pass."""
MIN_MISSING_US = 10 * SECOND_US
"""How long before a pause of the bus the last frame of a device was, at least, if it was missing before the pause: two
heartbeats of 5 s (rv-c.com/node/82); two is our decision."""
MIN_DEVICES_TOGETHER = 2
MIN_DEVICES_WITHIN_A_GAP = 2
"""How many companions a device needs where they do not return at the same moment, but within one gap of each other."""
MIN_UNPLANNED = 5
"""From this number of addresses on that are not in the rig, and from that of its devices on, one planned device that
sent nothing is enough to doubt the rig. Our decision."""
MIN_NEVER_HEARD = 3
"""From this number of planned devices on that sent nothing at all they are one cause without a part in common."""


class _Explains(NamedTuple):
    """What one kind of flag explains: kinds of flag about the same device, and kinds about anything on the bus."""

    own: frozenset[FlagKind] = frozenset()
    all: frozenset[FlagKind] = frozenset()


_BY_TIME = frozenset(
    {
        FlagKind.SILENT_DEVICE,
        FlagKind.LATE_MESSAGE,
        FlagKind.BUS_QUIET,
        FlagKind.BUS_BUSY,
        FlagKind.RESTARTED,
        FlagKind.SHARED_ADDRESS,
        FlagKind.STUCK_VALUE,
        FlagKind.IGNORED_COMMAND,
        FlagKind.TWO_COMMANDERS,
        FlagKind.FAILED_TRANSFER,
        FlagKind.LOW_VOLTAGE,
        FlagKind.FREEZE_RISK,
        FlagKind.MOTION_WITHOUT_INTERLOCK,
    }
)
_MIXED_UP_READINGS = frozenset(
    {
        FlagKind.BAD_VALUE,
        FlagKind.NO_DATA,
        FlagKind.STUCK_VALUE,
        FlagKind.TWO_COMMANDERS,
        FlagKind.IGNORED_COMMAND,
        FlagKind.LOW_VOLTAGE,
        FlagKind.FREEZE_RISK,
    }
)
"""What is observed when the messages of two units are taken for those of one."""
EXPLAINS: Mapping[FlagKind, _Explains] = {
    FlagKind.LOG_OUT_OF_ORDER: _Explains(all=_BY_TIME),
    FlagKind.BUS_QUIET: _Explains(all=frozenset({FlagKind.RESTARTED, FlagKind.SILENT_DEVICE, FlagKind.LATE_MESSAGE})),
    FlagKind.NO_ACKNOWLEDGE: _Explains(
        own=frozenset({FlagKind.SILENT_DEVICE, FlagKind.LATE_MESSAGE}), all=frozenset({FlagKind.BUS_ERRORS})
    ),
    FlagKind.BUS_ERRORS: _Explains(all=frozenset({FlagKind.LATE_MESSAGE, FlagKind.FAILED_TRANSFER})),
    FlagKind.BUS_BUSY: _Explains(all=frozenset({FlagKind.LATE_MESSAGE, FlagKind.FAILED_TRANSFER})),
    FlagKind.SHARED_ADDRESS: _Explains(
        own=_MIXED_UP_READINGS
        | {
            FlagKind.LATE_MESSAGE,
            FlagKind.RESTARTED,
            FlagKind.WRONG_LENGTH,
            FlagKind.UNPLANNED_DEVICE,
            FlagKind.FAILED_TRANSFER,
        }
    ),
    FlagKind.SHARED_NAME: _Explains(
        own=frozenset({FlagKind.RESTARTED, FlagKind.UNPLANNED_DEVICE, FlagKind.SHARED_INSTANCE})
    ),
    FlagKind.SHARED_INSTANCE: _Explains(own=_MIXED_UP_READINGS | {FlagKind.UNPLANNED_DEVICE}),
    FlagKind.CANNOT_CLAIM: _Explains(
        own=frozenset({FlagKind.SILENT_DEVICE, FlagKind.LATE_MESSAGE, FlagKind.NO_ADDRESS})
    ),
    FlagKind.LOW_VOLTAGE: _Explains(
        own=frozenset({FlagKind.RESTARTED, FlagKind.SILENT_DEVICE, FlagKind.LATE_MESSAGE, FlagKind.IGNORED_COMMAND})
    ),
    FlagKind.SILENT_DEVICE: _Explains(
        own=frozenset({FlagKind.LATE_MESSAGE, FlagKind.IGNORED_COMMAND, FlagKind.FAILED_TRANSFER})
    ),
    FlagKind.RESTARTED: _Explains(own=frozenset({FlagKind.LATE_MESSAGE, FlagKind.NO_DATA, FlagKind.FAILED_TRANSFER})),
    FlagKind.REPORTED_FAULT: _Explains(own=frozenset({FlagKind.IGNORED_COMMAND})),
    FlagKind.REPLACED_DEVICE: _Explains(own=frozenset({FlagKind.FREEZE_RISK})),
    FlagKind.UNPLANNED_DEVICE: _Explains(),
    FlagKind.NO_ADDRESS: _Explains(),
    FlagKind.LATE_MESSAGE: _Explains(),
    FlagKind.WRONG_LENGTH: _Explains(),
    FlagKind.UNKNOWN_MESSAGE: _Explains(),
    FlagKind.BAD_VALUE: _Explains(),
    FlagKind.NO_DATA: _Explains(),
    FlagKind.STUCK_VALUE: _Explains(),
    FlagKind.TWO_COMMANDERS: _Explains(),
    FlagKind.IGNORED_COMMAND: _Explains(),
    FlagKind.FAILED_TRANSFER: _Explains(),
    FlagKind.FREEZE_RISK: _Explains(),
    FlagKind.MOTION_WITHOUT_INTERLOCK: _Explains(),
}
"""What each kind explains; every kind stands here. Of two that explain the same flag the first one is its cause."""
_RANK = {kind: rank for rank, kind in enumerate(EXPLAINS)}


class _Absence(NamedTuple):
    """A silence of a device: the two moments between which it began, and when it ended, None while it lasts."""

    finding: Finding
    earliest: int
    latest: int
    returned_at: int | None


def causes(
    findings: Sequence[Finding],
    resumptions: Mapping[int, Resumption],
    rig: "Rig | None" = None,
    heard: Collection[str] = (),
) -> tuple[Cause, ...]:
    """Return the causes behind flags; a flag that explains no other has no cause here, unless its kind always is one.

    Args:
        findings: the flags by number, with their problems.
        resumptions: how the bus resumed after each pause, by the time at which the pause ended.
        rig: the rig, which may say what its devices hang on.
        heard: the devices that were received at any time.
    """
    explained: dict[int, list[Flag]] = {}
    explained_numbers: set[int] = set()
    pairs = (
        explained_by_dark_batteries(findings),
        _explanations(findings),
        explained_within_devices(findings),
    )
    for head, flag in chain.from_iterable(pairs):
        if flag.number not in explained_numbers and head.number != flag.number:
            explained_numbers.add(flag.number)
            explained.setdefault(head.number, []).append(flag)
    roots = [finding for finding in findings if finding.flag.number not in explained_numbers]

    def all_explained(flag: Flag) -> list[Flag]:
        return _all_explained(flag, explained)

    found = list(recording_causes(roots, all_explained, heard))
    explained_numbers |= {flag.number for cause in found for flag in cause.flags}
    roots = [finding for finding in roots if finding.flag.number not in explained_numbers]
    found += [*_common_absences(roots, explained, rig, heard), *_exchanged_units(roots, explained)]
    found += _never_heard(roots, all_explained, rig, heard, _unplanned_addresses(findings))
    found += lost_settings(roots, all_explained)
    found += floods(roots, all_explained)
    taken = {flag.number for cause in found for flag in cause.flags}
    found += joint_restarts([one for one in roots if one.flag.number not in taken], all_explained, rig, heard)
    explained_numbers |= {flag.number for cause in found for flag in cause.flags}
    for finding in roots:
        flag = finding.flag
        if flag.number not in explained_numbers:
            found += _single_cause(flag, _all_explained(flag, explained), resumptions)
    return tuple(sorted(found, key=_sort_key))


def _explanations(findings: Sequence[Finding]) -> Iterator[tuple[Flag, Flag]]:
    """Yield each pair of a flag and a flag that it explains, the most general kinds first; none explains a more
    general.
    """
    by_kind: dict[FlagKind, list[Flag]] = {}
    silent: dict[int, FellSilent] = {}
    for finding in sorted(findings, key=lambda one: one.flag.since):
        by_kind.setdefault(finding.flag.kind, []).append(finding.flag)
        if isinstance(finding.problem, FellSilent):
            silent[finding.flag.number] = finding.problem
    for kind, reach in EXPLAINS.items():
        reached = [other for other in reach.own | reach.all if _RANK.get(other, len(_RANK)) > _RANK[kind]]
        for head in filter(_is_serious, by_kind.get(kind, ())):
            for other in sorted(reached):
                for flag in _begun_between(by_kind.get(other, ()), *_time_explained(head)):
                    is_reached = other in reach.all or flag.subject == head.subject
                    if is_reached and not _was_missing(head, flag, silent.get(flag.number)):
                        yield head, flag


def _was_missing(head: Flag, flag: Flag, silent: FellSilent | None) -> bool:
    """Return whether a device was missing already when the whole bus became quiet."""
    if head.kind is not FlagKind.BUS_QUIET or silent is None or flag.heard is None or head.heard is None:
        return False
    return head.heard - flag.heard > max(MIN_MISSING_US, 2 * (silent.fastest_gap_us or 0))


def _begun_between(flags: Sequence[Flag], start: float, end: float) -> Sequence[Flag]:
    """Return those of some flags, sorted by their beginning, that began between two moments."""
    first = bisect_left(flags, start, key=lambda flag: flag.since)
    return flags[first : bisect_right(flags, end, key=lambda flag: flag.since)]


def _is_serious(flag: Flag) -> bool:
    """Return whether a flag is serious enough to explain others: a few errors or a busy second are not."""
    return flag.kind not in (FlagKind.BUS_ERRORS, FlagKind.BUS_BUSY) or flag.severity is not Severity.NOTICE


def _time_explained(head: Flag) -> tuple[float, float]:
    """Return the two moments between which a flag must have begun to be explained: while the cause lasted, or soon
    after.

    A log out of order explains flags at any time.
    """
    if head.kind is FlagKind.LOG_OUT_OF_ORDER:
        return -inf, inf
    return (
        head.since if head.heard is None else head.heard,
        inf if head.until is None else head.until + MAX_AFTER_END_US,
    )


def _all_explained(flag: Flag, explained: Mapping[int, Sequence[Flag]]) -> list[Flag]:
    """Return a flag and all that it explains, directly or not."""
    below = chain.from_iterable(_all_explained(one, explained) for one in explained.get(flag.number, ()))
    return [flag, *below]


def _single_cause(
    flag: Flag, explained_flags: Sequence[Flag], resumptions: Mapping[int, Resumption]
) -> Iterator[Cause]:
    """Yield the cause of one flag with all that it explains, if it is one."""
    resumed = resumptions.get(flag.until or -1) if flag.kind is FlagKind.BUS_QUIET else None
    if resumed is not None:
        yield pause_cause(flag, explained_flags, resumed)
    elif len(explained_flags) > 1 or flag.kind in (FlagKind.REPLACED_DEVICE, FlagKind.LOG_OUT_OF_ORDER):
        evidence = (*flag.evidence, *explained_evidence(explained_flags[1:]))
        yield cause_of(flag.kind, flag.subject, explained_flags, flag.text, flag.advice, evidence)


def _sort_key(cause: Cause) -> tuple[int, int]:
    """Return the sort key of a cause: the worst first, then by time."""
    return WORST_FIRST.index(cause.severity), cause.since


# Several devices.


def _common_absences(
    roots: Sequence[Finding], explained: Mapping[int, Sequence[Flag]], rig: "Rig | None", heard: Collection[str]
) -> Iterator[Cause]:
    """Yield a cause for each group of devices that became silent at one moment and returned at one."""
    absences = sorted((away for root in roots if (away := _absence(root)) is not None), key=lambda one: one.earliest)
    grouped: set[int] = set()
    for place, first in enumerate(absences):
        if place in grouped:
            continue
        group = _company(absences, place, grouped, _back_within_a_gap)
        if len(group) < MIN_DEVICES_WITHIN_A_GAP:
            group = _company(absences, place, grouped, _back_together)
        grouped.update(group)
        together = [first, *(absences[other] for other in group)]
        if len(together) >= MIN_DEVICES_TOGETHER:
            earliest = together[-1].earliest
            latest = max(earliest, min(one.latest for one in together))
            present = set(heard) - _silent_at(absences, latest)
            subjects = {one.finding.flag.subject for one in together}
            parts = tuple(shared_parts(rig, subjects, present)) if rig is not None else ()
            yield _common_cause(together, earliest, latest, explained, parts)


def _company(
    absences: Sequence[_Absence],
    place: int,
    grouped: Collection[int],
    are_back: Callable[[_Absence, _Absence], bool],
) -> list[int]:
    """Return the places of the absences that began with the one at ``place``, and ended with it by ``are_back``.

    ``absences`` are sorted by their earliest beginning; those that are ``grouped`` are left out.
    """
    first = absences[place]
    found, subjects, latest = list[int](), {first.finding.flag.subject}, first.latest
    for other in range(place + 1, len(absences)):
        one = absences[other]
        if one.earliest > latest + SAME_MOMENT_US:
            break  # and so are all that follow
        if other not in grouped and one.finding.flag.subject not in subjects and are_back(first, one):
            found.append(other)
            subjects.add(one.finding.flag.subject)
            latest = min(latest, one.latest)
    return found


def _never_heard(
    roots: Sequence[Finding],
    all_explained: Callable[[Flag], list[Flag]],
    rig: "Rig | None",
    heard: Collection[str],
    unplanned: int,
) -> Iterator[Cause]:
    """Yield a cause for the planned devices that sent nothing at all, if they have a part in common or are many."""
    flags = [one.flag for one in roots if isinstance(one.problem, FellSilent) and one.flag.heard is None]
    names = sorted({flag.subject for flag in flags})
    if rig is None or not names:
        return
    are_others = unplanned >= max(MIN_UNPLANNED, len(rig.devices))
    if len(names) < MIN_DEVICES_TOGETHER and not are_others:
        return
    parts = tuple(shared_parts(rig, names, set(heard) - set(names)))
    planned, are_most = len(rig.devices), 2 * (len(names) + unplanned) > len(rig.devices)
    if not (parts or are_most or len(names) >= MIN_NEVER_HEARD):
        return
    if are_most:
        others = f", and {unplanned} addresses are not in the rig" if unplanned > 1 else ""
        text = f"{len(names)} of {planned} planned devices sent nothing at all{others}"
        text += f": the rig may be of another vehicle{'' if unplanned else ', or the log filtered'}"
        advice = "check first that the rig is of this vehicle, and that the log has all of the bus of these devices"
    else:
        text = f"{names_text(names)} sent nothing at all"
        advice = (
            "check that they are fitted, and what they have in common: a fuse, a branch, a ground, a piece of cable"
        )
    if parts:
        text += f"; by the rig only {_either([part.text for part in parts])} would take away these and no others"
        advice = "; or ".join([*([advice] if are_most else []), *(part.advice for part in parts)])
    explained_flags = [other for flag in flags for other in all_explained(flag)]
    evidence = explained_evidence(explained_flags)
    yield cause_of(CauseKind.NEVER_HEARD, ", ".join(names), explained_flags, text, advice, evidence)


def _unplanned_addresses(findings: Iterable[Finding]) -> int:
    """Return how many addresses belong to no planned device."""
    problems = [one.problem for one in findings]
    return len({one.source for one in problems if isinstance(one, UnplannedDevice) and not one.planned})


def _exchanged_units(roots: Sequence[Finding], explained: Mapping[int, Sequence[Flag]]) -> Iterator[Cause]:
    """Yield a cause for each two units of which each sends, from its own address, as the other."""
    replaced = [(one.flag, one.problem) for one in roots if isinstance(one.problem, Replaced)]
    for (flag, one), (other_flag, other) in combinations(replaced, 2):
        if (one.source, one.before) != (other.before, other.source) or one.source == one.before:
            continue
        explained_flags = [*_all_explained(flag, explained), *_all_explained(other_flag, explained)]
        places = [f"address {each.source:02X} hex sends as {each.function}" for each in (one, other)]
        text = f"{one.device} and {other.device} are exchanged: {' and '.join(places)}"
        advice = (
            "give each its own instance, or swap their places; to see which of them is where, act on one of them: warm "
            "it by hand, switch it, fill it"
        )
        subject = f"{one.device}, {other.device}"
        cause = cause_of(
            CauseKind.EXCHANGED, subject, explained_flags, text, advice, explained_evidence(explained_flags)
        )
        yield cause._replace(severity=Severity.WARNING)  # a command reaches the wrong unit


def _absence(finding: Finding) -> _Absence | None:
    flag, problem = finding
    if not isinstance(problem, FellSilent) or flag.heard is None:
        return None
    return _Absence(finding, flag.heard, flag.heard + (problem.fastest_gap_us or 0), flag.until)


def _silent_at(absences: Iterable[_Absence], time: int) -> set[str]:
    """Return the names of the devices that were silent at a time."""
    return {
        one.finding.flag.subject
        for one in absences
        if one.earliest <= time and (one.returned_at is None or one.returned_at > time)
    }


def _back_together(one: _Absence, other: _Absence) -> bool:
    if one.returned_at is None or other.returned_at is None:
        return one.returned_at is other.returned_at
    return abs(one.returned_at - other.returned_at) <= SAME_MOMENT_US


def _back_within_a_gap(one: _Absence, other: _Absence) -> bool:
    """Return whether two devices can have returned at one moment: one that kept its power goes on with its rhythm."""
    if one.returned_at is None or other.returned_at is None:
        return one.returned_at is other.returned_at
    gap = max(away.latest - away.earliest for away in (one, other))
    return abs(one.returned_at - other.returned_at) <= max(gap, SAME_MOMENT_US)


def _common_cause(
    group: Sequence[_Absence],
    earliest: int,
    latest: int,
    explained: Mapping[int, Sequence[Flag]],
    parts: Sequence[SharedPart],
) -> Cause:
    names = sorted({one.finding.flag.subject for one in group})
    listed = names_text(names)
    explained_flags = [flag for one in group for flag in _all_explained(one.finding.flag, explained)]
    first, last = time_text(earliest), time_text(latest)
    when = f"between {first} and {last}" if latest > earliest else f"at {first}"
    returned_at = group[0].returned_at
    if returned_at is None:
        kind, text = CauseKind.GONE_TOGETHER, f"{listed} became silent at one moment, {when}, and are still silent"
    else:
        returns = [one.returned_at for one in group if one.returned_at is not None]
        is_moment = max(returns) - min(returns) <= SAME_MOMENT_US
        back = f"together at {time_text(returned_at)}" if is_moment else f"within {span(max(returns) - min(returns))}"
        kind = CauseKind.SHARED_SUPPLY
        text = f"{listed} became silent at one moment, {when}, and returned {back}"
    if parts:
        text += f"; by the rig only {_either([part.text for part in parts])} would take away these and no others"
        advice = "; or ".join(part.advice for part in parts)
    else:
        advice = (
            "look for a shared supply: a fuse, a branch, a ground or a plug that they have in common, before checking "
            "each device"
        )
        if returned_at is None:
            advice += "; then for a part of the bus cable behind which all of them are"
    return cause_of(kind, ", ".join(names), explained_flags, text, advice, explained_evidence(explained_flags))


def _either(texts: Sequence[str]) -> str:
    """Return texts as a list of which one is true."""
    return " or ".join([", ".join(texts[:-1]), texts[-1]] if len(texts) > 1 else texts)
