"""Reads message definitions (DBC files) and caches them in a compiled form of plain data.

Knows: cantools, and the content of the compiled form. Does not know what rvsim's attributes mean (``attributes.py``),
where statements begin (``dbc_text.py``), nor how a frame is decoded. No cantools object leaves this file: its functions
match whole identifiers, scale in floating point and raise on short frames.

The cache has one file for each definition file; its name contains the hash of the definition file. Its first line is
JSON with the DGNs and names of the messages, and the messages that are left out. Each further line is one message as
JSON, which is parsed only when that message is requested.
"""

import hashlib
import json
import re
from collections.abc import Sequence
from contextlib import suppress
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from rvsim import shipped
from rvsim.errors import InputError
from rvsim.wire import attributes
from rvsim.wire.catalogue import Catalogue, Definition
from rvsim.wire.codec import parameter_name
from rvsim.wire.dbc_text import NotDbcError, select_statements
from rvsim.wire.definition_cache import load_lines, save_lines, user_cache_folder
from rvsim.wire.fields import Origin, Special, special_states
from rvsim.wire.file_text import decode_text
from rvsim.wire.ident import dgn_of

if TYPE_CHECKING:
    from cantools.database.can.message import Message
    from cantools.database.can.signal import Signal

CACHE_FORMAT = 5
"""Version of the compiled form; increase it whenever the form changes."""
_MAX_FILE_BYTES = 16 << 20
"""The largest DBC file that is read, 16 MiB. Our decision."""
_MAX_SCALE = 1e18
"""Scales and offsets above it, and scales below its reciprocal, are taken for typing mistakes. Our decision."""
_MAX_GAP_MS = 24 * 3600 * 1000
_MAX_REPORTED = 50
_MIN_NAMED_BITS = 8
"""Special codes of narrower fields have names in our files as codes of their own."""
"""At most so many mistakes or names are listed; the rest are counted."""
_ATTRIBUTES = frozenset(
    (
        *("BroadcastGap", "BroadcastRule", "GenMsgCycleTime", "SystemMessageLongSymbol", "SystemSignalLongSymbol"),
        *attributes.ATTRIBUTE_NAMES,
    )
)
"""The attributes that are read; all others are ignored."""


def load_catalogue(own: Sequence[Path] = (), cache: Path | None = None) -> Catalogue:
    """Load the shipped definitions and the user's own; a user's message replaces the shipped one with its DGN or name.

    Args:
        own: the user's DBC files.
        cache: the folder for compiled definitions; None for the user's cache folder.

    Raises:
        InputError: a file cannot be read, or a DGN or a name is defined twice within the user's or the shipped files.
    """
    folder = cache if cache is not None else user_cache_folder()
    standard, _ = _merge(shipped.dbc_files(), folder)
    users, left_out = _merge(own, folder)
    replaced = {message.name for message in users.values()}
    kept = {dgn: message for dgn, message in standard.items() if message.name not in replaced}
    return Catalogue((kept | users).values(), left_out)


def _merge(paths: Sequence[Path], folder: Path) -> tuple[dict[int, Definition], list[str]]:
    numbers: dict[int, Definition] = {}
    names: dict[str, Definition] = {}
    problems: list[str] = []
    left_out: list[str] = []
    for path in paths:
        compiled = _compiled(path, folder)
        left_out += _left_out_lines(path, compiled)
        for message in compiled.definitions:
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
        raise InputError(*_shortened(problems))
    return numbers, left_out


class _Compiled(NamedTuple):
    """One file: its messages, and the names of those that are left out, with the text that follows the name."""

    definitions: list[Definition]
    left_out: list[tuple[str, str]]


def _left_out_lines(path: Path, compiled: _Compiled) -> list[str]:
    """Return lines on how many messages of a file are left out, which, and why; no line where none is."""
    if not compiled.left_out:
        return []
    reasons: dict[str, list[str]] = {}
    for name, why in compiled.left_out:
        reasons.setdefault(why, []).append(name)
    left_out, total = len(compiled.left_out), len(compiled.left_out) + len(compiled.definitions)
    lines = [f"{path}: left out: {_messages_with_reason(names, why)}" for why, names in reasons.items()]
    return [
        f"{path}: {left_out} of {total} messages {'is' if left_out == 1 else 'are'} left out; the others are used",
        *_shortened(lines),
    ]


def _messages_with_reason(names: list[str], why: str) -> str:
    """Return the names of the messages that are left out for one reason, with the reason."""
    if len(names) == 1:
        return f"message {names[0]}{why}"
    return f"messages {', '.join(_shortened(names))}{'' if why[0] == ':' else ': each'}{why}"


def _shortened(lines: list[str]) -> list[str]:
    """Return the first lines, and how many more there are."""
    more = len(lines) - _MAX_REPORTED
    return lines if more <= 0 else [*lines[:_MAX_REPORTED], f"and {more} more"]


