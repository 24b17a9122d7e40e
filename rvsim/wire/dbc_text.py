"""Splits a DBC file into statements and returns those that rvsim uses; the others are blanked, so that lines stay.

Knows: where a statement begins and ends, the whole syntax of messages and signals, and which messages can be used. Does
not know what code names and attributes mean, nor cantools. cantools needs time and memory that grow with the square of
a length and with the digits of a number, so impossible numbers, and text that is not DBC, are refused here.

A supplier's file describes more than rvsim reads. A mistake in one message leaves out that message and all statements
about it. A size that no network can have, and text that is not DBC, make the whole file unusable.
"""

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from rvsim.errors import InputError

MULTIPLEXED = " is multiplexed, which is not supported: define the parts that you need as fields"
_FRAME_BITS = 64
"""The data bits of a classic frame, 8 bytes."""
_MAX_BYTES = 1785
"""The longest message of the transport protocol, 255 packets of 7 bytes (SAE J1939-21)."""
_MAX_TEXT_LENGTH = 1 << 16
"""Characters of one text; our decision. The parser of cantools needs some 200 bytes of memory for each (measured)."""
_MAX_NUMBER_LENGTH = 400
"""Characters of one number; our decision. No float needs more."""
_MAX_TOKENS = 1 << 17
"""Tokens of one statement, such as a list of code names; our decision."""
_EXTENDED = 1 << 31
"""The bit that marks a 29-bit identifier in a DBC file."""
_NO_MESSAGE = "VECTOR__INDEPENDENT_SIG_MSG"
"""The name under which editors store signals that belong to no message."""

_SKIPPED = re.compile(r"(?:[ \r\n\t]++|//[^\n]*+(?:\n|\Z))*+")
_TOKEN = re.compile(
    r"(?P<number>[-+]?\d++\.?\d*+(?:[eE][+-]?\d++)?+)"
    r"|(?P<word>[A-Za-z_][A-Za-z0-9_]*+)"
    r'|(?P<text>"[^"\\]*+(?:\\"?[^"\\]*+)*+"|"[^"]*+")'
    r"|(?P<sign>[][(),|@;:+-])"
)
_HUGE_EXPONENT = re.compile(r"[eE][+-]?0*+\d{4}")

_USED_STATEMENTS = {
    "CM_": (1,),
    "VAL_": (),
    "BA_DEF_": (1,),
    "BA_DEF_DEF_": (),
    "BA_": (2,),
    "SIG_VALTYPE_": (),
    "SG_MUL_VAL_": (),
}
"""The statements about messages, each with the positions at which it contains keywords."""
_UNUSED_STATEMENTS = {
    **dict.fromkeys(("BA_DEF_DEF_REL_", "BA_DEF_SGTYPE_", "BA_SGTYPE_", "BO_TX_BU_", "CAT_", "CAT_DEF_"), ()),
    **dict.fromkeys(("ENVVAR_DATA_", "EV_", "EV_DATA_", "FILTER", "SGTYPE_", "SGTYPE_VAL_", "SIG_GROUP_"), ()),
    **dict.fromkeys(("SIGTYPE_VALTYPE_", "SIG_TYPE_REF_", "VAL_TABLE_"), ()),
    "BA_DEF_REL_": (1,),
    "BA_REL_": (2, 4),
}
_STATEMENTS_WITHOUT_END = ("BO_", "BS_", "BU_", "NS_", "VERSION")
_INNER_KEYWORDS = ("BU_BO_REL_", "BU_EV_REL_", "BU_SG_REL_", "NS_DESC_", "SG_")
_KEYWORDS = frozenset((*_USED_STATEMENTS, *_UNUSED_STATEMENTS, *_STATEMENTS_WITHOUT_END, *_INNER_KEYWORDS))


class NotDbcError(Exception):
    """The text is not DBC from an offset on, the first argument; a second argument describes another mistake there."""


class Token(NamedTuple):
    """A token of a statement. ``kind``: number, word, keyword, text, sign; end after the last; odd for none of them."""

    kind: str
    value: str
    start: int
    end: int


