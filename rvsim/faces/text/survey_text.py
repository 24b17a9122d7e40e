"""A survey as text.

Knows: the order in which support reads a survey: at most ten lines that say what is wrong, then the details. Does not
know how a survey is made, nor its JSON form (`survey_json`).
"""

from collections import Counter
from collections.abc import Iterator, Mapping

from rvsim.faces.text.answer import NOTHING_THERE, Answer, answer, clock_of, devices_line, span_text
from rvsim.faces.text.bus_errors_text import errors_text
from rvsim.faces.text.clock import Clock
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.flags import explain_flags
from rvsim.faces.text.marks import LEGEND, mark, mark_of
from rvsim.faces.text.noticed import flag_details
from rvsim.faces.text.presence_text import LEGEND as PRESENCE_LEGEND
from rvsim.faces.text.presence_text import presence_text
from rvsim.faces.text.signals_text import signals_text
from rvsim.faces.text.worst_case_text import worst_case_text
from rvsim.logs.columns import LogLoad
from rvsim.logs.formats.jsonl import utc_text
from rvsim.logs.read import Log, ReadUpTo
from rvsim.logs.reported_faults import FaultSeen, reported_faults
from rvsim.logs.survey import MessageCounts, Survey, SurveyedMessage, SurveyedSource
from rvsim.rig.functions import FUNCTIONS
from rvsim.runs.selection import LogSelection
from rvsim.watch.transitions import Topic
from rvsim.wire import texts
from rvsim.wire.catalogue import Catalogue

WHOLE_LOG = LogSelection()
MAX_NAMED_USERS = 3
"""Senders of the worst second that are named."""
MAX_LISTED_PLACES = 5
"""Places of one kind of damage that are listed; the rest is counted."""
MAX_FIRST_LINES = 10
"""Lines that say what is wrong, before the details begin."""


def _gap_lines(found: Survey) -> Iterator[str]:
    """Return lines about the times in which the recorder did not listen."""
    gaps = found.listening_gaps
    yield from (f"  {gap}" for gap in gaps[:MAX_LISTED_PLACES])
    if len(gaps) > MAX_LISTED_PLACES:
        total = sum(gap.time - gap.since for gap in gaps) / 1e6
        yield f"  {len(gaps) - MAX_LISTED_PLACES} more such gaps; all together {span_text(total)}"


def _marker_lines(found: Survey, clock: Clock) -> Iterator[str]:
    """Return the moments that the person who recorded marked, with what was noted."""
    if not found.markers:
        return
    yield "Marked while it was recorded"
    for marked in found.markers:
        yield f"  {marked.time / 1e6:9.1f} s  {marked.note or 'no note'}{clock.span(marked.time, None)}"
    yield ""


def as_text(
    log: Log,
    found: Survey,
    catalogue: Catalogue,
    channel: str = "",
    selected: LogSelection = WHOLE_LOG,
    units: DisplayUnits = METRIC,
) -> Iterator[str]:
    """Return the survey of one channel as lines: what is wrong, then bus load, devices, faults, flags.

    ``found`` is the whole survey; of it the devices, messages and flags that are ``selected`` are shown.
    """
    whole, found = found, selected.of(found)
    clock = clock_of(log)
    known = answer(log, whole, channel, selected, units)
    yield from _first_lines(log, whole, found, channel, selected, known)
    yield ""
    if not whole.frames and not whole.flags:
        yield from left_out(log, channel)
        return
    yield from load_lines(whole)
    yield from left_out(log, channel)
    yield from _gap_lines(found)
    yield ""
    yield from _marker_lines(found, clock)
    if any(found.presence.values()):
        yield f"Presence.   {PRESENCE_LEGEND}"
        yield from presence_text(found.presence, max(found.start, selected.part.start), found.end, clock)
        yield ""
    if found.sources:
        yield f"Devices and their messages.   {LEGEND}"
        for source in found.sources:
            yield from _source(source, catalogue, with_rig=bool(found.planned), in_order=found.in_order)
        yield ""
    if found.signals:
        yield f"Signals: what each field did.   {LEGEND}"
        yield from signals_text(found.signals, found.sources, catalogue, units, clock)
        yield ""
    faults = reported_faults(found.flags)
    if faults:
        yield "Faults that devices report"
        yield from (_fault(fault, units, clock) for fault in faults)
        yield ""
    if found.flags:
        yield "Flags"
    else:
        yield "No flags that the rig does not accept." if found.accepted else "No flags."
    yield from flag_details(explain_flags(found.flags, found.causes), units, clock)
    if found.errors.frames or found.errors.states:
        yield ""
        yield "What the errors mean"
        yield from errors_text(found.errors)


