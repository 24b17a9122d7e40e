"""The JSON form of frames and readings: what `--record x.jsonl`, `--json` and `spell --json` write.

Knows: the names and order of the keys. Does not know files or buses.
"""

import json
import re
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from typing import Any

from rvsim.wire.catalogue import Catalogue
from rvsim.wire.error_report import ErrorReport
from rvsim.wire.fields import Origin, Reading, weakest
from rvsim.wire.frame import Frame
from rvsim.wire.ident import split_identifier

SCHEMA = 1
"""Number of the form; one higher whenever a reader would have to change."""
_WIDEST_NUMBER = 53
"""Bits that every JSON reader keeps exactly; a wider raw value is written as hex text."""


_ESCAPES = re.compile(r"(\\\\|\\ud[89ab]..\\ud[c-f]..)|\\ud[89a-f]..")
"""A backslash, a sign written as a pair of escapes, or half of such a pair."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def json_text(data: Any) -> str:
    """Return plain data as JSON in one line of ASCII, which is UTF-8 as well, whatever the console's encoding.

    The bytes of a file's name that is not UTF-8 come as U+FFFD: their escapes would be no valid JSON to many readers.
    """
    text = json.dumps(data)
    return _ESCAPES.sub(lambda found: found[1] or r"\ufffd", text) if r"\ud" in text else text


def utc_text(microseconds: int) -> str | None:
    """Return a time since the epoch as our JSON forms write it; None beyond the year 9999, which they cannot write."""
    try:
        return (_EPOCH + timedelta(microseconds=microseconds)).isoformat(timespec="microseconds")
    except OverflowError:
        return None


def start_line(command: str, **parts: Any) -> str:
    """Return the first line of every JSON stream of ours."""
    head = {"type": "start", "schema": SCHEMA, "version": version("rvsim-bench"), "command": command}
    return json_text({**head, **parts}) + "\n"


def line(time: int, fields: dict[str, Any]) -> str:
    """Return one JSON line that starts with the time in seconds, written with all its microseconds."""
    return f'{{"t": {time // 1_000_000}.{time % 1_000_000:06d}, {json_text(fields)[1:]}\n'


def frame_fields(frame: Frame, catalogue: Catalogue, channel: str, sent: bool) -> dict[str, Any]:
    """Return what a frame line says: ``sent`` tells whether this program put the frame on the bus."""
    parts = split_identifier(frame.identifier)
    spec = catalogue.by_dgn(parts.dgn)
    return {
        "type": "frame",
        "identifier": f"{frame.identifier:08X}",
        "bytes": frame.data.hex().upper(),
        "dgn": f"{parts.dgn:05X}",
        "message": spec.name if spec else None,
        "source": parts.source,
        "destination": parts.destination,
        "channel": channel,
        "sent": sent,
    }


def error_fields(report: ErrorReport, channel: str) -> dict[str, Any]:
    """Return what an error line says: ``error_frame`` tells whether there was one, or a controller's state changed.

    ``about`` is what is known of the error frame; ``node`` is whose ``state`` it is. What is not known is null.
    """
    return {
        "type": "error",
        "error_frame": report.on_wires,
        "about": report.about or None,
        "node": report.node,
        "state": report.state and str(report.state),
        "transmit_errors": report.transmit_errors,
        "receive_errors": report.receive_errors,
        "channel": channel,
    }


def reading_fields(reading: Reading, *beside: Origin) -> dict[str, Any]:
    """Return what every JSON form says of one reading.

    ``beside`` are the grades of what is printed with it: the name of its message, and its instance. The ``origin`` is
    the weakest of all.
    """
    field, raw = reading.field, reading.raw
    wide = raw is not None and field.length > _WIDEST_NUMBER
    return {
        "field": field.name,
        "raw": f"{raw:0{(field.length + 3) // 4}X}" if wide else raw,
        "value": reading.value,
        "unit": field.printed_unit or None,
        "state": str(reading.state),
        "label": reading.shown_label,
        "origin": str(weakest(reading.origin, *beside)),
    }
