"""Several logs together: which trouble is in which of them, and which devices are not in all.

Knows: the order in which support reads it, and its JSON form. Does not know how logs are put together
(`logs.summary`).
"""

from collections.abc import Iterator, Sequence
from typing import Any

from rvsim.faces.text.answer import span_text
from rvsim.faces.text.noticed import CAUSE_TEXTS, SHORT_TEXTS
from rvsim.logs.formats.jsonl import SCHEMA, json_text
from rvsim.logs.summary import DeviceSummary, LogSummary, SummarizedLog, TroubleSeen
from rvsim.watch.cause import CauseKind
from rvsim.watch.flag import WORST_FIRST, FlagKind, Severity

MAX_NAMED_LOGS = 3
"""Logs that are named in one line; the rest is counted."""
MAX_TROUBLES = 8
"""Troubles that are listed; the rest is counted. The JSON form has all of them."""
MAX_BRIEF_TROUBLES = 3
"""Troubles that a paragraph names."""
MIN_TOLD_BREAK_S = 1
"""From this break in seconds on between two files of one recording it is told."""
MAX_DEVICES = 8
"""Devices that are listed because they are not in all logs."""


def together_text(found: LogSummary, unread: Sequence[str] = ()) -> Iterator[str]:
    """Yield the answer of all logs together; ``unread`` are the names of logs that could not be read."""
    count = len(found.logs)
    yield (
        f"All {count} together: {found.frames} frames in {span_text(found.recorded_us / 1e6)} from "
        f"{len(found.devices)} devices."
    )
    yield from (f"  {sentence}" for sentence in _relations(found))
    if unread:
        yield f"  Not read: {_named(unread)}."
    troubles = _serious(found)
    for (kind, subject), seen in troubles[:MAX_TROUBLES]:
        yield f"  {seen.severity}: {_sentence(kind, subject)}, in {len(seen.logs)} of {count}: {_named(seen.logs)}."
    if len(troubles) > MAX_TROUBLES:
        yield f"  and {len(troubles) - MAX_TROUBLES} more kinds of trouble."
    if troubles:
        yield f"      Try next: {troubles[0][1].advice}"
    troubled = {name for _, seen in troubles for name in seen.logs}
    healthy = [log.name for log in found.logs if log.name not in troubled]
    if healthy:
        yield f"  No rule found anything wrong in {_named(healthy)}."
    partly = [device for device in found.devices.values() if device.logs < count]
    for device in partly[:MAX_DEVICES]:
        yield f"  {device.label} is in {device.logs} of {count}."
    if len(partly) > MAX_DEVICES:
        yield f"  and {len(partly) - MAX_DEVICES} more devices are not in all of them."
    peaks = [log for log in found.logs if log.peak_percent is not None]
    if peaks:
        worst = max(peaks, key=_peak)
        yield f"  Bus load at most {_peak(worst):.1f} % in a second, in {worst.name}."


def together_brief(found: LogSummary, unread: Sequence[str] = ()) -> str:
    """Return one paragraph about all logs: what is wrong in how many of them, the next step, and the doubts."""
    return " ".join(_paragraph(found, unread))


def _paragraph(found: LogSummary, unread: Sequence[str]) -> Iterator[str]:
    count = len(found.logs)
    yield f"All {count} together: {found.frames} frames in {span_text(found.recorded_us / 1e6)}."
    yield from _relations(found)
    troubles = _serious(found)
    if not troubles:
        yield "No rule found anything wrong."
    for (kind, subject), seen in troubles[:MAX_BRIEF_TROUBLES]:
        yield f"In {len(seen.logs)} of {count}: {_sentence(kind, subject)} ({seen.severity}; {_named(seen.logs)})."
    if len(troubles) > MAX_BRIEF_TROUBLES:
        yield f"{len(troubles) - MAX_BRIEF_TROUBLES} more kinds of trouble."
    if troubles:
        yield f"Next step: {troubles[0][1].advice}."
    doubts = [f"{_named(unread)} could not be read."] if unread else []
    doubts += [f"The times of {log.name} are not plausible." for log in found.logs if not log.in_order]
    if any(not log.planned for log in found.logs):
        doubts.append("No rig was given, so a device that never sent anything is not missed.")
    if doubts:
        yield f"Not certain: {' '.join(doubts)}"


