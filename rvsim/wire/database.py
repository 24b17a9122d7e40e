"""Reads message definitions (DBC files) and keeps them compiled as plain data.

Knows: cantools and the cache. Does not know what our attributes mean (``attributes.py``), nor how a frame is decoded:
nothing of cantools leaves this file, since its calls match whole identifiers, scale in floating point and raise on
short frames.

The cache holds one file for each definition file, found by the hash of its content: the digest of the rest on
the first line, the numbers and names of the messages as JSON on the second, then a line of JSON for each message,
which is read only when that message is asked for. It is never needed and never trusted: where the digest does not
fit, the definition file is read again.
"""

import hashlib
import json
import re
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rvsim import shipped
from rvsim.errors import InputError
from rvsim.wire import attributes
from rvsim.wire.catalogue import Catalogue, Definition
from rvsim.wire.codec import parameter
from rvsim.wire.fields import Origin, Special
from rvsim.wire.file_text import text_of
from rvsim.wire.ident import dgn_of

if TYPE_CHECKING:
    from cantools.database.can.message import Message
    from cantools.database.can.signal import Signal

FORMAT = 4
"""Number of the compiled form; one higher whenever its content changes."""
_LARGEST_FILE = 16 << 20
_LARGEST_NUMBER = 1e18
"""Scales and offsets beyond it, and scales below its reciprocal, are slips of the pen."""
_LONGEST_GAP_MS = 24 * 3600 * 1000


def load(own: Sequence[Path] = (), cache: Path | None = None) -> Catalogue:
    """Load the shipped definitions and the user's own, which replace ours of the same number or the same name.

    Args:
        own: the user's DBC files.
        cache: folder for compiled definitions; the user's cache folder if None.

    Raises:
        InputError: a file cannot be read, or one DGN or one name is defined twice among the user's files or ours.
    """
    folder = cache if cache is not None else _cache_folder()
    ours = _merge(shipped.dbc_files(), folder)
    theirs = _merge(own, folder)
    taken = {message.name for message in theirs.values()}
    kept = {dgn: message for dgn, message in ours.items() if message.name not in taken}
    return Catalogue((kept | theirs).values())


def _merge(paths: Sequence[Path], folder: Path) -> dict[int, Definition]:
    numbers: dict[int, Definition] = {}
    names: dict[str, Definition] = {}
    problems = []
    for path in paths:
        for message in _compiled(path, folder):
            other = numbers.setdefault(message.dgn, message)
            namesake = names.setdefault(message.name, message)
            if other is not message:
                problems.append(
                    f"DGN {message.dgn:05X} hex is defined twice, as {other.name} in {other.file} and as "
                    f"{message.name} in {message.file}: keep one of them"
                )
            elif namesake is not message:
                problems.append(
                    f"{message.name} is defined twice, with DGN {namesake.dgn:05X} hex in {namesake.file} and "
                    f"with DGN {message.dgn:05X} hex in {message.file}: keep one of them"
                )
    if problems:
        raise InputError(*problems)
    return numbers


def _compiled(path: Path, folder: Path) -> list[Definition]:
    content, file = _read(path), str(path)
    kept = folder / f"definitions-{FORMAT}-{hashlib.sha256(content).hexdigest()[:32]}.txt"
    lines = _from_cache(kept)
    if lines is None:
        messages = _compile(path, content)
        heads = [[message["dgn"], message["name"]] for message in messages]
        lines = [json.dumps(part) for part in (heads, *messages)]
        _to_cache(kept, lines)
    return [
        Definition(dgn, name, text, file) for (dgn, name), text in zip(json.loads(lines[0]), lines[1:], strict=True)
    ]


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE + 1)
    except (OSError, ValueError) as error:  # a path with a NUL in it is a ValueError
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be read ({reason}): name a DBC file") from None
    if len(content) > _LARGEST_FILE:
        raise InputError(f"{path}: larger than 16 MiB, which no definition file is: name a DBC file")
    return content


def _cache_folder() -> Path:
    import platformdirs

    return platformdirs.user_cache_path("rvsim", appauthor=False)


def _digest(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest().encode()


def _from_cache(kept: Path) -> list[str] | None:
    try:
        digest, _, body = kept.read_bytes().partition(b"\n")
    except OSError:
        return None
    if digest != _digest(body):
        return None
    return body.decode().split("\n")


def _to_cache(kept: Path, lines: Sequence[str]) -> None:
    """Write the compiled form whole or not at all; a folder that cannot be written costs only time."""
    body = "\n".join(lines).encode()
    with suppress(OSError):
        kept.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=kept.parent) as folder:
            part = Path(folder) / kept.name
            part.write_bytes(_digest(body) + b"\n" + body)
            part.replace(kept)


def _compile(path: Path, content: bytes) -> list[dict[str, Any]]:
    """Read one DBC file with cantools and return its messages as plain data."""
    try:
        text = text_of(content)
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")
    try:
        messages = [_message(path, message) for message in _parse(path, text) if message.is_extended_frame]
    except InputError as error:
        raise InputError(*map(_one_line, error.problems)) from None
    if not messages:
        raise InputError(f"{path}: has no message with a 29-bit identifier: name a DBC file of an RV-C network")
    return messages


