"""Reads message definitions (DBC files) and keeps them compiled as plain data.

Knows: cantools, the attributes in which our files say where a definition comes from, and the cache. Does not
know how a frame is decoded: nothing of cantools leaves this file, since its calls match whole identifiers,
scale in floating point and raise on short frames.

The cache holds one JSON file for each definition file, found by the hash of its content; it is never needed
and never trusted: anything odd in it and the definition file is read again.
"""

import hashlib
import json
import os
import tempfile
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rvsim import shipped
from rvsim.errors import InputError
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.ident import dgn_of

if TYPE_CHECKING:
    from cantools.database.can.message import Message
    from cantools.database.can.signal import Signal

FORMAT = 1
"""Number of the compiled form; one higher whenever its content changes."""
_LARGEST_FILE = 16 << 20


def load(own: Sequence[Path] = (), cache: Path | None = None) -> Catalogue:
    """Load the shipped definitions and the user's own, whose messages replace ours number by number.

    Args:
        own: the user's DBC files.
        cache: folder for compiled definitions; the user's cache folder if None.

    Raises:
        InputError: a file cannot be read, or one DGN is defined twice among the user's files or among ours.
    """
    folder = cache if cache is not None else _cache_folder()
    ours = _merge(shipped.dbc_files(), folder)
    theirs = _merge(own, folder)
    return Catalogue([*(m for dgn, m in ours.items() if dgn not in theirs), *theirs.values()])


def _merge(paths: Sequence[Path], folder: Path) -> dict[int, dict[str, Any]]:
    merged: dict[int, dict[str, Any]] = {}
    problems = []
    for path in paths:
        for message in _compiled(path, folder):
            other = merged.setdefault(message["dgn"], message)
            if other is not message:
                problems.append(
                    f"DGN {message['dgn']:05X} hex is defined twice, as {other['name']} in {other['file']} and as "
                    f"{message['name']} in {message['file']}: keep one of them"
                )
    if problems:
        raise InputError(*problems)
    return merged


def _compiled(path: Path, folder: Path) -> list[dict[str, Any]]:
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise InputError(f"{path}: larger than 16 MiB, which no definition file is: name a DBC file")
        content = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}): name a DBC file") from None
    kept = folder / f"definitions-{FORMAT}-{hashlib.sha256(content).hexdigest()[:32]}.json"
    messages = _from_cache(kept)
    if messages is None:
        messages = _compile(path, content)
        _to_cache(kept, messages)
    for message in messages:
        message["file"] = str(path)
    return messages


def _cache_folder() -> Path:
    import platformdirs

    return platformdirs.user_cache_path("rvsim", appauthor=False)


def _from_cache(kept: Path) -> list[dict[str, Any]] | None:
    try:
        return json.loads(kept.read_bytes())["messages"]  # type: ignore[no-any-return]
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _to_cache(kept: Path, messages: list[dict[str, Any]]) -> None:
    """Write the compiled form whole or not at all; a folder that cannot be written costs only time."""
    try:
        kept.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=kept.parent)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"messages": messages}, file)
        os.replace(name, kept)
    except OSError:
        return


def _compile(path: Path, content: bytes) -> list[dict[str, Any]]:
    """Read one DBC file with cantools and return its messages as plain data."""
    import textparser
    from cantools.database.errors import Error
    from cantools.database.can import Database

    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")
    database = Database(strict=True)
    try:
        database.add_dbc_string(text)
    except textparser.ParseError as error:
        what = str(error).rpartition(": ")[2].strip().rstrip(".")
        raise InputError(f"{path}, line {error.line}, column {error.column}: not DBC ({what}): mend the file") from None
    except (Error, KeyError, ValueError, TypeError, AttributeError, IndexError) as error:
        raise InputError(f"{path}: not a usable DBC file ({error}): mend the file") from None
    return [_message(path, message) for message in database.messages if message.is_extended_frame]


def _message(path: Path, message: "Message") -> dict[str, Any]:
    where = f"{path}: message {message.name}"
    if message.is_multiplexed():
        raise InputError(f"{where} is multiplexed, which is not supported: define the parts that you need as fields")
    if not 0 < message.length <= 8:
        raise InputError(f"{where} has {message.length} bytes: a frame holds 1 to 8")
    attributes = message.dbc.attributes if message.dbc else {}
    command = message.name.upper().find("COMMAND") >= 0
    gap_ms = int(_attribute(attributes, "BroadcastGap", 0))
    return {
        "name": message.name,
        "dgn": dgn_of(message.frame_id),
        "priority": message.frame_id >> 26,
        "length": message.length,
        "gap_us": gap_ms * 1000 or None,
        "rule": _attribute(attributes, "BroadcastRule", ""),
        "origin": _attribute(attributes, "Origin", "user"),
        "source": _attribute(attributes, "Source", ""),
        "comment": message.comment or "",
        "fields": [_field(where, signal, command) for signal in message.signals],
    }


def _field(where: str, signal: "Signal", command: bool) -> dict[str, Any]:
    if signal.is_float:
        raise InputError(f"{where}: signal {signal.name} is a float: define it as an integer with a scale")
    attributes = signal.dbc.attributes if signal.dbc else {}
    scale, offset, decimals = _exact(signal.scale, signal.offset)
    if scale <= 0:
        raise InputError(f"{where}: signal {signal.name} has the scale {signal.scale}: a scale is above 0")
    big_endian = signal.byte_order == "big_endian"
    start = signal.start
    origin = _attribute(attributes, "Origin", "user")
    label_origin = _attribute(attributes, "LabelOrigin", "same")
    usual = "none" if signal.is_signed or signal.length not in (8, 16, 32) else "commanded" if command else "measured"
    return {
        "name": signal.name,
        "first": start - start % 8 + 7 - start % 8 if big_endian else start,
        "length": signal.length,
        "big_endian": big_endian,
        "signed": signal.is_signed,
        "scale": scale,
        "offset": offset,
        "decimals": decimals,
        "unit": signal.unit or "",
        "labels": {str(raw): str(label) for raw, label in (signal.choices or {}).items()},
        "special": _attribute(attributes, "SpecialCodes", usual),
        "origin": origin,
        "label_origin": origin if label_origin == "same" else label_origin,
        "source": _attribute(attributes, "Source", ""),
        "comment": signal.comment or "",
    }


def _attribute(attributes: Any, name: str, default: Any) -> Any:
    return attributes[name].value if name in attributes else default


def _exact(scale: float, offset: float) -> tuple[int, int, int]:
    """Return scale and offset as integers over one power of ten; their shortest decimal form is what was written."""
    parts = [Decimal(repr(number)) for number in (scale, offset)]
    decimals = max(0, *(-int(part.normalize().as_tuple().exponent) for part in parts))
    numerator, shift = (int(part.scaleb(decimals)) for part in parts)
    return numerator, shift, decimals
