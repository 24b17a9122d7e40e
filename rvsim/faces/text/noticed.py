"""The flags in the text of a survey: causes first, then the flags that no cause explains.

Knows: the short text of each kind of flag, and how many flags of one kind are listed. Does not know the devices of the
log, nor how a flag is raised.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from rvsim.faces.text.clock import NO_CLOCK, Clock
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.flags import ExplainedFlags, group_flags, tags
from rvsim.watch.cause import RECORDING_KINDS, Cause, CauseKind
from rvsim.watch.drafts.values import DRAWS_WHILE_OFF
from rvsim.watch.flag import WORST_FIRST, Flag, FlagKind, Severity

MAX_LISTED_FLAGS = 8
"""How many flags of one kind and advice a survey lists; the rest is counted. The JSON form has all of them."""
SAME_QUANTITY = " for the same quantity"
"""What the text of a flag says where two readings contradict each other, of which either may be wrong."""
MAX_NAMED_SUBJECTS = 6
"""How many devices are named in one sentence; of more of them all but the first five are counted."""
MAX_NAMED_FLAGS = 4
"""How many of the flags that a cause explains are named as its evidence; more are counted."""
SHORT_TEXTS: Mapping[FlagKind, str] = {
    FlagKind.SILENT_DEVICE: "stopped sending",
    FlagKind.LATE_MESSAGE: "did not send in time",
    FlagKind.BUS_QUIET: "was quiet for longer than is usual",
    FlagKind.UNPLANNED_DEVICE: "is not as planned",
    FlagKind.SHARED_ADDRESS: "has an address conflict",
    FlagKind.BAD_VALUE: "reported an impossible value",
    FlagKind.NO_DATA: "lost a reading",
    FlagKind.WRONG_LENGTH: "sent frames of the wrong length",
    FlagKind.REPORTED_FAULT: "reports a fault",
    FlagKind.BUS_BUSY: "had a high load",
    FlagKind.NO_ACKNOWLEDGE: "was not acknowledged",
    FlagKind.SHARED_INSTANCE: "has a function and instance that another device has too",
    FlagKind.TWO_COMMANDERS: "gets contradictory commands from two devices",
    FlagKind.IGNORED_COMMAND: "does not follow its commands",
    FlagKind.STUCK_VALUE: "repeats a reading that should change",
    FlagKind.CANNOT_CLAIM: "has no address",
    FlagKind.SHARED_NAME: "uses a NAME that another device uses too",
    FlagKind.NO_ADDRESS: "sent without an address",
    FlagKind.FAILED_TRANSFER: "did not complete a transfer or a request",
    FlagKind.RESTARTED: "restarted",
    FlagKind.BUS_ERRORS: "had errors",
    FlagKind.REPLACED_DEVICE: "is another unit than before, or than planned",
    FlagKind.LOG_OUT_OF_ORDER: "has times that are not plausible",
    FlagKind.LOW_VOLTAGE: "has too low a supply voltage",
    FlagKind.FREEZE_RISK: "is at risk from frost",
    FlagKind.MOTION_WITHOUT_INTERLOCK: "moved something without its interlock",
}
"""What each kind of flag says of its subject; messages that are not defined are counted instead."""
_WHOLE = {"bus", "log"}
"""The subjects that are no device."""
CAUSE_TEXTS: Mapping[CauseKind, str] = {
    CauseKind.SHARED_SUPPLY: "became silent and returned together",
    CauseKind.GONE_TOGETHER: "became silent together",
    CauseKind.NEVER_HEARD: "sent nothing at all",
    CauseKind.RESTARTED_TOGETHER: "restarted together",
    CauseKind.SETTINGS_LOST: "restarted and lost its settings",
    CauseKind.FLOODED: "filled the bus, and then stopped",
    CauseKind.RECORDER_PAUSED: "paused, or its recorder did",
    CauseKind.RECORDED_TWICE: "holds frames twice",
    CauseKind.FRAMES_LOST: "lacks frames of many devices",
    CauseKind.JOINED_RECORDINGS: "holds the recordings of two vehicles",
    CauseKind.EXCHANGED: "are exchanged",
}
"""The same of each kind of cause that is no flag."""


class Trouble(NamedTuple):
    """One cause, or a group of flags that no cause explains.

    ``line`` is its line of a summary; ``sentence`` what is wrong, without a full stop; ``evidence`` what that rests on;
    ``explained`` the flags that it explains besides its own.
    """

    line: str
    sentence: str
    severity: Severity
    evidence: str
    advice: str
    flags: tuple[Flag, ...]
    explained: tuple[Flag, ...]
    kind: FlagKind | CauseKind

    @property
    def is_gas(self) -> bool:
        """Whether it is about gas, which comes before all else."""
        return any(flag.is_gas for flag in self.flags)


def troubles(explained: ExplainedFlags, units: DisplayUnits = METRIC, clock: Clock = NO_CLOCK) -> list[Trouble]:
    """Return causes and groups of flags: gas first, then the worst, of these those that explain others."""
    found = [_of_causes(alike, units, clock) for alike in group_causes(explained.causes)]
    groups = (group for group in group_flags(explained.top) if group[0].kind is not FlagKind.UNKNOWN_MESSAGE)
    found += [_of_group(explained, group, units, clock) for group in groups]
    return sorted(found, key=lambda one: (not one.is_gas, WORST_FIRST.index(one.severity)))


def _of_causes(alike: Sequence[Cause], units: DisplayUnits, clock: Clock) -> Trouble:
    first, more = alike[0], f", and {len(alike) - 1} more of this kind" if len(alike) > 1 else ""
    names_itself = first.subject in _WHOLE or first.text[0].isdigit()
    starts_so = names_itself or first.text.startswith(first.subject.split(",")[0])
    sentence = ("" if starts_so else f"{first.subject}: ") + units.render(first.text) + more
    flags = tuple(flag for cause in alike for flag in cause.flags)
    line = f"cause, {first.severity}: {sentence}; this explains {tags(flags)}."
    named = list(dict.fromkeys(f"{flag.kind} of {flag.subject}" for flag in flags))
    explained = ", ".join(named) if len(named) <= MAX_NAMED_FLAGS else f"{len(flags)} flags"
    evidence = f"{from_until(first, clock)}; it explains {explained}"
    if first.kind in RECORDING_KINDS:
        evidence = f"{units.render(first.evidence[0])}{clock.span(first.since, None)}"
    return Trouble(line, sentence, first.severity, evidence, first.advice, (), flags, first.kind)


def _of_group(explained: ExplainedFlags, group: Sequence[Flag], units: DisplayUnits, clock: Clock) -> Trouble:
    under = tuple(other for flag in group for other in explained.under.get(flag.number, ()))
    explains = f"; this explains {tags(under)}" if under else ""
    first, sentence = group[0], group_text(group)
    line = f"{tags(group)} {first.severity}: {sentence}{explains}."
    evidence = f"{units.render(first.text)} ({from_until(first, clock)}{_silence(first)})"
    if len(group) > 1:
        evidence += f", and {len(group) - 1} more of this kind"
    return Trouble(line, sentence, first.severity, evidence, first.advice, tuple(group), under, first.kind)


def _silence(flag: Flag) -> str:
    return f", silent for {flag.silence / 1e6:.2f} s in all" if flag.silence is not None else ""


def summary_lines(explained: ExplainedFlags, units: DisplayUnits = METRIC) -> Iterator[str]:
    """Yield a line for each cause and for each group of flags that no cause explains, the worst first."""
    return (trouble.line for trouble in troubles(explained, units))


def flag_details(explained: ExplainedFlags, units: DisplayUnits = METRIC, clock: Clock = NO_CLOCK) -> Iterator[str]:
    """Yield causes and flags with evidence and the next step, the flags that a cause explains under it."""
    for cause in explained.causes:
        explains = f"this explains {tags(cause.flags)}"
        yield f"  cause, {cause.severity}, {cause.kind}: {cause.subject} {from_until(cause, clock)}; {explains}"
        yield f"      {units.render(cause.text)}"
        yield from (f"      {units.render(line)}" for line in cause.evidence[:MAX_LISTED_FLAGS])
        if len(cause.evidence) > MAX_LISTED_FLAGS:
            yield f"      and {len(cause.evidence) - MAX_LISTED_FLAGS} more of what it explains"
        yield f"      Try next: {cause.advice}"
    for group in group_flags(explained.top):
        yield from _group(explained, group, units, clock)


def group_causes(causes: Sequence[Cause]) -> list[list[Cause]]:
    """Group pauses, of which there can be many, and absences of the same devices; any other cause stands alone."""
    groups: dict[object, list[Cause]] = {}
    for place, cause in enumerate(causes):
        if cause.kind is CauseKind.RECORDER_PAUSED:
            groups.setdefault(cause.kind, []).append(cause)
        else:
            groups.setdefault(cause.subject if cause.kind is CauseKind.SHARED_SUPPLY else place, []).append(cause)
    return list(groups.values())


def _group(explained: ExplainedFlags, group: Sequence[Flag], units: DisplayUnits, clock: Clock) -> Iterator[str]:
    yield f"  {tags(group)} {group[0].severity}, {group[0].kind}"
    for flag in group[:MAX_LISTED_FLAGS]:
        under = explained.under.get(flag.number, ())
        kinds = ", ".join(dict.fromkeys(str(other.kind) for other in under))
        explains = f"; this explains {tags(under)}, {kinds}" if under else ""
        yield f"      {flag.subject}: {units.render(flag.text)} ({from_until(flag, clock)}{_silence(flag)}){explains}"
    if len(group) > MAX_LISTED_FLAGS:
        yield f"      and {len(group) - MAX_LISTED_FLAGS} more of this kind"
    yield f"      Try next: {group[0].advice}"


def from_until(found: Flag | Cause, clock: Clock) -> str:
    """Return from when to when, in seconds since the start of the log, and by its clock."""
    until = f"until {found.until / 1e6:.1f} s" if found.until is not None else "to the end"
    return f"from {found.since / 1e6:.1f} s {until}{clock.span(found.since, found.until)}"


def group_text(group: Sequence[Flag]) -> str:
    """Return what flags of one kind say of their subjects, in a few words."""
    subjects = list(dict.fromkeys(flag.subject for flag in group))
    first = group[0]
    if len(group) == 1 and first.text.startswith(f"{first.subject} commands "):
        text = first.text.partition(";")[0]
        return text if first.until is None else text.replace(" was ever heard", " was heard at first")
    never = first.kind is FlagKind.SILENT_DEVICE and all(flag.heard is None for flag in group)
    does = "sent nothing at all" if never else SHORT_TEXTS[first.kind]
    if first.kind is FlagKind.BAD_VALUE and all(DRAWS_WHILE_OFF in flag.text for flag in group):
        does = "reports current of an output that is off"
    if first.kind is FlagKind.BAD_VALUE and all(SAME_QUANTITY in flag.text for flag in group):
        does = "does not agree with another device"
    return f"{_named(subjects)} {does}" + (times(len(group)) if len(group) > len(subjects) else "")


def _named(subjects: Sequence[str]) -> str:
    """Return the subjects of a sentence; of several, what follows is said of each."""
    if len(subjects) == 1:
        return f"the {subjects[0]}" if subjects[0] in _WHOLE else subjects[0]
    shown = subjects if len(subjects) <= MAX_NAMED_SUBJECTS else subjects[: MAX_NAMED_SUBJECTS - 1]
    more = len(subjects) - len(shown)
    last = f"{more} more" if more else shown[-1]
    return f"{', '.join(shown if more else shown[:-1])} and {last}: each"


def times(count: int) -> str:
    """Return how often, where it is more than once."""
    return f", {count} times" if count > 1 else ""
