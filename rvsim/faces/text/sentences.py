"""A run as sentences: one for each change and each flag.

Knows: the sentence of each change, and which changes of a number are too small for a sentence. Does not know where
events come from.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import groupby
from typing import TextIO, assert_never

from rvsim.faces.text.balance_text import balance_lines
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.flags import explain_flags, tags
from rvsim.faces.text.marks import LEGEND, mark, topic_origins
from rvsim.faces.text.switching_sentences import GROUP_COMMANDS, SAME_READING, SWITCHING_WORDS
from rvsim.rig.functions import by_command, by_dsa, by_status
from rvsim.rig.model import Rig
from rvsim.watch.planned_names import TerminalNames
from rvsim.watch.watch import (
    Event,
    FlagCleared,
    FlagRaised,
    ListeningGap,
    MomentMarked,
    NodeDescribed,
    Presence,
    PresenceChanged,
    ReadingChanged,
    Watch,
)
from rvsim.wire import texts
from rvsim.wire.diagnostics import SPN_PARTS, fault_in_fields, fault_origins, fault_text
from rvsim.wire.fields import Origin, Reading, State
from rvsim.wire.frame import Frame
from rvsim.wire.quantity_text import compose, join
from rvsim.wire.spec import MessageSpec
from rvsim.world.balance import BalanceFigures

GradedText = tuple[str, list[Origin]]
"""A text, and the origins of everything that it is made from."""

_MIN_CHANGE = {"°C": 0.5, "%": 5.0, "V": 0.2, "A": 2.0, "min": 30.0, "K": 0.5}
"""The least change since its last sentence that gives a number a new one, by unit. Our choice, for reading."""
_MAIN_PREFIXES = ("operating_", "system_", "burner_")
"""Prefixes of the two-bit codes that always get a sentence."""
_FAULT_FIELDS = ("spn", "fmi")
_OMITTED_FIELDS = frozenset({"device_priority", "charger_priority", "dc_source_instance", "heat_source"})
"""Fields that never change while a vehicle is used; the JSON form has them."""


class Sentences:
    """Writes a sentence for each change and each flag; small changes of a number are left out."""

    def __init__(
        self, out: TextIO, opening: Iterable[str], units: DisplayUnits = METRIC, rig: Rig | None = None
    ) -> None:
        self._out, self._units = out, units
        self._names = TerminalNames(rig)
        self._last_written: dict[tuple[object, ...], Reading] = {}
        self._seen: set[str] = set()
        for text in (*opening, LEGEND):
            out.write(f"{text}\n")

    def frame(self, frame: Frame) -> None:
        """Write nothing: single frames have no sentence."""

    def events(self, events: Sequence[Event]) -> None:
        """Write what changed; the readings of one frame make one sentence."""
        for _, group in groupby(events, key=_sentence_key):
            readings: list[ReadingChanged] = []
            for event in group:
                if isinstance(event, ReadingChanged):
                    readings.append(event)
                else:
                    self._write(event.time, self._sentence(event))
            if readings:
                self._write_readings(readings)

    def change(self, time: int, text: str) -> None:
        """Write a change of the vehicle."""
        self._write(time, f"vehicle: {self._units.render(text)}")

    def end(self, time: int, watch: Watch) -> None:
        """Write the causes, how many devices are present and which flags are still raised."""
        planned = [entry for entry in watch.roll_call if entry.planned]
        known = planned or watch.roll_call
        present = sum(entry.state in (Presence.PRESENT, Presence.LATE) for entry in known)
        counted = f"{present} of {len(known)} {'planned devices' if planned else 'addresses'} present"
        counted = counted if known else "no device sent a frame"
        raised = ", ".join(f"{flag.tag} {flag.kind} {flag.subject}" for flag in watch.flags)
        for cause in explain_flags(watch.all_flags, watch.causes).causes:
            self._write(time, f"cause, {cause.severity}, of {tags(cause.flags)}: {self._units.render(cause.text)}")
        self._write(time, f"end: {counted}; {f'flags still raised: {raised}' if raised else 'no flag is raised'}")

    def balance(self, time: int, balance: BalanceFigures) -> None:
        """Write who gave and who took heat, fuel and power, and what is left."""
        head, *lines = list(balance_lines(balance)) or [""]
        if head:
            self._write(time, head)
        for text in lines:
            self._out.write(f"{'':13}{self._units.render(text)}\n")

    def flush(self) -> None:
        """Flush the stream."""
        self._out.flush()

    def _write(self, time: int, text: str) -> None:
        self._out.write(f"{time / 1e6:8.1f} s  {text}\n")

    def _write_readings(self, events: Sequence[ReadingChanged]) -> None:
        news = {event.reading.field.name: event.reading for event in events if self._is_news(event)}
        first = events[0]
        topic = first.source, first.spec.name, first.instance, first.dsa
        if not news.keys().isdisjoint(_FAULT_FIELDS):  # a fault is written whole, even if only one part has changed
            known = {
                name: self._last_written[*topic, name] for name in _FAULT_FIELDS if (*topic, name) in self._last_written
            }
            news = {**known, **news}
        text, origins = _SPECIAL.get(first.spec.name, _listed)(news) if news else ("", [])
        if text:
            origins += topic_origins(first.spec, first.instance, first.dsa)
            name = self._names.of(first.spec.name, first.instance)
            self._write(first.time, f"{_subject(first, name)}: {self._units.render(text)}{mark(origins)}")

    def _is_news(self, event: ReadingChanged) -> bool:
        """Tell whether a reading gets a sentence; if so, remember it as the last one written."""
        if event.reading.field.name in _OMITTED_FIELDS:
            return False
        message, field = event.spec.name, event.reading.field.name
        message, field = SAME_READING.get((message, field), (message, field))
        key = (event.source, message, event.instance, event.dsa, field)
        before, now = self._last_written.get(key), event.reading
        if _is_at_rest(now) if before is None else _is_alike(before, now):
            return False
        self._last_written[key] = now
        return True

    def _sentence(
        self, event: PresenceChanged | NodeDescribed | FlagRaised | FlagCleared | ListeningGap | MomentMarked
    ) -> str:
        match event:
            case PresenceChanged():
                return self._presence(event)
            case NodeDescribed():
                software = f"; software: {', '.join(event.software)}" if event.software else ""
                sign = mark((texts.TEXT_ORIGIN,))
                return f"{event.device}, product: {event.product or 'not named'}{software}{sign}"
            case FlagRaised():
                flag = event.flag
                text = self._units.render(flag.text)
                return f"{flag.tag} {flag.severity}, {flag.subject}: {text}\n{'':13}Try next: {flag.advice}"
            case FlagCleared():
                return f"{event.flag.tag} cleared, {event.flag.subject}: {event.flag.kind}"
            case ListeningGap():
                return f"listening again: {event}"
            case MomentMarked():
                return str(event)
            case _:
                assert_never(event)

    def _presence(self, event: PresenceChanged) -> str:
        known = event.device in self._seen
        self._seen.add(event.device)
        stranger = event.source is not None and event.device == f"address {event.source:02X} hex"
        where = f", address {event.source:02X} hex" if event.source is not None and not known and not stranger else ""
        match event.state:
            case Presence.PRESENT:
                return f"{event.device} is {'present again' if known else 'present'}{where}"
            case Presence.UNPLANNED:
                return f"{event.device} is not in the rig"
            case Presence.ASLEEP:
                return f"{event.device} is asleep, as planned"
            case Presence.LATE | Presence.SILENT:
                return f"{event.device} is {event.state}{where}"
            case _:
                assert_never(event.state)


def _sentence_key(event: Event) -> tuple[object, ...] | None:
    """Return what readings of one sentence have in common; None for events with a sentence of their own."""
    if isinstance(event, ReadingChanged):
        return event.time, event.source, event.spec.dgn, event.instance, event.dsa
    return None


def _is_at_rest(reading: Reading) -> bool:
    """Tell whether a two-bit code is "off" or "normal", which needs no sentence when it is first received."""
    return reading.field.length == 2 and reading.raw == 0 and not reading.field.name.startswith(_MAIN_PREFIXES)


def _is_alike(before: Reading, now: Reading) -> bool:
    """Tell whether two readings have the same text, or differ by less than ``_MIN_CHANGE``."""
    if before.value is None or now.value is None:
        return before.state == now.state is not State.VALUE
    if before.label is not None or now.label is not None:
        return before.raw == now.raw
    return before.value == now.value or abs(now.value - before.value) < _MIN_CHANGE.get(now.field.printed_unit, 0.0)


def _subject(event: ReadingChanged, name: str | None) -> str:
    """Return the sender and the function: ``control panel commands roof fan 1``, ``heater, furnace 1``.

    ``name`` is that of the output, switch or key that it is about in the rig.
    """
    if name is not None:
        part = name.removeprefix(f"{event.device}.")
        return f"{event.device} commands {part}" if by_command(event.spec.name) else f"{event.device}, {part}"
    command, instance = by_command(event.spec.name), event.instance
    function = command or by_status(event.spec.name)
    title = function.title if function is not None else _title(event.spec, event.dsa)
    topic = title if instance is None else f"{title} {instance}"
    if function is not None and instance is not None:
        topic = function.label(instance)
    if function is not None and instance is None and event.spec.name in GROUP_COMMANDS:
        topic = f"{function.title}s by group"
    if command is not None:
        return f"{event.device} commands {topic}"
    return topic if title == event.device else f"{event.device}, {topic}"


def _title(spec: MessageSpec, dsa: int | None) -> str:
    function = by_dsa(dsa) if dsa is not None else None
    if function is not None:
        return f"{function.title}'s heartbeat"
    return _TITLES.get(spec.name, spec.name)


def _listed(news: Mapping[str, Reading]) -> GradedText:
    text = join(", ", (compose(f"{reading.field.title} ", reading.brief) for reading in news.values()))
    return text, [reading.origin for reading in news.values()]


def _claim(news: Mapping[str, Reading]) -> GradedText:
    """Return the two parts of a NAME that distinguish nodes."""
    parts = (news.get("manufacturer_code"), news.get("serial_number"))
    return _listed({reading.field.name: reading for reading in parts if reading is not None})


def _heartbeat(news: Mapping[str, Reading]) -> GradedText:
    """Return the operating status of a function, its lamps and its reported fault."""
    statuses = [news[name] for name in ("operating_status_1", "operating_status_2") if name in news]
    lamps = _lamps(news)
    parts = [reading.brief for reading in statuses] + [f"{lamp.field.title} on" for lamp in lamps]
    origins = [reading.origin for reading in (*statuses, *lamps)]
    fault = fault_in_fields({name: reading.raw for name, reading in news.items()})
    if fault is not None:
        parts.append(fault_text(*fault))
        origins += [news[name].origin for name in ("fmi", "spn", *SPN_PARTS) if name in news]
        origins += fault_origins(*fault)
    return join(", ", parts), origins


def _report(news: Mapping[str, Reading]) -> GradedText:
    """Return the lamps of a DM1 that are on; its faults are flags."""
    lamps = _lamps(news)
    return ", ".join(f"{lamp.field.title} on" for lamp in lamps), [lamp.origin for lamp in lamps]


def _lamps(news: Mapping[str, Reading]) -> list[Reading]:
    """Return the lamps that are on."""
    return [reading for name, reading in news.items() if "lamp" in name and reading.raw == 1]


_TITLES = {"ADDRESS_CLAIM": "address claim", "DM_RV": "heartbeat"}
_SPECIAL: Mapping[str, Callable[[Mapping[str, Reading]], GradedText]] = {
    "ADDRESS_CLAIM": _claim,
    "DM_RV": _heartbeat,
    "DM1": _report,
    **SWITCHING_WORDS,
}