def _relations(found: LogSummary) -> Iterator[str]:
    """Yield a sentence about logs of one time, and about files of one recording."""
    for group in found.at_once:
        names = [log.name for log in group]
        yield (
            f"{_listed(names)} have the same devices at the same time: what happened is counted in each of them; "
            "survey the one with most frames by itself."
        )
    for recording in found.recordings:
        longest = recording.longest_break / 1e6
        breaks = f", with breaks of up to {longest:.1f} s" if longest > MIN_TOLD_BREAK_S else ""
        yield (
            f"{_listed(recording.names)} are one recording in this order{breaks}: what goes on from one file to the "
            f"next can be judged only in the whole: rvsim export --frames {' '.join(recording.names)} --output "
            "whole.log, then survey that."
        )


def _listed(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}"


def together_json(found: LogSummary, unread: Sequence[str] = ()) -> str:
    """Return all logs together as one JSON object."""
    return json_text(
        {
            "schema": SCHEMA,
            "together": [log.name for log in found.logs],
            "not_read": list(unread),
            "frames": found.frames,
            "seconds": found.length_us / 1e6,
            "recorded_seconds": found.recorded_us / 1e6,
            "same_time": [[log.name for log in group] for group in found.at_once],
            "one_recording": [list(recording.names) for recording in found.recordings],
            "logs": [_log(log) for log in found.logs],
            "troubles": [
                {
                    "kind": kind,
                    "subject": subject,
                    "severity": str(seen.severity),
                    "times": seen.times,
                    "logs": list(seen.logs),
                    "text": seen.text,
                    "advice": seen.advice,
                }
                for (kind, subject), seen in _worst_first(found)
            ],
            "devices": [_device(device) for device in found.devices.values()],
        }
    )


def _log(log: SummarizedLog) -> dict[str, Any]:
    return {
        "log": log.name,
        "frames": log.frames,
        "seconds": log.length_us / 1e6,
        "times_in_order": log.in_order,
        "average_percent": None if log.average_percent is None else round(log.average_percent, 3),
        "worst_second_percent": None if log.peak_percent is None else round(log.peak_percent, 3),
        "unreadable": log.unreadable,
        "planned_devices": log.planned,
        "unseen_devices": list(log.unseen),
    }


def _device(device: DeviceSummary) -> dict[str, Any]:
    return {
        "device": device.label,
        "addresses": sorted(device.addresses),
        "names": [f"{name:016X}" for name in sorted(device.names)],
        "logs": device.logs,
        "messages": [
            {
                "dgn": f"{message.dgn:05X}",
                "message": message.name,
                "instance": message.instance,
                **({} if message.dsa is None else {"dsa": message.dsa}),
                **({"part": message.part} if message.part else {}),
                "count": counts.frames,
                "median_gap_ms": None if counts.median_gap is None else counts.median_gap / 1000,
                "worst_gap_ms": counts.longest_gap / 1000 if counts.medians else None,
            }
            for message, counts in device.messages.items()
        ],
    }


def _worst_first(found: LogSummary) -> list[tuple[tuple[str, str], TroubleSeen]]:
    """Return the troubles, the worst first, of these those that are in most logs."""
    return sorted(found.troubles.items(), key=lambda item: (WORST_FIRST.index(item[1].severity), -len(item[1].logs)))


def _serious(found: LogSummary) -> list[tuple[tuple[str, str], TroubleSeen]]:
    return [(key, seen) for key, seen in _worst_first(found) if seen.severity is not Severity.NOTICE]


def _sentence(kind: str, subject: str) -> str:
    whom = f"the {subject}" if subject in ("bus", "log") else subject
    if kind in set(CauseKind):
        return f"{whom} {CAUSE_TEXTS[CauseKind(kind)]}"
    return f"{whom} {SHORT_TEXTS.get(FlagKind(kind), kind)}"


def _named(names: Sequence[str]) -> str:
    more = len(names) - MAX_NAMED_LOGS
    return ", ".join(names[:MAX_NAMED_LOGS]) + (f" and {more} more" if more > 0 else "")


def _peak(log: SummarizedLog) -> float:
    return log.peak_percent or 0.0
