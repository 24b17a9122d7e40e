"""The rules: which transitions raise a flag, how serious it is, what it says and what to try next.

Knows: the trade's words for each kind of problem. Does not know how a transition was found: those of a live bus and
those of a captured log raise the same flags. A cause raises one flag, and that is cleared when the cause ends.
"""

from collections import Counter, deque
from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

from rvsim.rig.accepted import AcceptedPlan
from rvsim.rig.claimed import written
from rvsim.rig.functions import by_dsa
from rvsim.rig.quantity import moment
from rvsim.watch.busyness import BUSY_WARNING
from rvsim.watch.flag import Flag, FlagCleared, FlagRaised, Kind, Severity
from rvsim.watch.traffic import SECOND
from rvsim.watch.transitions import (
    AboutMessage,
    AddressShared,
    BusBusy,
    BusFellQuiet,
    Cause,
    DataLost,
    Ended,
    FaultReported,
    FellSilent,
    FramesCollided,
    GapExceeded,
    LengthWrong,
    Limits,
    NameMissing,
    NobodyAcknowledges,
    Problem,
    RangeLeft,
    Stranger,
    WaitedTooLong,
)
from rvsim.wire.fields import Origin, Reading
from rvsim.wire.frame import Frame
from rvsim.wire.name import Name


class _Draft(NamedTuple):
    """A flag without its number."""

    kind: Kind
    subject: str
    severity: Severity
    text: str
    advice: str
    evidence: tuple[str, ...]


AWAY = GapExceeded | FellSilent | BusFellQuiet
"""The problems in which something stays away."""
KEPT = 5_000
"""Cleared flags that are remembered; the oldest go first, so a week's run has bounded memory."""


class Rules:
    """Turns problems and their ends into flags, but for those that are accepted."""

    def __init__(self, accepted: Iterable[AcceptedPlan] = ()) -> None:
        self.accepted: Counter[tuple[Kind, str]] = Counter()
        """How many flags of each kind and subject were not raised because they are accepted."""
        self._accepted = tuple(accepted)
        self._untold: set[Cause] = set()
        self._raised = 0
        self._standing: dict[Cause, Flag] = {}
        self._cleared: deque[Flag] = deque(maxlen=KEPT)

    @property
    def everything(self) -> tuple[Flag, ...]:
        """The flags that stand and the last ones that were cleared, by number."""
        return tuple(sorted((*self._cleared, *self._standing.values()), key=lambda flag: flag.number))

    @property
    def standing(self) -> tuple[Flag, ...]:
        """The flags that stand, by number."""
        return tuple(self._standing.values())

    def take(self, transition: Problem | Ended) -> FlagRaised | FlagCleared | None:
        """Raise or clear what a transition calls for; None where nothing changes."""
        if isinstance(transition, Ended):
            return self._clear(transition)
        if transition.cause in self._standing or transition.cause in self._untold:
            return None
        draft: _Draft = _DRAFTS[type(transition)](transition)
        message = transition.topic[1:3] if isinstance(transition, AboutMessage) else None
        field = transition.reading.field.name if isinstance(transition, RangeLeft | DataLost) else None
        absent = isinstance(transition, FellSilent) and transition.last is None
        covering = (one for one in self._accepted if one.covers(draft.kind, draft.subject, message, field))
        if any(one.absent or not absent for one in covering):
            self.accepted[draft.kind, draft.subject] += 1
            self._untold.add(transition.cause)
            return None
        self._raised += 1
        flag = Flag(
            self._raised,
            draft.kind,
            draft.subject,
            draft.severity,
            transition.since,
            draft.text,
            draft.advice,
            draft.evidence,
            message=(message[1] or f"{message[0]:05X}") if message else None,
            field=field,
            heard=transition.last.time if isinstance(transition, AWAY) and transition.last is not None else None,
        )
        self._standing[transition.cause] = flag
        return FlagRaised(transition.time, flag)

    def _clear(self, ended: Ended) -> FlagCleared | None:
        self._untold.discard(ended.cause)
        standing = self._standing.pop(ended.cause, None)
        if standing is None:
            return None
        flag = standing.cleared(ended.time)
        self._cleared.append(flag)
        return FlagCleared(ended.time, flag)


def _span(length: int) -> str:
    return f"{length / SECOND:.1f} s"


def _gap(length: int | None) -> str:
    return f", due every {length / SECOND:.3g} s" if length is not None else ""


def _frame(frame: Frame | None, which: str = "frame") -> tuple[str, ...]:
    return (f"{which} {frame} at {moment(frame.time)}",) if frame is not None else ()