@dataclass
class DbcMessage:
    """A message of the text: its signals, and why it is left out, None where it is used."""

    name: str
    number: int
    length: int
    start: int
    end: int = 0
    signals: set[str] = field(default_factory=set)
    problem: str | None = None
    _bits: dict[int, str] = field(default_factory=dict)

    @property
    def is_foreign(self) -> bool:
        """Whether it is no message of an RV-C network: an 11-bit identifier, or the store for signals of no message."""
        return self.number < _EXTENDED or self.name == _NO_MESSAGE

    def leave_out(self, why: str) -> None:
        """Leave the message out; ``why`` is the text that follows its name. The first reason is kept."""
        self.problem = self.problem or why

    def add(self, name: str, start: int, length: int, *, big_endian: bool) -> None:
        """Add a signal; leave the message out where the signal does not fit or overlaps another."""
        self.signals.add(name)
        if self.problem:
            return None
        first = _wire_order(start) if big_endian else start
        if first + length > 8 * self.length:
            return self.leave_out(f": signal {name} does not fit: it ends after the last of {self.length} bytes")
        places = [bit if big_endian else _wire_order(bit) for bit in range(first, first + length)]
        for other in filter(None, map(self._bits.get, places)):
            return self.leave_out(f": signals {other} and {name} overlap: keep one of them")
        return self._bits.update(dict.fromkeys(places, name))


def _wire_order(bit: int) -> int:
    """Return the position of a bit in sending order, the most significant of each byte first; it is its own inverse."""
    return bit - bit % 8 + 7 - bit % 8


class DbcSelection(NamedTuple):
    """The part of a file that is used."""

    text: str
    """The statements that are used, at their lines and columns."""
    left_out: list[tuple[str, str]]
    """The names of messages that cannot be used, each with the text that follows the name."""


def select_statements(text: str, attributes: Collection[str]) -> DbcSelection:
    """Split a file into statements and return those that are used.

    Args:
        text: the file.
        attributes: the names of the attributes that are used; other defined attributes are dropped.

    Raises:
        NotDbcError: the text is not DBC.
        InputError: a message has a size that no network can have.
    """
    return _Reader(text, attributes).selection()


