"""A frame in any text that a person pastes: out of a mail, a table, a terminal or another program.

Knows: how identifiers and data are written in such texts, and what stands beside them. Does not know messages' fields,
nor the formats of logs (`logs.read`).
"""

import re
from collections.abc import Callable
from typing import NamedTuple

from rvsim.errors import InputError
from rvsim.wire.frame import Frame

_EXTENDED_FLAG = 1 << 31
"""The bit that marks a 29-bit identifier in frames of Linux sockets (Linux: CAN_EFF_FLAG)."""
ERROR_FLAG = 1 << 29
"""The bit that marks an error in frames of Linux sockets (Linux: CAN_ERR_FLAG)."""
_IDENTIFIER = re.compile(r"(?<![0-9A-Za-z.])(?:0x)?([0189][0-9a-f]{7})[xh]?(?![0-9A-Za-z.])", re.IGNORECASE)
_PARTS = re.compile(r"[\s,;:|\[\](){}=#\"'`<>/_-]+")
_NOISE = re.compile(
    r"x|rx|tx|[dst]|rx/tx|id|dl|dlc|len|length|data|bytes?|payload|ext|extended|eff|std|can\d*|vcan\d*|true|false|null",
    re.IGNORECASE,
)
_LENGTH_BEHIND = re.compile(r"[xh]?\s*[\[(]([0-8])[\])]", re.IGNORECASE)
_LENGTH = re.compile(r"(?:\bdlc?|\blen(?:gth)?)\W{0,4}([0-8])\b", re.IGNORECASE)
_HEX_BYTE = re.compile(r"(?:0x)?([0-9a-f]{2})", re.IGNORECASE)
_DECIMAL_LIST = re.compile(r"\[\s*\d{1,3}\s*(?:,\s*\d{1,3}\s*){1,7}\]")
_BINARY = re.compile(r"\s*(?:0b)?((?:[01][ _.|-]{0,2}){28}[01])(?![0-9A-Za-z])(.*)", re.DOTALL)
_PAIRS = re.compile(r"(?:[0-9a-f]{2}[\s:.,_-]+){4,12}(?:[0-9a-f]{2})?", re.IGNORECASE)
_RUN = re.compile(r"(?:[0-9a-f]{8}|(?:[0-9a-f]{2}[\s:.,_-]){4})(?:[0-9a-f]{2}){1,8}", re.IGNORECASE)
_MAX_QUOTED = 48
MAX_DATA_BYTES = 8
"""Data bytes of one frame (CAN Specification 2.0)."""
KnowsIdentifier = Callable[[int], bool]
"""Tells whether a message with the DGN of an identifier is defined."""


class Pasted(NamedTuple):
    """The frame that was found, and what was understood otherwise than it was written, as sentences."""

    frame: Frame
    notes: tuple[str, ...] = ()
    has_data: bool = True
    """Whether its data were given: an identifier can stand alone."""


def read_pasted(text: str, is_known: KnowsIdentifier) -> Pasted | None:
    """Return the first frame in a text; None where none is recognized.

    Raises:
        InputError: what stands there is recognized, and is no frame that can be explained.
    """
    lines = [line for line in text.splitlines() if line.strip()]
    if len(lines) > 1:
        return _first_of(lines, is_known)
    text = text.strip().strip("\"'`>|$ ")
    found = _binary(text) or _by_bytes(text, is_known)
    if found is not None:
        return found
    match = _IDENTIFIER.search(text)
    if match is None:
        return None
    number = int(match[1], 16)
    data, rest, notes = _data(text[: match.start()], text[match.end() :], match[1].upper())
    if data is None:
        return None
    if number & _EXTENDED_FLAG:
        number &= ~_EXTENDED_FLAG
        notes = (f"{match[1].upper()} has bit 31 set; the identifier itself is {number:08X}.", *notes)
    if number >= ERROR_FLAG:
        return None
    if _IDENTIFIER.search(rest) is not None:
        notes = (*notes, "Another frame stands behind it: only the first one is explained.")
    return Pasted(Frame(0, number, data), notes)


