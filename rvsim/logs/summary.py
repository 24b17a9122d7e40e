"""The summary of one log, or of several: a plain value that is put together with another one.

Knows: which sources of different logs are one device, and how counts, gaps, values and troubles of two logs become
one. ``EMPTY`` followed by a summary is that summary, and in which groups logs are put together changes nothing. Does
not know formats of logs, nor how a summary is shown.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import IntEnum
from functools import cached_property
from typing import NamedTuple, TypeVar

from rvsim.logs.recorded_when import RecordedLog, Recording, doubled_us, recordings, same_time
from rvsim.logs.signal_summary import SignalSummary
from rvsim.logs.survey import MessageCounts, Survey, SurveyedMessage, SurveyedSource
from rvsim.rig.functions import FUNCTIONS
from rvsim.watch.cause import Cause
from rvsim.watch.flag import WORST_FIRST, Flag, Severity


class Identity(IntEnum):
    """What a device is known by, the surest first."""

    PLAN = 0
    """The rig recognises it."""
    NAME = 1
    """It has claimed this NAME."""
    FUNCTIONS = 2
    """These functions and instances."""
    ADDRESS = 3
    """Nothing else is known of it."""


class DeviceKey(NamedTuple):
    """One device in several logs: ``value`` is the text of what it is known by."""

    identity: Identity
    value: str


class DeviceSignal(NamedTuple):
    """One field of a device; ``instance`` and ``dsa`` are None where the message has none."""

    dgn: int
    instance: int | None
    dsa: int | None
    field: str


class MessageSummary(NamedTuple):
    """How often a message of a device came; times in microseconds."""

    frames: int
    longest_gap: int
    """The silence at the end of a log counts; 0 for a message that came once."""
    medians: Mapping[int, int]
    """The median gap of each log, with the number of gaps that it stands for."""
    in_bursts: bool = False
    """Whether several come close together in one of the logs: then the median says little."""

    @property
    def gaps(self) -> int:
        """How many gaps there are."""
        return sum(self.medians.values())

    @property
    def median_gap(self) -> int | None:
        """The median gap; of several logs that of the gap in the middle; None for a message that came once."""
        middle, below = self.gaps / 2, 0
        for gap, gaps in sorted(self.medians.items()):
            below += gaps
            if below >= middle:
                return gap
        return None

    def followed_by(self, later: "MessageSummary") -> "MessageSummary":
        """Return the summary of both; the gap between the logs is not known, and is none."""
        medians = dict(self.medians)
        for gap, gaps in later.medians.items():
            medians[gap] = medians.get(gap, 0) + gaps
        longest = max(self.longest_gap, later.longest_gap)
        return MessageSummary(self.frames + later.frames, longest, medians, self.in_bursts or later.in_bursts)


@dataclass(frozen=True)
class DeviceSummary:
    """One device: where it was heard, what it is, and what it sent."""

    label: str
    """Its name in the rig, or its functions, or its address."""
    addresses: frozenset[int]
    names: frozenset[int]
    """Its NAMEs as numbers; several where the unit was replaced."""
    functions: frozenset[tuple[str, int | None]]
    """Its functions with their instances."""
    logs: int
    """In how many of the logs it sent frames."""
    messages: Mapping[SurveyedMessage, MessageSummary]
    signals: Mapping[DeviceSignal, SignalSummary]

    @property
    def exclusive_functions(self) -> frozenset[tuple[str, int | None]]:
        """Its functions without those that devices share by design."""
        return frozenset((name, instance) for name, instance in self.functions if not FUNCTIONS[name].shared)

    def followed_by(self, later: "DeviceSummary") -> "DeviceSummary":
        """Return the summary of both."""
        return DeviceSummary(
            self.label,
            self.addresses | later.addresses,
            self.names | later.names,
            self.functions | later.functions,
            self.logs + later.logs,
            _joined(self.messages, later.messages),
            _joined(self.signals, later.signals),
        )

    def shifted(self, by: int) -> "DeviceSummary":
        """Return the same with times that are ``by`` microseconds later."""
        return replace(self, signals={key: signal.shifted(by) for key, signal in self.signals.items()})


class TroubleSeen(NamedTuple):
    """One sort of trouble: a kind of flag or of cause with its subject, its worst severity, and where it was."""

    severity: Severity
    times: int
    logs: tuple[str, ...]
    """The logs that have it, by name, in their order."""
    text: str
    """Its text where it was first."""
    advice: str

    def followed_by(self, later: "TroubleSeen") -> "TroubleSeen":
        """Return both."""
        logs = tuple(dict.fromkeys(self.logs + later.logs))
        worst = min(self.severity, later.severity, key=WORST_FIRST.index)
        return TroubleSeen(worst, self.times + later.times, logs, self.text, self.advice)


class SummarizedLog(NamedTuple):
    """One channel of one log; loads in percent, None where they cannot be told."""

    name: str
    """The name of the log, with the channel where it has several."""
    frames: int
    length_us: int
    in_order: bool
    average_percent: float | None
    peak_percent: float | None
    unreadable: int
    planned: int
    """How many devices the rig plans; 0 without a rig."""
    unseen: tuple[str, ...]
    """Planned devices of which no frame was seen."""
    recorded: RecordedLog | None = None
    """When it was recorded and with which units; None where its clock cannot be told, or is not the only channel's."""


