"""Search for a text in what a log says: devices, messages, fields, flags.

Knows: which texts each event of the watch has. Does not know where the events come from.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from rvsim.watch.transitions import ListeningGap, MomentMarked
from rvsim.watch.watch import Event, FlagRaised, NodeDescribed, PresenceChanged, ReadingChanged
from rvsim.wire.frame import Frame
from rvsim.wire.quantity_text import compose


class Match(NamedTuple):
    """Where a text was found: the event in words, and the device, message and field that it is about, None for none."""

    text: str
    device: str | None = None
    message: str | None = None
    field: str | None = None


class TextSearch:
    """Observes the events of a run, and keeps the first one that has a text; upper and lower case are the same."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._wanted = _folded(text)
        self.found: Match | None = None

    def observe_frame(self, frame: Frame, events: Sequence[Event]) -> None:  # noqa: ARG002 - every observer gets it
        """Take a frame and the events that it caused."""
        self.observe_events(events)

    def observe_events(self, events: Sequence[Event]) -> None:
        """Take events."""
        if self.found is None:
            for event in events:
                match = _match_of(event)
                if match is not None and any(self._wanted in _folded(part) for part in _parts(event)):
                    self.found = match
                    return


def has_text(wanted: str, *parts: str | None) -> bool:
    """Tell whether any of the texts has the wanted one."""
    return any(_folded(wanted) in _folded(part) for part in parts if part)


def _folded(text: str) -> str:
    return text.casefold().replace("_", " ").replace("-", " ")


def _match_of(event: Event) -> Match | None:
    match event:
        case FlagRaised():
            flag = event.flag
            text = compose(f"{flag.tag} {flag.kind}, {flag.subject}: ", flag.text)
            return Match(text, flag.subject, flag.message, flag.field)
        case PresenceChanged():
            return Match(f"{event.device} is {event.state}", event.device)
        case ReadingChanged():
            field = event.reading.field
            text = compose(f"{event.device}, {event.spec.name}: {field.title} ", event.reading.brief)
            return Match(text, event.device, event.spec.name, field.name)
        case NodeDescribed():
            return Match(f"{event.device}, product: {event.product or 'not named'}", event.device)
        case ListeningGap() | MomentMarked():
            return Match(str(event))
    return None


def _parts(event: Event) -> Iterator[str]:
    """Yield the texts in which is searched."""
    match event:
        case FlagRaised():
            yield f"{event.flag.severity} {event.flag.kind} {event.flag.subject}"
            yield event.flag.text
        case PresenceChanged():
            yield f"{event.device} is {event.state}"
        case ReadingChanged():
            yield " ".join((event.device, event.spec.name, event.reading.field.title, event.reading.brief))
        case NodeDescribed():
            yield " ".join((event.device, str(event.product), *(event.software or ())))
        case ListeningGap() | MomentMarked():
            yield str(event)
