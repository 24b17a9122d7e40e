"""Causes that may lie in the recording, not in the vehicle: a pause, frames that are lost, frames that came twice.

Knows: what a recorder does to a log, and how that differs from what a vehicle does. Does not know how a flag was
raised, nor files. Needs how the bus resumed after each pause.

How many devices must be concerned is our decision; a CAN controller repeats a frame that was disturbed, so that frames
which are missing here and there were on the bus and not recorded (arithmetic of the retries, no source).
"""

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence

from rvsim.rig.quantity import time_text
from rvsim.watch.bus.pauses import RESUMPTION_CHECK_US, Resumption
from rvsim.watch.cause import Cause, CauseKind, cause_of, explained_evidence
from rvsim.watch.drafts.draft import counted, span
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.watch.rules import Finding
from rvsim.watch.transitions import Restarted, TwoSenders, TwoSendersSign
from rvsim.wire.frame import SECOND_US

HOUR_US = 3600 * SECOND_US
MAX_OFF_THE_HOUR_US = 2 * SECOND_US
"""How far a pause may be from one hour to be the beginning of daylight saving time. Our decision."""
MIN_DOUBLED_ADDRESSES = 2
"""From this number of addresses on that send twice as often, the log has each frame twice: two units on one address are
rare, and two such pairs at once are not to be expected. Our decision."""
MIN_LOSING_DEVICES = 4
MIN_LOSING_PERCENT = 30
"""How many devices must miss frames, at least and of all that were received, for the recorder to have lost them."""
MIN_LOSSES = 8
"""How many flags these devices must have."""
MAX_LOSS_US = 10 * SECOND_US
"""How long after its limit a message or a device is back at the latest, where single frames are lost."""
MAX_LOST_PAUSE_US = 5 * SECOND_US
"""The longest pause of the whole bus that lost frames make, where hardly any is left. Our decision."""
MAX_EXPLAINED_LOSS_US = 30 * SECOND_US
"""The same where it is known that the recorder lost frames: several in a row may be missing. Our decision."""
SAME_LOSS_US = SECOND_US
"""Losses within this time of each other are of one moment: a branch, a plug, a disturbance. Our decision."""
_LOSS_KINDS = frozenset({FlagKind.LATE_MESSAGE, FlagKind.SILENT_DEVICE})
CHECK_RECORDING = "check the recording first: did the computer sleep, was its disk full, was the adapter unplugged"


def recording_causes(
    roots: Sequence[Finding], all_explained: Callable[[Flag], list[Flag]], heard: Collection[str]
) -> Iterator[Cause]:
    """Yield the causes of many devices that lie in the recording.

    Args:
        roots: the flags that no other flag explains, with their problems.
        all_explained: returns a flag and all that it explains.
        heard: the devices that were received at any time.
    """
    doubled = _recorded_twice(roots, all_explained)
    if doubled is not None:
        yield doubled
        return
    lost = _frames_lost(roots, all_explained, heard)
    if lost is not None:
        yield lost


def pause_cause(flag: Flag, explained_flags: Sequence[Flag], resumed: Resumption) -> Cause:
    """Return the cause of a pause of the whole bus, by how the bus resumed.

    Args:
        flag: the flag of the quiet bus.
        explained_flags: that flag, and all that it explains.
        resumed: how the bus resumed.
    """
    began_anew = any(other.kind is FlagKind.RESTARTED for other in explained_flags)
    if resumed.is_unnoticed or not (resumed.claims or resumed.judged or began_anew):
        return _recorder_paused(flag, explained_flags, resumed)
    text, advice = flag.text + _resumption_text(resumed), flag.advice
    if len(resumed.claims) > resumed.back / 2:
        advice = (
            "check the supply of the bus, what feeds all of these: the main switch, the battery, its fuse and its "
            "ground; unless the file holds two recordings, one after the other: then cut it there"
        )
    evidence = (*flag.evidence, *explained_evidence(explained_flags[1:]))
    return cause_of(flag.kind, flag.subject, explained_flags, text, advice, evidence)


def _recorder_paused(flag: Flag, explained_flags: Sequence[Flag], resumed: Resumption) -> Cause:
    is_hour = abs(resumed.length_us - HOUR_US) <= MAX_OFF_THE_HOUR_US
    clock = ", or its clock was set an hour forward" if is_hour else ""
    then = "all devices continue as before" if resumed.judged else "the devices continue without a new start"
    text = (
        f"the recorder paused{clock}, or the bus did: no frame for {span(resumed.length_us)} up to "
        f"{time_text(resumed.ended)}, then {then}"
    )
    no_claim = f"no address claim within {RESUMPTION_CHECK_US // SECOND_US} s"
    if resumed.judged:
        rhythm = f"{resumed.in_rhythm} of {resumed.judged} messages with a known rhythm came when due"
    else:
        rhythm = "the pause is too long to follow a rhythm across it"
    evidence = (f"{no_claim}, and {rhythm}", *flag.evidence, *explained_evidence(explained_flags[1:]))
    set_clock = ", was its clock set, as at the beginning of daylight saving time" if is_hour else ""
    advice = f"{CHECK_RECORDING}{set_clock}; only then the supply of the bus"
    cause = cause_of(CauseKind.RECORDER_PAUSED, "bus", explained_flags, text, advice, evidence)
    return cause._replace(severity=Severity.WARNING)  # the cause may be outside the vehicle