@dataclass(frozen=True)
class LogSummary:
    """The summary of logs in their order.

    Times of signals are on one clock, on which each log begins where the one before ends.
    """

    logs: tuple[SummarizedLog, ...] = ()
    parts: Mapping[DeviceKey, DeviceSummary] = field(default_factory=dict)
    """What each device sent, by what was known of it in a log; see ``devices``."""
    troubles: Mapping[tuple[str, str], TroubleSeen] = field(default_factory=dict)
    """By kind and subject; what a cause explains is not here."""

    @cached_property
    def devices(self) -> dict[DeviceKey, DeviceSummary]:
        """The devices: where one log has a claim and another has not, by functions that only one NAME has.

        A recording in several files has the claims in the first one only.
        """
        devices = dict(self.parts)
        for key in [key for key in devices if key.identity is Identity.FUNCTIONS]:
            functions = devices[key].exclusive_functions
            named = [
                other
                for other, device in devices.items()
                if other.identity is Identity.NAME and functions & device.exclusive_functions
            ]
            if len(named) == 1:
                pair = sorted((devices[named[0]], devices.pop(key)), key=_last_frame)
                devices[named[0]] = replace(pair[0].followed_by(pair[1]), label=devices[named[0]].label)
        return devices

    @property
    def frames(self) -> int:
        """How many frames there are in all logs."""
        return sum(log.frames for log in self.logs)

    @property
    def length_us(self) -> int:
        """How long all logs are, in microseconds."""
        return sum(log.length_us for log in self.logs)

    @cached_property
    def at_once(self) -> list[tuple[RecordedLog, ...]]:
        """The groups of logs that have one vehicle at the same time."""
        return same_time([log.recorded for log in self.logs if log.recorded is not None])

    @property
    def recordings(self) -> list[Recording]:
        """Which logs are one recording in several files."""
        return recordings([log.recorded for log in self.logs if log.recorded is not None])

    @property
    def recorded_us(self) -> int:
        """How long was recorded, in microseconds; what several logs have at the same time counts once."""
        return self.length_us - doubled_us(self.at_once)

    def followed_by(self, later: "LogSummary") -> "LogSummary":
        """Return the summary of both, ``later`` behind this one."""
        shifted = {key: device.shifted(self.length_us) for key, device in later.parts.items()}
        return LogSummary(self.logs + later.logs, _joined(self.parts, shifted), _joined(self.troubles, later.troubles))


EMPTY = LogSummary()
"""The summary of no log."""
_Part = TypeVar("_Part", DeviceSummary, MessageSummary, SignalSummary, TroubleSeen)
_Key = TypeVar("_Key")


def _joined(earlier: Mapping[_Key, _Part], later: Mapping[_Key, _Part]) -> dict[_Key, _Part]:
    both = dict(earlier)
    for key, part in later.items():
        both[key] = both[key].followed_by(part) if key in both else part
    return both