def _first_lines(
    log: Log, whole: Survey, found: Survey, channel: str, selected: LogSelection, known: Answer
) -> Iterator[str]:
    """Yield the lines that answer what is wrong, at most ``MAX_FIRST_LINES``; further troubles are counted."""
    started = log.statistics.started
    date = None if started is None else utc_text(started)
    named = f", channel {channel}" if len(log.channels) > 1 else ""
    since = f", started {date[:19].replace('T', ' ')} UTC" if date else ""
    frames = f"{found.frames} frame{'' if found.frames == 1 else 's'}"
    first = [f"{log.name}{named}, {log.kind}: {frames} in {span_text(found.seconds)} from {_addresses(whole)}{since}."]
    if not selected.is_everything:
        first.append(selected.sentence(found))
    yield from first
    if known.cause == NOTHING_THERE:
        yield f"{NOTHING_THERE} {known.next_step.capitalize()}."
        return
    yield "Summary"
    notes = [f"  {doubt.line}" for doubt in known.doubts if doubt.line]
    if whole.planned:
        notes.insert(0, f"  {devices_line(whole)}.")
    lines = [f"  {trouble.line}" for trouble in known.troubles]
    if known.severity is None:
        lines.insert(0, f"  {known.cause}")
    else:
        lines[1:1] = [f"      {known.evidence}", f"      Try next: {known.next_step}"]
    room = max(1 if known.severity is None else 3, MAX_FIRST_LINES - len(first) - 1 - len(notes))
    if len(lines) > room:
        left = len(lines) - room + 1
        lines[room - 1 :] = [f"  and {left} more kind{'' if left == 1 else 's'} of trouble, below."]
    yield from (*lines, *notes)


def _fault(fault: FaultSeen, units: DisplayUnits, clock: Clock) -> str:
    """Return the line of a fault: who, what, when first and last, how often."""
    until = "still reported at the end" if fault.last is None else f"last {fault.last / 1e6:.1f} s"
    often = "" if fault.times == 1 else f", {fault.times} times"
    first = f"first {fault.first / 1e6:.1f} s, {until}{clock.span(fault.first, fault.last)}"
    return f"  {fault.device}: {units.render(fault.text)} ({fault.severity}; {first}{often})"


def _addresses(found: Survey) -> str:
    return f"{len(found.sources)} address{'' if len(found.sources) == 1 else 'es'}"


def load_lines(found: Survey) -> Iterator[str]:
    """Return the bus load, the senders of the worst second, and the room left in it."""
    use = found.load
    if not found.in_order:
        yield "The times of the log are not plausible (see below): bus load and gaps between messages are left out."
    elif use.is_impossible:
        yield _impossible(use)
    elif use.peak is not None:
        names = {source.address: device_name(source) for source in found.sources}
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


def device_name(source: SurveyedSource) -> str:
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


def _were(count: int, noun: str) -> str:
    return f"{noun} was" if count == 1 else f"{noun}s were"


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
    titles = {message: message_title(message, catalogue) for message in source.messages}
    width = max(map(len, titles.values()))
    for message, counts in source.messages.items():
        often = _how_often(counts) if in_order or counts.count == 1 else f"{counts.count} times"
        yield f"    {titles[message]:<{width}}  {often}"


def message_title(message: SurveyedMessage, catalogue: Catalogue) -> str:
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
    usual = f"in bursts, on average one each {gap_text(mean)}" if counts.in_bursts else f"every {gap_text(median)}"
    return f"{counts.count} times, {usual}, longest gap {gap_text(counts.longest_gap)}"


def gap_text(microseconds: float) -> str:
    """Return the time between two messages as text."""
    return f"{microseconds / 1000:.0f} ms" if microseconds < 999_500 else f"{microseconds / 1e6:.2f} s"
