"""A survey as text and as JSON.

Knows: the JSON contract and the order in which support reads a survey. Does not know how a survey is made.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any

from rvsim.faces.text.bus_errors_text import errors_json, errors_text
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.flags import explain_flags
from rvsim.faces.text.marks import LEGEND, mark, mark_of
from rvsim.faces.text.noticed import flag_details, summary_lines, times
from rvsim.faces.text.output import cause_fields
from rvsim.faces.text.worst_case_text import worst_case_json, worst_case_text
from rvsim.logs.columns import LogLoad
from rvsim.logs.formats.jsonl import SCHEMA, json_text, utc_text
from rvsim.logs.read import Log, ReadUpTo
from rvsim.logs.survey import MessageCounts, Survey, SurveyedMessage, SurveyedSource
from rvsim.rig.functions import FUNCTIONS
from rvsim.runs.selection import LogSelection
from rvsim.watch.flag import Flag, Severity
from rvsim.watch.transitions import Topic
from rvsim.wire import texts
from rvsim.wire.catalogue import Catalogue

WHOLE_LOG = LogSelection()
MAX_NAMED_USERS = 3
"""Senders of the worst second that are named."""
MAX_LISTED_PLACES = 5
"""Places of one kind of damage that are listed; the rest is counted."""
MIN_JUDGED_S = 15
"""Seconds below which no device is called missing: three heartbeats of 5 s (rv-c.com/node/82)."""


def as_json(log: Log, found: Survey, channel: str = "", selected: LogSelection = WHOLE_LOG) -> str:
    """Return the survey of one channel as one JSON object; a log with several channels has one for each.

    ``channel`` is null where the log names none. ``unreadable`` is that of the whole log, ``damage`` of the channel.
    ``part`` has the first and last second that are shown, since the start of the log; its end is null for that of the
    log. ``times_in_order`` is false where times run back, or are in another unit than seconds. ``errors`` explains
    error frames and states.
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
            "bus_load": {**_load(found), "plan": worst_case_json(found.worst_case)},
            "damage": _damage(log, channel),
            "errors": errors_json(found.errors),
            "accepted": [
                {"kind": kind, "subject": subject, "count": count} for (kind, subject), count in found.accepted.items()
            ],
            "devices": [_device(source, in_order=found.in_order) for source in found.sources],
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


