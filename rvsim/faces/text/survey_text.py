"""A survey in words and as JSON.

Knows: the JSON contract and the order in which support reads a survey. Does not know how it was made.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any

from rvsim.faces.text.bus_errors_text import errors_json, errors_text
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.flags import account
from rvsim.faces.text.marks import LEGEND, mark, mark_of
from rvsim.faces.text.noticed import in_short, noticed, times
from rvsim.faces.text.output import cause_fields
from rvsim.faces.text.worst_case_text import promise_json, promise_text
from rvsim.logs.columns import LogLoad
from rvsim.logs.formats.jsonl import SCHEMA, json_text, utc_text
from rvsim.logs.read import Log
from rvsim.logs.survey import MessageCounts, Survey, SurveyedMessage, SurveyedSource
from rvsim.rig.functions import FUNCTIONS
from rvsim.runs.selection import LogSelection
from rvsim.watch.flag import Flag, Severity
from rvsim.watch.transitions import Topic
from rvsim.wire import texts
from rvsim.wire.catalogue import Catalogue

EVERYTHING = LogSelection()


def as_json(log: Log, found: Survey, channel: str = "", selected: LogSelection = EVERYTHING) -> str:
    """Return the survey of one channel as one JSON object; a log with several channels has one for each.

    ``channel`` is null where the log names none. ``unreadable`` is that of the whole log, ``damage`` of the channel.
    ``part`` has the seconds since the log's start that are told, its end null for that of the log. ``times_in_order``
    is false where times run back, or are in another unit than seconds. ``errors`` explains error frames and states.
    """
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
            "bus_load": {**_load(found), "plan": promise_json(found.worst_case)},
            "damage": _damage(log, channel),
            "errors": errors_json(found.errors),
            "accepted": [
                {"kind": kind, "subject": subject, "count": count} for (kind, subject), count in found.accepted.items()
            ],
            "devices": [_device(source, found.in_order) for source in found.sources],
            "causes": [cause_fields(cause) for cause in found.causes],
            "flags": [_flag(flag) for flag in found.flags],
        }
    )


def _flag(flag: Flag) -> dict[str, Any]:
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
    """Return how busy the pair was, when and by whom most, and the room that was left.

    Nothing of it in a log whose times run back; no worst second in one that is shorter. Figures that are impossible
    stand as they were computed, and are not ``judged``.
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
    """Return when a log began, in UTC; None where it has no date."""
    begun = log.statistics.started
    return None if begun is None else utc_text(begun)


def _damage(log: Log, channel: str) -> dict[str, Any]:
    """Return how much of a log could not be read, or was no frame of this network."""
    counts = log.statistics_of(channel)
    return {
        "unreadable": counts.unreadable_count,
        "skipped": {kind: number for kind, number in counts.skipped.items() if number},
        "steps_back": counts.steps_back,
        "untimed": counts.untimed,
        "clock_sets": counts.clock_set_count,
        "clock_jumps": counts.jump_count,
        "before_zero": counts.before_zero,
        "delta_times": log.are_times_summed,
    }


def _device(source: SurveyedSource, in_order: bool) -> dict[str, Any]:
    return {
        "source": source.address,
        "name": None if source.name is None else asdict(source.name),
        "product": next((str(one.product) for one in source.devices if one.product is not None), None),
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
                **({} if message.dsa is None else {"dsa": message.dsa}),
                **({"part": message.part} if message.part else {}),
                "count": heard.count,
                "median_gap_ms": heard.median_gap / 1000 if heard.median_gap is not None and in_order else None,
                "worst_gap_ms": heard.longest_gap / 1000 if heard.count > 1 and in_order else None,
            }
            for message, heard in source.messages.items()
        ],
    }