def _compiled(path: Path, folder: Path) -> _Compiled:
    content, file = _read(path), str(path)
    kept = folder / f"definitions-{CACHE_FORMAT}-{hashlib.sha256(content).hexdigest()[:32]}.txt"
    with suppress(ValueError, TypeError, KeyError, RecursionError):  # a cache file in another form is rewritten
        return _compiled_from_lines(load_lines(kept) or (), file)
    messages, left_out = _compile(path, content)
    heading = {"messages": [[message["dgn"], message["name"]] for message in messages], "left_out": left_out}
    lines = [json.dumps(record) for record in (heading, *messages)]
    save_lines(kept, lines)
    return _compiled_from_lines(lines, file)


def _compiled_from_lines(lines: Sequence[str], file: str) -> _Compiled:
    heading = json.loads("".join(lines[:1]))
    return _Compiled(
        [Definition(dgn, name, text, file) for (dgn, name), text in zip(heading["messages"], lines[1:], strict=True)],
        [(name, why) for name, why in heading["left_out"]],
    )


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(_MAX_FILE_BYTES + 1)
    except (OSError, ValueError) as error:  # a path with a NUL in it is a ValueError
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be read ({reason}): name a DBC file") from None
    if len(content) > _MAX_FILE_BYTES:
        raise InputError(f"{path}: larger than 16 MiB, which no definition file is: name a DBC file")
    return content


def _compile(path: Path, content: bytes) -> tuple[list[dict[str, Any]], list[tuple[str, str]]]:
    """Return the messages of a DBC file as plain data, and those that are left out with the reason."""
    try:
        text = decode_text(content)
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")
    try:
        messages, left_out = _messages(path, text)
    except InputError as error:
        raise InputError(*map(_one_line, error.problems)) from None
    except (MemoryError, RecursionError):
        raise InputError(f"{path}: needs more memory than is available: remove from it what you do not need") from None
    if not messages and left_out:
        raise InputError(*_shortened([f"{path}: message {name}{why}" for name, why in left_out]))
    if not messages:
        raise InputError(f"{path}: has no message with a 29-bit identifier: name a DBC file of an RV-C network")
    return messages, left_out


def _messages(path: Path, text: str) -> tuple[list[dict[str, Any]], list[tuple[str, str]]]:
    try:
        selection = select_statements(text, _ATTRIBUTES)
    except NotDbcError as error:
        raise InputError(f"{path}, {_position_text(text, *error.args)}: correct the file") from None
    except InputError as error:
        raise InputError(*(f"{path}: {problem}" for problem in error.problems)) from None
    messages, left_out = [], selection.left_out
    for message in _parse(path, selection.text):
        try:
            messages.append(_message(path, message))
        except _LeftOutError as reason:
            left_out.append((message.name, str(reason)))
    return messages, [(_one_line(name), _one_line(why)) for name, why in left_out]


class _LeftOutError(Exception):
    """A message cannot be used; the argument is the text that follows its name."""