def _silent(found: FellSilent) -> _Draft:
    if found.last is None:
        text = f"not heard at all for {_span(found.limit)}{_gap(found.gap)}"
        wanted = f", and that it is set to {' and '.join(found.functions)}" if found.functions else ""
        advice = f"see that it is fitted and powered: its fuse, its data plug, its drop{wanted}"
    else:
        text = f"nothing heard for {_span(found.limit)}{_gap(found.gap)}; last at {moment(found.last.time)}"
        advice = "its power and fuse first, then its data plug, then its drop"
    late = (f"{one.topic} late since {moment(one.since)}" for one in found.late)
    evidence = (*_frame(found.last, "last frame"), *late)
    return _Draft(Kind.SILENT_DEVICE, found.device, Severity.FAULT, text, advice, evidence)


def _late(found: GapExceeded) -> _Draft:
    text = f"{found.topic} not heard for {_span(found.limit)}{_gap(found.gap)}; last at {moment(found.last.time)}"
    advice = "its firmware or setting for this message; if more of its messages are late, its supply and its data plug"
    evidence = _frame(found.last, "last frame")
    return _Draft(Kind.LATE_MESSAGE, found.device, Severity.WARNING, text, advice, evidence)


def _quiet(found: BusFellQuiet) -> _Draft:
    text = (
        f"nothing from anyone for {_span(found.silence)}, where {found.median / SECOND:.3f} s between frames is usual; "
        f"last at {moment(found.last.time)}"
    )
    advice = (
        "the supply of the bus and the adapter first; then, with the power off, both terminators: 60 ohm across the "
        "pair is right for two, and does not prove the connectors, the ground or the supply"
    )
    evidence = (*_frame(found.last, "last frame"), f"{found.missed} sources have missed a message")
    return _Draft(Kind.BUS_QUIET, "bus", Severity.FAULT, text, advice, evidence)


def _unit(name: Name) -> str:
    return f"maker {name.manufacturer_code}, serial number {name.serial_number}"


def _busy(found: BusBusy) -> _Draft:
    text = (
        f"the pair is {found.percent:.0f} % busy, more than {found.above} %: {found.frames} frames in a second, "
        f"{found.share:.0f} % of its bits from {found.most}"
    )
    advice = (
        "that device first: does it send more often than its messages ask for, or the same again and again; then fewer "
        "devices on this pair, or a second one"
    )
    severity = Severity.WARNING if found.above >= BUSY_WARNING else Severity.NOTICE
    return _Draft(Kind.BUS_BUSY, "bus", severity, text, advice, ())


def _waited(found: WaitedTooLong) -> _Draft:
    text = (
        f"{found.message} of {found.device} took {found.response / 1000:.1f} ms to get through, and the plan promises "
        f"{found.promised / 1000:.1f} ms at worst, without errors and if everybody keeps to the plan"
    )
    advice = (
        "who sends more than the plan has, or more often: see who used the pair; or what spoils frames, so that they "
        "are sent again: with the power off, both terminators (60 ohm across the pair) and every plug"
    )
    return _Draft(Kind.BUS_BUSY, "bus", Severity.WARNING, text, advice, (f"ready at {found.since / SECOND:.6f} s",))


def _unacknowledged(found: NobodyAcknowledges) -> _Draft:
    text = (
        f"nobody acknowledges what it sends: nothing of it has come through for {_span(found.limit)}, and it goes on "
        "trying"
    )
    advice = (
        "one node alone cannot send: is another one powered, with the same bit rate? if so, its two wires, which may "
        "be swapped, then its drop and its data plug"
    )
    evidence = (f"identifier {found.identifier:08X}, first tried at {moment(found.since)}",)
    return _Draft(Kind.NO_ACKNOWLEDGE, found.device, Severity.FAULT, text, advice, evidence)


def _collided(found: FramesCollided) -> _Draft:
    text = (
        f"{' and '.join(found.nodes)} sent one identifier with different data at once: both use address "
        f"{found.source:02X} hex, and each spoils the other's frame"
    )
    evidence = (f"identifier {found.identifier:08X} at {moment(found.time)}",)
    return _Draft(Kind.SHARED_ADDRESS, found.device, Severity.FAULT, text, _ONE_ADDRESS, evidence)


def _stranger(found: Stranger) -> _Draft:
    if found.instead_of is not None and found.name is not None:
        text = f"another unit than the planned {found.instead_of} speaks as {found.function}: {_unit(found.name)}"
        advice = "set its instance as planned, or correct the rig"
        if not found.planned:
            advice = (
                f'a replaced unit? then write its NAME in the rig: claimed_name = "{written(found.name)}" for '
                f"{found.instead_of}; if it is not, give it an instance of its own, or take it off the bus"
            )
    elif found.function is None:
        text = f"not in the rig: it has not said what it is within {_span(found.waited)}"
        advice = "find it by its NAME or by unplugging it; then add it to the rig, or take it off the bus"
    elif found.holder is not None:
        text = f"speaks as {found.function}, already spoken for by {found.holder}"
        advice = f"one of the two is set wrong: give each its own instance, and see which one {found.function} is"
    else:
        text = f"speaks as {found.function}, which the rig does not have"
        advice = "set its instance as planned, or add it to the rig"
    evidence = _frame(found.last)
    return _Draft(Kind.UNPLANNED_DEVICE, found.device, Severity.WARNING, text, advice, evidence)


