"""What is different between two logs, as text and as JSON.

Knows: the order in which it is told, and how much is listed. Does not know what counts as a difference
(`logs.compare`).
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Any

from rvsim.faces.text.answer import span_text
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.logs.compare import THRESHOLDS, Aspect, Comparison, Difference, NotJudged, Sort
from rvsim.logs.formats.jsonl import SCHEMA, json_text
from rvsim.logs.matching import MatchedBy
from rvsim.logs.summary import LogSummary

MAX_LISTED = 12
"""Differences of one aspect that are listed; the rest is counted. The JSON form has all of them."""
MAX_NAMED = 3
"""Messages or devices that are named in one line; the rest is counted."""
TITLES = {
    Aspect.FRAMES: "Frames",
    Aspect.DEVICE: "Devices",
    Aspect.UNIT: "Other units in the same place",
    Aspect.ADDRESS: "Addresses",
    Aspect.INSTANCE: "Instances",
    Aspect.MESSAGE: "Messages",
    Aspect.GAP: "Usual gaps",
    Aspect.LONGEST_GAP: "Longest gaps",
    Aspect.AT_REST: "Values at rest",
    Aspect.RANGE: "Ranges",
    Aspect.LOAD: "Bus load",
    Aspect.TROUBLE: "Trouble",
}
"""The heading of each aspect."""
SAME = "Nothing differs by these thresholds."


def compare_text(found: Comparison, units: DisplayUnits = METRIC) -> Iterator[str]:
    """Yield the comparison as lines: how much is different, the differences by aspect, what counts as one."""
    yield f"before: {log_line(found.before)}"
    yield f"after:  {log_line(found.after)}"
    yield SAME if found.is_same else f"{count_line(found.differences)}."
    yield from (f"Not compared: {note}." for note in found.notes)
    for aspect, group in groupby(found.differences, lambda one: one.aspect):
        yield ""
        yield f"{TITLES[aspect]} (what counts: {THRESHOLDS[aspect]})"
        yield from _some([_line(alike, units) for alike in _alike(group)])
    if found.not_judged:
        yield ""
        yield "In one log only, not judged"
        yield from _some(_unjudged(found.not_judged))
    by_address = [match.before.label for match in found.matches if match.by is MatchedBy.ADDRESS]
    if by_address:
        yield ""
        yield f"Taken for the same device by its address and its messages alone: {', '.join(by_address)}."
    if found.is_same:
        yield ""
        yield "What counts as a difference"
        yield from (f"  {aspect}: {rule}" for aspect, rule in THRESHOLDS.items())


def compare_json(found: Comparison) -> str:
    """Return the comparison as one JSON object."""
    return json_text(
        {
            "schema": SCHEMA,
            "before": _log_fields(found.before),
            "after": _log_fields(found.after),
            "same": found.is_same,
            "differences": [
                {
                    **one._asdict(),
                    "sort": str(one.sort),
                    "aspect": str(one.aspect),
                    "threshold": THRESHOLDS[one.aspect],
                }
                for one in found.differences
            ],
            "not_judged": [{**one._asdict(), "sort": str(one.sort)} for one in found.not_judged],
            "not_compared": list(found.notes),
            "devices": [
                {
                    "before": match.before.label,
                    "after": match.after.label,
                    "known_by": str(match.by),
                }
                for match in found.matches
            ],
            "thresholds": {str(aspect): rule for aspect, rule in THRESHOLDS.items()},
        }
    )


def _log_fields(found: LogSummary) -> dict[str, Any]:
    return {
        "log": ", ".join(log.name for log in found.logs),
        "frames": found.frames,
        "seconds": found.length_us / 1e6,
        "devices": len(found.devices),
    }


def log_line(found: LogSummary) -> str:
    """Return the name of a log, how many frames it has, in which time, and from how many devices."""
    names = ", ".join(log.name for log in found.logs)
    frames = f"{found.frames} frame{'' if found.frames == 1 else 's'}"
    devices = f"{len(found.devices)} device{'' if len(found.devices) == 1 else 's'}"
    return f"{names}: {frames} in {span_text(found.length_us / 1e6)} from {devices}."


def count_line(differences: Sequence[Difference]) -> str:
    """Return how many differences there are, by sort, without a full stop."""
    by_sort = [(sort, sum(one.sort is sort for one in differences)) for sort in Sort]
    parts = ", ".join(f"{count} {sort}" for sort, count in by_sort if count)
    return f"{len(differences)} difference{'' if len(differences) == 1 else 's'}: {parts}"


def _alike(differences: Iterable[Difference]) -> list[list[Difference]]:
    """Group those of one device that are told in the same words, such as the gaps of all its messages."""
    groups: dict[object, list[Difference]] = {}
    for one in differences:
        alone = one.field is not None or one.message is None
        key = one if alone else (one.sort, one.device, one.before, one.after)
        groups.setdefault(key, []).append(one)
    return list(groups.values())


def _line(alike: Sequence[Difference], units: DisplayUnits) -> str:
    one = alike[0]
    messages = _named([other.message for other in alike if other.message])
    device = _short(one.device)
    where = ": ".join(part for part in (device, messages, one.field) if part)
    if one.aspect is Aspect.DEVICE:
        return f"  {one.sort:<8} {device}"
    texts = [units.render(text) for text in (one.before, one.after) if text is not None]
    what = f"{texts[0]} before, {texts[1]} after" if len(texts) > 1 else texts[0]
    return f"  {one.sort:<8} {where}{': ' if where else ''}{what}"


def _unjudged(every: Sequence[NotJudged]) -> list[str]:
    """Return a line for each message that devices have in one log only, and for each reason."""
    groups: dict[tuple[Sort, str | None, str], list[str]] = {}
    for one in every:
        groups.setdefault((one.sort, one.message, one.why), []).append(_short(one.device))
    return [
        f"  {'before' if sort is Sort.GONE else 'after'} only: {f'{message} of ' if message else ''}{_named(devices)} "
        f"({why})"
        for (sort, message, why), devices in groups.items()
    ]


def _short(device: str) -> str:
    """Return the label of a device with its first functions only, where it is called by its functions and address."""
    functions, at, address = device.rpartition(" (address ")
    names = functions.split(", ")
    if not at or len(names) <= MAX_NAMED:
        return device
    return f"{', '.join(names[:MAX_NAMED])} and {len(names) - MAX_NAMED} more{at}{address}"


def _named(names: Sequence[str]) -> str:
    more = len(names) - MAX_NAMED
    return "; ".join(names[:MAX_NAMED]) + (f" and {more} more" if more > 0 else "")


def _some(lines: Sequence[str]) -> Iterator[str]:
    yield from lines[:MAX_LISTED]
    if len(lines) > MAX_LISTED:
        yield f"  and {len(lines) - MAX_LISTED} more"
