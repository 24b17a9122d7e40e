"""What is different between two logs: devices, messages, instances, gaps, ranges, values at rest, load, trouble.

Knows: which difference counts, and says by which threshold; what cannot be judged, because a log is too short for it,
is told apart. Works on two summaries (`logs.summary`), each of one log or of several. Does not know how a difference is
shown.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from rvsim.logs.matching import Match, match_devices
from rvsim.logs.signal_summary import SignalSummary
from rvsim.logs.summary import (
    DeviceSignal,
    DeviceSummary,
    LogSummary,
    MessageSummary,
    TroubleSeen,
    functions_text,
)
from rvsim.logs.survey import SurveyedMessage
from rvsim.watch.flag import Severity
from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US
from rvsim.watch.traffic import MISSED_IN_A_ROW
from rvsim.watch.transitions import Topic
from rvsim.wire.fields import State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.quantity_text import compose

MIN_EXPECTED = 3
"""A message is missing from a log that lasts at least so many of its longest gaps. Our decision, as for a silent
device; so what is sent after a start only is missing from no log."""
MIN_GAPS = 3
"""Gaps that a message needs in both logs, so that its gap is compared. Our decision."""
MAX_GAP_RATIO = 1.25
"""Gaps differ if one is more than this many times the other. Our decision."""
MIN_GAP_US = 20_000
"""Gaps that differ by less are the same: so much a busy bus delays a frame. Our decision."""
LATE_US = 2 * SECOND_US
"""A gap is too long from this time above its usual length on, as in the roll call."""
MAX_LOAD_RATIO = 1.25
MIN_LOAD_PERCENT = 1.0
"""Loads differ if they are both so many points and so many times apart. Our decision."""
MIN_STEPS = 10
"""Ranges differ only by more than so many steps of the field. Our decision."""
MIN_SHARE = 0.05
"""Ranges differ only by more than this share of the larger value. Our decision."""
MAX_STEPS_AT_REST = 2
"""Quantities at rest that differ by no more steps are the same: the last step of a sensor flickers. Our decision."""
MIN_VALUES = 3
"""Frames that a field needs in both logs, so that its values are compared. Our decision."""
MIN_JUDGED_US = MIN_SILENCE_LIMIT_US
"""In a shorter log no trouble is missed."""


class Sort(StrEnum):
    """How something is different."""

    NEW = "new"
    GONE = "gone"
    CHANGED = "changed"


class Aspect(StrEnum):
    """What is different, in the order in which it is told."""

    FRAMES = "frames"
    DEVICE = "device"
    UNIT = "unit"
    """The NAME: another unit is in its place."""
    ADDRESS = "address"
    INSTANCE = "instance"
    MESSAGE = "message"
    GAP = "gap"
    LONGEST_GAP = "longest gap"
    AT_REST = "value at rest"
    RANGE = "range"
    LOAD = "bus load"
    TROUBLE = "trouble"


THRESHOLDS: Mapping[Aspect, str] = {
    Aspect.FRAMES: "one log has frames and the other has none",
    Aspect.DEVICE: "only one log has it, and one of its messages counts",
    Aspect.UNIT: "the device in this place has another NAME",
    Aspect.ADDRESS: "the same device has another source address",
    Aspect.INSTANCE: "the same function of the same device has another instance",
    Aspect.MESSAGE: f"only one log has it, and the other lasts at least {MIN_EXPECTED} of its longest gaps there",
    Aspect.GAP: f"one is more than {MAX_GAP_RATIO:g} times the other, and {MIN_GAP_US // 1000} ms longer",
    Aspect.LONGEST_GAP: f"only one is above {MISSED_IN_A_ROW} usual gaps, and {LATE_US // SECOND_US} s above one; the "
    "silence at the end of a log counts",
    Aspect.AT_REST: "it is the same in the whole of each log, and another code, state, or a number more than "
    f"{MAX_STEPS_AT_REST} steps away",
    Aspect.RANGE: f"its lowest or highest value moved by more than half of the wider range, {MIN_STEPS} steps of the "
    f"field and {100 * MIN_SHARE:g} % of the larger value; or one log has no value of it",
    Aspect.LOAD: f"one is more than {MAX_LOAD_RATIO:g} times the other, and {MIN_LOAD_PERCENT:g} point more",
    Aspect.TROUBLE: f"only one log has it, and the other lasts {MIN_JUDGED_US // SECOND_US} s; notices are left out",
}
"""When something counts as a difference, by what is different: the rules above in words."""


class Difference(NamedTuple):
    """One difference. ``before`` and ``after`` are texts, which may have quantities; None where there is nothing.

    ``device`` is empty for the whole bus; ``message`` and ``field`` are None where it is about none.
    """

    sort: Sort
    aspect: Aspect
    device: str
    message: str | None
    field: str | None
    before: str | None
    after: str | None


class NotJudged(NamedTuple):
    """What is in one log only, and may be missing from the other by chance."""

    sort: Sort
    device: str
    message: str | None
    why: str


@dataclass(frozen=True)
class Comparison:
    """What is different between two logs, or sets of logs."""

    before: LogSummary
    after: LogSummary
    differences: tuple[Difference, ...]
    not_judged: tuple[NotJudged, ...]
    matches: tuple[Match, ...]
    """The devices that are in both."""
    notes: tuple[str, ...]
    """What was not compared at all, and why."""

    @property
    def is_same(self) -> bool:
        """Whether nothing differs by the thresholds."""
        return not self.differences


def compare(before: LogSummary, after: LogSummary) -> Comparison:
    """Compare two logs. Their fields are compared if both summaries have signals."""
    matching = match_devices(before, after)
    differences: list[Difference] = []
    not_judged: list[NotJudged] = []
    notes = tuple(_notes(before, after))
    if not before.frames or not after.frames:
        if before.frames != after.frames:
            frames = f"{before.frames} frames", f"{after.frames} frames"
            differences.append(Difference(Sort.CHANGED, Aspect.FRAMES, "", None, None, *frames))
        return Comparison(before, after, tuple(differences), (), matching.both, notes)
    for sort, devices, other in ((Sort.GONE, matching.gone, after), (Sort.NEW, matching.new, before)):
        for device in devices:
            if any(_is_expected(message, other) for message in device.messages.values()):
                texts = (device.label, None) if sort is Sort.GONE else (None, device.label)
                differences.append(Difference(sort, Aspect.DEVICE, device.label, None, None, *texts))
            else:
                why = _why_unjudged(device.messages.values(), other)
                not_judged.append(NotJudged(sort, device.label, None, why))
    for match in matching.both:
        for found in _device(match, before, after):
            if isinstance(found, Difference):
                differences.append(found)
            else:
                not_judged.append(found)
    differences += _loads(before, after)
    differences += _troubles(before, after, matching.both)
    order = list(Aspect)
    differences.sort(key=lambda one: order.index(one.aspect))
    return Comparison(before, after, tuple(differences), tuple(not_judged), matching.both, notes)


def _notes(before: LogSummary, after: LogSummary) -> Iterator[str]:
    for log in (*before.logs, *after.logs):
        if not log.in_order:
            yield f"the times of {log.name} are not plausible: its gaps and its bus load are not compared"
    for found in (before, after):
        if 0 < found.length_us < MIN_JUDGED_US or (found.frames and not found.length_us):
            names, seconds = ", ".join(log.name for log in found.logs), found.length_us / SECOND_US
            yield f"{names} lasts {seconds:.1f} s: most of what is missing there cannot be told"
    if not before.frames or not after.frames:
        empty = [log.name for log in (*before.logs, *after.logs) if not log.frames]
        yield f"no frames of this network in {', '.join(empty)}: nothing can be compared"


def _is_expected(message: MessageSummary, other: LogSummary) -> bool:
    """Return whether a message that another log does not have would have come there."""
    gap = message.median_gap
    if gap is None or message.gaps < MIN_GAPS:
        return False
    return other.length_us >= MIN_EXPECTED * max(gap, message.longest_gap)


def _why_unjudged(messages: Iterable[MessageSummary], log: LogSummary) -> str:
    """Return why nothing can be told of what a log does not have."""
    if all(message.median_gap is None or message.gaps < MIN_GAPS for message in messages):
        return "it has no usual gap"
    return f"{log.length_us / SECOND_US:.0f} s are less than {MIN_EXPECTED} of its longest gaps"


# One device.


def _device(match: Match, before: LogSummary, after: LogSummary) -> Iterator[Difference | NotJudged]:
    """Yield what is different in a device that is in both logs."""
    old, new, _ = match
    label = old.label
    if old.names and new.names and not old.names & new.names:
        yield Difference(Sort.CHANGED, Aspect.UNIT, label, None, None, _names(old), _names(new))
    if old.addresses != new.addresses:
        yield Difference(Sort.CHANGED, Aspect.ADDRESS, label, None, None, _addresses(old), _addresses(new))
    renamed = _renamed(old, new)
    if renamed:
        changed = (
            functions_text((name, instance) for name, instance in device.functions if name in renamed)
            for device in (old, new)
        )
        yield Difference(Sort.CHANGED, Aspect.INSTANCE, label, None, None, *changed)
    instances = dict(renamed.values())
    pairs = {key: _twin(key, old.messages, new.messages, instances) for key in old.messages}
    for key, twin in pairs.items():
        if twin is None:
            yield _missing(Sort.GONE, label, key, old.messages[key], after)
        else:
            yield from _gaps(label, key, old.messages[key], new.messages[twin])
    for key in new.messages.keys() - set(pairs.values()):
        yield _missing(Sort.NEW, label, key, new.messages[key], before)
    for signal, summary in old.signals.items():
        moved = signal if signal in new.signals else signal._replace(instance=instances.get(signal.instance))
        if moved in new.signals:
            yield from _values(label, signal, old, summary, new.signals[moved])


def _names(device: DeviceSummary) -> str:
    return "NAME " + ", ".join(f"{name:016X}" for name in sorted(device.names))


def _addresses(device: DeviceSummary) -> str:
    return "address " + ", ".join(f"{address:02X}" for address in sorted(device.addresses)) + " hex"


def _renamed(old: DeviceSummary, new: DeviceSummary) -> dict[str, tuple[int | None, int | None]]:
    """Return the functions that have one instance in each log, and not the same: the instances before and after."""
    found: dict[str, tuple[int | None, int | None]] = {}
    for name in sorted({name for name, _ in old.functions} & {name for name, _ in new.functions}):
        before = {instance for function, instance in old.functions if function == name and instance is not None}
        after = {instance for function, instance in new.functions if function == name and instance is not None}
        if len(before) == len(after) == 1 and before != after:
            found[name] = before.pop(), after.pop()
    return found


def _twin(
    key: SurveyedMessage,
    old: Mapping[SurveyedMessage, MessageSummary],
    new: Mapping[SurveyedMessage, MessageSummary],
    instances: Mapping[int | None, int | None],
) -> SurveyedMessage | None:
    """Return the same message in the other log, if need be with the instance that it has there."""
    if key in new:
        return key
    moved = key._replace(instance=instances.get(key.instance))
    return moved if moved in new and moved not in old else None


def _missing(
    sort: Sort, label: str, key: SurveyedMessage, message: MessageSummary, other: LogSummary
) -> Difference | NotJudged:
    if not _is_expected(message, other):
        return NotJudged(sort, label, _title(key), _why_unjudged((message,), other))
    gap = f"every {_gap_text(message.median_gap or 0)}"
    texts = (gap, None) if sort is Sort.GONE else (None, gap)
    return Difference(sort, Aspect.MESSAGE, label, _title(key), None, *texts)


def _title(key: SurveyedMessage) -> str:
    return str(Topic(0, *key))


def _gap_text(gap: int) -> str:
    return f"{gap / 1000:.0f} ms" if gap < 999_500 else f"{gap / SECOND_US:.2f} s"


def _gaps(label: str, key: SurveyedMessage, old: MessageSummary, new: MessageSummary) -> Iterator[Difference]:
    before, after = old.median_gap, new.median_gap
    if before is None or after is None or min(old.gaps, new.gaps) < MIN_GAPS or old.in_bursts or new.in_bursts:
        return
    longer, shorter = max(before, after), min(before, after)
    if longer > MAX_GAP_RATIO * shorter and longer - shorter > MIN_GAP_US:
        texts = f"every {_gap_text(before)}", f"every {_gap_text(after)}"
        yield Difference(Sort.CHANGED, Aspect.GAP, label, _title(key), None, *texts)
    if _is_late(old) != _is_late(new):
        texts = f"at most {_gap_text(old.longest_gap)}", f"at most {_gap_text(new.longest_gap)}"
        yield Difference(Sort.CHANGED, Aspect.LONGEST_GAP, label, _title(key), None, *texts)


def _is_late(message: MessageSummary) -> bool:
    """Return whether the longest gap is one by which a message is late."""
    gap = message.median_gap or 0
    return message.longest_gap > max(MISSED_IN_A_ROW * gap, gap + LATE_US)


# Values.


def _values(
    label: str, signal: DeviceSignal, device: DeviceSummary, old: SignalSummary, new: SignalSummary
) -> Iterator[Difference]:
    """Yield what is different in one field: its value at rest, or its range."""
    if min(old.frames, new.frames) < MIN_VALUES:
        return
    message = _message_of(signal, device)
    at_rest = not old.changes and not new.changes
    if at_rest and _differs_at_rest(old, new):
        texts = old.last.brief, new.last.brief
        yield Difference(Sort.CHANGED, Aspect.AT_REST, label, message, old.field.title, *texts)
    elif (not at_rest and bool(old.valid) != bool(new.valid)) or (not at_rest and _differs_in_range(old, new)):
        yield Difference(Sort.CHANGED, Aspect.RANGE, label, message, old.field.title, _range(old), _range(new))


def _message_of(signal: DeviceSignal, device: DeviceSummary) -> str:
    key = next(
        (key for key in device.messages if (key.dgn, key.instance, key.dsa) == signal[:3]),
        SurveyedMessage(signal.dgn, None, signal.instance, signal.dsa),
    )
    return _title(key._replace(part=""))


def _is_code(signal: SignalSummary) -> bool:
    return bool(signal.field.labels) and not signal.field.unit


def _differs_at_rest(old: SignalSummary, new: SignalSummary) -> bool:
    before, after = old.last, new.last
    if before.state is not after.state:
        return True
    if before.state is not State.VALUE or before.raw is None or after.raw is None:
        return False
    return abs(before.raw - after.raw) > (0 if _is_code(old) else MAX_STEPS_AT_REST)


def _differs_in_range(old: SignalSummary, new: SignalSummary) -> bool:
    if None in (old.lowest_raw, old.highest_raw, new.lowest_raw, new.highest_raw) or _is_code(old):
        return False
    before, after = _limits(old), _limits(new)
    moved = max(abs(one - other) for one, other in zip(before, after, strict=True))
    wider = max(before[1] - before[0], after[1] - after[0])
    size = max(map(abs, (*before, *after)))
    return moved > max(wider / 2, MIN_STEPS * float(old.field.step), MIN_SHARE * size)


def _limits(signal: SignalSummary) -> tuple[float, float]:
    """Return the lowest and the highest value."""
    assert signal.lowest_raw is not None
    assert signal.highest_raw is not None
    values = signal.field.value(signal.lowest_raw), signal.field.value(signal.highest_raw)
    return min(values), max(values)


def _range(signal: SignalSummary) -> str:
    """Return the range of a field as text; its last state where it had no value."""
    if signal.lowest is None or signal.highest is None:
        return f"always {signal.last.brief}"
    if signal.lowest.raw == signal.highest.raw:
        return compose("always ", signal.lowest.brief)
    return compose(signal.lowest.brief, " to ", signal.highest.brief)


# The whole bus.


def _loads(before: LogSummary, after: LogSummary) -> Iterator[Difference]:
    for what, old, new in (
        ("on average", _average(before), _average(after)),
        ("in the worst second", _peak(before), _peak(after)),
    ):
        if old is None or new is None:
            continue
        larger, smaller = max(old, new), min(old, new)
        if larger - smaller > MIN_LOAD_PERCENT and larger > MAX_LOAD_RATIO * smaller:
            texts = f"{old:.1f} % {what}", f"{new:.1f} % {what}"
            yield Difference(Sort.CHANGED, Aspect.LOAD, "", None, None, *texts)


def _average(found: LogSummary) -> float | None:
    """Return the average load of all logs, each by its length; None where one has none."""
    parts = [(log.average_percent, log.length_us) for log in found.logs if log.length_us]
    if not parts or any(load is None for load, _ in parts):
        return None
    return sum((load or 0.0) * length for load, length in parts) / sum(length for _, length in parts)


def _peak(found: LogSummary) -> float | None:
    return max((log.peak_percent for log in found.logs if log.peak_percent is not None), default=None)


def _troubles(before: LogSummary, after: LogSummary, matches: tuple[Match, ...]) -> Iterator[Difference]:
    """Yield the troubles that are in one log only; a device is the same at another address."""
    names: dict[str, str] = {}
    for match in matches:
        for address in match.before.addresses | match.after.addresses:
            names[f"address {address:02X} hex"] = match.before.label
    old, new = _serious(before, names), _serious(after, names)
    for sort, there, other in ((Sort.GONE, old, new), (Sort.NEW, new, old)):
        if (after if sort is Sort.GONE else before).length_us < MIN_JUDGED_US:
            continue
        for (kind, subject), seen in there.items():
            if (kind, subject) not in other:
                text = compose(f"{seen.severity}, {kind}: ", seen.text)
                texts = (text, None) if sort is Sort.GONE else (None, text)
                yield Difference(sort, Aspect.TROUBLE, "" if subject == "bus" else subject, None, None, *texts)


def _serious(found: LogSummary, names: Mapping[str, str]) -> dict[tuple[str, str], TroubleSeen]:
    return {
        (kind, names.get(subject, subject)): seen
        for (kind, subject), seen in found.troubles.items()
        if seen.severity is not Severity.NOTICE
    }
