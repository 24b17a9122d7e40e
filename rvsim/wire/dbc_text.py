"""Reads a DBC file as statements, and hands on those that we use: the others are blanked, each line stays in its place.

Knows: where a statement begins and ends, messages and signals in full, and what a message must be to be read by us.
Does not know what names of codes and attributes mean, nor cantools, which takes time and memory by the square of a
length and as a number has digits: so impossible numbers end here, and so does a text that is no DBC.

A supplier's file describes more than we read. What is wrong with one message leaves that message out, with all that is
said of it; what no network can have, and what is no DBC, refuses the file.
"""

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from rvsim.errors import InputError

MULTIPLEXED = " is multiplexed, which is not supported: define the parts that you need as fields"
_FRAME_BITS = 64
"""Bits of a classic frame: 8 bytes."""
_MAX_BYTES = 1785
"""The longest message of the transport protocol, 255 packets of 7 bytes (SAE J1939-21); longer is a slip of the pen."""
_MAX_TEXT = 1 << 16
"""Characters of one text; our decision. cantools' parser takes some 200 bytes of memory for each (measured)."""
_MAX_DIGITS = 400
"""Characters of one number; our decision. No float needs more."""
_MAX_PIECES = 1 << 17
"""Numbers and texts of one statement, such as a list of names of codes; our decision."""
_EXTENDED = 1 << 31
"""Marks a 29-bit identifier in a DBC file."""
_NO_MESSAGE = "VECTOR__INDEPENDENT_SIG_MSG"
"""The name under which editors keep signals that belong to no message."""

_SKIPPED = re.compile(r"(?:[ \r\n\t]++|//[^\n]*+(?:\n|\Z))*+")
_TOKEN = re.compile(
    r"(?P<number>[-+]?\d++\.?\d*+(?:[eE][+-]?\d++)?+)"
    r"|(?P<word>[A-Za-z_][A-Za-z0-9_]*+)"
    r'|(?P<text>"[^"\\]*+(?:\\"?[^"\\]*+)*+"|"[^"]*+")'
    r"|(?P<sign>[][(),|@;:+-])"
)
_HUGE = re.compile(r"[eE][+-]?0*+\d{4}")

_USED = {
    "CM_": (1,),
    "VAL_": (),
    "BA_DEF_": (1,),
    "BA_DEF_DEF_": (),
    "BA_": (2,),
    "SIG_VALTYPE_": (),
    "SG_MUL_VAL_": (),
}
"""Statements that say something of messages, with the places at which words of the language stand in them."""
_UNUSED = {
    **dict.fromkeys(("BA_DEF_DEF_REL_", "BA_DEF_SGTYPE_", "BA_SGTYPE_", "BO_TX_BU_", "CAT_", "CAT_DEF_"), ()),
    **dict.fromkeys(("ENVVAR_DATA_", "EV_", "EV_DATA_", "FILTER", "SGTYPE_", "SGTYPE_VAL_", "SIG_GROUP_"), ()),
    **dict.fromkeys(("SIGTYPE_VALTYPE_", "SIG_TYPE_REF_", "VAL_TABLE_"), ()),
    "BA_DEF_REL_": (1,),
    "BA_REL_": (2, 4),
}
_BARE = ("BO_", "BS_", "BU_", "NS_", "VERSION")
_INNER = ("BU_BO_REL_", "BU_EV_REL_", "BU_SG_REL_", "NS_DESC_", "SG_")
_KEYWORDS = frozenset((*_USED, *_UNUSED, *_BARE, *_INNER))


class NotDbcError(Exception):
    """The text is no DBC from an offset on, its first argument; a second one says what else is wrong there."""


class Token(NamedTuple):
    """A piece of a statement: number, word, keyword, text, sign; ``end`` behind the last, ``odd`` if none."""

    kind: str
    value: str
    start: int
    end: int