def _one_line(text: str) -> str:
    """Return text that is safe to print: names and texts of a file can contain line ends and control characters."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _parse(path: Path, text: str) -> "list[Message]":
    import textparser
    from cantools.database.can.formats import dbc
    from cantools.errors import Error

    try:
        # Not Database.add_dbc_string: it logs a warning where a message is defined twice. The last statement is added
        # here: without a statement after it, the parser drops an unfinished one at the end without an error.
        messages: list[Message] = dbc.load_string(text + "\nBS_:\n", strict=True).messages
    except textparser.ParseError as error:
        raise InputError(f"{path}, {_position_text(text, error.offset)}: correct the file") from None
    except KeyError as error:
        raise InputError(f"{path}: uses {error} without defining it: correct the file") from None
    except ArithmeticError:
        raise InputError(f"{path}: an attribute is defined as a number and has another value: correct it") from None
    except (Error, ValueError, TypeError, AttributeError, IndexError, AssertionError) as error:
        what = " ".join(str(error).split()).rstrip(".")
        raise InputError(f"{path}: {what}: correct the file") from None
    return messages


def _position_text(text: str, offset: int, odd: str = "") -> str:
    end = len(text.rstrip())
    at = min(offset, end)
    rest = text[at:].partition("\n")[0].strip()[:40]
    what = odd or ("the last statement is not finished" if offset >= end else f"not DBC from {rest!r} on")
    return f"line {text.count(chr(10), 0, at) + 1}, column {at - text.rfind(chr(10), 0, at)}: {what}"


def _message(path: Path, message: "Message") -> dict[str, Any]:
    where = f"{path}: message {message.name}"
    command = "COMMAND" in message.name.upper()
    gap_ms = _attribute_value(message, "BroadcastGap") or 0
    if not _is_gap(gap_ms):
        raise InputError(f"{where}: attribute BroadcastGap is {gap_ms}: write milliseconds, at most a day")
    cycle_ms = _attribute_value(message, "GenMsgCycleTime")
    gap_ms = gap_ms or (cycle_ms if _is_gap(cycle_ms) else 0)
    if not re.fullmatch(r"\w+", message.name, re.ASCII):
        raise _LeftOutError(": a name has letters, digits and underscores: rename it")
    _check_names([signal.name for signal in message.signals])
    return {
        "name": message.name,
        "dgn": dgn_of(message.frame_id),
        "priority": message.frame_id >> 26,
        "length": message.length,
        "gap_us": round(gap_ms * 1000) or None,
        "rule": str(_attribute_value(message, "BroadcastRule") or ""),
        "origin": attributes.stated_word(where, partial(_attribute_value, message), "Origin", Origin, Origin.USER),
        "source": str(_attribute_value(message, "Source") or ""),
        "comment": message.comment or "",
        "fields": [_field(where, signal, command=command) for signal in message.signals],
    }


def _is_gap(milliseconds: object) -> bool:
    return isinstance(milliseconds, int | float) and 0 <= milliseconds <= _MAX_GAP_MS


def _check_names(names: Sequence[str]) -> None:
    """Leave a message out whose field names the generated codec cannot use; long names in a DBC file are free text."""
    keywords: dict[str, str] = {}
    for name in names:
        try:
            other = keywords.setdefault(parameter_name(name), name)
        except ValueError as error:
            raise _LeftOutError(f": {error}: rename it") from None
        if other is not name:
            raise _LeftOutError(f": signals {other} and {name} have names that are too similar: rename one")


def _field(where: str, signal: "Signal", *, command: bool) -> dict[str, Any]:
    named = f": signal {signal.name}"
    if not 1 / _MAX_SCALE <= signal.scale <= _MAX_SCALE:
        raise _LeftOutError(f"{named} has the scale {signal.scale}: write one above 0 (1e-18 to 1e18)")
    if not abs(signal.offset) <= _MAX_SCALE:
        raise _LeftOutError(f"{named} has the offset {signal.offset}: write one within -1e18 to 1e18")
    scale, offset, decimals = _exact_scale(signal.scale, signal.offset)
    big_endian = signal.byte_order == "big_endian"
    start = signal.start
    stated = attributes.signal_attributes(
        where + named,
        partial(_attribute_value, signal),
        _default_special(signal, command=command),
        signal.length,
        signed=signal.is_signed,
    )
    return {
        "name": signal.name,
        "first": start - start % 8 + 7 - start % 8 if big_endian else start,
        "length": signal.length,
        "big_endian": big_endian,
        "signed": signal.is_signed,
        "scale": scale,
        "offset": offset,
        "decimals": decimals,
        "unit": _one_line(signal.unit or ""),
        "labels": _labels(signal, Special(stated["special"])),
        "comment": signal.comment or "",
        **stated,
    }


def _labels(signal: "Signal", special: Special) -> dict[str, str]:
    """Return the names of a field's codes, without those that only repeat what a special code means.

    Such names stand in a file for other programs, which know no special codes.
    """
    states = special_states(special, signal.length) if signal.length >= _MIN_NAMED_BITS else {}
    named = {raw: _one_line(str(label)) for raw, label in (signal.choices or {}).items()}
    return {str(raw): label for raw, label in named.items() if str(states.get(raw)) != label}


def _default_special(signal: "Signal", *, command: bool) -> Special:
    """Return the special codes of a field whose file states none.

    In a command all ones mean unchanged. Elsewhere they mean no data where the field has a unit or a scale. No other
    code is special, and a field of one bit has no special code.
    """
    if signal.is_signed or signal.length == 1:
        return Special.NONE
    if command:
        return Special.UNCHANGED
    return Special.NO_DATA if signal.unit or signal.scale != 1 else Special.NONE


def _attribute_value(item: "Message | Signal", name: str) -> Any:
    """Return an attribute's value for a message or signal, or its default in the file; None where it has neither."""
    specifics = item.dbc
    known = specifics.attribute_definitions.get(name) if specifics else None
    if specifics is None or known is None:
        return None
    value = specifics.attributes[name].value if name in specifics.attributes else known.default_value
    if known.type_name == "ENUM" and isinstance(value, int) and 0 <= value < len(known.choices):
        return known.choices[value]  # cantools returns the index in the list
    return value


def _exact_scale(scale: float, offset: float) -> tuple[int, int, int]:
    """Return scale and offset as integers over one power of ten; their shortest decimal form is the one in the file."""
    parts = [Decimal(repr(number)) for number in (scale, offset)]
    decimals = max(0, *(-int(part.normalize().as_tuple().exponent) for part in parts))
    numerator, shift = (int(part.scaleb(decimals)) for part in parts)
    return numerator, shift, decimals
