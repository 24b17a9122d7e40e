"""What a person gives to `spell`: an identifier with data, a line of a log, a message, or a message with values.

Knows: which of these a few words are, and what was probably meant where they are none. Does not know how any of them is
explained.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from rvsim.errors import InputError, did_you_mean
from rvsim.faces.text.spell import parse_frame
from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame

EXTENDED_FLAG = 1 << 31
"""The bit that marks a 29-bit identifier in DBC files and in frames of Linux sockets (Linux: CAN_EFF_FLAG)."""
_HEX_IDENTIFIER = re.compile(r"(?:0x)?([0-9a-f]{1,8})[xh]?", re.IGNORECASE)
_DECIMAL = re.compile(r"2[0-9]{9}")
_BYTES = re.compile(r"(?:(?:0x)?[0-9a-f]{2}[\s:.,_-]*){1,9}", re.IGNORECASE)
_COMPACT = re.compile(r"(?:0x)?([0-9a-f]{3,8})[xh]?\s*#\s*((?:[0-9a-f]{2}[\s.]?)*)", re.IGNORECASE)
_LENGTH = re.compile(r"^\s*\[[0-8]\]")
_MAX_DGN_DIGITS = 5
_NO_DATA = "its data bytes are missing"


class GivenValue(NamedTuple):
    """One ``field=value`` as it was written."""

    field: str
    value: str


@dataclass(frozen=True)
class Given:
    """What was given: a frame, or the name of a message, perhaps with values of its fields."""

    frame: Frame | None = None
    message: str = ""
    values: tuple[GivenValue, ...] = ()
    has_data: bool = True
    """Whether a frame has its data: of an identifier alone only that is explained."""
    notes: tuple[str, ...] = field(default=())
    """What was understood otherwise than it was written, as sentences."""


def read_given(words: Sequence[str], catalogue: Catalogue) -> Given:
    """Return what a person gave.

    Raises:
        InputError: it is nothing that can be explained; the line says what it looks like and what was probably meant.
    """
    if any("=" in word for word in words[1:]):
        return _with_values(words, catalogue)
    text = " ".join(words).strip()
    name = _message_named(text, catalogue)
    if name is not None:
        return Given(message=name)
    compact = _COMPACT.fullmatch(text)
    if compact:
        return _frame(compact[1], compact[2], catalogue)
    first, _, rest = text.partition(" ")
    is_identifier = _HEX_IDENTIFIER.fullmatch(first) is not None or _DECIMAL.fullmatch(first) is not None
    if is_identifier and not rest.strip():
        return _alone(first)
    if is_identifier and (data := _LENGTH.sub("", rest)) and "[" not in data:
        return _frame(first, data, catalogue)
    found = _line_of_a_log(text)
    if found is not None:
        return Given(found)
    if len(words) > 1 and (_swapped := _as_swapped(words)):
        raise InputError(_swapped)
    if len(words) > 1 or re.fullmatch(r"[0-9a-fx\s:.]+", text, re.IGNORECASE):
        return Given(parse_frame(first, rest))  # it says what is no hex
    raise InputError(_unknown_message(text, catalogue))


def _message_named(text: str, catalogue: Catalogue) -> str | None:
    """Return the name of a message: given by its name in any case, with blanks or not, or by its DGN."""
    wanted = re.sub(r"[\s-]+", "_", text.strip()).upper()
    by_upper = {name.upper(): name for name in catalogue.names}
    if wanted in by_upper:
        return by_upper[wanted]
    bare = wanted.removeprefix("0X").removesuffix("H")
    if 0 < len(bare) <= _MAX_DGN_DIGITS and re.fullmatch("[0-9A-F]+", bare):
        dgn = int(bare, 16)
        spec = catalogue.by_dgn(dgn) or catalogue.by_dgn(dgn & 0x3FF00 if ident.is_addressed(dgn) else dgn)
        return spec.name if spec is not None else None
    return None


def _unknown_message(text: str, catalogue: Catalogue) -> str:
    wanted = re.sub(r"[\s-]+", "_", text).upper()
    close = did_you_mean(wanted, catalogue.names)
    word = max(re.findall(r"[A-Z]+", wanted), key=len, default=wanted).lower()
    if not re.search("[A-Z]", wanted):
        return f"{text!r} is neither a message nor a frame: write a name, a DGN like 1FFE2, or an identifier and data"
    return f"no message is called {text}{close}: `rvsim spell --find {word}` looks for a word, `rvsim spell` lists all"


# Identifiers.


def _frame(identifier: str, data: str, catalogue: Catalogue) -> Given:
    number, notes = _identifier(identifier)
    if number is None:
        return Given(parse_frame(identifier, data))  # it says what is wrong
    bare = re.sub("^0x", "", identifier.lower()).rstrip("xh")
    if len(bare) <= _MAX_DGN_DIGITS and catalogue.by_dgn(number) is not None:
        raise InputError(_as_dgn(number, data, catalogue))
    if (swapped := _as_swapped((identifier, data))) is not None:
        raise InputError(swapped)
    return Given(parse_frame(f"{number:X}", data), notes=notes)


def _identifier(text: str) -> tuple[int | None, tuple[str, ...]]:
    """Return the 29 bits of an identifier, and what had to be understood; None where it is no identifier."""
    if _DECIMAL.fullmatch(text) and EXTENDED_FLAG <= int(text) < EXTENDED_FLAG | 1 << 29:
        number = int(text) & ~EXTENDED_FLAG
        note = (
            f"{text} is the decimal number of a DBC file: {int(text):X} hex. Without bit 31, which marks an "
            f"identifier of 29 bits, it is {number:08X}."
        )
        return number, (note,)
    match = _HEX_IDENTIFIER.fullmatch(text)
    if match is None:
        return None, ()
    number = int(match[1], 16)
    if EXTENDED_FLAG <= number < EXTENDED_FLAG | 1 << 29:
        bare = number & ~EXTENDED_FLAG
        note = (
            f"{match[1].upper()} has bit 31 set, which marks an identifier of 29 bits in DBC files and on Linux "
            f"sockets; the identifier itself is {bare:08X}."
        )
        return bare, (note,)
    return number, ()


def _as_dgn(dgn: int, data: str, catalogue: Catalogue) -> str:
    """Return the line on a DGN that stands where an identifier is needed."""
    spec = catalogue.by_dgn(dgn)
    assert spec is not None
    destination = ident.GLOBAL_ADDRESS if ident.is_addressed(dgn) else None
    whole = spec.identifier(0x80, destination)
    return (
        f"{dgn:05X} is the DGN of {spec.name}, not an identifier: that has 29 bits, with a priority before the DGN and "
        f"a source address behind it, as {whole:08X} from address 80. Write `rvsim spell {whole:08X} {data.strip()}`, "
        f"or `rvsim spell {dgn:05X}` for the layout of the message"
    )


def _as_swapped(words: Sequence[str]) -> str | None:
    """Return the line on data that stand before their identifier, None where they do not."""
    before, last = "".join(words[:-1]), words[-1].strip()
    match = _HEX_IDENTIFIER.fullmatch(last)
    if match is None or len(match[1]) != 8 or _BYTES.fullmatch(before) is None:
        return None
    digits = re.sub(r"[\s:.,_-]|0x", "", before.lower())
    if len(digits) <= 8 or int(match[1], 16) >= 1 << 29:
        return None
    return (
        f"identifier and data are swapped: {before} has {len(digits) // 2} bytes and {match[1]} fits in 29 bits; write "
        f"`rvsim spell {match[1].upper()} {before}`"
    )


def _alone(text: str) -> Given:
    number, notes = _identifier(text)
    digits = re.sub("^0x", "", text.lower()).rstrip("xh")
    if number is None or number >= 1 << 29 or len(digits) <= _MAX_DGN_DIGITS:
        if number is not None and len(digits) <= _MAX_DGN_DIGITS:
            raise InputError(
                f"no message has the DGN {text}: `rvsim spell` lists all; an identifier has up to eight digits and its "
                "data behind it"
            )
        return Given(parse_frame(text, ""))
    return Given(Frame(0, number, b""), has_data=False, notes=(*notes, f"An identifier alone: {_NO_DATA}."))


# Lines of logs.


def _line_of_a_log(text: str) -> Frame | None:
    """Return the frame of a line as any format of logs has it, None where no format has such a line."""
    from rvsim.logs.read import frame_in_line

    return frame_in_line(text)


# Values.


def _with_values(words: Sequence[str], catalogue: Catalogue) -> Given:
    place = next(number for number, word in enumerate(words) if number and "=" in word)
    name = _message_named(" ".join(words[:place]), catalogue)
    frame: Frame | None = None
    notes: tuple[str, ...] = ()
    if name is None:
        frame, notes = _frame_to_change(words[:place], catalogue)
    values: list[GivenValue] = []
    for word in words[place:]:
        key, equals, value = word.partition("=")
        if equals:
            values.append(GivenValue(key.strip(), value.strip()))
        else:  # a value of several words, as a shell without quotes gives it
            values[-1] = GivenValue(values[-1].field, f"{values[-1].value} {word}".strip())
    return Given(frame, message=name or "", values=tuple(values), notes=notes)


def _frame_to_change(words: Sequence[str], catalogue: Catalogue) -> tuple[Frame, tuple[str, ...]]:
    """Return the frame before values, in which they are changed, and what was understood otherwise than written.

    Raises:
        InputError: there is no frame with data.
    """
    text = " ".join(words)
    first = text.partition(" ")[0]
    is_frame = any(form.fullmatch(first) for form in (_HEX_IDENTIFIER, _DECIMAL)) or _COMPACT.fullmatch(text)
    if not is_frame and _line_of_a_log(text) is None:
        raise InputError(_unknown_message(text, catalogue))
    given = read_given(words, catalogue)
    if given.frame is None or not given.has_data:
        raise InputError(
            f"{text} is an identifier without data, and FIELD=VALUE changes data: write the data behind it, "
            "or the name of a message to build a frame"
        )
    return given.frame, given.notes