def as_text(
    log: Log,
    found: Survey,
    catalogue: Catalogue,
    channel: str = "",
    selected: LogSelection = EVERYTHING,
    units: DisplayUnits = METRIC,
) -> Iterator[str]:
    """Return the survey of one channel in words: what it comes to, who was there, what was noticed."""
    begun = _date(log)
    named = f", channel {channel}" if len(log.channels) > 1 else ""
    since = f", begun {begun[:19].replace('T', ' ')} UTC" if begun else ""
    frames = f"{found.frames} frame{'' if found.frames == 1 else 's'}"
    yield f"{log.name}{named}, {log.kind}: {frames} in {_span(found.seconds)} from {_addresses(found)}{since}."
    if not selected.is_everything:
        yield selected.sentence(found)
    if not found.frames and not found.flags:
        yield "There is nothing in it to tell: is it the right log, or was the wrong bus or a filter recorded?"
        yield from left_out(log, channel)
        return
    yield from _busy(found)
    yield from left_out(log, channel)
    yield ""
    yield "In short"
    yield from (f"  {text}" for text in _in_short(found, units))
    yield ""
    if found.sources:
        yield f"Who was there.   {LEGEND}"
        for source in found.sources:
            yield from _who(source, bool(found.planned), catalogue, found.in_order)
        yield ""
    yield (
        "What was noticed"
        if found.flags
        else "Nothing was noticed that the rig does not accept."
        if (found.accepted)
        else "Nothing was noticed that is wrong."
    )
    yield from noticed(account(found.flags, found.causes), units)
    if found.errors.frames or found.errors.states:
        yield ""
        yield "What the errors mean"
        yield from errors_text(found.errors)


def _span(seconds: float) -> str:
    """Say a length of time: ``119.7 s``, ``3 min 35 s``, ``23 h 59 min``."""
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes = int(seconds) // 60
    return f"{minutes} min {int(seconds) % 60:02d} s" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def _addresses(found: Survey) -> str:
    return f"{len(found.sources)} address{'' if len(found.sources) == 1 else 'es'}"


def _busy(found: Survey) -> Iterator[str]:
    """Say how busy the pair was, who used the worst second, and what room is left in it."""
    use = found.load
    if not found.in_order:
        yield "The times of the log cannot be believed (see below): no load and no gap between messages is told."
    elif use.is_impossible:
        yield _impossible(use)
    elif use.peak is not None:
        names = {source.address: _called(source) for source in found.sources}
        users = Counter(use.peak.by_user).most_common(MOST_USERS)
        most = [f"{100 * bits / use.bit_rate:.1f} % {_user(user, names)}" for user, bits in users]
        others = len(use.peak.by_user) - MOST_USERS
        rest = f" and {others} more" if others > 0 else ""
        yield (
            f"The pair was {use.average_percent:.1f} % busy on average and {use.peak_percent:.1f} % in its worst "
            f"second, from {use.peak.start / 1e6:.1f} s on: {', '.join(most)}{rest}."
        )
        yield f"That second had room for {use.room_frames} more full frames."
    elif use.bits:
        yield f"The pair was {use.average_percent:.1f} % busy; the log is too short to have a worst second."
    if found.worst_case is not None:
        yield promise_text(found.worst_case)


def _impossible(use: LogLoad) -> str:
    worst = use.peak
    where = f"{use.peak_percent:.1f} % in the second from {worst.start / 1e6:.1f} s on, " if worst is not None else ""
    return (
        f"Computed bus load {where}{use.average_percent:.1f} % on average: more than {use.bit_rate} bit/s can carry. "
        "The times of the log or the bit rate are wrong, and no load is judged."
    )


MOST_USERS = 3
"""So many of those who used the worst second are named."""


def _called(source: SurveyedSource) -> str:
    """Name whoever is at an address."""
    planned = ", ".join(one.device for one in source.devices if one.planned)
    return planned or _address(source.address)


def _user(user: int | str, names: Mapping[int, str]) -> str:
    """Name who used the pair: whoever is at an address, or a kind of frame that has none."""
    return f"{user} frames" if isinstance(user, str) else names.get(user) or _address(user)


def _address(source: int) -> str:
    return f"address {source:02X} hex"


def left_out(log: Log, channel: str | None = None) -> Iterator[str]:
    """Say what could not be read, and what was no frame of this network: on one channel, or on all."""
    counts = log.statistics if channel is None else log.statistics_of(channel)
    if log.are_times_summed:
        yield "  its times are steps from line to line (delta times); they were summed"
    for line, why in counts.unreadable[:5]:
        yield f"  line {line} could not be read: {why}"
    if counts.unreadable_count > 5:
        yield f"  and {counts.unreadable_count - 5} more places could not be read"
    skipped = ", ".join(f"{number} {kind}" for kind, number in counts.skipped.items() if number)
    if skipped:
        yield f"  left out: {skipped}"
    for line, back in counts.clock_sets[:5]:
        yield f"  line {line}: the clock was set back by {back / 1e6:.1f} s; gaps across it are not known"
    if counts.clock_set_count > 5:
        yield f"  and {counts.clock_set_count - 5} more times"
    if counts.steps_back:
        often = "once" if counts.steps_back == 1 else f"{counts.steps_back} times"
        yield f"  the time went back a little {often}; such frames count as sent at the time before"
    for line, ahead in counts.jumps[:5]:
        yield f"  line {line}: the clock jumped ahead by {ahead / 1e6:.0f} s, to its first date; no time passed by it"
    if counts.jump_count > 5:
        yield f"  and {counts.jump_count - 5} more jumps"
    if counts.before_zero:
        yield f"  {counts.before_zero} times are before zero; such frames count as sent at the time before"
    if counts.untimed:
        yield f"  {counts.untimed} frames had no time of their own and got that of the one before"