class _Reader:
    def __init__(self, text: str, attributes: Collection[str]) -> None:
        self._text, self._wanted = text, attributes
        self._messages: list[DbcMessage] = []
        self._statements: list[tuple[list[Token], int]] = []
        self._at = 0
        self._token = self._scan()

    def selection(self) -> DbcSelection:
        readers: Mapping[str, Callable[[], None]] = {
            "BO_": self._message, "BS_": self._timing, "BU_": self._nodes, "NS_": self._symbols,
            "VERSION": self._version,
        }  # fmt: skip
        while self._token.kind != "end":
            if self._token.value in _USED_STATEMENTS or self._token.value in _UNUSED_STATEMENTS:
                self._statement()
            else:
                readers.get(self._token.value, self._refuse)()
        self._leave_out_declared()
        network = [message for message in self._messages if not message.is_foreign]
        left_out = [(message.name, message.problem) for message in network if message.problem]
        return DbcSelection(_blank_others(self._text, sorted(self._kept())), left_out)

    # --- tokens

    def _scan(self) -> Token:
        match = _SKIPPED.match(self._text, self._at)
        start = match.end() if match else self._at
        found = _TOKEN.match(self._text, start)
        if found is None:
            kind = "end" if start == len(self._text) else "odd"
            return Token(kind, "", start, start)
        kind, value = str(found.lastgroup), found[0]
        limit = _MAX_TEXT_LENGTH if kind == "text" else _MAX_NUMBER_LENGTH
        if len(value) > limit:
            raise NotDbcError(start, f"a {kind} of more than {limit} characters")
        if kind == "number" and _HUGE_EXPONENT.search(value):
            raise NotDbcError(start, "a number that is too large")
        return Token("keyword" if value in _KEYWORDS else kind, value, start, found.end())

    def _next(self) -> Token:
        """Return the current token and scan the next one."""
        taken, self._at = self._token, self._token.end
        self._token = self._scan()
        return taken

    def _refuse(self) -> None:
        raise NotDbcError(self._token.start)

    def _take(self, wanted: str) -> Token:
        """Return the current token, which must have the kind or the value ``wanted``, and scan the next one."""
        if wanted not in (self._token.kind, self._token.value):
            self._refuse()
        return self._next()

    def _int(self) -> int:
        number = _number(self._token)
        if number is None:
            raise NotDbcError(self._token.start)
        self._next()
        return number

    # --- statements

    def _version(self) -> None:
        self._next()
        self._take("text")

    def _nodes(self) -> None:
        self._next()
        self._take(":")
        while self._token.kind == "word":
            self._next()

    def _timing(self) -> None:
        """Skip the bit timing, which is obsolete, in any form."""
        self._next()
        self._take(":")
        while self._token.kind in ("number", "sign"):
            self._next()

    def _symbols(self) -> None:
        """Skip the list of keywords, up to the first token that is followed by a colon."""
        self._next()
        self._take(":")
        last = self._next()
        while self._token.value != ":":
            if self._token.kind in ("end", "odd"):
                self._refuse()
            last = self._next()
        self._at = last.start
        self._token = self._scan()

    def _statement(self) -> None:
        """Read a statement that ends with a semicolon; only its first five tokens are kept."""
        name = self._token.value
        places = _USED_STATEMENTS.get(name, _UNUSED_STATEMENTS.get(name, ()))
        head: list[Token] = []
        count = 0
        while self._token.value != ";":
            if self._token.kind in ("end", "odd") or (self._token.kind == "keyword" and count not in (0, *places)):
                self._refuse()
            if count > _MAX_TOKENS:
                raise NotDbcError(head[0].start, f"a statement of more than {_MAX_TOKENS} numbers and texts")
            if count < 5:
                head.append(self._token)
            count += 1
            self._next()
        end = self._next().end
        if name in _USED_STATEMENTS:
            self._statements.append((head, end))

    def _message(self) -> None:
        start = self._next().start
        number = self._int()
        name = self._take("word").value
        self._take(":")
        length = self._int()
        message = DbcMessage(name, number, length, start, self._take("word").end)
        self._messages.append(message)
        if not message.is_foreign:
            _check_message(message)
        elif name != _NO_MESSAGE and number >> 11:
            raise InputError(_identifier_problem(message))
        while self._token.value == "SG_":
            self._signal(message)

    def _signal(self, message: DbcMessage) -> None:
        self._next()
        name = self._take("word").value
        if self._token.kind == "word":
            self._next()
            message.leave_out(MULTIPLEXED)
        self._take(":")
        start = self._int()
        self._take("|")
        length = self._int()
        self._take("@")
        big_endian = self._int() == 0
        if self._token.value not in ("+", "-"):
            self._refuse()
        self._next()
        for wanted in ("(", "number", ",", "number", ")", "[", "number", "|", "number", "]", "text"):
            self._take(wanted)
        message.end = self._take("word").end
        while self._token.value == ",":
            self._next()
            message.end = self._take("word").end
        if not message.is_foreign:
            _check_signal(message, name, start, length)
            message.add(name, start, length, big_endian=big_endian)

    # --- selection

    def _leave_out_declared(self) -> None:
        """Leave out the messages that other statements declare as multiplexed or as having float signals."""
        floats: dict[int | None, str] = {}
        multiplexed: set[int | None] = set()
        for head, _ in self._statements:
            if head[0].value == "SIG_VALTYPE_" and len(head) > 3 and head[-1].value in ("1", "2"):
                floats.setdefault(_number(head[1]), head[2].value)
            elif head[0].value == "SG_MUL_VAL_" and len(head) > 1:
                multiplexed.add(_number(head[1]))
        for message in self._messages:
            if message.number in multiplexed:
                message.leave_out(MULTIPLEXED)
            if floats.get(message.number) in message.signals:
                message.leave_out(f": signal {floats[message.number]} is a float: define it as an integer with a scale")

    def _kept(self) -> Iterator[tuple[int, int]]:
        """Yield the start and end of each statement that is used."""
        known: dict[int | None, set[str]] = {}
        kept: dict[int | None, set[str]] = {}
        for message in self._messages:
            known.setdefault(message.number, set()).update(message.signals)
            if not (message.is_foreign or message.problem):
                kept.setdefault(message.number, set()).update(message.signals)
                yield message.start, message.end
        defined = {value for head, _ in self._statements if head[0].value == "BA_DEF_" for value in _names(head)}
        for head, end in self._statements:
            if self._is_used(head, known, kept, defined):
                yield head[0].start, end

    def _is_used(
        self,
        head: list[Token],
        known: Mapping[int | None, set[str]],
        kept: Mapping[int | None, set[str]],
        defined: Collection[str],
    ) -> bool:
        words = [*head, *[self._token] * 4]  # filled up with the last token, so that each has five
        match words[0].value:
            case "VAL_":  # code names of an undefined signal are a mistake, which cantools reports
                number = _number(words[1])
                return words[1].kind == "number" and (
                    number not in known or words[2].value in kept.get(number, ())
                    or (number in kept and words[2].value not in known[number])
                )  # fmt: skip
            case "CM_":
                return words[1].value in ("BO_", "SG_") and _number(words[2]) in kept
            case "BA_":
                ours = words[2].value in ("BO_", "SG_") and _number(words[3]) in kept
                return any((ours and name in self._wanted) or name not in defined for name in _names(head))
            case "BA_DEF_" | "BA_DEF_DEF_":
                return any(name in self._wanted for name in _names(head))
            case _:
                return False