def _damage(log: Log, channel: str) -> dict[str, Any]:
    """Return how much of a log could not be read, or is not a frame of this network."""
    counts = log.statistics_of(channel)
    return {
        "unreadable": counts.unreadable_count,
        "skipped": {kind: number for kind, number in counts.skipped.items() if number},
        "joined": counts.joined,
        "growing": None
        if log.read_up_to is None
        else {"seconds": log.read_up_to.time / 1e6, "byte": log.read_up_to.byte},
        "steps_back": counts.steps_back,
        "untimed": counts.untimed,
        "clock_sets": counts.clock_set_count,
        "clock_jumps": counts.jump_count,
        "before_zero": counts.before_zero,
        "delta_times": log.are_times_summed,
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


def as_text(
    log: Log,
    found: Survey,
    catalogue: Catalogue,
    channel: str = "",
    selected: LogSelection = WHOLE_LOG,
    units: DisplayUnits = METRIC,
) -> Iterator[str]:
    """Return the survey of one channel as lines: summary, devices, flags with their evidence.

    ``found`` is the whole survey; of it the devices, messages and flags that are ``selected`` are shown.
    """
    whole, found = found, selected.of(found)
    started = _date(log)
    named = f", channel {channel}" if len(log.channels) > 1 else ""
    since = f", started {started[:19].replace('T', ' ')} UTC" if started else ""
    frames = f"{found.frames} frame{'' if found.frames == 1 else 's'}"
    yield f"{log.name}{named}, {log.kind}: {frames} in {_span(found.seconds)} from {_addresses(whole)}{since}."
    if not selected.is_everything:
        yield selected.sentence(found)
    if not found.frames and not found.flags:
        yield "The log has no frames of this network. Check that it is the right log, bus and filter."
        yield from left_out(log, channel)
        return
    yield from _load_lines(whole)
    yield from left_out(log, channel)
    yield ""
    yield "Summary"
    yield from (f"  {text}" for text in _summary(whole, found, units, selected))
    yield ""
    if found.sources:
        yield f"Devices and their messages.   {LEGEND}"
        for source in found.sources:
            yield from _source(source, catalogue, with_rig=bool(found.planned), in_order=found.in_order)
        yield ""
    if found.flags:
        yield "Flags"
    else:
        yield "No flags that the rig does not accept." if found.accepted else "No flags."
    yield from flag_details(explain_flags(found.flags, found.causes), units)
    if found.errors.frames or found.errors.states:
        yield ""
        yield "What the errors mean"
        yield from errors_text(found.errors)


def _span(seconds: float) -> str:
    """Return a duration as text: ``119.7 s``, ``3 min 35 s``, ``23 h 59 min``."""
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes = int(seconds) // 60
    return f"{minutes} min {int(seconds) % 60:02d} s" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def _addresses(found: Survey) -> str:
    return f"{len(found.sources)} address{'' if len(found.sources) == 1 else 'es'}"


def _load_lines(found: Survey) -> Iterator[str]:
    """Return the bus load, the senders of the worst second, and the room left in it."""
    use = found.load
    if not found.in_order:
        yield "The times of the log are not plausible (see below): bus load and gaps between messages are left out."
    elif use.is_impossible:
        yield _impossible(use)
    elif use.peak is not None:
        names = {source.address: _device_name(source) for source in found.sources}
        users = Counter(use.peak.by_user).most_common(MAX_NAMED_USERS)
        most = [f"{100 * bits / use.bit_rate:.1f} % {_user(user, names)}" for user, bits in users]
        others = len(use.peak.by_user) - MAX_NAMED_USERS
        rest = f" and {others} more" if others > 0 else ""
        yield (
            f"Bus load {use.average_percent:.1f} % on average, {use.peak_percent:.1f} % in the worst second, from "
            f"{use.peak.start / 1e6:.1f} s on: {', '.join(most)}{rest}; room for {use.room_frames} more frames in "
            "that second."
        )
    elif use.bits:
        yield f"Bus load {use.average_percent:.1f} % on average; the log is too short for a worst second."
    if found.worst_case is not None:
        yield worst_case_text(found.worst_case)


def _impossible(use: LogLoad) -> str:
    worst = use.peak
    where = f"{use.peak_percent:.1f} % in the second from {worst.start / 1e6:.1f} s on, " if worst is not None else ""
    return (
        f"Computed bus load {where}{use.average_percent:.1f} % on average: more than {use.bit_rate} bit/s can carry. "
        "The times of the log or the bit rate are wrong; the bus load is not judged."
    )


def _device_name(source: SurveyedSource) -> str:
    """Return the planned devices at an address, or the address."""
    planned = ", ".join(record.device for record in source.devices if record.planned)
    return planned or _address(source.address)


def _user(user: int | str, names: Mapping[int, str]) -> str:
    """Return the device at an address, or the kind of frame where it has no address."""
    return f"{user} frames" if isinstance(user, str) else names.get(user) or _address(user)


def _address(source: int) -> str:
    return f"address {source:02X} hex"


def left_out(log: Log, channel: str | None = None) -> Iterator[str]:
    """Return lines about what could not be read or is not a frame of this network, on one channel or on all."""
    counts = log.statistics if channel is None else log.statistics_of(channel)
    if log.are_times_summed:
        yield "  times are relative to the line before (delta times); they were added up"
    for line, why in counts.unreadable[:MAX_LISTED_PLACES]:
        yield f"  line {line} could not be read: {why}"
    if counts.unreadable_count > MAX_LISTED_PLACES:
        yield f"  and {counts.unreadable_count - MAX_LISTED_PLACES} more places could not be read"
    if log.read_up_to is not None:
        yield f"  {_growing_text(log.read_up_to)}"
    skipped = ", ".join(f"{number} {kind}" for kind, number in counts.skipped.items() if number)
    if skipped:
        yield f"  not decoded: {skipped}"
    if counts.joined:
        yield f"  {counts.joined} {_were(counts.joined, 'long message')} in one entry; the bus load lacks its packets"
    for line, back in counts.clock_sets[:MAX_LISTED_PLACES]:
        yield f"  line {line}: the clock was set back by {back / 1e6:.1f} s; gaps across this step are not known"
    if counts.clock_set_count > MAX_LISTED_PLACES:
        yield f"  and {counts.clock_set_count - MAX_LISTED_PLACES} more times"
    if counts.steps_back:
        often = "once" if counts.steps_back == 1 else f"{counts.steps_back} times"
        yield f"  the time stepped back a little {often}; these frames get the time of the frame before"
    for line, ahead in counts.jumps[:MAX_LISTED_PLACES]:
        yield f"  line {line}: the clock jumped ahead by {ahead / 1e6:.0f} s, to its first date; this counts as no time"
    if counts.jump_count > MAX_LISTED_PLACES:
        yield f"  and {counts.jump_count - MAX_LISTED_PLACES} more jumps"
    if counts.before_zero:
        yield f"  {counts.before_zero} {_were(counts.before_zero, 'time')} below zero; the time before is used instead"
    if counts.untimed:
        yield f"  {counts.untimed} {_were(counts.untimed, 'frame')} without a time; the time before is used instead"


def _growing_text(end: ReadUpTo) -> str:
    read = f"read up to {end.time / 1e6:.3f} s, byte {end.byte}"
    if end.is_certain:
        return f"the file is still growing: {read}; survey it again for the rest"
    return f"the file ends within an entry and was just written: {read}; if it is still growing, survey it again"


def _growing(end: ReadUpTo | None) -> dict[str, Any] | None:
    return None if end is None else {"seconds": end.time / 1e6, "byte": end.byte, "certain": end.is_certain}


def _were(count: int, noun: str) -> str:
    return f"{noun} was" if count == 1 else f"{noun}s were"


# Summary.


def _summary(whole: Survey, found: Survey, units: DisplayUnits, selected: LogSelection) -> Iterator[str]:
    """Yield the summary of ``found``, the selected part; planned devices are counted in the whole survey."""
    if whole.planned:
        present = whole.planned - len(whole.unseen_devices)
        yield f"{present} of {whole.planned} planned devices sent frames" + (
            f"; no frames from: {', '.join(whole.unseen_devices)}." if whole.unseen_devices else "."
        )
    if found.seconds < MIN_JUDGED_S:
        yield f"Less than {MIN_JUDGED_S} s: too short to tell which devices are missing."
    yield from summary_lines(explain_flags(found.flags, found.causes), units)
    unknown = sum(message.name is None for source in found.sources for message in source.messages)
    known = sum(len(source.messages) for source in found.sources) - unknown
    if unknown:
        yield f"{unknown} of {unknown + known} messages are not defined; give a DBC file that defines them with --dbc."
    if found.accepted:
        accepted = ", ".join(f"{kind} {subject}{times(count)}" for (kind, subject), count in found.accepted.items())
        yield f"Not flagged, because the rig accepts it: {accepted}."
    if not found.planned:
        yield "No rig was given: the planned devices are not known. --draft-rig FILE writes a rig from this log."
    quiet = (
        all(flag.severity is Severity.NOTICE for flag in found.flags)
        and not found.unseen_devices
        and not found.accepted
    )
    if quiet and found.seconds >= MIN_JUDGED_S:
        yield "No rule found anything wrong" + ("." if selected.is_everything else " in what is shown.")


# Devices.


def _source(source: SurveyedSource, catalogue: Catalogue, *, with_rig: bool, in_order: bool) -> Iterator[str]:
    name = source.name
    planned = [record.device for record in source.devices if record.planned]
    known = [", ".join(planned)] if planned else ["not in the rig"] if with_rig else []
    functions = [
        " and ".join(map(FUNCTIONS[function].label, instances)) or FUNCTIONS[function].title
        for record in source.devices
        for function, instances in record.functions.items()
    ]
    if functions:
        known.append(f"function: {', '.join(functions)}")
    products = [record.product for record in source.devices if record.product is not None]
    known += [f"product: {product}{mark((texts.TEXT_ORIGIN,))}" for product in products]
    if name is not None:
        known.append(f"NAME: manufacturer code {name.manufacturer_code}, serial number {name.serial_number}")
    yield f"  address {source.address:02X} hex" + (f": {'; '.join(known)}" if known else "")
    titles = {message: _message_title(message, catalogue) for message in source.messages}
    width = max(map(len, titles.values()))
    for message, counts in source.messages.items():
        often = _how_often(counts) if in_order or counts.count == 1 else f"{counts.count} times"
        yield f"    {titles[message]:<{width}}  {often}"


def _message_title(message: SurveyedMessage, catalogue: Catalogue) -> str:
    """Return the name of a message with its instance, a heartbeat with its function, and the mark of its origin."""
    if not message.name:
        return f"{Topic(0, *message)}, not defined"
    spec = catalogue.by_dgn(message.dgn)
    has_instance, has_part = message.instance is not None, bool(message.part)
    return str(Topic(0, *message)) + mark_of(spec, message.dsa, has_instance=has_instance, has_part=has_part)


def _how_often(counts: MessageCounts) -> str:
    """Return how often a message was sent: its usual gap, or the mean gap of bursts, and the longest gap."""
    mean, median = counts.mean_gap, counts.median_gap
    if mean is None or median is None:
        return "once"
    usual = f"in bursts, on average one each {_gap(mean)}" if counts.in_bursts else f"every {_gap(median)}"
    return f"{counts.count} times, {usual}, longest gap {_gap(counts.longest_gap)}"


def _gap(microseconds: float) -> str:
    return f"{microseconds / 1000:.0f} ms" if microseconds < 999_500 else f"{microseconds / 1e6:.2f} s"
