"""A run in sentences: one for each change and each flag.

Knows: how a change is said in the trade's words, and which movements of a number are too small to be said. Does not
know where events come from.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import groupby
from typing import TextIO

from rvsim.faces.text.flags import account, tags
from rvsim.faces.text.marks import LEGEND, mark, topic_origins
from rvsim.rig.functions import by_command, by_dsa, by_status
from rvsim.watch.watch import (
    Event,
    FlagCleared,
    FlagRaised,
    NodeDescribed,
    Presence,
    PresenceChanged,
    ReadingChanged,
    Watch,
)
from rvsim.wire import texts
from rvsim.wire.diagnostics import SPN_PARTS, fault_in, fault_origins, fault_text
from rvsim.wire.fields import Origin, Reading, State
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

Words = tuple[str, list[Origin]]
"""Words, and where all that comes from that they rest on."""

_LEAST_CHANGE = {"°C": 0.5, "%": 5.0, "V": 0.2, "A": 2.0, "min": 30.0, "K": 0.5}
"""A number is said again when it has moved by this much since it was last said. Our choice, for reading."""
_MAIN = ("operating_", "system_", "burner_")
"""How the names of those two-bit codes begin that are always worth saying."""
_FAULT_FIELDS = ("spn", "fmi")
_SELDOM_SAID = frozenset({"device_priority", "charger_priority", "dc_source_instance", "heat_source"})
"""Fields that never change while a vehicle is used; JSON has them."""


class Sentences:
    """A sentence for each change and each flag; small movements of a number are left out."""

    def __init__(self, out: TextIO, opening: Iterable[str]) -> None:
        self._out = out
        self._said: dict[tuple[object, ...], Reading] = {}
        self._seen: set[str] = set()
        for text in (*opening, LEGEND):
            out.write(f"{text}\n")

    def frame(self, frame: Frame) -> None:
        """Say nothing of single frames."""

    def events(self, events: Sequence[Event]) -> None:
        """Say what changed; the readings of one frame make one sentence."""
        for sentence_of, group in groupby(events, key=_belongs_to):
            if sentence_of is None:
                for event in group:
                    self._say(event.time, self._sentence(event))
            else:
                self._say_readings([event for event in group if isinstance(event, ReadingChanged)])

    def end(self, time: int, watch: Watch) -> None:
        """Sum up: who is there and which flags still stand."""
        planned = [entry for entry in watch.roll_call if entry.planned]
        known = planned or watch.roll_call
        present = sum(entry.state in (Presence.PRESENT, Presence.LATE) for entry in known)
        counted = f"{present} of {len(known)} {'planned devices' if planned else 'addresses'} present"
        standing = ", ".join(f"{flag.tag} {flag.kind} {flag.subject}" for flag in watch.flags)
        for cause in account(watch.all_flags, watch.causes).causes:
            self._say(time, f"cause, {cause.severity}, of {tags(cause.flags)}: {cause.text}")
        self._say(time, f"end: {counted}; {f'flags still standing: {standing}' if standing else 'no flag stands'}")

    def flush(self) -> None:
        """Hand the sentences on."""
        self._out.flush()

    def _say(self, time: int, text: str) -> None:
        self._out.write(f"{time / 1e6:8.1f} s  {text}\n")

    def _say_readings(self, events: Sequence[ReadingChanged]) -> None:
        news = {event.reading.field.name: event.reading for event in events if self._is_news(event)}
        first = events[0]
        topic = first.source, first.spec.name, first.instance, first.dsa
        if not news.keys().isdisjoint(_FAULT_FIELDS):  # a fault is told whole, though only one part of it is news
            known = {name: self._said[*topic, name] for name in _FAULT_FIELDS if (*topic, name) in self._said}
            news = {**known, **news}
        said, origins = _SPECIAL.get(first.spec.name, _listed)(news) if news else ("", [])
        if said:
            origins += topic_origins(first.spec, first.instance, first.dsa)
            self._say(first.time, f"{_speaker(first)}: {said}{mark(origins)}")

    def _is_news(self, event: ReadingChanged) -> bool:
        """Tell whether a reading says enough that is new, and remember it as said if so."""
        if event.reading.field.name in _SELDOM_SAID:
            return False
        key = (event.source, event.spec.name, event.instance, event.dsa, event.reading.field.name)
        before, now = self._said.get(key), event.reading
        if _at_rest(now) if before is None else _alike(before, now):
            return False
        self._said[key] = now
        return True

    def _sentence(self, event: Event) -> str:
        match event:
            case PresenceChanged():
                return self._presence(event)
            case NodeDescribed():
                software = f"; its software: {', '.join(event.software)}" if event.software else ""
                sign = mark((texts.ORIGIN,))
                return f"{event.device} is {event.product or 'no product that it names'}{software}{sign}"
            case FlagRaised():
                flag = event.flag
                return f"{flag.tag} {flag.severity}, {flag.subject}: {flag.text}\n{'':13}Try next: {flag.advice}"
            case FlagCleared():
                return f"{event.flag.tag} cleared, {event.flag.subject}: {event.flag.kind}"
        raise AssertionError(f"{type(event).__name__} is said elsewhere")

    def _presence(self, event: PresenceChanged) -> str:
        known = event.device in self._seen
        self._seen.add(event.device)
        stranger = event.source is not None and event.device == f"address {event.source:02X} hex"
        where = f", address {event.source:02X} hex" if event.source is not None and not known and not stranger else ""
        match event.state:
            case Presence.PRESENT:
                return f"{event.device} is {'back' if known else 'here'}{where}"
            case Presence.UNPLANNED:
                return f"{event.device} is not in the rig"
            case Presence.ASLEEP:
                return f"{event.device} is asleep, by plan"
        return f"{event.device} is {event.state}{where}"


def _belongs_to(event: Event) -> tuple[object, ...] | None:
    if isinstance(event, ReadingChanged):
        return event.time, event.source, event.spec.dgn, event.instance, event.dsa
    return None


def _at_rest(reading: Reading) -> bool:
    """Tell whether a two-bit code says "off" or "normal", which nobody needs to be told at first sight."""
    return reading.field.length == 2 and reading.raw == 0 and not reading.field.name.startswith(_MAIN)


def _alike(before: Reading, now: Reading) -> bool:
    """Tell whether two readings would be said alike, or differ by less than is worth a sentence."""
    if before.value is None or now.value is None:
        return before.state == now.state is not State.VALUE
    if before.label is not None or now.label is not None:
        return before.raw == now.raw
    return before.value == now.value or abs(now.value - before.value) < _LEAST_CHANGE.get(now.field.spoken_unit, 0.0)


def _speaker(event: ReadingChanged) -> str:
    """Say in the trade's words who speaks of what: ``control panel asks roof fan 1``, ``heater, furnace 1``."""
    command, instance = by_command(event.spec.name), event.instance
    function = command or by_status(event.spec.name)
    title = function.title if function is not None else _title(event.spec, event.dsa)
    spoken = title if instance is None else f"{title} {instance}"
    if function is not None and instance is not None:
        spoken = function.spoken(instance)
    if command is not None:
        return f"{event.device} asks {spoken}"
    return spoken if title == event.device else f"{event.device}, {spoken}"