def _number(token: Token) -> int | None:
    """Return the integer of a token, None where it is not one."""
    return int(token.value) if re.fullmatch(r"[-+]?\d+", token.value) else None


def _names(head: list[Token]) -> list[str]:
    """Return the first text of a statement, an attribute's name, as a list; an empty list where it has none."""
    return [token.value[1:-1] for token in head if token.kind == "text"][:1]


def _check_message(message: DbcMessage) -> None:
    where = f"message {message.name}"
    if not 0 <= message.length <= _MAX_BYTES:
        raise InputError(f"{where} has {message.length} bytes: no message has more than {_MAX_BYTES}; correct it")
    if message.number >> 29 != _EXTENDED >> 29:
        raise InputError(f"{where} has the number {message.number}, which has more than 29 bits and bit 31: correct it")
    if not 0 < message.length <= _FRAME_BITS // 8:
        message.leave_out(f" has {message.length} bytes: a frame holds 1 to {_FRAME_BITS // 8}")


def _check_signal(message: DbcMessage, name: str, start: int, length: int) -> None:
    where = f"message {message.name}: signal {name}"
    max_bits = 8 * _MAX_BYTES
    if start < 0:
        raise InputError(f"{where} starts at bit {start}: the first bit of a message is 0")
    if start >= max_bits:
        raise InputError(f"{where} starts at bit {start}: no message has more than {max_bits} bits; correct it")
    if not 0 < length <= max_bits:
        raise InputError(f"{where} has {length} bits: a signal has at least 1, a message at most {max_bits}")


def _identifier_problem(message: DbcMessage) -> str:
    advice = "correct the file"
    if 0 <= message.number < _EXTENDED >> 2:
        marked = message.number + _EXTENDED
        advice = f"for a 29-bit identifier write {marked}, which is the number with bit 31 set"
    return f"message {message.name} has the number {message.number}, which is more than 11 bits: {advice}"


def _blank_others(text: str, spans: list[tuple[int, int]]) -> str:
    """Blank a text except for the spans; lines and columns do not change."""
    parts = []
    last = 0
    for start, end in [*spans, (len(text), len(text))]:
        parts += [re.sub(r"[^\n]+", lambda gap: " " * len(gap[0]), text[last:start]), text[start:end]]
        last = end
    return "".join(parts)
