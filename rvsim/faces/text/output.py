"""The events of a run as JSON lines.

Knows: the JSON contract. Does not know where events come from, nor the texts for a person.
"""

from collections.abc import Sequence
from typing import Any, TextIO

from rvsim.faces.text.balance_text import MIN_SPAN_US, balance_fields
from rvsim.faces.text.marks import topic_origins
from rvsim.logs.formats.jsonl import frame_fields, gap_fields, line, marker_fields, reading_fields
from rvsim.watch.cause import Cause
from rvsim.watch.flag import Flag
from rvsim.watch.watch import (
    Event,
    FlagCleared,
    FlagRaised,
    ListeningGap,
    MomentMarked,
    NodeDescribed,
    PresenceChanged,
    ReadingChanged,
    Watch,
)
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.world.balance import BalanceFigures


class JsonLinesSink:
    """Writes one JSON object a line.

    Args:
        out: the text stream.
        catalogue: the message definitions.
        channel: the name of the bus in frame lines.
        start: the first line.
        every: write each frame and each of its readings, not only changes.
        sent: whether the frames were sent by this program, not received.
    """

    def __init__(
        self, out: TextIO, catalogue: Catalogue, channel: str, start: str, *, every: bool = False, sent: bool = True
    ) -> None:
        self._out, self._catalogue, self._channel, self._every, self._sent = out, catalogue, channel, every, sent
        out.write(start)

    def frame(self, frame: Frame) -> None:
        """Write a frame line, with ``every``."""
        if self._every:
            self._out.write(line(frame.time, frame_fields(frame, self._catalogue, self._channel, sent=self._sent)))

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
                    **({} if event.dsa is None else {"dsa": event.dsa}),
                    **reading_fields(event.reading, *topic_origins(event.spec, event.instance, event.dsa)),
                }
            case PresenceChanged():
                return {"type": "presence", "device": event.device, "source": event.source, "state": str(event.state)}
            case NodeDescribed():
                return {
                    "type": "identity",
                    "device": event.device,
                    "source": event.source,
                    "product": None if event.product is None else event.product._asdict(),
                    "software": event.software,
                }
            case ListeningGap():
                return gap_fields(event.since, event.about, self._channel)
            case MomentMarked():
                return marker_fields(event.note, self._channel)
            case FlagRaised() | FlagCleared():
                return flag_fields(event.flag, "raised" if isinstance(event, FlagRaised) else "cleared")

    def change(self, time: int, text: str) -> None:
        """Write a line for a change of the vehicle."""
        self._out.write(line(time, {"type": "change", "text": text}))

    def end(self, time: int, watch: Watch) -> None:
        """Write a line for each cause of flags: causes are complete only at the end."""
        for cause in watch.causes:
            self._out.write(line(time, {"type": "cause", **cause_fields(cause)}))

    def balance(self, time: int, balance: BalanceFigures) -> None:
        """Write a line with the balance, where the run lasted a minute."""
        if balance.span_us >= MIN_SPAN_US:
            self._out.write(line(time, {"type": "balance", **balance_fields(balance)}))

    def flush(self) -> None:
        """Flush the stream."""
        self._out.flush()


def flag_fields(flag: Flag, state: str) -> dict[str, Any]:
    """Return the fields of a flag in JSON lines; those of a flag in a survey are in `survey_text`."""
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


def cause_fields(cause: Cause) -> dict[str, Any]:
    """Return the fields of a cause in every JSON form; ``flags`` are the numbers it explains, its own first."""
    return {
        "kind": str(cause.kind),
        "subject": cause.subject,
        "severity": str(cause.severity),
        "text": cause.text,
        "advice": cause.advice,
        "evidence": list(cause.evidence),
        "flags": [flag.number for flag in cause.flags],
        "since": cause.since / 1e6,
        "until": None if cause.until is None else cause.until / 1e6,
    }