def _title(spec: MessageSpec, dsa: int | None) -> str:
    heard = by_dsa(dsa) if dsa is not None else None
    if heard is not None:
        return f"{heard.title}'s heartbeat"
    return _TITLES.get(spec.name, spec.name)


def _listed(news: Mapping[str, Reading]) -> Words:
    said = ", ".join(f"{reading.field.title} {reading.brief}" for reading in news.values())
    return said, [reading.origin for reading in news.values()]


def _claim(news: Mapping[str, Reading]) -> Words:
    """Say the two parts of a NAME that tell one node from another."""
    parts = (news.get("manufacturer_code"), news.get("serial_number"))
    return _listed({reading.field.name: reading for reading in parts if reading is not None})


def _heartbeat(news: Mapping[str, Reading]) -> Words:
    """Say what a function is doing and whether it reports a fault."""
    doing = [news[name] for name in ("operating_status_1", "operating_status_2") if name in news]
    lamps = _lamps(news)
    said = [reading.brief for reading in doing] + [f"{lamp.field.title} on" for lamp in lamps]
    origins = [reading.origin for reading in (*doing, *lamps)]
    fault = fault_in({name: reading.raw for name, reading in news.items()})
    if fault is not None:
        said.append(fault_text(*fault))
        origins += [news[name].origin for name in ("fmi", "spn", *SPN_PARTS) if name in news]
        origins += fault_origins(*fault)
    return ", ".join(said), origins


def _report(news: Mapping[str, Reading]) -> Words:
    """Say which lamps of a DM1 are on; its faults are flags."""
    lamps = _lamps(news)
    return ", ".join(f"{lamp.field.title} on" for lamp in lamps), [lamp.origin for lamp in lamps]


def _lamps(news: Mapping[str, Reading]) -> list[Reading]:
    """Return the lamps that are on."""
    return [reading for name, reading in news.items() if "lamp" in name and reading.raw == 1]


_TITLES = {"ADDRESS_CLAIM": "claims its address", "DM_RV": "heartbeat"}
_SPECIAL: Mapping[str, Callable[[Mapping[str, Reading]], Words]] = {
    "ADDRESS_CLAIM": _claim,
    "DM_RV": _heartbeat,
    "DM1": _report,
}