def _resumption_text(resumed: Resumption) -> str:
    """Return the text of how the bus resumed."""
    if resumed.claims:
        return (
            f"; {len(resumed.claims)} of {resumed.back} addresses were claimed again when it resumed, so they had no "
            "power"
        )
    if resumed.judged:
        kept = f"{resumed.in_rhythm} of {resumed.judged}"
        return f"; no address was claimed again, but only {kept} messages kept their rhythm"
    return "; no address was claimed again when it resumed, and the pause is too long to follow a rhythm across it"


def _recorded_twice(roots: Sequence[Finding], all_explained: Callable[[Flag], list[Flag]]) -> Cause | None:
    """Return the cause where several addresses send twice as often as before."""
    doubled = [
        (one.flag, one.problem)
        for one in roots
        if isinstance(one.problem, TwoSenders) and one.problem.sign is TwoSendersSign.TWICE_AS_OFTEN
    ]
    addresses = sorted({problem.source for _, problem in doubled})
    if len(addresses) < MIN_DOUBLED_ADDRESSES:
        return None
    restarts = [one.flag for one in roots if one.flag.kind is FlagKind.RESTARTED]
    explained_flags = [other for flag in [*(flag for flag, _ in doubled), *restarts] for other in all_explained(flag)]
    text = (
        f"the log holds frames twice: messages of {len(addresses)} addresses come twice as often as before, with the "
        "same data"
    )
    advice = (
        "check how the log was made: logs of two recorders or of two channels put together, or a gateway that repeats "
        "frames; survey one recording by itself; only then look for two units on one address"
    )
    flag, first = doubled[0]
    evidence = (f"{first.what} of {flag.subject} comes {first.figures}", *explained_evidence(explained_flags))
    cause = cause_of(CauseKind.RECORDED_TWICE, "log", explained_flags, text, advice, evidence)
    return cause._replace(severity=Severity.WARNING)


def _frames_lost(
    roots: Sequence[Finding], all_explained: Callable[[Flag], list[Flag]], heard: Collection[str]
) -> Cause | None:
    """Return the cause where messages of many devices are missing for a short time each, at different moments."""
    missing = [one.flag for one in roots if one.flag.kind in _LOSS_KINDS]
    flags = [flag for flag in missing if _is_loss(flag, MAX_LOSS_US)]
    devices = {flag.subject for flag in flags}
    if len(flags) < MIN_LOSSES or len(devices) < max(MIN_LOSING_DEVICES, MIN_LOSING_PERCENT / 100 * len(heard)):
        return None
    at_once = Counter(moment for moment, _ in {(flag.since // SAME_LOSS_US, flag.subject) for flag in flags})
    alone = sum(count for count in at_once.values() if count <= max(1, len(devices) // 4))
    if 2 * alone < sum(at_once.values()):
        return None
    anew = [one.flag for one in roots if isinstance(one.problem, Restarted) and not one.problem.claimed]
    numbers = {flag.number for flag in flags}
    longer = [flag for flag in missing if _is_loss(flag, MAX_EXPLAINED_LOSS_US) and flag.number not in numbers]
    quiet = [one.flag for one in roots if _is_lost_pause(one.flag, all_explained)]
    explained_flags = [other for flag in [*flags, *longer, *anew, *quiet] for other in all_explained(flag)]
    text = (
        f"frames are missing of {len(devices)} of {len(heard)} devices, at different moments and for a short time "
        "each: the recorder or its adapter lost them"
    )
    advice = (
        "check the recording first: the load of its computer, the driver and the buffer of its adapter; record again "
        "with another one. On the bus itself a disturbed frame is repeated, so that it is late and not lost"
    )
    evidence = (f"{counted(len(flags), 'short gap')} at {len(at_once)} moments", *explained_evidence(explained_flags))
    cause = cause_of(CauseKind.FRAMES_LOST, "log", explained_flags, text, advice, evidence)
    return cause._replace(severity=Severity.WARNING)


def _is_lost_pause(flag: Flag, all_explained: Callable[[Flag], list[Flag]]) -> bool:
    """Return whether the bus was quiet for a short time only, after which no device began anew."""
    if flag.kind is not FlagKind.BUS_QUIET or flag.silence is None or flag.silence > MAX_LOST_PAUSE_US:
        return False
    return all(other.kind is not FlagKind.RESTARTED for other in all_explained(flag))


def _is_loss(flag: Flag, longest: int) -> bool:
    """Return whether a message or a device was missing, and for at most so long after its limit (microseconds)."""
    return flag.until is not None and flag.until - flag.since <= longest