@dataclass
class DbcMessage:
    """A message as it stands in the text."""

    name: str
    number: int
    length: int
    start: int
    end: int = 0
    signals: set[str] = field(default_factory=set)
    trouble: str | None = None
    _bits: dict[int, str] = field(default_factory=dict)

    @property
    def foreign(self) -> bool:
        """Whether it is none of an RV-C network: a short identifier, or a place for signals of no message."""
        return self.number < _EXTENDED or self.name == _NO_MESSAGE

    def leave_out(self, why: str) -> None:
        """Leave it out for a reason that is said behind its name; the first one counts."""
        self.trouble = self.trouble or why

    def add(self, name: str, start: int, length: int, big_endian: bool) -> None:
        """Take a signal in, or leave the message out since there is no place for it."""
        self.signals.add(name)
        if self.trouble:
            return None
        first = _along(start) if big_endian else start
        if first + length > 8 * self.length:
            return self.leave_out(f": signal {name} does not fit: it ends behind the last of {self.length} bytes")
        places = [bit if big_endian else _along(bit) for bit in range(first, first + length)]
        for other in filter(None, map(self._bits.get, places)):
            return self.leave_out(f": signals {other} and {name} overlap: keep one of them")
        return self._bits.update(dict.fromkeys(places, name))


def _along(bit: int) -> int:
    """Return the place of a bit on the wires, the most significant of each byte first; and the other way round."""
    return bit - bit % 8 + 7 - bit % 8


class DbcSelection(NamedTuple):
    """What is read of a file."""

    text: str
    """The statements that are used, at their places."""
    left_out: list[tuple[str, str]]
    """Messages that cannot be used, by name, with what is said behind the name."""


def select(text: str, attributes: Collection[str]) -> DbcSelection:
    """Read a file as statements and return those of use.

    Args:
        text: the file.
        attributes: names of the attributes that are used; those that are defined and not among them are left out.

    Raises:
        NotDbcError: it is no DBC.
        InputError: it has a message that no network can have.
    """
    return _Reader(text, attributes).selection()


class _Reader:
    def __init__(self, text: str, attributes: Collection[str]) -> None:
        self._text, self._wanted = text, attributes
        self._messages: list[DbcMessage] = []
        self._said: list[tuple[list[Token], int]] = []
        self._at = 0
        self._token = self._scan()

    def selection(self) -> DbcSelection:
        readers: Mapping[str, Callable[[], None]] = {
            "BO_": self._message, "BS_": self._timing, "BU_": self._nodes, "NS_": self._symbols,
            "VERSION": self._version,
        }  # fmt: skip
        while self._token.kind != "end":
            if self._token.value in _USED or self._token.value in _UNUSED:
                self._statement()
            else:
                readers.get(self._token.value, self._refuse)()
        self._judge()
        return DbcSelection(
            _only(self._text, sorted(self._kept())),
            [(message.name, message.trouble) for message in self._messages if message.trouble and not message.foreign],
        )

    # --- tokens

    def _scan(self) -> Token:
        match = _SKIPPED.match(self._text, self._at)
        start = match.end() if match else self._at
        found = _TOKEN.match(self._text, start)
        if found is None:
            kind = "end" if start == len(self._text) else "odd"
            return Token(kind, "", start, start)
        kind, value = str(found.lastgroup), found[0]
        most = _MAX_TEXT if kind == "text" else _MAX_DIGITS
        if len(value) > most:
            raise NotDbcError(start, f"a {kind} of more than {most} characters")
        if kind == "number" and _HUGE.search(value):
            raise NotDbcError(start, "a number that nothing can have")
        return Token("keyword" if value in _KEYWORDS else kind, value, start, found.end())

    def _next(self) -> Token:
        """Return the token that is looked at, and look at the next one."""
        taken, self._at = self._token, self._token.end
        self._token = self._scan()
        return taken

    def _refuse(self) -> None:
        raise NotDbcError(self._token.start)

    def _take(self, wanted: str) -> Token:
        """Return the next token, which must be of a kind or be the sign that is wanted."""
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
        """Skip the bit timing, which nothing uses any more, in whatever form."""
        self._next()
        self._take(":")
        while self._token.kind in ("number", "sign"):
            self._next()

    def _symbols(self) -> None:
        """Skip the names of the language's own words, up to the first that has a colon behind it."""
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
        """Read a statement that ends with a semicolon; of a long list the first pieces are kept."""
        name = self._token.value
        places = _USED.get(name, _UNUSED.get(name, ()))
        head: list[Token] = []
        count = 0
        while self._token.value != ";":
            if self._token.kind in ("end", "odd") or (self._token.kind == "keyword" and count not in (0, *places)):
                self._refuse()
            if count > _MAX_PIECES:
                raise NotDbcError(head[0].start, f"a statement of more than {_MAX_PIECES} pieces")
            if count < 5:
                head.append(self._token)
            count += 1
            self._next()
        end = self._next().end
        if name in _USED:
            self._said.append((head, end))

    def _message(self) -> None:
        start = self._next().start
        number = self._int()
        name = self._take("word").value
        self._take(":")
        length = self._int()
        message = DbcMessage(name, number, length, start, self._take("word").end)
        self._messages.append(message)
        if not message.foreign:
            _check_message(message)
        elif name != _NO_MESSAGE and number >> 11:
            raise InputError(_short(message))
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
        if not message.foreign:
            _check_signal(message, name, start, length)
            message.add(name, start, length, big_endian)

    # --- what is kept

    def _judge(self) -> None:
        """Leave out what other statements say of messages that we do not read."""
        floats: dict[int | None, str] = {}
        multiplexed: set[int | None] = set()
        for head, _ in self._said:
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
        """Yield where the statements stand that are used."""
        known: dict[int | None, set[str]] = {}
        kept: dict[int | None, set[str]] = {}
        for message in self._messages:
            known.setdefault(message.number, set()).update(message.signals)
            if not (message.foreign or message.trouble):
                kept.setdefault(message.number, set()).update(message.signals)
                yield message.start, message.end
        defined = {value for head, _ in self._said if head[0].value == "BA_DEF_" for value in _names(head)}
        for head, end in self._said:
            if self._is_used(head, known, kept, defined):
                yield head[0].start, end

    def _is_used(
        self,
        head: list[Token],
        known: Mapping[int | None, set[str]],
        kept: Mapping[int | None, set[str]],
        defined: Collection[str],
    ) -> bool:
        words = [*head, *[self._token] * 4]  # the last token of all, so that short statements have as many
        match words[0].value:
            case "VAL_":  # names of codes for what is defined nowhere are a mistake, which cantools tells
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
    """Return a whole number, None for anything else."""
    return int(token.value) if re.fullmatch(r"[-+]?\d+", token.value) else None


