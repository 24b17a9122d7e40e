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
_DECIMAL = re.compile(r"2[0-9]{9}|[0-9]{9}")
_WHOLE_BYTES = re.compile(r"[\s:]*(?:(?:(?:0x)?[0-9a-f]{2})+[\s:.,_-]*)*", re.IGNORECASE)
_ALL_PAIRS = re.compile(r"[0-9a-f]{2}(?:[\s:.,_-]+[0-9a-f]{2})+", re.IGNORECASE)
_BYTES = re.compile(r"(?:(?:0x)?[0-9a-f]{2}[\s:.,_-]*){1,9}", re.IGNORECASE)
_COMPACT = re.compile(r"(?:0x)?([0-9a-f]{3,8})[xh]?\s*#\s*((?:[0-9a-f]{2}[\s.]?)*)", re.IGNORECASE)
_LABELLED = re.compile(r"([dp]gn)\b[\s:=#]*((?:0x)?[0-9a-f]{1,6}h?)\b[\s(]*(?:hex)?[^#]*", re.IGNORECASE)
_COLUMNS = re.compile(
    r"(?P<priority>[0-7])[\s,;]+(?P<dgn>[0-9a-f]{4,5})[\s,;]+(?P<source>[0-9a-f]{2})[\s,;]+"
    r"(?P<data>(?:[0-9a-f]{2}[\s:.,;_-]*){1,8})",
    re.IGNORECASE,
)
_LABELLED_COLUMNS = re.compile(
    r"(?:p(?:rio(?:rity)?)?\W*(?P<priority>[0-7])\W+)?[dp]gn\W*(?P<dgn>[0-9a-f]{4,5})\W+"
    r"(?:sa|src|source)\W*(?P<source>[0-9a-f]{2})\W+(?:(?:dlc?|len)\W*[0-8]\W+)?(?:data)?\W*"
    r"(?P<data>(?:[0-9a-f]{2}[\s:.,;_-]*){1,8})",
    re.IGNORECASE,
)
_MAX_PAIRS = 9
"""Pairs of hex digits that are read as the data of one frame; nine are a slip of the fingers, more another text."""
_MAX_DGN_DIGITS = 5
_IDENTIFIER_DIGITS = 8
_NO_DATA = "its data bytes are missing"
_MAX_NAMES = 8
_MAX_LETTERS = 3
"""A word of more letters in front of hex digits was meant for a name, a shorter one for an identifier. Our choice."""
_OTHER_KINDS = {
    "11-bit": "a frame with an 11-bit identifier: this network has identifiers of 29 bits, eight hex digits",
    "remote": "a remote frame: it asks for data and has none, and this network does not use it",
    "error": "an error that an adapter reported, not a frame: `rvsim survey LOG` counts these",
    "FD": "a frame with flexible data rate (CAN FD): this network has classic frames of 8 bytes at most",
    "long message": "a message of more than 8 bytes, put together from its packets: paste one of these frames",
}
"""What is said of an entry of a log by its kind (`logs.formats.entry.EntryKind`)."""
_KIND_SIGNS = (
    ("error", r"error\s*-?frame|bus[\s-]*error"),
    ("remote", r"remote\s+(?:request|frame)|\brtr\b|#r[0-8]?\b|^\s*r[0-9a-f]{8}[0-8]\s*$|\brr\s+[0-9a-f]{4,8}\b"),
    ("FD", r"##[0-9a-f]|\bcanfd\b"),
    ("long message", r"\bj1939tp\b"),
)
"""Signs of these kinds in lines that no reader of logs takes alone."""


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
    words = _with_equals_joined(words)
    text = " ".join(words).strip()
    if any("=" in word for word in words[1:]) and (values := _with_values(words, catalogue)) is not None:
        return values
    name = _message_named(text, catalogue)
    if name is not None:
        return Given(message=name)
    given = _in_columns(text, catalogue) or _labelled_number(text, catalogue) or _decimal_dgn(text, catalogue)
    if given is not None:
        return given
    compact = _COMPACT.fullmatch(text)
    if compact:
        return _frame(compact[1], compact[2], catalogue)
    first, _, rest = text.replace("\t", " ").partition(" ")
    is_identifier = _HEX_IDENTIFIER.fullmatch(first) is not None or _DECIMAL.fullmatch(first) is not None
    if is_identifier and not rest.strip():
        return _alone(first, catalogue)
    if is_identifier and "\n" not in text and not _is_bytes(text):
        if (whole := _with_source(first, rest, catalogue)) is not None:
            return whole
        if _WHOLE_BYTES.fullmatch(rest) and len(re.findall("[0-9a-f]{2}", rest, re.IGNORECASE)) <= _MAX_PAIRS:
            return _frame(first, rest, catalogue)
    return _pasted(text, catalogue)


