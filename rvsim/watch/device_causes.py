"""Causes within one device: its instance changed, it reports one fault in two ways, its supply is low.

Knows: which two problems of one device are one, by when they began. Does not know how a flag was raised, nor which
kinds follow from which at any time (`watch.causes` has that table).

How close together two problems begin is our decision: a status and a heartbeat come every 5 s.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence

from rvsim.watch.cause import Cause, CauseKind, cause_of, explained_evidence
from rvsim.watch.detect.dark_batteries import MIN_DARK_US
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.watch.rules import Finding
from rvsim.watch.transitions import BatteryDark, BusBusy, GapExceeded, InstanceShared, Restarted, UnplannedDevice
from rvsim.wire.frame import SECOND_US

SAME_FAULT_US = 6 * SECOND_US
"""Within this time of each other a lamp with a number and an alarming code in a status are one fault."""
MAX_CHANGE_US = 15 * SECOND_US
"""How long before or after another instance was noticed the last frame with the usual one may be."""
MAX_AFTER_RESTART_US = 60 * SECOND_US
"""How long after a restart other instances are noticed: several of their frames must have come."""
MIN_FLOOD_SHARE = 50
"""From this share of all bits on, in percent, one device makes the bus busy. Our decision."""
FMI_VOLTAGE_LOW = 4
"""Voltage below normal, or shorted to low source (SAE J1939-73)."""
MAX_AFTER_DARK_US = 10 * SECOND_US
"""How long after a battery is back its effects may begin: devices must start. Our decision."""
_DARK_KINDS = frozenset(
    {
        FlagKind.SILENT_DEVICE,
        FlagKind.LATE_MESSAGE,
        FlagKind.RESTARTED,
        FlagKind.LOW_VOLTAGE,
        FlagKind.NO_DATA,
        FlagKind.IGNORED_COMMAND,
        FlagKind.FAILED_TRANSFER,
    }
)
SUPPLY_FIELDS = "dc_power"
"""How the names of the status fields begin that report a low supply."""
LOW_SUPPLY_FIELDS = (SUPPLY_FIELDS, "low_voltage")
"""The same, with those of a battery."""


def explained_within_devices(findings: Sequence[Finding]) -> Iterator[tuple[Flag, Flag]]:
    """Yield each pair of a flag and a flag that it explains, of one device, which began together."""
    yield from _other_instances(findings)
    reported = [one.flag for one in findings if one.flag.kind is FlagKind.REPORTED_FAULT and not one.flag.is_gas]
    yield from _reported_twice(reported)
    for low in (one.flag for one in findings if one.flag.kind is FlagKind.LOW_VOLTAGE):
        for flag in reported:
            is_meanwhile = low.since - SAME_FAULT_US <= flag.since and (low.until is None or flag.since <= low.until)
            if is_meanwhile and (flag.field or "").startswith(SUPPLY_FIELDS):
                yield low, flag


def floods(roots: Sequence[Finding], all_explained: Callable[[Flag], list[Flag]]) -> Iterator[Cause]:
    """Yield a cause for each device that made the bus busy and then stopped: its silence is no trouble of its own."""
    silent = [one.flag for one in roots if one.flag.kind is FlagKind.SILENT_DEVICE and one.flag.heard is not None]
    for busy, problem in ((one.flag, one.problem) for one in roots if isinstance(one.problem, BusBusy)):
        if problem.share < MIN_FLOOD_SHARE:
            continue
        stopped = [flag for flag in silent if flag.subject == problem.most and _is_within(busy, flag.heard or 0)]
        if not stopped:
            continue
        explained_flags = [other for flag in [busy, *stopped] for other in all_explained(flag)]
        text = (
            f"{problem.most} filled the bus, and then stopped: bus load {problem.percent:.0f} %, {problem.share:.0f} % "
            f"of the bits from it, {problem.frames} frames in the worst second"
        )
        advice = (
            "find out what it is, by its NAME or by unplugging it, and why it sends so often: a fault of it, a "
            "setting, or a tool that somebody connected"
        )
        evidence = explained_evidence(explained_flags)
        cause = cause_of(CauseKind.FLOODED, problem.most, explained_flags, text, advice, evidence)
        yield cause._replace(severity=Severity.WARNING)


def _is_within(flag: Flag, time: int) -> bool:
    return flag.since <= time and (flag.until is None or time <= flag.until)


def explained_by_dark_batteries(findings: Sequence[Finding]) -> Iterator[tuple[Flag, Flag]]:
    """Yield each battery that was disconnected, with what it did to any device while it was, and soon after."""
    for dark in (one.flag for one in findings if isinstance(one.problem, BatteryDark)):
        start = dark.since - MIN_DARK_US - SAME_FAULT_US
        for one in findings:
            flag = one.flag
            is_meanwhile = start <= flag.since and (dark.until is None or flag.since <= dark.until + MAX_AFTER_DARK_US)
            if is_meanwhile and flag.number != dark.number and _follows_from_dark(flag):
                yield dark, flag


def _follows_from_dark(flag: Flag) -> bool:
    """Return whether a flag can come from a supply that has gone."""
    if flag.kind is not FlagKind.REPORTED_FAULT:
        return flag.kind in _DARK_KINDS
    fmi = flag.fault.fmi if flag.fault is not None else None
    return not flag.is_gas and (fmi == FMI_VOLTAGE_LOW or (flag.field or "").startswith(LOW_SUPPLY_FIELDS))


def _other_instances(findings: Sequence[Finding]) -> Iterator[tuple[Flag, Flag]]:
    """Yield another instance or device with each message that came last when it began."""
    heads = [(one.flag, one.problem) for one in findings if isinstance(one.problem, UnplannedDevice | InstanceShared)]
    late: defaultdict[tuple[int, str], list[Flag]] = defaultdict(list)
    for one in findings if heads else ():
        if isinstance(one.problem, GapExceeded):
            late[one.problem.topic.source, one.flag.subject].append(one.flag)
    for head, problem in heads:
        for source in _sources(problem):
            yield from ((head, flag) for flag in late.get((source, head.subject), ()) if _is_change(head, flag))


def _reported_twice(reported: Sequence[Flag]) -> Iterator[tuple[Flag, Flag]]:
    """Yield a fault that is reported by its number and by a code; the worse one explains the other."""
    codes: defaultdict[str, list[Flag]] = defaultdict(list)
    for flag in reported:
        if flag.fault is None:
            codes[flag.subject].append(flag)
    for flag in reported:
        for code in codes.get(flag.subject, ()) if flag.fault is not None else ():
            if abs(code.since - flag.since) <= SAME_FAULT_US:
                yield (code, flag) if code.severity is Severity.FAULT else (flag, code)


def _sources(problem: UnplannedDevice | InstanceShared) -> tuple[int, ...]:
    """Return the addresses that send as something else than before or than planned, by a problem."""
    if isinstance(problem, UnplannedDevice):
        return (problem.source,) if problem.planned else ()
    return problem.sources


def _is_change(head: Flag, late: Flag) -> bool:
    """Return whether a message came last when another instance began."""
    return late.heard is not None and abs(late.heard - head.since) <= MAX_CHANGE_US


def lost_settings(roots: Sequence[Finding], all_explained: Callable[[Flag], list[Flag]]) -> Iterator[Cause]:
    """Yield a cause for each device that sends with other instances since it restarted."""
    changed = [
        one.flag for one in roots if isinstance(one.problem, UnplannedDevice | InstanceShared) and _sources(one.problem)
    ]
    for head in [one.flag for one in roots if isinstance(one.problem, Restarted)] if changed else ():
        others = [flag for flag in changed if flag.subject == head.subject and _is_after(head, flag)]
        if not others:
            continue
        explained_flags = [other for flag in [head, *others] for other in all_explained(flag)]
        text = f"{head.subject} restarted, and has sent with other instances since: its settings are lost"
        advice = (
            "set its instances again; if it has new firmware or was exchanged, that is the reason, else look for why "
            "it restarted: its supply first"
        )
        evidence = explained_evidence(explained_flags)
        yield cause_of(CauseKind.SETTINGS_LOST, head.subject, explained_flags, text, advice, evidence)


def _is_after(restart: Flag, flag: Flag) -> bool:
    return restart.since - MAX_CHANGE_US <= flag.since <= restart.since + MAX_AFTER_RESTART_US