def _one_line(text: str) -> str:
    """Make a line fit to print: names and words of a file may hold line ends and control characters."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _parse(path: Path, text: str) -> "list[Message]":
    import textparser
    from cantools.database.can.formats import dbc
    from cantools.errors import Error

    try:
        # Not Database.add_dbc_string: it logs a warning of its own for a message that is defined twice. The closing
        # statement is ours: without one behind it, the parser drops a last statement that is not finished, unsaid.
        messages: list[Message] = dbc.load_string(text + "\nBS_:\n", strict=True).messages
    except textparser.ParseError as error:
        raise InputError(f"{path}, {_place(text, error.offset)}: mend the file") from None
    except KeyError as error:
        raise InputError(f"{path}: uses {error} without defining it: mend the file") from None
    except ArithmeticError:
        raise InputError(
            f"{path}: an attribute holds something else than the number it is defined as: mend it"
        ) from None
    except (Error, ValueError, TypeError, AttributeError, IndexError) as error:
        what = " ".join(str(error).split()).rstrip(".")
        raise InputError(f"{path}: {what}: {_advice(what)}") from None
    return messages


def _place(text: str, offset: int) -> str:
    end = len(text.rstrip())
    at = min(offset, end)
    rest = text[at:].partition("\n")[0].strip()[:40]
    what = "the last statement is not finished" if offset >= end else f"not DBC from {rest!r} on"
    return f"line {text.count(chr(10), 0, at) + 1}, column {at - text.rfind(chr(10), 0, at)}: {what}"


def _advice(what: str) -> str:
    short = re.search(r"Standard frame id 0x([0-9a-f]+) is more", what)
    if short:
        return f"for a 29-bit identifier write {int(short[1], 16) + (1 << 31)}, which is the number with bit 31 set"
    return "mend the file"


def _message(path: Path, message: "Message") -> dict[str, Any]:
    where = f"{path}: message {message.name}"
    if message.is_multiplexed():
        raise InputError(f"{where} is multiplexed, which is not supported: define the parts that you need as fields")
    if not 0 < message.length <= 8:
        raise InputError(f"{where} has {message.length} bytes: a frame holds 1 to 8")
    command = "COMMAND" in message.name.upper()
    gap_ms = _stated(message, "BroadcastGap") or 0
    if not (isinstance(gap_ms, int | float) and 0 <= gap_ms <= _LONGEST_GAP_MS):
        raise InputError(f"{where}: attribute BroadcastGap is {gap_ms}: write milliseconds, at most a day")
    if not re.fullmatch(r"\w+", message.name, re.ASCII):
        raise InputError(f"{where}: a name has letters, digits and underscores: rename it")
    _check_names(where, [signal.name for signal in message.signals])
    return {
        "name": message.name,
        "dgn": dgn_of(message.frame_id),
        "priority": message.frame_id >> 26,
        "length": message.length,
        "gap_us": round(gap_ms * 1000) or None,
        "rule": str(_stated(message, "BroadcastRule") or ""),
        "origin": attributes.word(where, partial(_stated, message), "Origin", Origin, Origin.USER),
        "source": str(_stated(message, "Source") or ""),
        "comment": message.comment or "",
        "fields": [_field(f"{where}: signal {signal.name}", signal, command) for signal in message.signals],
    }


def _check_names(where: str, names: Sequence[str]) -> None:
    """Refuse names that the generated codec could not take; the format's long names are free text."""
    keywords: dict[str, str] = {}
    for name in names:
        try:
            other = keywords.setdefault(parameter(name), name)
        except ValueError as error:
            raise InputError(f"{where}: {error}: rename it") from None
        if other is not name:
            raise InputError(f"{where}: signals {other} and {name} have too like names: rename one")


def _field(where: str, signal: "Signal", command: bool) -> dict[str, Any]:
    if signal.start < 0:
        raise InputError(f"{where} starts at bit {signal.start}: the first bit of a message is 0")
    if signal.is_float:
        raise InputError(f"{where} is a float: define it as an integer with a scale")
    if not 1 / _LARGEST_NUMBER <= signal.scale <= _LARGEST_NUMBER:
        raise InputError(f"{where} has the scale {signal.scale}: write one above 0 (1e-18 to 1e18)")
    if not abs(signal.offset) <= _LARGEST_NUMBER:
        raise InputError(f"{where} has the offset {signal.offset}: write one within -1e18 to 1e18")
    scale, offset, decimals = _exact(signal.scale, signal.offset)
    big_endian = signal.byte_order == "big_endian"
    start = signal.start
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
        "comment": signal.comment or "",
        **attributes.of_signal(
            where, partial(_stated, signal), _usual(signal, command), signal.length, signal.is_signed
        ),
    }


def _usual(signal: "Signal", command: bool) -> Special:
    """Return the special codes of a field of which a file says nothing.

    All ones leave a field of a command as it is; elsewhere they are no data for what has a unit or a scale, and
    nothing else is special. A single bit has room for no special code.
    """
    if signal.is_signed or signal.length == 1:
        return Special.NONE
    if command:
        return Special.UNCHANGED
    return Special.NO_DATA if signal.unit or signal.scale != 1 else Special.NONE


def _stated(item: "Message | Signal", name: str) -> Any:
    """Return what a file states of a message or signal, or sets for all by default; None where it does neither."""
    specifics = item.dbc
    known = specifics.attribute_definitions.get(name) if specifics else None
    if specifics is None or known is None:
        return None
    value = specifics.attributes[name].value if name in specifics.attributes else known.default_value
    if known.type_name == "ENUM" and isinstance(value, int) and 0 <= value < len(known.choices):
        return known.choices[value]  # cantools gives the place in the list
    return value


def _exact(scale: float, offset: float) -> tuple[int, int, int]:
    """Return scale and offset as integers over one power of ten; their shortest decimal form is what was written."""
    parts = [Decimal(repr(number)) for number in (scale, offset)]
    decimals = max(0, *(-int(part.normalize().as_tuple().exponent) for part in parts))
    numerator, shift = (int(part.scaleb(decimals)) for part in parts)
    return numerator, shift, decimals
