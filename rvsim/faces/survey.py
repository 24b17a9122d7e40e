"""A survey in words and as JSON.

Knows: the JSON contract and the order in which support reads a survey. Does not know how it was made.
"""

import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from rvsim.logs.jsonl import SCHEMA
from rvsim.logs.read import Log
from rvsim.logs.survey import Heard, Message, Source, Survey


def as_json(log: Log, found: Survey) -> str:
    """Return the survey as one JSON object."""
    return json.dumps(
        {
            "schema": SCHEMA,
            "log": log.name,
            "frames": found.frames,
            "seconds": round(found.seconds, 6),
            "unreadable": [{"line": line, "why": why} for line, why in log.statistics.unreadable],
            "bus_load": {
                "average_percent": round(found.average_percent, 3),
                "worst_second_percent": round(found.worst_percent, 3),
            },
            "devices": [_device(source) for source in found.sources],
            "flags": [
                {
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
                for flag in found.flags
            ],
        },
        ensure_ascii=False,
    )


def _device(source: Source) -> dict[str, Any]:
    return {
        "source": source.address,
        "name": None if source.name is None else asdict(source.name),
        "product": None,
        "functions": [
            {"function": name, "instance": instance}
            for one in source.devices
            for name, instances in one.functions.items()
            for instance in instances or (None,)
        ],
        "messages": [
            {
                "dgn": f"{message.dgn:05X}",
                "message": message.name,
                "instance": message.instance,
                "count": heard.count,
                "median_gap_ms": None if heard.median is None else heard.median / 1000,
                "worst_gap_ms": heard.worst / 1000 if heard.count > 1 else None,
            }
            for message, heard in source.messages.items()
        ],
    }


def as_text(log: Log, found: Survey) -> Iterator[str]:
    """Return the survey in words."""
    yield (
        f"{log.name}, {log.kind}: {found.frames} frames in {found.seconds:.1f} s from {len(found.sources)} addresses; "
        f"the pair at least {found.average_percent:.1f} % busy, {found.worst_percent:.1f} % in its worst second."
    )
    yield from _left_out(log)
    yield ""
    yield "Who was there"
    for source in found.sources:
        who = ", ".join(one.device for one in source.devices if one.planned) or "not known by a rig"
        name = source.name
        claimed = "" if name is None else f"; NAME: maker {name.manufacturer_code}, serial number {name.serial_number}"
        yield f"  address {source.address:02X} hex: {who}{claimed}"
        for message, heard in source.messages.items():
            yield f"    {_spoken(message)}: {_how_often(heard)}"
    if found.absent:
        yield f"  never heard: {', '.join(found.absent)}"
    yield ""
    yield "What was noticed" if found.flags else "Nothing was noticed that is wrong."
    for flag in found.flags:
        until = f" until {flag.until / 1e6:.1f} s" if flag.until is not None else ", to the end"
        yield f"  {flag.tag} {flag.severity}, {flag.subject}: {flag.text} (from {flag.since / 1e6:.1f} s{until})"
        yield f"      Try next: {flag.advice}"


def _left_out(log: Log) -> Iterator[str]:
    """Say what could not be read, and what was no frame of this network."""
    counts = log.statistics
    for line, why in counts.unreadable[:5]:
        yield f"  line {line} could not be read: {why}"
    if counts.unreadable_count > 5:
        yield f"  and {counts.unreadable_count - 5} more places could not be read"
    skipped = ", ".join(f"{number} {kind}" for kind, number in counts.skipped.items() if number)
    if skipped:
        yield f"  left out: {skipped}"


def _spoken(message: Message) -> str:
    name = message.name or f"DGN {message.dgn:05X} hex, without a definition"
    return name if message.instance is None else f"{name} {message.instance}"


def _how_often(heard: Heard) -> str:
    if heard.median is None:
        return "once"
    return f"{heard.count} times, usually every {heard.median / 1e6:.2f} s, {heard.worst / 1e6:.2f} s at worst"
