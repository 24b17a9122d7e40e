"""The JSON form of frames and readings, as `--record x.jsonl`, `--json` and `spell --json` write it.

Knows: the names and order of the keys. Does not know files or buses.
"""

import json
import re
from datetime import UTC, datetime, timedelta
from typing import Any

from rvsim.wire.catalogue import Catalogue
from rvsim.wire.error_report import ErrorReport
from rvsim.wire.fields import Origin, Reading, weakest
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import split_identifier

SCHEMA = 1
"""The version of the form; one higher whenever a reader would have to change."""
_MAX_NUMBER_BITS = 53
"""Bits that every JSON reader keeps exactly; a wider raw value is written as hex text."""
_ESCAPES = re.compile(r"(\\\\|\\ud[89ab]..\\ud[c-f]..)|\\ud[89a-f]..")
"""A backslash, a character written as a pair of escapes, or half of such a pair."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def json_text(data: Any) -> str:
    """Return plain data as JSON in one line of ASCII, which is valid UTF-8 whatever the console's encoding.

    Bytes of a file's name that are not UTF-8 become U+FFFD: many readers would refuse their escapes as invalid JSON.
    """
    text = json.dumps(data)
    return _ESCAPES.sub(lambda found: found[1] or r"\ufffd", text) if r"\ud" in text else text


def utc_text(microseconds: int) -> str | None:
    """Return microseconds since the epoch as a UTC text in ISO 8601; None after the year 9999, which it cannot have."""
    try:
        return (_EPOCH + timedelta(microseconds=microseconds)).isoformat(timespec="microseconds")
    except OverflowError:
        return None


def start_line(command: str, **parts: Any) -> str:
    """Return the first line of a JSON stream of rvsim."""
    from importlib.metadata import version  # loads the reader of e-mails: only for the first line of a stream

    head = {"type": "start", "schema": SCHEMA, "version": version("rvsim-bench"), "command": command}
    return json_text({**head, **parts}) + "\n"


def line(time: int, fields: dict[str, Any]) -> str:
    """Return one JSON line that starts with the time in seconds, written with all its microseconds."""
    return f'{{"t": {time // SECOND_US}.{time % SECOND_US:06d}, {json_text(fields)[1:]}\n'


def frame_fields(frame: Frame, catalogue: Catalogue, channel: str, *, sent: bool) -> dict[str, Any]:
    """Return the keys of a frame line; ``sent`` tells whether this program sent the frame."""
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
    """Return the keys of an error line: an ``error_frame``, or a change of a controller's state.

    ``about`` describes the error frame; ``node`` is the node of the ``state``. What is not known is null.
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


def gap_fields(since: int, about: str, channel: str) -> dict[str, Any]:
    """Return the keys of a line about a gap, which ends at its time: nobody listened since ``since`` (microseconds)."""
    return {"type": "gap", "since": since / SECOND_US, "about": about or None, "channel": channel}


def marker_fields(note: str, channel: str) -> dict[str, Any]:
    """Return the keys of a line about a moment that the person who listened marked."""
    return {"type": "marker", "note": note, "channel": channel}


def reading_fields(reading: Reading, *beside: Origin) -> dict[str, Any]:
    """Return the keys of one reading, the same in every JSON form.

    ``beside`` are the grades of what is printed with it: the name of its message, and its instance. ``origin`` is the
    weakest of all grades.
    """
    field, raw = reading.field, reading.raw
    wide = raw is not None and field.length > _MAX_NUMBER_BITS
    return {
        "field": field.name,
        "raw": f"{raw:0{(field.length + 3) // 4}X}" if wide else raw,
        "value": reading.value,
        "unit": field.printed_unit or None,
        "state": str(reading.state),
        "label": reading.shown_label,
        "origin": str(weakest(reading.origin, *beside)),
    }