# What it comes to.


def _in_short(found: Survey, units: DisplayUnits) -> Iterator[str]:
    if found.planned:
        heard = found.planned - len(found.unseen_devices)
        yield f"{heard} of {found.planned} planned devices were heard" + (
            f"; never heard: {', '.join(found.unseen_devices)}." if found.unseen_devices else "."
        )
    if found.seconds < SHORTEST_S:
        yield f"Less than {SHORTEST_S} s: too short to say who is missing."
    yield from in_short(account(found.flags, found.causes), units)
    unknown = sum(message.name is None for source in found.sources for message in source.messages)
    known = sum(len(source.messages) for source in found.sources) - unknown
    if unknown:
        yield f"{unknown} of {unknown + known} messages have no name here; a DBC file that defines them can be given."
    if found.accepted:
        told = ", ".join(f"{kind} {subject}{times(count)}" for (kind, subject), count in found.accepted.items())
        yield f"Not told, since the rig accepts it: {told}."
    if not found.planned:
        yield "No rig was given: who should have been there is not known. --draft-rig FILE writes one from this log."
    quiet = (
        all(flag.severity is Severity.NOTICE for flag in found.flags)
        and not found.unseen_devices
        and not found.accepted
    )
    if quiet and found.seconds >= SHORTEST_S:
        yield "Nothing is wrong by these rules."


SHORTEST_S = 15
"""Seconds below which nobody can be missed: three heartbeats of 5 s (rv-c.com/node/82)."""


# Who was there.


def _who(source: SurveyedSource, with_rig: bool, catalogue: Catalogue, in_order: bool) -> Iterator[str]:
    name = source.name
    known = [one.device for one in source.devices if one.planned]
    who = [", ".join(known)] if known else ["not in the rig"] if with_rig else []
    speaks = [
        " and ".join(map(FUNCTIONS[function].label, instances)) or FUNCTIONS[function].title
        for one in source.devices
        for function, instances in one.functions.items()
    ]
    if speaks:
        who.append(f"speaks as {', '.join(speaks)}")
    who += [f"product: {one.product}{mark((texts.TEXT_ORIGIN,))}" for one in source.devices if one.product is not None]
    if name is not None:
        who.append(f"NAME: maker {name.manufacturer_code}, serial number {name.serial_number}")
    yield f"  address {source.address:02X} hex" + (f": {'; '.join(who)}" if who else "")
    spoken = {message: _spoken(message, catalogue) for message in source.messages}
    width = max(map(len, spoken.values()))
    for message, heard in source.messages.items():
        often = _how_often(heard) if in_order or heard.count == 1 else f"{heard.count} times"
        yield f"    {spoken[message]:<{width}}  {often}"


def _spoken(message: SurveyedMessage, catalogue: Catalogue) -> str:
    """Name a message as it is spoken of: with its instance, a heartbeat with its function; and mark it."""
    if not message.name:
        return f"{Topic(0, *message)}, no name here"
    spec = catalogue.by_dgn(message.dgn)
    return str(Topic(0, *message)) + mark_of(spec, message.dsa, message.instance is not None, bool(message.part))


def _how_often(heard: MessageCounts) -> str:
    """Say how often a message came: its usual gap, or that it comes in bursts, and the worst gap."""
    mean, median = heard.mean_gap, heard.median_gap
    if mean is None or median is None:
        return "once"
    usual = f"in bursts, every {_gap(mean)} on average" if heard.in_bursts else f"every {_gap(median)}"
    return f"{heard.count} times, {usual}, {_gap(heard.longest_gap)} at worst"


def _gap(microseconds: float) -> str:
    return f"{microseconds / 1000:.0f} ms" if microseconds < 999_500 else f"{microseconds / 1e6:.2f} s"