def _pasted(text: str, catalogue: Catalogue) -> Given:
    """Return what any other text has: a line of a log, a frame among other words, a message's name with data."""
    from rvsim.faces.text.spell_pasted import read_pasted

    found = _line_of_a_log(text)
    if found is not None:
        return Given(found)
    if (built := _name_and_data(text, catalogue)) is not None:
        return built
    if "\n" not in text:
        _refuse_other_kinds(text)
    if "\n" not in text and (swapped := _as_swapped(text.split())):
        raise InputError(swapped)
    pasted = read_pasted(text, lambda number: catalogue.by_dgn(ident.dgn_of(number)) is not None)
    if pasted is not None:
        notes = pasted.notes if pasted.has_data else (*pasted.notes, f"An identifier alone: {_NO_DATA}.")
        return Given(pasted.frame, has_data=pasted.has_data, notes=notes)
    _refuse_other_kinds(text)
    first, *rest = text.split() or [""]
    data = " ".join(rest)
    if _HEX_IDENTIFIER.fullmatch(first) or _DECIMAL.fullmatch(first):
        return _frame(first, data, catalogue)
    is_word = first.isalpha() and len(first) > _MAX_LETTERS
    if re.fullmatch(r"[0-9a-fx\s:.]+", text, re.IGNORECASE) or (rest and _WHOLE_BYTES.fullmatch(data) and not is_word):
        return Given(parse_frame(first, data))  # it says what is no hex
    raise InputError(_unknown_message(text, catalogue))


def _is_bytes(text: str) -> bool:
    """Tell whether a text has nothing but pairs of hex digits, at least two, with something between them."""
    return _ALL_PAIRS.fullmatch(text.strip()) is not None


def _message_named(text: str, catalogue: Catalogue) -> str | None:
    """Return the name of a message: given by its name in any case, with blanks or not, or by its DGN."""
    wanted = re.sub(r"[\s-]+", "_", text.strip()).upper()
    by_upper = {name.upper(): name for name in catalogue.names}
    if wanted in by_upper:
        return by_upper[wanted]
    bare = wanted.removeprefix("0X").removesuffix("H")
    if len(bare) == 6 and bare.startswith("00"):  # as the three bytes in which a request has it
        bare = bare[1:]
    if 0 < len(bare) <= _MAX_DGN_DIGITS and re.fullmatch("[0-9A-F]+", bare):
        return _name_of(int(bare, 16), catalogue)
    return None


def _name_of(dgn: int, catalogue: Catalogue) -> str | None:
    spec = catalogue.by_dgn(dgn) or catalogue.by_dgn(dgn & 0x3FF00 if ident.is_addressed(dgn) else dgn)
    return spec.name if spec is not None else None


def _labelled_number(text: str, catalogue: Catalogue) -> Given | None:
    """Return the message whose number stands behind the word DGN or PGN; in hex, or else in decimal."""
    label = _LABELLED.fullmatch(text)
    if label is None:
        return None
    name = _message_named(label[2], catalogue)
    decimal = _decimal_dgn(label[2], catalogue)
    if decimal is not None and (name is None or label[1].lower() == "pgn"):
        return decimal
    if name is None:
        number = f"{label[1].upper()} {label[2]}"
        raise InputError(f"no message has the {number}, in hex or in decimal: `rvsim spell` lists all")
    return Given(message=name)


def _decimal_dgn(text: str, catalogue: Catalogue) -> Given | None:
    """Return the message whose DGN is given as a decimal number, as J1939 writes PGNs."""
    if re.fullmatch(r"\d{4,6}", text) is None or int(text) >= ident.DGN_LIMIT:
        return None
    name = _name_of(int(text), catalogue)
    return Given(message=name, notes=(f"{text} is decimal: {int(text):05X} hex.",)) if name is not None else None


