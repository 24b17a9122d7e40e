"""The two headless forms of a run: sentences for a person, JSON lines for a program.

Knows: the JSON contract and how a change is said in one sentence. Does not know where events come from.
"""

from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import Any, Protocol, TextIO

from rvsim.logs.jsonl import frame_fields, line, reading_fields
from rvsim.rig.functions import by_command, by_status
from rvsim.watch.flag import Flag, Severity
from rvsim.watch.watch import Event, FlagCleared, FlagRaised, PresenceChanged, ReadingChanged, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import Reading, State
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec


class Sink(Protocol):
    """Something that shows a run."""

    def frame(self, frame: Frame) -> None:
        """Show a frame, where frames are shown at all."""

    def events(self, events: Sequence[Event]) -> None:
        """Show what one frame, or the passing of time, has changed."""

    def end(self, time: int, watch: Watch) -> None:
        """Show how the run ended."""

    def flush(self) -> None:
        """Hand everything on to whoever reads."""


class JsonLines:
    """One JSON object a line; with ``every`` also each frame and each reading of it."""

    def __init__(self, out: TextIO, catalogue: Catalogue, channel: str, start: str, every: bool = False) -> None:
        self._out, self._catalogue, self._channel, self._every = out, catalogue, channel, every
        out.write(start)

    def frame(self, frame: Frame) -> None:
        """Write a frame line, with ``every``."""
        if self._every:
            self._out.write(line(frame.time, frame_fields(frame, self._catalogue, self._channel, sent=True)))

    def events(self, events: Sequence[Event]) -> None:
        """Write a line for each event."""
        for event in events:
            self._out.write(line(event.time, self._fields(event)))

    def _fields(self, event: Event) -> dict[str, Any]:
        match event:
            case ReadingChanged():
                return {
                    "type": "reading",
                    "device": event.device,
                    "source": event.source,
                    "message": event.spec.name,
                    "instance": event.instance,
                    **reading_fields(event.reading),
                }
            case PresenceChanged():
                return {"type": "presence", "device": event.device, "source": event.source, "state": str(event.state)}
            case FlagRaised() | FlagCleared():
                return flag_fields(event.flag, "raised" if isinstance(event, FlagRaised) else "cleared")

    def end(self, time: int, watch: Watch) -> None:
        """Say nothing: a stream of facts has no closing words."""

    def flush(self) -> None:
        """Hand the lines on."""
        self._out.flush()


def flag_fields(flag: Flag, state: str) -> dict[str, Any]:
    """Return what a flag line says."""
    return {
        "type": "flag",
        "flag": flag.number,
        "kind": flag.kind,
        "subject": flag.subject,
        "severity": str(flag.severity),
        "state": state,
        "text": flag.text,
        "advice": flag.advice,
        "evidence": list(flag.evidence),
    }


_TAGS = {Severity.NOTICE: "({})", Severity.WARNING: "<{}>", Severity.FAULT: "[{}]"}
_LEAST_CHANGE = {"°C": 0.5, "%": 5.0, "V": 0.2, "A": 2.0, "min": 30.0, "K": 0.5}
"""A number is said again when it has moved by this much since it was last said. Our choice, for reading."""


class Sentences:
    """A sentence for each change and each flag; small movements of a number are left out."""

    def __init__(self, out: TextIO, opening: Iterable[str]) -> None:
        self._out = out
        self._said: dict[tuple[object, ...], Reading] = {}
        for text in opening:
            out.write(f"{text}\n")

    def frame(self, frame: Frame) -> None:
        """Say nothing of single frames."""

    def events(self, events: Sequence[Event]) -> None:
        """Say what changed; the readings of one frame make one sentence."""
        for sentence_of, group in groupby(events, key=_belongs_to):
            alike = list(group)
            if sentence_of is None:
                for event in alike:
                    self._say(event.time, _sentence(event))
            else:
                self._say_readings([event for event in alike if isinstance(event, ReadingChanged)])

    def _say(self, time: int, text: str) -> None:
        self._out.write(f"{time / 1e6:8.1f} s  {text}\n")

    def _say_readings(self, events: Sequence[ReadingChanged]) -> None:
        first = events[0]
        news = [e.reading for e in events if self._is_news(e)]
        if news:
            said = ", ".join(f"{reading.field.title} {reading.brief}" for reading in news)
            self._say(first.time, f"{first.device} {_speaks_of(first.spec, first.instance)}: {said}")

    def _is_news(self, event: ReadingChanged) -> bool:
        """Tell whether a reading says enough that is new, and remember it as said if so."""
        key = (event.source, event.spec.name, event.instance, event.reading.field.name)
        before, now = self._said.get(key), event.reading
        least = _LEAST_CHANGE.get(now.field.spoken_unit, 0.0)
        if before is not None and before.value is not None and now.value is not None:
            if now.value == before.value or abs(now.value - before.value) < least:
                return False
        elif before is not None and before.state == now.state is not State.VALUE:
            return False
        self._said[key] = now
        return True

    def end(self, time: int, watch: Watch) -> None:
        """Sum up: who is there and which flags still stand."""
        planned = [entry for entry in watch.roll_call if entry.planned]
        present = sum(entry.state in ("present", "late") for entry in planned)
        counted = f"{present} of {len(planned)} planned devices present"
        standing = ", ".join(f"{_tag(flag)} {flag.kind} {flag.subject}" for flag in watch.flags)
        self._say(time, f"end: {counted}; {f'flags still standing: {standing}' if standing else 'no flag stands'}")

    def flush(self) -> None:
        """Hand the sentences on."""
        self._out.flush()


def _belongs_to(event: Event) -> tuple[object, ...] | None:
    if isinstance(event, ReadingChanged):
        return event.time, event.source, event.spec.dgn, event.instance
    return None


def _tag(flag: Flag) -> str:
    return _TAGS[flag.severity].format(flag.number)


def _speaks_of(spec: MessageSpec, instance: int | None) -> str:
    """Say in the trade's words what a message is about: ``asks roof fan 1``, ``says furnace 1``."""
    command, status = by_command(spec.name), by_status(spec.name)
    number = "" if instance is None else f" {instance}"
    if command is not None:
        return f"asks {command.title}{number}"
    return f"says {status.title if status else spec.name}{number}"


_ARRIVALS = {"present": "is here", "unplanned": "is not in the rig", "asleep": "is asleep, by plan"}


def _sentence(event: Event) -> str:
    match event:
        case PresenceChanged():
            where = f", address {event.source:02X} hex" if event.source is not None else ""
            return f"{event.device} {_ARRIVALS.get(str(event.state), f'is {event.state}')}{where}"
        case FlagRaised():
            flag = event.flag
            return f"{_tag(flag)} {flag.severity}, {flag.subject}: {flag.text}\n{'':13}Try next: {flag.advice}"
        case FlagCleared():
            return f"{_tag(event.flag)} cleared, {event.flag.subject}: {event.flag.kind}"
    raise AssertionError(f"{type(event).__name__} is said elsewhere")
