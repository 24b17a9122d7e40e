"""The answer of a survey: what is wrong, what that rests on, what to do next, and what is not certain.

Knows: which trouble comes first, and what limits what a log can tell. Does not know how it is laid out: the text of a
survey begins with it, `--brief` is one paragraph of it, and the JSON form has its parts.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from rvsim.faces.text.clock import NO_CLOCK, Clock
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.flags import explain_flags
from rvsim.faces.text.noticed import Trouble, times, troubles
from rvsim.logs.read import Log
from rvsim.logs.survey import WHOLE_LOG, Survey, SurveyedSource
from rvsim.rig.functions import FUNCTIONS
from rvsim.runs.selection import LogSelection
from rvsim.watch.cause import RECORDING_KINDS, CauseKind
from rvsim.watch.flag import FlagKind, Severity
from rvsim.wire.acknowledgment import ACKNOWLEDGMENT
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN
from rvsim.wire.frame import SECOND_US
from rvsim.wire.transfer.packets import CONNECTION_MANAGEMENT, DATA_TRANSFER

MIN_JUDGED_S = 15
"""Seconds below which no device is called missing: three heartbeats of 5 s (rv-c.com/node/82)."""
MAX_OTHERS = 3
"""Further troubles that a paragraph names; the rest is counted."""
NOTHING_THERE = "The log has no frames of this network."
BACK_BY_START = "back with an address claim, so without power meanwhile, or restarted"
BACK_WITHOUT_START = "back without an address claim, so without a restart"
_PLUG_FIRST = "check its data plug first, then its drop: it did not restart, so it kept its power"
_CABLE_FIRST = (
    "look for a part of the bus cable behind which all of them are, a plug, a tap, a drop: they did not restart, so "
    "they kept their power"
)
_SUPPLY_FIRST = "check its power and fuse first, then its data plug, then its drop"
MAX_STOP_US = 2 * SECOND_US
"""How far apart the last frames of the late messages of a device may be that stopped as a whole. Our decision."""
_POSSIBLE_FAILURES = {
    None: "the supply, the plug or the device itself",
    BACK_BY_START: "the fuse, the wire, the ground or the device itself",
    BACK_WITHOUT_START: "the data plug, the drop or the device itself",
}
"""What may have failed, by how devices came back. Common practice, no source."""
MIN_UNTIMED_FRAMES = 20
"""From this number of frames at one time on, the log has no times. Our decision."""
MAX_NAMED_FUNCTIONS = 2
"""How many functions of an address a paragraph names."""
_PROTOCOL = frozenset({ADDRESS_CLAIM, REQUEST_FOR_DGN, ACKNOWLEDGMENT, CONNECTION_MANAGEMENT, DATA_TRANSFER})
"""Messages that any network of this kind has."""
MIN_COMPARED_ADDRESSES, MIN_LOUD_PERCENT = 8, 75
"""From this share of all frames on, one address of at least so many is named: the battery monitor of a small vehicle
sends half of them, among five devices two thirds (measured on the shipped rigs and scenarios). Our decision."""
MAX_INSTANCE_CHANGE_US = 15 * SECOND_US
"""How long after the last frame with one instance the first one with another may come. Our decision."""
MAX_CLAIM_US = 2 * SECOND_US
"""How long after its first frame a node may claim its address, to have claimed it because it started. Our decision."""
_ABSENT = frozenset({FlagKind.SILENT_DEVICE, CauseKind.GONE_TOGETHER, CauseKind.SHARED_SUPPLY})


class Doubt(NamedTuple):
    """What is not certain: a line for the survey, which may name an option, and a sentence for somebody else."""

    line: str
    sentence: str


@dataclass(frozen=True)
class Answer:
    """What is wrong in one channel of a log, or in the part of it that is shown."""

    severity: Severity | None
    """That of the worst trouble; None where nothing was found."""
    cause: str
    """One sentence."""
    evidence: str
    """Empty where there is none."""
    next_step: str
    troubles: tuple[Trouble, ...]
    """All troubles, notices too; ``cause`` is the first one, unless that is a notice."""
    doubts: tuple[Doubt, ...]

    @property
    def others(self) -> tuple[Trouble, ...]:
        """The troubles besides the cause."""
        return self.troubles if self.severity is None else self.troubles[1:]

    def as_json(self) -> dict[str, Any]:
        """Return its parts as plain data."""
        return {
            "severity": None if self.severity is None else str(self.severity),
            "cause": self.cause,
            "evidence": self.evidence or None,
            "next_step": self.next_step,
            "others": [trouble.sentence for trouble in self.others],
            "doubts": [doubt.sentence for doubt in self.doubts],
        }


def clock_of(log: Log) -> Clock:
    """Return the clock of a log; one that was set meanwhile, or jumped, is no clock."""
    counts = log.statistics
    return NO_CLOCK if counts.clock_set_count or counts.jump_count else Clock(counts.started)


def answer(
    log: Log,
    whole: Survey,
    channel: str = "",
    selected: LogSelection | None = None,
    units: DisplayUnits = METRIC,
) -> Answer:
    """Return the answer of one channel of a log that was read.

    ``whole`` is its whole survey; flags are those of what is ``selected``, planned devices those of all.
    """
    selected = selected or LogSelection()
    found = selected.of(whole)
    every = troubles(explain_flags(found.flags, found.causes), units, clock_of(log))
    doubts = tuple(_doubts(log, whole, found, channel, selected, every))
    if not whole.frames and not whole.flags and selected.part == WHOLE_LOG:
        skipped = [f"{number} {kind}" for kind, number in log.statistics_of(channel).skipped.items() if number]
        evidence = f"not decoded: {', '.join(skipped)}" if skipped else ""
        return Answer(None, NOTHING_THERE, evidence, "check that it is the right log, bus and filter", (), doubts)
    if not found.sources and not every:
        step = "ask for another part, device or message"
        return Answer(None, "Nothing that was asked for is in the log.", "", step, (), doubts)
    first = next(iter(every), None)
    if first is None or first.severity is Severity.NOTICE:
        return replace(_nothing_wrong(whole, found, selected, doubts), troubles=tuple(every))
    back = _returned(whole, first)
    evidence = f"{first.evidence}; {back}" if back else first.evidence
    step = _PLUG_FIRST if back == BACK_WITHOUT_START and first.kind is FlagKind.SILENT_DEVICE else first.advice
    if back == BACK_WITHOUT_START and step.startswith("look for a shared supply"):
        step = _CABLE_FIRST
    if _is_all_that_came(whole, first):
        evidence, step = f"{evidence}; nothing else has come from it since", _SUPPLY_FIRST
    instead = _instance_instead(whole, first)
    if instead:
        evidence, step = f"{evidence}; {instead}", "set its instance as it was, unless somebody changed it on purpose"
    return Answer(first.severity, f"{first.sentence}.", evidence, step, tuple(every), doubts)


def _nothing_wrong(whole: Survey, found: Survey, selected: LogSelection, doubts: tuple[Doubt, ...]) -> Answer:
    step = "record a log while the trouble is there" + ("" if whole.planned else ", and compare it with a rig")
    if _is_untimed(found):
        cause = f"All {found.frames} frames have the same time: nothing that needs times was judged."
        return Answer(None, cause, "", "export the log again with the time of each frame", (), doubts)
    if found.seconds and found.load.is_impossible:
        cause = (
            "The times of the log, or its bit rate, are wrong: they give a bus load of "
            f"{found.load.average_percent:.0f} % on average; nothing that needs times was judged."
        )
        step = "export the log again with the times in seconds; of a table --columns sets the unit, as in time=1:ms"
        return Answer(None, cause, "", step, (), doubts)
    if found.seconds < MIN_JUDGED_S:
        cause = "Nothing wrong was found in a log that is too short to judge."
        return Answer(None, cause, "", f"record for more than {MIN_JUDGED_S} s", (), doubts)
    if whole.unseen_devices:
        cause = f"No frames came from {', '.join(whole.unseen_devices)}."
        return Answer(None, cause, "", "record for a minute, and check the supply of what is missing", (), doubts)
    messages = [message for source in found.sources for message in source.messages if message.dgn not in _PROTOCOL]
    if messages and all(message.name is None for message in messages):
        cause = "None of its messages is defined: only whether they came was judged."
        step = "check that it is the right bus, since another network may use it; or give a DBC file of these messages"
        return Answer(None, cause, devices_line(whole), step, (), doubts)
    if found.accepted:
        return Answer(None, "There is no trouble that the rig does not accept.", "", step, (), doubts)
    where = "" if selected.is_everything else " in what is shown"
    return Answer(None, f"No rule found anything wrong{where}.", devices_line(whole), step, (), doubts)


def _is_untimed(found: Survey) -> bool:
    """Return whether all frames have one time, so many of them that the log has no times."""
    return found.frames >= MIN_UNTIMED_FRAMES and not found.seconds


def devices_line(whole: Survey) -> str:
    """Return how many of the planned devices sent frames, or how many addresses, without a full stop."""
    if not whole.planned:
        count = len(whole.sources)
        return f"{count} address{'' if count == 1 else 'es'} sent frames"
    missing = f"; no frames from: {', '.join(whole.unseen_devices)}" if whole.unseen_devices else ""
    return f"{whole.planned - len(whole.unseen_devices)} of {whole.planned} planned devices sent frames{missing}"


def _doubts(
    log: Log, whole: Survey, found: Survey, channel: str, selected: LogSelection, every: list[Trouble]
) -> Iterator[Doubt]:
    """Yield what limits the answer, what matters most first."""
    if not whole.in_order:
        text = "The times of the log are not plausible: gaps, silence and bus load are not judged."
        yield Doubt(text, text)
    if found.seconds < MIN_JUDGED_S and found.frames and not _is_untimed(found):
        text = f"Less than {MIN_JUDGED_S} s: too short to tell which devices are missing."
        yield Doubt(text, f"The log has less than {MIN_JUDGED_S} s: too short to tell which devices are missing.")
    counts = log.statistics_of(channel)
    if counts.unreadable_count:
        places = f"{counts.unreadable_count} place{'' if counts.unreadable_count == 1 else 's'}"
        text = f"{places} of the log could not be read"
        yield Doubt(f"{text}; see below.", f"{text}: what they held is not known.")
    if not whole.planned and whole.frames:
        text = "No rig was given: the planned devices are not known"
        yield Doubt(
            f"{text}. --draft-rig FILE writes a rig from this log.",
            f"{text}, so a device that never sent anything is not missed.",
        )
    if not whole.planned and len(whole.sources) == 1:
        text = "Only one address sent frames: whether others are missing, or were filtered out, is not known."
        yield Doubt(text, text)
    unplanned = sum(not any(record.planned for record in source.devices) for source in whole.sources)
    if whole.planned and unplanned > 1:
        text = f"{unplanned} addresses are not in the rig: whether one of them fell silent is not judged"
        yield Doubt(f"{text}; without --rig it is.", f"{text}.")
    messages = [message for source in found.sources for message in source.messages]
    unknown = sum(message.name is None for message in messages)
    if unknown:
        text = f"{unknown} of {len(messages)} messages are not defined"
        yield Doubt(f"{text}; give a DBC file that defines them with --dbc.", f"{text}: their values are not judged.")
    if found.accepted:
        accepted = ", ".join(f"{kind} {subject}{times(count)}" for (kind, subject), count in found.accepted.items())
        text = f"Not flagged, because the rig accepts it: {accepted}."
        yield Doubt(text, text)
    if not selected.is_everything:
        text = "Only a part of the log was asked for."
        yield Doubt("", text)
    yield from _doubts_of_cause(whole, every)


def _returned(whole: Survey, trouble: Trouble) -> str | None:
    """Return how the devices of a trouble came back after their last silence; None where that cannot be told.

    A node claims its address when it starts (SAE J1939-81). One whose start is not in the log may never claim.
    """
    silent = {
        flag.subject: flag
        for flag in (*trouble.flags, *trouble.explained)
        if flag.kind is FlagKind.SILENT_DEVICE and flag.heard is not None
    }
    claims = {
        record.device: counts.last
        for source in whole.sources
        for message, counts in source.messages.items()
        if message.dgn == ADDRESS_CLAIM
        for record in source.devices
    }
    if (
        trouble.kind in RECORDING_KINDS
        or not silent
        or any(flag.until is None or name not in claims for name, flag in silent.items())
    ):
        return None
    claimed = {flag.heard < claims[name] <= (flag.until or 0) + MAX_CLAIM_US for name, flag in silent.items()}  # type: ignore[operator]
    if claimed == {True}:
        return BACK_BY_START
    return BACK_WITHOUT_START if claimed == {False} else None


def _is_all_that_came(whole: Survey, trouble: Trouble) -> bool:
    """Return whether late messages at the end of a log are the last of their device: it stopped too late to be called
    silent.
    """
    flags = [flag for flag in trouble.flags if flag.kind is FlagKind.LATE_MESSAGE and flag.until is None]
    if not flags or len({flag.subject for flag in flags}) > 1 or any(flag.heard is None for flag in flags):
        return False
    last = [
        max(counts.last for counts in source.messages.values())
        for source in whole.sources
        if any(record.device == flags[0].subject for record in source.devices)
    ]
    first_late = min(flag.heard or 0 for flag in flags)
    return bool(last) and max(last) <= first_late + MAX_STOP_US


def _instance_instead(whole: Survey, trouble: Trouble) -> str:
    """Return which instance a device sends since the one of a late message is missing; empty where none is."""
    flag = next(iter(trouble.flags), None)
    if flag is None or flag.kind is not FlagKind.LATE_MESSAGE or flag.heard is None:
        return ""
    for source in whole.sources:
        own = {message: counts for message, counts in source.messages.items() if message.name == flag.message}
        ended = [message for message, counts in own.items() if counts.last == flag.heard]
        for message, counts in own.items():
            if ended and message not in ended and 0 < counts.first - flag.heard <= MAX_INSTANCE_CHANGE_US:
                first = f"{counts.first / SECOND_US:.1f} s"
                return f"instance {message.instance} of it has come since {first} from the same address"
    return ""


def _doubts_of_cause(whole: Survey, every: list[Trouble]) -> Iterator[Doubt]:
    """Yield what a log cannot tell about the first trouble."""
    first = next(iter(every), None)
    if first is None:
        return
    if first.kind in RECORDING_KINDS:
        yield Doubt("", "The cause may be the recorder, not the vehicle.")
    elif first.kind in _ABSENT:
        possible = _POSSIBLE_FAILURES[_returned(whole, first)]
        yield Doubt("", f"A log does not show whether {possible} failed.")
    serious = [trouble for trouble in every if trouble.severity is not Severity.NOTICE]
    if len(serious) > 1:
        yield Doubt("", f"No single cause explains all {len(serious)} troubles; each may have its own.")


def brief(log: Log, whole: Survey, channel: str, selected: LogSelection, units: DisplayUnits = METRIC) -> str:
    """Return one paragraph to send to somebody: the log, the cause, the evidence, the next step, and the doubts."""
    found = answer(log, whole, channel, selected, units)
    text = " ".join(_paragraph(log, selected.of(whole), whole, found, channel))
    for source in whole.sources:
        functions = _functions(source)
        if functions:
            named = f"address {source.address:02X} hex"
            text = text.replace(named, f"{named} ({functions})", 1)
    return text


def _functions(source: SurveyedSource) -> str:
    """Return the first functions of an address that is no planned device, as text; empty where none is known."""
    if any(record.planned for record in source.devices):
        return ""
    labels = [
        label
        for record in source.devices
        for function, instances in record.functions.items()
        for label in [*map(FUNCTIONS[function].label, instances)] or [FUNCTIONS[function].title]
    ]
    more = f" and {len(labels) - MAX_NAMED_FUNCTIONS} more" if len(labels) > MAX_NAMED_FUNCTIONS else ""
    return f"{', '.join(labels[:MAX_NAMED_FUNCTIONS])}{more}"


def _paragraph(log: Log, shown: Survey, whole: Survey, found: Answer, channel: str) -> Iterator[str]:
    named = f", channel {channel}" if len(log.channels) > 1 else ""
    started = clock_of(log).at(0)
    since = f", started {started} UTC" if started else ""
    frames = f"{shown.frames} frame{'' if shown.frames == 1 else 's'}"
    yield f"{log.name}{named}: {frames} in {span_text(shown.seconds)}{since}."
    if found.severity is None:
        yield found.cause
        if found.evidence:
            yield f"{found.evidence[0].upper()}{found.evidence[1:]}."
    else:
        yield f"Most likely cause ({found.severity}): {found.cause}"
        more = found.troubles[0].explained
        also = f"; it explains {len(more)} more flag{'' if len(more) == 1 else 's'}" if more else ""
        yield f"Evidence: {found.evidence}{also if found.troubles[0].flags else ''}."
    yield from _loudest(whole)
    yield f"Next step: {found.next_step}."
    others = [trouble for trouble in found.others if trouble.severity is not Severity.NOTICE]
    if others:
        rest = f"; and {len(others) - MAX_OTHERS} more" if len(others) > MAX_OTHERS else ""
        yield f"Also: {'; '.join(trouble.sentence for trouble in others[:MAX_OTHERS])}{rest}."
    if whole.planned and found.severity is not None:
        yield f"{devices_line(whole)}."
    if found.doubts:
        yield f"Not certain: {' '.join(doubt.sentence for doubt in found.doubts)}"


def _loudest(whole: Survey) -> Iterator[str]:
    """Yield a sentence about the address that sends most of all frames, where that is more than a vehicle has."""
    sent = {source.address: sum(one.count for one in source.messages.values()) for source in whole.sources}
    if len(sent) >= MIN_COMPARED_ADDRESSES:
        address = max(sent, key=lambda one: sent[one])
        percent = 100 * sent[address] / sum(sent.values())
        if percent >= MIN_LOUD_PERCENT:
            yield f"{percent:.0f} % of all frames came from address {address:02X} hex."


def span_text(seconds: float) -> str:
    """Return a duration as text: ``119.7 s``, ``3 min 35 s``, ``23 h 59 min``."""
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes = int(seconds) // 60
    return f"{minutes} min {int(seconds) % 60:02d} s" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"