_ONE_ADDRESS = (
    "give one of them another address, or find the one that does not arbitrate: unplug one and see which one goes"
)


def _shared(found: AddressShared) -> _Draft:
    units = " and ".join(_unit(name) for name in found.names)
    text = f"{len(found.names)} units claim address {found.source:02X} hex, and none gives way: {units}"
    names = tuple(f"NAME {written(name)}" for name in found.names)
    return _Draft(Kind.SHARED_ADDRESS, found.device, Severity.FAULT, text, _ONE_ADDRESS, names)


_DOUBT = {Origin.MEMORY: "; layout from memory", Origin.UNSURE: "; layout not sure"}


def _origin(reading: Reading) -> str:
    """Say where the layout rests on memory, so that the definition may be what is wrong."""
    return _DOUBT.get(reading.field.grades.layout, "")


def _between(limits: Limits | None, reading: Reading) -> str:
    if limits is None:
        return ""
    return f", outside {limits.low:g} to {limits.high:g} {reading.field.spoken_unit}".rstrip() + f" ({limits.origin})"


def _bad(found: RangeLeft) -> _Draft:
    reading = found.reading
    text = f"{found.topic} {reading.field.title} {reading.brief}{_between(found.limits, reading)}{_origin(reading)}"
    advice = "the sensor, its wire and its plug; compare with another reading of the same thing"
    return _Draft(Kind.BAD_VALUE, found.device, Severity.WARNING, text, advice, _frame(found.last))


def _no_data(found: DataLost) -> _Draft:
    title = f"{found.topic} {found.reading.field.title}"
    if found.before is not None:
        text = f"{title} turned to no data; it had said {found.before.brief}"
    else:
        text = f"{title} says no data, and the rig requires a value"
    advice = "the sensor's wire and plug: a sensor that is cut off reads as no data; then the sensor itself"
    text += _origin(found.reading)
    return _Draft(Kind.NO_DATA, found.device, Severity.WARNING, text, advice, _frame(found.last))


def _length(found: LengthWrong) -> _Draft:
    if found.fields:
        without = ", ".join(name.replace("_", " ") for name in found.fields)
        text = f"{found.topic} has {found.length} bytes, its fields need {found.needed}; without {without}"
    else:
        text = f"{found.topic} has {found.length} bytes, more than the {found.needed} that are defined"
    if found.harmless:
        severity, advice = Severity.NOTICE, "nothing: what is missing counts as no data"
    else:
        severity, advice = Severity.WARNING, "its firmware, and whether the definition of this message is right"
    return _Draft(Kind.WRONG_LENGTH, found.device, severity, text, advice, _frame(found.last))


def _nameless(found: NameMissing) -> _Draft:
    text = f"DGN {found.topic.dgn:05X} hex has no definition here"
    advice = "nothing is wrong with the bus; to see what it says, give a DBC file that defines it"
    return _Draft(Kind.UNKNOWN_MESSAGE, found.device, Severity.NOTICE, text, advice, _frame(found.last))


_HEATING = frozenset({"furnace", "water_heater"})


def _reported(found: FaultReported) -> _Draft:
    function = by_dsa(found.topic.dsa) if found.topic.dsa is not None else None
    whose = f"its {function.title}" if function else "it"
    lamps = [lamp for lamp, on in zip(("protect", "amber", "red", "malfunction"), found.lamps, strict=True) if on]
    lit = f", with the {' and the '.join(lamps)} lamp on" if lamps else ""
    what = str(found.trouble) if found.trouble is not None else "a fault that it does not name"
    advice = "its manual says what this SPN means for this function; mend that, and see whether the report goes"
    if function is not None and function.name in _HEATING:
        advice = (
            "fuel, voltage and exhaust first, then its manual for this SPN: a lockout is a safety function, and "
            "resetting it again and again mends nothing"
        )
    severity = Severity.FAULT if found.lamps.red else Severity.WARNING
    return _Draft(
        Kind.REPORTED_FAULT, found.device, severity, f"{whose} reports {what}{lit}", advice, _frame(found.last)
    )


_DRAFTS: dict[type, Callable[[Any], _Draft]] = {
    FellSilent: _silent,
    GapExceeded: _late,
    BusFellQuiet: _quiet,
    BusBusy: _busy,
    WaitedTooLong: _waited,
    NobodyAcknowledges: _unacknowledged,
    FramesCollided: _collided,
    Stranger: _stranger,
    AddressShared: _shared,
    RangeLeft: _bad,
    DataLost: _no_data,
    LengthWrong: _length,
    NameMissing: _nameless,
    FaultReported: _reported,
}
