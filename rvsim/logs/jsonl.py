"""The JSON form of a frame, one line each: what `--record x.jsonl` writes and `--json --every` prints.

Knows: the names and order of the keys. Does not know files or buses.
"""

import json
from typing import Any

from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.ident import split


def line(time: int, fields: dict[str, Any]) -> str:
    """Return one JSON line that starts with the time in seconds, written with all its microseconds."""
    return f'{{"t": {time // 1_000_000}.{time % 1_000_000:06d}, {json.dumps(fields, ensure_ascii=False)[1:]}\n'


def frame_fields(frame: Frame, catalogue: Catalogue, channel: str, sent: bool) -> dict[str, Any]:
    """Return what a frame line says: ``sent`` tells whether this program put the frame on the bus."""
    parts = split(frame.identifier)
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