def _names(head: list[Token]) -> list[str]:
    """Return the first text of a statement, the name of an attribute; an empty list where it has none."""
    return [token.value[1:-1] for token in head if token.kind == "text"][:1]


def _check_message(message: DbcMessage) -> None:
    where = f"message {message.name}"
    if not 0 <= message.length <= _MAX_BYTES:
        raise InputError(f"{where} has {message.length} bytes: no message has more than {_MAX_BYTES}, mend it")
    if message.number >> 29 != _EXTENDED >> 29:
        raise InputError(f"{where} has the number {message.number}, which has more than 29 bits and bit 31: mend it")
    if not 0 < message.length <= _FRAME_BITS // 8:
        message.leave_out(f" has {message.length} bytes: a frame holds 1 to {_FRAME_BITS // 8}")


def _check_signal(message: DbcMessage, name: str, start: int, length: int) -> None:
    where = f"message {message.name}: signal {name}"
    most = 8 * _MAX_BYTES
    if start < 0:
        raise InputError(f"{where} starts at bit {start}: the first bit of a message is 0")
    if start >= most:
        raise InputError(f"{where} starts at bit {start}: no message has more than {most} bits, mend it")
    if not 0 < length <= most:
        raise InputError(f"{where} has {length} bits: a signal has at least 1, a message at most {most}")


def _short(message: DbcMessage) -> str:
    advice = "mend the file"
    if 0 <= message.number < _EXTENDED >> 2:
        marked = message.number + _EXTENDED
        advice = f"for a 29-bit identifier write {marked}, which is the number with bit 31 set"
    return f"message {message.name} has the number {message.number}, which is more than 11 bits: {advice}"


def _only(text: str, spans: list[tuple[int, int]]) -> str:
    """Blank all of a text but some parts; lines and columns stay."""
    parts = []
    last = 0
    for start, end in [*spans, (len(text), len(text))]:
        parts += [re.sub(r"[^\n]+", lambda gap: " " * len(gap[0]), text[last:start]), text[start:end]]
        last = end
    return "".join(parts)