def _name_and_data(text: str, catalogue: Catalogue) -> Given | None:
    """Return the frame of a message that is given by its name, with data behind it."""
    from rvsim.faces.text.spell_example import ANY_ADDRESS

    match = re.fullmatch(r"([A-Za-z]\w+)[\s:,]+(\S.*)", text)
    if match is None or (name := _message_named(match[1], catalogue)) is None:
        return None
    spec = catalogue.by_name(name)
    field, _, value = match[2].partition(" ")
    if field.lower() in spec.by_name:
        raise InputError(f"{name}: write a value with = behind its field, like {field}={value or 'no_data'}")
    number = spec.identifier(ANY_ADDRESS, ident.GLOBAL_ADDRESS if ident.is_addressed(spec.dgn) else None)
    note = (
        f"The identifier is not given: priority {spec.priority} and source address {ANY_ADDRESS:02X} are assumed, "
        f"so {number:08X}."
    )
    return Given(parse_frame(f"{number:08X}", match[2]), notes=(note,))


def _refuse_other_kinds(text: str) -> None:
    """Raise what a line of a log is that has no frame of this network."""
    from rvsim.faces.text.spell_pasted import quoted
    from rvsim.logs.read import kind_in_line

    kind = next((found for line in text.splitlines() if (found := kind_in_line(line)) is not None), None)
    lowered = text.lower()
    name = str(kind) if kind is not None else next((word for word, sign in _KIND_SIGNS if re.search(sign, lowered)), "")
    if name in _OTHER_KINDS:
        raise InputError(f"{quoted(text)} is {_OTHER_KINDS[name]}")


def _unknown_message(text: str, catalogue: Catalogue) -> str:
    from rvsim.faces.text.spell_pasted import quoted

    wanted = re.sub(r"[\s-]+", "_", text).upper()
    beginning = [name for name in catalogue.names if name.startswith(f"{wanted}_")]
    if wanted and beginning:
        return (
            f"no message is called {text}, which is the beginning of {', '.join(beginning[:_MAX_NAMES])}"
            f"{' and others' if len(beginning) > _MAX_NAMES else ''}: write one of them; `rvsim spell --find "
            f"{text.split()[0].lower()}` looks for a word"
        )
    if re.fullmatch(r"[A-Za-z_][\w -]*", text) is None or re.search(r"[0-9A-F]{8}|\d{5}", wanted):
        return (
            f"{quoted(text)} is neither a message nor a frame: write a name, a DGN like 1FFE2, or an identifier of "
            "eight hex digits and its data"
        )
    close = did_you_mean(wanted, catalogue.names)
    word = max(re.findall(r"[A-Z]+", wanted), key=len, default=wanted).lower()
    return f"no message is called {text}{close}: `rvsim spell --find {word}` looks for a word, `rvsim spell` lists all"


# Identifiers.


def _in_columns(text: str, catalogue: Catalogue) -> Given | None:
    """Return a frame that is written in columns: priority, DGN, source address and data, with labels or without."""
    match = _COLUMNS.fullmatch(text) or _LABELLED_COLUMNS.fullmatch(text)
    spec = catalogue.by_dgn(int(match["dgn"], 16)) if match is not None else None
    if match is None or spec is None or ident.is_addressed(spec.dgn):
        return None
    priority = spec.priority if match["priority"] is None else int(match["priority"])
    number = ident.join_identifier(priority, spec.dgn, int(match["source"], 16))
    note = f"Taken for priority {priority}, DGN {spec.dgn:05X}, source address {match['source'].upper()}: {number:08X}."
    return Given(parse_frame(f"{number:08X}", match["data"]), notes=(note,))


def _with_source(identifier: str, data: str, catalogue: Catalogue) -> Given | None:
    """Return a frame that is written as DGN, source address and eight bytes of data."""
    match = _HEX_IDENTIFIER.fullmatch(identifier)
    held = bytes.fromhex(re.sub(r"[\s:.,_-]|0x", "", data.lower())) if _WHOLE_BYTES.fullmatch(data) else b""
    spec = catalogue.by_dgn(int(match[1], 16)) if match is not None and len(match[1]) <= _MAX_DGN_DIGITS else None
    if spec is None or len(held) != 9 or ident.is_addressed(spec.dgn):
        return None
    number = spec.identifier(held[0])
    note = (
        f"{spec.dgn:05X} is a DGN and {held[0]:02X} was taken for the source address; with priority {spec.priority} "
        f"the identifier is {number:08X}."
    )
    return Given(Frame(0, number, held[1:]), notes=(note,))


