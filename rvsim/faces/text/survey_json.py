"""A survey as one JSON object.

Knows: the JSON contract. Does not know how a survey is made, nor its text for a person (`survey_text`).
"""

from collections import Counter
from dataclasses import asdict
from typing import Any

from rvsim.faces.text.answer import answer
from rvsim.faces.text.bus_errors_text import errors_json
from rvsim.faces.text.output import cause_fields
from rvsim.faces.text.presence_text import presence_json
from rvsim.faces.text.signals_text import signals_json
from rvsim.faces.text.worst_case_text import worst_case_json
from rvsim.logs.formats.jsonl import SCHEMA, json_text, utc_text
from rvsim.logs.read import Log, ReadUpTo
from rvsim.logs.reported_faults import FaultSeen, reported_faults
from rvsim.logs.survey import Survey, SurveyedSource
from rvsim.runs.selection import LogSelection
from rvsim.watch.flag import Flag
from rvsim.wire.catalogue import Catalogue

WHOLE_LOG = LogSelection()


def as_json(
    log: Log, found: Survey, catalogue: Catalogue, channel: str = "", selected: LogSelection = WHOLE_LOG
) -> str:
    """Return the survey of one channel as one JSON object; a log with several channels has one for each.

    ``channel`` is null where the log names none. ``unreadable`` is that of the whole log, ``damage`` of the channel.
    ``part`` has the first and last second that are shown, since the start of the log; its end is null for that of the
    log. ``times_in_order`` is false where times run back, or are in another unit than seconds. ``errors`` explains
    error frames and states. ``found`` is the whole survey; of it the devices, messages and flags that are ``selected``
    are shown. ``answer`` is about what is shown; ``presence`` has the state of each device over time, empty where times
    cannot be trusted; ``reported_faults`` what devices report of themselves; ``signals`` each field of each sender.
    """
    whole, found = found, selected.of(found)
    return json_text(
        {
            "schema": SCHEMA,
            "log": log.name,
            "channel": channel or None,
            "started": _date(log),
            "part": {
                "from": selected.part.start / 1e6,
                "to": None if selected.part.end is None else selected.part.end / 1e6,
                "devices": list(selected.devices),
                "messages": [name or f"{dgn:05X}" for dgn, name in selected.messages],
            },
            "frames": found.frames,
            "seconds": round(found.seconds, 6),
            "unreadable": [{"line": line, "why": why} for line, why in log.statistics.unreadable],
            "times_in_order": found.in_order,
            "bus_load": {**_load(found), "plan": worst_case_json(found.worst_case)},
            "damage": _damage(log, channel),
            "listening_gaps": [
                {"since": gap.since / 1e6, "until": gap.time / 1e6, "about": gap.about or None}
                for gap in found.listening_gaps
            ],
            "markers": [{"t": marked.time / 1e6, "note": marked.note} for marked in found.markers],
            "errors": errors_json(found.errors),
            "accepted": [
                {"kind": kind, "subject": subject, "count": count} for (kind, subject), count in found.accepted.items()
            ],
            "answer": answer(log, whole, channel, selected).as_json(),
            "presence": presence_json(found.presence),
            "reported_faults": [_fault(fault) for fault in reported_faults(found.flags)],
            "devices": [_device(source, in_order=found.in_order) for source in found.sources],
            "signals": None if found.signals is None else signals_json(found.signals, catalogue),
            "causes": [cause_fields(cause) for cause in found.causes],
            "flags": [_flag(flag) for flag in found.flags],
        }
    )


def _flag(flag: Flag) -> dict[str, Any]:
    """Return the fields of a flag in a survey; those of a flag in JSON lines are in `output`."""
    return {
        "flag": flag.number,
        "kind": flag.kind,
        "subject": flag.subject,
        "severity": str(flag.severity),
        "text": flag.text,
        "advice": flag.advice,
        "evidence": list(flag.evidence),
        "since": flag.since / 1e6,
        "until": None if flag.until is None else flag.until / 1e6,
    }


def _load(found: Survey) -> dict[str, Any]:
    """Return the bus load: average, worst second with its senders, and the room left in it.

    All are null in a log whose times run back; the worst second is null in a log that is shorter. Impossible figures
    are given as computed, with ``judged`` false.
    """
    use, worst = found.load, found.load.peak if found.in_order else None
    shares = Counter(worst.by_user if worst is not None else {}).most_common()
    return {
        "judged": found.in_order and not use.is_impossible,
        "average_percent": round(use.average_percent, 3) if found.in_order else None,
        "worst_second_percent": round(use.peak_percent, 3) if worst is not None else None,
        "worst_second": worst.start / 1e6 if worst is not None else None,
        "worst_second_by_source": {str(user): round(100 * bits / use.bit_rate, 3) for user, bits in shares},
        "room_percent": round(use.room_percent, 3) if worst is not None else None,
    }


def _date(log: Log) -> str | None:
    """Return when a log started, in UTC; None where it has no date."""
    started = log.statistics.started
    return None if started is None else utc_text(started)


def _growing(end: ReadUpTo | None) -> dict[str, Any] | None:
    return None if end is None else {"seconds": end.time / 1e6, "byte": end.byte, "certain": end.is_certain}


def _damage(log: Log, channel: str) -> dict[str, Any]:
    """Return how much of a log could not be read, or is not a frame of this network."""
    counts = log.statistics_of(channel)
    return {
        "unreadable": counts.unreadable_count,
        "skipped": {kind: number for kind, number in counts.skipped.items() if number},
        "joined": counts.joined,
        "growing": _growing(log.read_up_to),
        "steps_back": counts.steps_back,
        "untimed": counts.untimed,
        "clock_sets": counts.clock_set_count,
        "clock_jumps": counts.jump_count,
        "before_zero": counts.before_zero,
        "delta_times": log.are_times_summed,
    }


def _fault(fault: FaultSeen) -> dict[str, Any]:
    return {
        **fault._asdict(),
        "severity": str(fault.severity),
        "first": fault.first / 1e6,
        "last": None if fault.last is None else fault.last / 1e6,
    }


def _device(source: SurveyedSource, *, in_order: bool) -> dict[str, Any]:
    return {
        "source": source.address,
        "name": None if source.name is None else asdict(source.name),
        "product": next((str(record.product) for record in source.devices if record.product is not None), None),
        "functions": [
            {"function": name, "instance": instance}
            for record in source.devices
            for name, instances in record.functions.items()
            for instance in instances or (None,)
        ],
        "messages": [
            {
                "dgn": f"{message.dgn:05X}",
                "message": message.name,
                "instance": message.instance,
                **({} if message.dsa is None else {"dsa": message.dsa}),
                **({"part": message.part} if message.part else {}),
                "count": counts.count,
                "median_gap_ms": counts.median_gap / 1000 if counts.median_gap is not None and in_order else None,
                "worst_gap_ms": counts.longest_gap / 1000 if counts.count > 1 and in_order else None,
            }
            for message, counts in source.messages.items()
        ],
    }