def _first_of(lines: list[str], is_known: KnowsIdentifier) -> Pasted | None:
    """Return the first frame of several lines, and say how many there are."""
    found = [one for line in lines if (one := _of_line(line, is_known)) is not None]
    if not found:
        return None
    notes = found[0].notes
    if len(found) > 1:
        notes = (
            f"{len(found)} frames in {len(lines)} lines: only the first one is explained. `rvsim survey FILE` reads a "
            "whole log.",
            *notes,
        )
    return found[0]._replace(notes=notes)


def _of_line(line: str, is_known: KnowsIdentifier) -> Pasted | None:
    from rvsim.logs.read import frame_in_line

    if (frame := frame_in_line(line)) is not None:
        return Pasted(frame)
    try:
        return read_pasted(line, is_known)
    except InputError:  # a line between the frames, like one of an 11-bit frame
        return None


def _binary(text: str) -> Pasted | None:
    """Return a frame whose identifier is written as 29 binary digits."""
    match = _BINARY.fullmatch(text)
    if match is None:
        return None
    digits = re.sub("[^01]", "", match[1])
    number = int(digits, 2)
    data = re.sub(r"[\s:.,#_-]|0x", "", match[2].lower())
    if re.fullmatch("(?:[0-9a-f]{2}){0,8}", data) is None:
        return None
    note = f"29 binary digits are an identifier: {number:08X} hex."
    return Pasted(Frame(0, number, bytes.fromhex(data)), (note,), has_data=bool(data))


def _by_bytes(text: str, is_known: KnowsIdentifier) -> Pasted | None:
    """Return a frame whose identifier is written as four bytes, or without a gap before its data.

    Raises:
        InputError: these are data without an identifier.
    """
    if _PAIRS.fullmatch(text) is None and _RUN.fullmatch(text) is None:
        return None
    held = bytes.fromhex(re.sub("[^0-9A-Fa-f]", "", text))
    number = int.from_bytes(held[:4], "big")
    if number & _EXTENDED_FLAG:
        number &= ~_EXTENDED_FLAG
    has_identifier = number < ERROR_FLAG and (is_known(number) or len(held) > MAX_DATA_BYTES)
    if has_identifier and len(held) <= 4 + MAX_DATA_BYTES:
        note = f"The first four bytes were taken for the identifier {number:08X}, the others for its data."
        return Pasted(Frame(0, number, held[4:]), (note,))
    if len(held) > MAX_DATA_BYTES:
        return None
    raise InputError(
        f"these are {len(held)} bytes without an identifier: write it in front, `rvsim spell 19FFE45E "
        f"{held.hex().upper()}`, or the name of the message, `rvsim spell FURNACE_STATUS {held.hex().upper()}`"
    )


def _data(before: str, after: str, identifier: str) -> tuple[bytes | None, str, tuple[str, ...]]:
    """Return the data behind an identifier, the text behind them, and what has to be said; None where there are none.

    Raises:
        InputError: they are not as many bytes as the length says, or more than a frame has.
    """
    if (listed := _DECIMAL_LIST.search(after)) is not None:
        numbers = [int(one) for one in re.findall(r"\d+", listed[0])]
        if max(numbers) <= 0xFF and any(len(one) != 2 for one in re.findall(r"\d+", listed[0])):
            return bytes(numbers), after[listed.end() :], (_decimal_note(bytes(numbers)),)
    parts = [part for part in _PARTS.split(after) if part]
    while parts and _NOISE.fullmatch(parts[0]):
        del parts[0]
    length = _LENGTH.search(before) or _LENGTH.search(after) or _LENGTH_BEHIND.match(after)
    count = int(length[1]) if length is not None else None
    if parts and re.fullmatch("[0-8]", parts[0]) and _is_length(parts, count):
        count = int(parts[0])
        del parts[0]
        while parts and _NOISE.fullmatch(parts[0]):
            del parts[0]
    if parts and re.fullmatch("9|[1-9][0-9]", parts[0]) and len(parts) > int(parts[0]):
        raise InputError(_too_long(int(parts[0]), identifier))
    if (plain := _plain_numbers(parts, count)) is not None:
        return plain, "", (_decimal_note(plain),)
    held, used = _leading_bytes(parts, count)
    rest = " ".join(parts[used:])
    if count is not None and len(held) < count:
        missing = f"the length of {identifier} is {count} and {len(held)} bytes of data stand behind it"
        raise InputError(f"{missing}: a part of the line is missing, or {held.hex(' ').upper() or 'it'} is cut off")
    if not held and count is None:
        return None, rest, ()
    if count is None and len(held) > MAX_DATA_BYTES:
        raise InputError(_too_long(len(held), identifier))
    return held, rest, ()