def _frame(identifier: str, data: str, catalogue: Catalogue) -> Given:
    number, notes = _identifier(identifier)
    if number is None:
        return Given(parse_frame(identifier, data))  # it says what is wrong
    bare = re.sub("^0x", "", identifier.lower()).rstrip("xh")
    if len(bare) <= _MAX_DGN_DIGITS and catalogue.by_dgn(number) is not None:
        raise InputError(_as_dgn(number, data, catalogue))
    if (swapped := _as_swapped((identifier, data))) is not None:
        raise InputError(swapped)
    return Given(parse_frame(f"{number:X}", data), notes=(*notes, *_without_priority(identifier, number, catalogue)))


def _without_priority(identifier: str, number: int, catalogue: Catalogue) -> tuple[str, ...]:
    """Return what is said of fewer digits than eight: seven may be a DGN and a source address."""
    digits = re.sub("^0x", "", identifier.lower()).rstrip("xh")
    if len(digits) >= _IDENTIFIER_DIGITS or number < 1 << 11:
        return ()
    spec = catalogue.by_dgn(ident.dgn_of(number))
    if spec is not None and (number >> 26 or len(digits) < 7):
        return ()
    if spec is None:
        zeros = _IDENTIFIER_DIGITS - len(digits)
        return (
            f"{digits.upper()} has {len(digits)} hex digits and an identifier {_IDENTIFIER_DIGITS}: "
            f"{'0' * zeros} was put in front. Look whether a digit is missing.",
        )
    whole = number | spec.priority << 26
    return (
        f"{digits.upper()} has seven digits, a DGN and a source address: its priority reads as 0. With priority "
        f"{spec.priority} it is {whole:08X}.",
    )


def _identifier(text: str) -> tuple[int | None, tuple[str, ...]]:
    """Return the 29 bits of an identifier, and what had to be understood; None where it is no identifier."""
    if _DECIMAL.fullmatch(text) and EXTENDED_FLAG <= int(text) < EXTENDED_FLAG | 1 << 29:
        number = int(text) & ~EXTENDED_FLAG
        note = (
            f"{text} is the decimal number of a DBC file: {int(text):X} hex. Without bit 31, which marks an "
            f"identifier of 29 bits, it is {number:08X}."
        )
        return number, (note,)
    if re.fullmatch(r"\d{9}", text) and int(text) < 1 << 29:
        return int(text), (f"{text} has nine digits and is decimal: {int(text):08X} hex.",)
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
    if len(words) < 2:
        return None
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


def _alone(text: str, catalogue: Catalogue) -> Given:
    number, notes = _identifier(text)
    digits = re.sub("^0x", "", text.lower()).rstrip("xh")
    if number is None or number >= 1 << 29 or len(digits) <= _MAX_DGN_DIGITS:
        if number is not None and len(digits) <= _MAX_DGN_DIGITS:
            other = catalogue.by_dgn(number ^ 1 << 16)
            close = f" (did you mean {other.dgn:05X}, {other.name}?)" if other is not None else ""
            raise InputError(
                f"no message has the DGN {text}{close}: `rvsim spell` lists all; an identifier has up to eight digits "
                "and its data behind it"
            )
        return Given(parse_frame(text, ""))
    notes = (*notes, *_without_priority(text, number, catalogue))
    return Given(Frame(0, number, b""), has_data=False, notes=(*notes, f"An identifier alone: {_NO_DATA}."))


# Lines of logs.


def _line_of_a_log(text: str) -> Frame | None:
    """Return the frame of a line as any format of logs has it, None where no format has such a line."""
    from rvsim.logs.read import frame_in_line

    return frame_in_line(text)


# Values.


def _with_equals_joined(words: Sequence[str]) -> list[str]:
    """Return the words with ``field = value``, ``field= value`` and ``field =value`` as one word each."""
    joined: list[str] = []
    for word in words:
        if joined and (word.startswith("=") or (joined[-1].endswith("=") and "=" not in word)):
            joined[-1] += word
        else:
            joined.append(word)
    return joined


def _labels_parts(word: str) -> bool:
    """Tell whether a word names a part of a frame and no field: a line like ``19FFE45E DLC=8 DATA=01``."""
    return word.partition("=")[0].strip().lower() in ("id", "dlc", "dl", "len", "length", "data", "bytes")


def _with_values(words: Sequence[str], catalogue: Catalogue) -> Given | None:
    place = next(number for number, word in enumerate(words) if number and "=" in word)
    name = _message_named(" ".join(words[:place]), catalogue)
    frame: Frame | None = None
    notes: tuple[str, ...] = ()
    if name is None:
        if any("=" in word for word in words[:place]) or _labels_parts(words[place]):
            return None
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
