"""One cause, said first: which flags a single trouble explains.

Knows: which kinds of flag follow from which others, on one device or on the whole bus, and what several devices have
in common that went and came back together. Does not know how a flag was raised, nor plans of wires and fuses: where no
plan says what devices share, the words ask to look for it.

Which kind follows from which is common practice of the trade, no source.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import StrEnum
from itertools import chain, combinations
from math import inf
from typing import NamedTuple

from rvsim.rig.quantity import moment
from rvsim.watch.bus.pauses import RESUMPTION_CHECK_US, Resumption
from rvsim.watch.drafts.draft import span
from rvsim.watch.flag import WORST_FIRST, Flag, FlagKind, Severity
from rvsim.watch.rules import Finding
from rvsim.watch.transitions import FellSilent, Replaced
from rvsim.wire.frame import SECOND_US

SAME_MOMENT_US = 300_000
"""Devices that go and come back within this time of each other do so together. Our decision."""
MAX_AFTER_END_US = 10 * SECOND_US
"""What follows from a cause may begin so long after its end: a device has to start, and three gaps to pass."""
MIN_DEVICES_TOGETHER = 2


class CauseKind(StrEnum):
    """The sorts of cause that are not a kind of flag."""

    SHARED_SUPPLY = "shared-supply"
    GONE_TOGETHER = "gone-together"
    RECORDER_PAUSED = "recorder-paused"
    EXCHANGED = "exchanged"
    """Two units, each of which speaks as the other."""


class Cause(NamedTuple):
    """A trouble, and the flags that it explains, its own first.

    ``kind`` is that of its own flag, or a ``CauseKind``. Times in microseconds; ``until`` is None while it lasts.
    """

    kind: FlagKind | CauseKind
    subject: str
    severity: Severity
    since: int
    until: int | None
    text: str
    advice: str
    evidence: tuple[str, ...]
    flags: tuple[Flag, ...]


class _Reach(NamedTuple):
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
    }
)
_OF_A_MIX = frozenset(
    {FlagKind.BAD_VALUE, FlagKind.NO_DATA, FlagKind.STUCK_VALUE, FlagKind.TWO_COMMANDERS, FlagKind.IGNORED_COMMAND}
)
"""What it looks like when the words of two are taken for those of one."""
_REACHES: Mapping[FlagKind, _Reach] = {
    FlagKind.LOG_OUT_OF_ORDER: _Reach(all=_BY_TIME),
    FlagKind.BUS_QUIET: _Reach(all=frozenset({FlagKind.RESTARTED, FlagKind.SILENT_DEVICE, FlagKind.LATE_MESSAGE})),
    FlagKind.NO_ACKNOWLEDGE: _Reach(
        own=frozenset({FlagKind.SILENT_DEVICE, FlagKind.LATE_MESSAGE}), all=frozenset({FlagKind.BUS_ERRORS})
    ),
    FlagKind.BUS_ERRORS: _Reach(all=frozenset({FlagKind.LATE_MESSAGE, FlagKind.FAILED_TRANSFER})),
    FlagKind.BUS_BUSY: _Reach(all=frozenset({FlagKind.LATE_MESSAGE, FlagKind.FAILED_TRANSFER})),
    FlagKind.SHARED_ADDRESS: _Reach(
        own=_OF_A_MIX
        | {
            FlagKind.LATE_MESSAGE,
            FlagKind.RESTARTED,
            FlagKind.WRONG_LENGTH,
            FlagKind.UNPLANNED_DEVICE,
            FlagKind.FAILED_TRANSFER,
        }
    ),
    FlagKind.SHARED_NAME: _Reach(
        own=frozenset({FlagKind.RESTARTED, FlagKind.UNPLANNED_DEVICE, FlagKind.SHARED_INSTANCE})
    ),
    FlagKind.SHARED_INSTANCE: _Reach(own=_OF_A_MIX | {FlagKind.UNPLANNED_DEVICE}),
    FlagKind.CANNOT_CLAIM: _Reach(own=frozenset({FlagKind.SILENT_DEVICE, FlagKind.LATE_MESSAGE, FlagKind.NO_ADDRESS})),
    FlagKind.SILENT_DEVICE: _Reach(
        own=frozenset({FlagKind.LATE_MESSAGE, FlagKind.IGNORED_COMMAND, FlagKind.FAILED_TRANSFER})
    ),
    FlagKind.RESTARTED: _Reach(own=frozenset({FlagKind.LATE_MESSAGE, FlagKind.NO_DATA, FlagKind.FAILED_TRANSFER})),
    FlagKind.REPORTED_FAULT: _Reach(own=frozenset({FlagKind.IGNORED_COMMAND})),
}
"""What each kind explains; of two that explain the same flag the one that stands first is its cause."""
_RANKS = {kind: rank for rank, kind in enumerate(_REACHES)}


class _Away(NamedTuple):
    """When a device went, between two moments, and when it came back, None where it has not."""

    finding: Finding
    soonest: int
    latest: int
    back: int | None


def causes(findings: Sequence[Finding], resumptions: Mapping[int, Resumption]) -> tuple[Cause, ...]:
    """Return the causes behind flags; a flag that neither explains another nor stands for more is left alone.

    Args:
        findings: the flags by number, with what they are about.
        resumptions: how the bus went on after each pause, by the time at which it ended.
    """
    explained: dict[int, list[Flag]] = {}
    taken: set[int] = set()
    for head, flag in _explanations(findings):
        if flag.number not in taken and head.number != flag.number:
            taken.add(flag.number)
            explained.setdefault(head.number, []).append(flag)
    roots = [finding for finding in findings if finding.flag.number not in taken]
    found = [*_together(roots, explained), *_exchanged(roots, explained)]
    taken |= {flag.number for cause in found for flag in cause.flags}
    for finding in roots:
        flag = finding.flag
        if flag.number not in taken:
            found += _alone(flag, _all_under(flag, explained), resumptions)
    return tuple(sorted(found, key=_first))


def _explanations(findings: Sequence[Finding]) -> Iterator[tuple[Flag, Flag]]:
    """Yield who explains whom, the most far-reaching causes first; nobody explains what reaches further."""
    by_kind: dict[FlagKind, list[Flag]] = {}
    for finding in sorted(findings, key=lambda one: one.flag.since):
        by_kind.setdefault(finding.flag.kind, []).append(finding.flag)
    for kind, reach in _REACHES.items():
        reached = [other for other in reach.own | reach.all if _RANKS.get(other, len(_RANKS)) > _RANKS[kind]]
        for head in filter(_is_serious, by_kind.get(kind, ())):
            for other in sorted(reached):
                for flag in _begun_within(by_kind.get(other, ()), *_reach_in_time(head)):
                    if other in reach.all or flag.subject == head.subject:
                        yield head, flag


def _begun_within(flags: Sequence[Flag], start: float, end: float) -> Sequence[Flag]:
    """Return those of some flags, sorted by their beginning, that began within a time."""
    first = bisect_left(flags, start, key=lambda flag: flag.since)
    return flags[first : bisect_right(flags, end, key=lambda flag: flag.since)]


def _is_serious(flag: Flag) -> bool:
    """Tell whether a flag about the pair weighs enough to explain others: a few errors or a busy second do not."""
    return flag.kind not in (FlagKind.BUS_ERRORS, FlagKind.BUS_BUSY) or flag.severity is not Severity.NOTICE


def _reach_in_time(head: Flag) -> tuple[float, float]:
    """Return between which moments what a flag explains has begun: while it lasted, or soon after.

    A log out of order spoils all of it.
    """
    if head.kind is FlagKind.LOG_OUT_OF_ORDER:
        return -inf, inf
    return (
        head.since if head.heard is None else head.heard,
        inf if head.until is None else head.until + MAX_AFTER_END_US,
    )


def _all_under(flag: Flag, explained: Mapping[int, Sequence[Flag]]) -> list[Flag]:
    """Return a flag and all that it explains, directly or not."""
    below = chain.from_iterable(_all_under(one, explained) for one in explained.get(flag.number, ()))
    return [flag, *below]


def _alone(flag: Flag, under: Sequence[Flag], resumptions: Mapping[int, Resumption]) -> Iterator[Cause]:
    """Yield the cause that one flag stands for, with what it explains."""
    resumed = resumptions.get(flag.until or -1) if flag.kind is FlagKind.BUS_QUIET else None
    if resumed is not None and resumed.is_unnoticed:
        yield _recorder_paused(flag, under, resumed)
    elif len(under) > 1 or resumed is not None or flag.kind in (FlagKind.REPLACED_DEVICE, FlagKind.LOG_OUT_OF_ORDER):
        text = flag.text + (_went_on(resumed) if resumed is not None else "")
        evidence = (*flag.evidence, *_absorbed(under[1:]))
        yield _cause(flag.kind, flag.subject, under, text, flag.advice, evidence)


def _cause(
    kind: FlagKind | CauseKind, subject: str, flags: Sequence[Flag], text: str, advice: str, evidence: tuple[str, ...]
) -> Cause:
    severity = min((flag.severity for flag in flags), key=WORST_FIRST.index)
    ends = [flag.until for flag in flags if flag.until is not None]
    until = max(ends) if len(ends) == len(flags) else None
    since = min(flag.since for flag in flags)
    return Cause(kind, subject, severity, since, until, text, advice, evidence, tuple(flags))


def _absorbed(flags: Iterable[Flag]) -> tuple[str, ...]:
    """Return a line of evidence for each flag that a cause explains."""
    return tuple(f"explains {flag.tag} {flag.kind} {flag.subject}: {flag.text}" for flag in flags)


def _first(cause: Cause) -> tuple[int, int]:
    """Sort causes: the worst first, then by time."""
    return WORST_FIRST.index(cause.severity), cause.since


# The whole bus.


def _recorder_paused(flag: Flag, under: Sequence[Flag], resumed: Resumption) -> Cause:
    text = (
        f"the recorder paused, or the bus did: nothing for {span(resumed.length)} up to {moment(resumed.ended)}, then "
        f"everybody goes on as if nothing had been"
    )
    evidence = (
        f"no address claim within {RESUMPTION_CHECK_US // SECOND_US} s, and {resumed.in_rhythm} of {resumed.judged} "
        f"messages whose rhythm can be followed come where it puts them",
        *flag.evidence,
        *_absorbed(under[1:]),
    )
    advice = (
        "the recording first: did the computer sleep, was its disk full, was the adapter unplugged; only then the "
        "supply of the bus"
    )
    cause = _cause(CauseKind.RECORDER_PAUSED, "bus", under, text, advice, evidence)
    return cause._replace(severity=Severity.WARNING)  # it need not be the vehicle's fault


def _went_on(resumed: Resumption) -> str:
    """Say how the bus went on where that says something about the pause."""
    if resumed.claims:
        return (
            f"; {len(resumed.claims)} of {resumed.back} addresses were claimed anew when it came back, so they had no "
            "power"
        )
    if resumed.judged:
        kept = f"{resumed.in_rhythm} of {resumed.judged}"
        return f"; no address was claimed anew, but only {kept} messages kept their rhythm"
    return "; no address was claimed anew when it came back, and the pause is too long to follow a rhythm across it"


# Several devices.


def _together(roots: Sequence[Finding], explained: Mapping[int, Sequence[Flag]]) -> Iterator[Cause]:
    """Yield what several devices have in common that went at one moment, and came back at one."""
    waiting = sorted((away for root in roots if (away := _away(root)) is not None), key=lambda one: one.soonest)
    grouped: set[int] = set()
    for place, first in enumerate(waiting):
        if place in grouped:
            continue
        group, subjects, latest = [first], {first.finding.flag.subject}, first.latest
        for other in range(place + 1, len(waiting)):
            one = waiting[other]
            if one.soonest > latest + SAME_MOMENT_US:
                break  # so do all that follow
            if other not in grouped and one.finding.flag.subject not in subjects and _back_together(first, one):
                grouped.add(other)
                group.append(one)
                subjects.add(one.finding.flag.subject)
                latest = min(latest, one.latest)
        if len(group) >= MIN_DEVICES_TOGETHER:
            yield _shared(group, group[-1].soonest, max(group[-1].soonest, latest), explained)


def _exchanged(roots: Sequence[Finding], explained: Mapping[int, Sequence[Flag]]) -> Iterator[Cause]:
    """Yield each two units of which each speaks, from its own address, as the other."""
    replaced = [(one.flag, one.problem) for one in roots if isinstance(one.problem, Replaced)]
    for (flag, one), (other_flag, other) in combinations(replaced, 2):
        if (one.source, one.before) != (other.before, other.source) or one.source == one.before:
            continue
        under = [*_all_under(flag, explained), *_all_under(other_flag, explained)]
        places = [f"address {each.source:02X} hex speaks as {each.function}" for each in (one, other)]
        text = f"{one.device} and {other.device} are exchanged: {' and '.join(places)}"
        advice = (
            "give each its own instance, or let them change places; which of them is where shows when one is touched: "
            "warmed by hand, switched, filled"
        )
        subject = f"{one.device}, {other.device}"
        cause = _cause(CauseKind.EXCHANGED, subject, under, text, advice, _absorbed(under))
        yield cause._replace(severity=Severity.WARNING)  # whoever is commanded is the wrong one


def _away(finding: Finding) -> _Away | None:
    flag, problem = finding
    if not isinstance(problem, FellSilent) or flag.heard is None:
        return None
    return _Away(finding, flag.heard, flag.heard + (problem.fastest or 0), flag.until)


def _back_together(one: _Away, other: _Away) -> bool:
    if one.back is None or other.back is None:
        return one.back is other.back
    return abs(one.back - other.back) <= SAME_MOMENT_US


def _shared(group: Sequence[_Away], soonest: int, latest: int, explained: Mapping[int, Sequence[Flag]]) -> Cause:
    names = sorted({one.finding.flag.subject for one in group})
    whose = f"{', '.join(names[:-1])} and {names[-1]}"
    under = [flag for one in group for flag in _all_under(one.finding.flag, explained)]
    went = f"between {moment(soonest)} and {moment(latest)}" if latest > soonest else f"at {moment(soonest)}"
    back = group[0].back
    if back is None:
        kind, text = CauseKind.GONE_TOGETHER, f"{whose} went at one moment, {went}, and are away since"
    else:
        kind, text = (
            CauseKind.SHARED_SUPPLY,
            f"{whose} went at one moment, {went}, and came back together at {moment(back)}",
        )
    advice = (
        "look for a shared supply: a fuse, a branch, a ground or a plug that they have in common, before each by itself"
    )
    if back is None:
        advice += "; then for a stretch of the pair behind which all of them are"
    return _cause(kind, ", ".join(names), under, text, advice, _absorbed(under))