def _too_long(count: int, identifier: str) -> str:
    return (
        f"what stands behind {identifier} has {count} bytes: a frame holds {MAX_DATA_BYTES} at most; a longer message "
        "is sent in several frames, of which one can be explained"
    )


def _is_length(parts: list[str], count: int | None) -> bool:
    """Tell whether a digit in front is the length: it is the one already read, or as many bytes stand behind it."""
    number = int(parts[0])
    if count is not None:
        return count == number
    rest = parts[1:]
    while rest and _NOISE.fullmatch(rest[0]):
        del rest[0]
    pairs = 0
    while pairs < len(rest) and _HEX_BYTE.fullmatch(rest[pairs]):
        pairs += 1
    in_one = number > 1 and rest and re.fullmatch(f"[0-9a-f]{{{2 * number}}}", rest[0], re.IGNORECASE) is not None
    # eight parts can also be eight bytes, of which this one has no leading zero; then no other has one
    is_padded = len(parts) != MAX_DATA_BYTES or any(part.startswith("0") for part in rest)
    return number == pairs or (pairs > number > 0 and is_padded) or bool(in_one)


def _plain_numbers(parts: list[str], count: int | None) -> bytes | None:
    """Return bytes that are written as decimal numbers, None where they are not certainly that."""
    wanted = parts[: MAX_DATA_BYTES if count is None else count]
    if len(wanted) < 2 or not all(re.fullmatch(r"\d{1,3}", part) and int(part) <= 0xFF for part in wanted):
        return None
    return bytes(map(int, wanted)) if any(len(part) == 3 for part in wanted) else None


def _decimal_note(data: bytes) -> str:
    return f"The data were taken for decimal numbers: {data.hex(' ').upper()} hex."


def _leading_bytes(parts: list[str], count: int | None) -> tuple[bytes, int]:
    """Return the bytes at the beginning of the parts and how many parts they are; at most ``count``."""
    held, used = b"", 0
    # a byte below 10 hex may have one digit where there are as many parts as bytes
    has_short = len(parts) == (MAX_DATA_BYTES if count is None else count)
    for part in parts:
        bare = part.lower().removeprefix("0x")
        is_digits = re.fullmatch("(?:[0-9a-f]{2}){1,64}|[0-9a-f]" if has_short else "(?:[0-9a-f]{2}){1,64}", bare)
        if is_digits is None or (count is not None and len(held) >= count):
            break
        if len(held) == MAX_DATA_BYTES and _HEX_BYTE.fullmatch(part) is None:
            break  # the bytes as characters, behind the hex
        held += bytes.fromhex(bare.zfill(2))
        used += 1
    return (held, used) if count is None else (held[:count], used)


def quoted(text: str) -> str:
    """Return a text as it is repeated in a message: in one line, cut where it is long."""
    bare = " ".join(text.split())
    return repr(bare if len(bare) <= _MAX_QUOTED else f"{bare[:_MAX_QUOTED]}...")