def recorded_log(name: str, found: Survey, first: int | None, started: int | None) -> RecordedLog | None:
    """Return when a log was recorded, and with which units; None where its times have no meaning.

    Args:
        name: the name of the log.
        found: its survey.
        first: its own time of its first frame, in microseconds.
        started: the same since the epoch, None where it has no date.
    """
    zero = first if started is None else started
    if zero is None or not found.in_order or not found.sources:
        return None
    units = frozenset((source.address, None if source.name is None else int(source.name)) for source in found.sources)
    return RecordedLog(name, zero + found.start, found.end - found.start, started is not None, units)


def summarize(name: str, found: Survey, unreadable: int = 0, recorded: RecordedLog | None = None) -> LogSummary:
    """Return the summary of one channel of a log.

    Args:
        name: the name of the log, with the channel where it has several.
        found: its survey; ``signals`` are in the summary if they are in it.
        unreadable: how many places of the log could not be read.
        recorded: when it was recorded, None where that is not known.
    """
    load = found.load
    judged = found.in_order and not load.is_impossible
    log = SummarizedLog(
        name,
        found.frames,
        round(found.seconds * 1e6),
        found.in_order,
        load.average_percent if judged else None,
        load.peak_percent if judged and load.peak is not None else None,
        unreadable,
        found.planned,
        found.unseen_devices,
        recorded,
    )
    devices: dict[DeviceKey, DeviceSummary] = {}
    for source in sorted(found.sources, key=_first_heard):
        key, device = _device(source, found)
        devices[key] = devices[key].followed_by(device) if key in devices else device
    return LogSummary((log,), {key: replace(device, logs=1) for key, device in devices.items()}, _troubles(name, found))


def _first_heard(source: SurveyedSource) -> int:
    return min((counts.first for counts in source.messages.values()), default=0)


def _last_frame(device: DeviceSummary) -> int:
    return max((signal.last_time for signal in device.signals.values()), default=0)


def _device(source: SurveyedSource, found: Survey) -> tuple[DeviceKey, DeviceSummary]:
    functions = frozenset(
        (name, instance)
        for record in source.devices
        for name, instances in record.functions.items()
        for instance in instances or (None,)
    )
    names = frozenset(int(record.name) for record in source.devices if record.name is not None)
    planned = ", ".join(record.device for record in source.devices if record.planned)
    address = f"address {source.address:02X} hex"
    label = planned or (f"{functions_text(functions)} ({address})" if functions else address)
    if planned:
        key = DeviceKey(Identity.PLAN, planned)
    elif names:
        key = DeviceKey(Identity.NAME, ", ".join(f"{name:016X}" for name in sorted(names)))
    elif functions:
        key = DeviceKey(Identity.FUNCTIONS, functions_text(functions))
    else:
        key = DeviceKey(Identity.ADDRESS, f"{source.address:02X}")
    messages = {message: _message(counts, found) for message, counts in source.messages.items()}
    signals = {
        DeviceSignal(signal.dgn, signal.instance, signal.dsa, signal.field): summary
        for signal, summary in (found.signals or {}).items()
        if signal.source == source.address
    }
    return key, DeviceSummary(label, frozenset({source.address}), names, functions, 1, messages, signals)


def functions_text(functions: Iterable[tuple[str, int | None]]) -> str:
    """Return functions with their instances as text, in the order of their names."""
    ordered = sorted(functions, key=lambda one: (one[0], -1 if one[1] is None else one[1]))
    return ", ".join(
        FUNCTIONS[name].title if instance is None else FUNCTIONS[name].label(instance) for name, instance in ordered
    )


def _message(counts: MessageCounts, found: Survey) -> MessageSummary:
    median = counts.median_gap
    if median is None or not found.in_order:
        return MessageSummary(counts.count, 0, {})
    longest = max(counts.longest_gap, found.end - counts.last)
    return MessageSummary(counts.count, longest, {median: counts.count - 1}, counts.in_bursts)


def _troubles(name: str, found: Survey) -> dict[tuple[str, str], TroubleSeen]:
    explained = {flag.number for cause in found.causes for flag in cause.flags}
    troubles: dict[tuple[str, str], TroubleSeen] = {}
    alone = (flag for flag in found.flags if flag.number not in explained)
    every: tuple[Cause | Flag, ...] = (*found.causes, *alone)
    for one in every:
        seen = TroubleSeen(one.severity, 1, (name,), one.text, one.advice)
        key = str(one.kind), one.subject
        troubles[key] = troubles[key].followed_by(seen) if key in troubles else seen
    return troubles
