"""What was noticed in a log, in words: causes first, then the flags that no cause explains.

Knows: the short words for each kind of flag, and how many flags of one kind are written out. Does not know who was
there, nor how a flag was raised.
"""

from collections.abc import Iterator, Mapping, Sequence

from rvsim.faces.text.flags import Account, gathered, tags
from rvsim.watch.causes import Cause, CauseKind
from rvsim.watch.flag import Flag, FlagKind

MAX_WRITTEN_OUT = 8
"""Flags of one group that are written out; the rest is counted, and in the JSON form."""
IN_SHORT: Mapping[FlagKind, str] = {
    FlagKind.SILENT_DEVICE: "fell silent",
    FlagKind.LATE_MESSAGE: "did not send in time",
    FlagKind.BUS_QUIET: "was quiet for longer than is usual",
    FlagKind.UNPLANNED_DEVICE: "is not as planned",
    FlagKind.SHARED_ADDRESS: "is used by more than one unit",
    FlagKind.BAD_VALUE: "reported an impossible value",
    FlagKind.NO_DATA: "lost a reading",
    FlagKind.WRONG_LENGTH: "sent frames of the wrong length",
    FlagKind.REPORTED_FAULT: "reports a fault",
    FlagKind.BUS_BUSY: "was busier than is good",
    FlagKind.NO_ACKNOWLEDGE: "was acknowledged by nobody",
    FlagKind.SHARED_INSTANCE: "is two devices with one function and instance",
    FlagKind.TWO_COMMANDERS: "is commanded by two against each other",
    FlagKind.IGNORED_COMMAND: "does not do what it is commanded",
    FlagKind.STUCK_VALUE: "repeats a reading that should move",
    FlagKind.CANNOT_CLAIM: "has no address",
    FlagKind.SHARED_NAME: "uses a NAME that another one uses too",
    FlagKind.NO_ADDRESS: "sent without an address",
    FlagKind.FAILED_TRANSFER: "could not finish what it sent or asked for",
    FlagKind.RESTARTED: "restarted",
    FlagKind.BUS_ERRORS: "had errors",
    FlagKind.REPLACED_DEVICE: "is another unit than before, or than planned",
    FlagKind.LOG_OUT_OF_ORDER: "has times that cannot be believed",
}
"""What each kind of flag says of its subject; messages without a name are counted instead."""


def in_short(account: Account) -> Iterator[str]:
    """Yield a line for each cause, then one for each group of flags that no cause explains."""
    for alike in _alike(account.causes):
        first, more = alike[0], f", and {len(alike) - 1} more of the kind" if len(alike) > 1 else ""
        whose = (
            "" if first.subject == "bus" or first.text.startswith(first.subject.split(",")[0]) else f"{first.subject}: "
        )
        explained = tags([flag for cause in alike for flag in cause.flags])
        yield f"cause, {first.severity}: {whose}{first.text}{more}; this explains {explained}."
    for group in gathered(account.top):
        if group[0].kind is not FlagKind.UNKNOWN_MESSAGE:
            yield f"{tags(group)} {group[0].severity}: {_whom(group)}{_explaining(account, group)}."


def noticed(account: Account) -> Iterator[str]:
    """Yield causes and flags with evidence and the next step, the flags that a cause explains under it."""
    for cause in account.causes:
        yield f"  cause, {cause.severity}, {cause.kind}: {cause.subject} {_from_until(cause)}"
        yield f"      {cause.text}"
        yield from (f"      {line}" for line in cause.evidence[:MAX_WRITTEN_OUT])
        if len(cause.evidence) > MAX_WRITTEN_OUT:
            yield f"      and {len(cause.evidence) - MAX_WRITTEN_OUT} more of what it explains"
        yield f"      Try next: {cause.advice}"
    for group in gathered(account.top):
        yield from _group(account, group)


def _alike(causes: Sequence[Cause]) -> list[list[Cause]]:
    """Gather pauses, which come many times over; every other cause stands by itself."""
    gathered: dict[object, list[Cause]] = {}
    for place, cause in enumerate(causes):
        gathered.setdefault(cause.kind if cause.kind is CauseKind.RECORDER_PAUSED else place, []).append(cause)
    return list(gathered.values())


def _group(account: Account, group: Sequence[Flag]) -> Iterator[str]:
    yield f"  {tags(group)} {group[0].severity}, {group[0].kind}"
    for flag in group[:MAX_WRITTEN_OUT]:
        whole = f", away for {flag.silence / 1e6:.2f} s in all" if flag.silence is not None else ""
        under = account.under.get(flag.number, ())
        kinds = ", ".join(dict.fromkeys(str(one.kind) for one in under))
        explains = f"; this explains {tags(under)}, {kinds}" if under else ""
        yield f"      {flag.subject}: {flag.text} ({_from_until(flag)}{whole}){explains}"
    if len(group) > MAX_WRITTEN_OUT:
        yield f"      and {len(group) - MAX_WRITTEN_OUT} more of the kind"
    yield f"      Try next: {group[0].advice}"


def _from_until(what: Flag | Cause) -> str:
    until = f"until {what.until / 1e6:.1f} s" if what.until is not None else "to the end"
    return f"from {what.since / 1e6:.1f} s {until}"


def _explaining(account: Account, group: Sequence[Flag]) -> str:
    under = [one for flag in group for one in account.under.get(flag.number, ())]
    return f"; this explains {tags(under)}" if under else ""


def _whom(group: Sequence[Flag]) -> str:
    subjects = list(dict.fromkeys(flag.subject for flag in group))
    whom = "the whole bus" if subjects == ["bus"] else ", ".join(subjects)
    never = group[0].kind is FlagKind.SILENT_DEVICE and all(flag.heard is None for flag in group)
    does = "was not heard at all" if never else IN_SHORT[group[0].kind]
    return f"{whom} {does}" + (times(len(group)) if len(group) > len(subjects) else "")


def times(count: int) -> str:
    """Say how often, where it is more than once."""
    return f", {count} times" if count > 1 else ""
