"""Layouts of text lines: in lines of one layout every field has its place, and all other bytes are the same.

Knows: how all lines of a layout are read at once. Does not know formats, which say where the fields of a line are.
Each line is one row with the bytes around it: where it is if all lines of a chunk have one length, else in a table of
copies. Fixed text is compared for many rows together, and digits become numbers eight bytes at once.
"""

from binascii import Error, a2b_base64, unhexlify
from functools import cache, reduce
from operator import or_
from typing import TYPE_CHECKING, Any, NamedTuple

from rvsim.logs.columns import Columns, to_columns
from rvsim.logs.columns_read.entry_columns import UNTIMED
from rvsim.logs.columns_read.line_chunks import AFTER, BEFORE, LineChunk
from rvsim.logs.formats.entry import MAX_DATA_BYTES, SkippedEntry

if TYPE_CHECKING:
    from numpy import bool_, int64, intp, uint8, uint32, uint64
    from numpy.typing import NDArray

MAX_LAYOUT_BYTES = AFTER - 4 * MAX_DATA_BYTES
"""The bytes of a line up to the end of its layout, at most; longer lines are read one by one."""
WORD_BYTES = 8
_COPIED_AS = {1: "u1", 2: "<u2", 4: "<u4", 8: "<u8", 16: "c16"}
"""The types as which bytes are copied fastest, by their number."""
_COMPARED_BYTES = 1 << 11
"""The bytes that are compared in one step, about: a step for each row takes many times as long."""
_ZEROS = 0x3030_3030_3030_3030
"""Eight digits 0 as a number; that of digits less this is their values."""
_NOT_DIGIT, _HIGH_BITS = 0x7676_7676_7676_7676, 0x8080_8080_8080_8080
"""A value of a digit, 0 to 9, plus 76 hex has no high bit."""
_APART = 0x0000_00FF_0000_00FF
"""Of four numbers of two digits, the first and the third, or the second and the fourth."""
_FIRST_AND_THIRD, _SECOND_AND_FOURTH = 1_000_000 << 32 | 100, 10_000 << 32 | 1
"""By these they are multiplied: the upper half of the product is what both of them are in a number of eight digits."""
_MAX_DIGIT = 9
_MAX_RUNS = 256
"""The runs of equal seconds that are added one by one, at most: an array of seconds takes longer if they are few."""
_HEX_DIGITS = b"0123456789ABCDEFabcdef"
_BASE64_DIGITS = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"

Span = tuple[int, int]
"""Where a field starts and ends in its line."""


class Fields(NamedTuple):
    """Where the fields of a sample line are, and what holds for all lines of its layout."""

    whole: Span
    """The time before its point; empty where lines have no time."""
    fraction: Span
    """The time after its point; may be empty. Times are rounded half up to microseconds."""
    identifier: Span
    """Hexadecimal digits, eight at most."""
    data: Span
    """In lines of one layout all data have this length, unless ``is_open``."""
    length: int
    """The number of data bytes."""
    channel: bytes | None
    end: int
    """Where the text that all lines have in common ends."""
    is_standard: bool = False
    """Whether the identifier has 11 bits."""
    power: int = 6
    """A time of 1 is 10 to this power microseconds."""
    step: int = 2
    """The characters from one data byte to the next; 0 for base 64."""
    number: Span = (0, 0)
    """Digits that say nothing, such as the number of a line."""
    is_open: bool = False
    """Whether data of other lengths are possible: the data is followed by ``suffix`` and the line's end."""
    suffix: bytes = b""
    is_whole: bool = True
    """Whether the line ends at ``end``."""
    other: SkippedEntry | None = None
    """What the lines are, if they are no frames and differ in their times only; without time and channel."""
    followed_by: bytes = b""
    """The bytes of which one has to follow at ``end``, where the line does not end there; any if empty."""


def same_but_times(whole: Span, fraction: Span, other: SkippedEntry, end: int) -> Fields:
    """Return the fields of whole lines that are no frames and differ in their times only."""
    bare = other._replace(time=None, channel=None)
    return Fields(whole, fraction, (end, end), (end, end), 0, other.channel, end, step=0, other=bare)


class ReadLines(NamedTuple):
    """Lines that have a layout: their rows in the chunk, and what they say."""

    rows: "NDArray[intp]"
    frames: Columns
    """With the log's own times; identifiers of more than 29 bits are possible."""


class _Rows(NamedTuple):
    """Lines of a chunk: each has its row, which starts ``BEFORE`` bytes before it."""

    content: Any
    """The bytes, or the array, in which the rows are."""
    first: int
    """Where in ``content`` the first row starts."""
    step: int
    """From the start of a row to that of the next one; the rows of lines that follow each other overlap."""
    number: int

    def column(self, place: int, kind: str) -> "NDArray[Any]":
        """Return what is at one place of each line, counted from its start."""
        import numpy as np

        return np.ndarray((self.number,), kind, self.content, self.first + BEFORE + place, (self.step,))

    def some(self, rows: "NDArray[intp]", size: int) -> "_Rows":
        """Return copies of some rows, of so many bytes each."""
        import numpy as np

        table = np.ndarray((self.number,), f"V{size}", self.content, self.first, (self.step,))[rows]
        return _Rows(table, 0, size, len(table))

    def all_have(self, text: "NDArray[uint8]", mask: "NDArray[uint8]") -> bool:
        """Return whether all lines start with a text, in the bits of a mask; the text is not longer than ``step``."""
        import numpy as np

        at, many = self.first + BEFORE, max(1, _COMPARED_BYTES // self.step)
        last = self.number - 1  # behind it the content may end
        if ((np.ndarray(text.shape, np.uint8, self.content, at + last * self.step) ^ text) & mask).any():
            return False
        bulk = last - last % many
        for start, end, together in ((0, bulk, many), (bulk, last, 1)):
            if start < end:
                shape = (end - start) // together, together * self.step
                lines = np.ndarray(shape, np.uint8, self.content, at + start * self.step)
                for found in (np.bitwise_or.reduce(lines), np.bitwise_and.reduce(lines)):
                    if ((found.reshape(together, self.step)[:, : len(text)] ^ text) & mask).any():
                        return False
        return True


class Layout:
    """The layout of a sample line."""

    def __init__(self, sample: bytes, fields: Fields) -> None:
        import numpy as np

        self.fields = fields
        self.hits = 0
        """How many lines it has read."""
        shared = fields.data[0] if fields.is_open else fields.end
        width = BEFORE + shared + (2 * MAX_DATA_BYTES if fields.is_open else 1)
        self._row_bytes = -(-width // WORD_BYTES) * WORD_BYTES
        self._shared = shared
        self._whole, lead = _last_word(sample, fields.whole)
        self._lead = lead * 10 ** (fields.power + WORD_BYTES)
        start, end = fields.fraction
        self._fraction = (start, min(end, start + WORD_BYTES))
        self._ignored = [*_words(*fields.number), *_words(self._fraction[1], end)]
        """Digits that say nothing; of a fraction, only the first one behind the microseconds matters."""
        is_text = np.zeros(self._row_bytes, bool)
        is_text[BEFORE : BEFORE + shared] = True
        for start, end in (*self._ignored, self._whole, self._fraction, fields.identifier, *self._data_spans()):
            is_text[BEFORE + start : BEFORE + end] = False
        row = bytes(BEFORE) + sample[:shared]
        self._text = np.frombuffer(row.ljust(self._row_bytes, b"\0"), np.uint8)
        self._text_mask = np.where(is_text, 0xFF, 0).astype(np.uint8)
        self._digit_pieces = self._find_digit_pieces()
        self.covers_lines = fields.is_open or fields.is_whole
        """Whether a line that has this layout is known in all its bytes."""

    def _data_spans(self) -> list[Span]:
        """Return where the digits of the data are; nothing where their number is open."""
        start, end = self.fields.data
        if self.fields.is_open or start == end:
            return []
        if self.fields.step == 0:
            return [(start, end - -self.fields.length % 3)]  # without the signs = that fill up
        if self.fields.step == 2:
            return [self.fields.data]
        return [(at, at + 2) for at in range(start, end, self.fields.step)]

    def _find_digit_pieces(self) -> list[tuple[int, int, int]]:
        """Return the pieces of hexadecimal digits: place in the line, size, and place among words of eight digits.

        The first word is the identifier, at its end; the data begin with the second one.
        """
        start, end = self.fields.identifier
        pieces = [(start, end - start, WORD_BYTES - (end - start))]
        first, to = self.fields.data[0], WORD_BYTES
        open_data = [(first, first + 2 * MAX_DATA_BYTES)] if self.fields.is_open else []
        for span in (open_data or self._data_spans()) if self.fields.step else ():
            for at, stop in [span] if span[1] - span[0] in _COPIED_AS else _words(*span):
                pieces.append((at, stop - at, to))
                to += stop - at
        return [piece for piece in pieces if piece[1]]

    def read(self, chunk: LineChunk, rows: "NDArray[intp]") -> ReadLines:
        """Read those of some rows that have this layout."""
        import numpy as np

        rows = self._with_length(chunk, rows)
        if not len(rows):
            return _no_lines()
        lines = self._lines(chunk, rows)
        right = self._have_text(lines)
        if right is not None:
            rows, lines = rows[right], lines.some(right, self._row_bytes)
        if not len(rows):
            return _no_lines()
        numbers = [_digits(lines, *span) for span in (self._whole, self._fraction, *self._ignored)]
        lengths = self._lengths(chunk, rows)
        found = self._hexadecimal(lines, lengths) if all(map(_are_digits, numbers)) else None
        if found is None:
            wrong = reduce(or_, map(_not_digits, numbers))
            right = np.flatnonzero((wrong == 0) & self._are_hexadecimal(lines, lengths))
            if not len(right):
                return _no_lines()
            rows, lines, lengths = rows[right], lines.some(right, self._row_bytes), lengths[right]
            numbers = [each[right] for each in numbers]
            found = self._hexadecimal(lines, lengths)
            assert found is not None
        self.hits += len(rows)
        return ReadLines(rows, Columns(self._times(numbers[0], numbers[1]), *found, lengths))

    def _times(self, whole: "NDArray[uint64]", fraction: "NDArray[uint64]") -> "NDArray[int64]":
        """Return times from the values of their digits."""
        import numpy as np

        power, digits = self.fields.power, self._fraction[1] - self._fraction[0]
        if not self.fields.whole[1]:
            return np.full(len(whole), UNTIMED)
        times = _number(fraction)
        if digits > power:
            times = (times // 10 ** (digits - power - 1) + 5) // 10
        elif digits < power:
            times *= 10 ** (power - digits)
        # Of equal numbers that follow each other only the first is computed.
        starts = np.flatnonzero(np.concatenate(([True], whole[1:] != whole[:-1])))
        seconds = _number(whole[starts]) * 10**power + self._lead
        if len(starts) > _MAX_RUNS:
            times += seconds.repeat(np.diff(starts, append=len(whole)))
            return times
        for second, start, end in zip(seconds.tolist(), starts.tolist(), [*starts.tolist()[1:], None], strict=True):
            times[start:end] += second
        return times

    def _with_length(self, chunk: LineChunk, rows: "NDArray[intp]") -> "NDArray[intp]":
        """Return the rows that have a length, and an end, that is possible in this layout."""
        import numpy as np

        fields = self.fields
        sizes = np.asarray(chunk.line_bytes) if chunk.line_bytes else _at(chunk.sizes, rows)
        right: NDArray[bool_]
        if fields.is_open:
            digits = sizes - (self._shared + len(fields.suffix))
            right = (digits >= 0) & (digits <= 2 * MAX_DATA_BYTES) & (digits & 1 == 0)
            for place, sign in enumerate(reversed(fields.suffix[:-1]), 2):  # the last one ends every line
                right = right & (chunk.signs[_at(chunk.ends, rows) - place] == sign)
        else:
            right = sizes == fields.end if fields.is_whole else sizes > fields.end
        if not right.any():
            return rows[:0]
        return rows if right.all() else rows[right]

    def _lines(self, chunk: LineChunk, rows: "NDArray[intp]") -> _Rows:
        """Return the lines of some rows: where they are, or copies of them."""
        if chunk.line_bytes and rows[-1] - rows[0] + 1 == len(rows):
            return _Rows(chunk.content, int(chunk.starts[rows[0]]) - BEFORE, chunk.line_bytes, len(rows))
        every = _Rows(chunk.content, 0, 1, len(chunk.content) - self._row_bytes + 1)
        return every.some(_at(chunk.starts, rows) - BEFORE, self._row_bytes)

    def _have_text(self, lines: _Rows) -> "NDArray[intp] | None":
        """Return which lines have the text of this layout; None if all have."""
        import numpy as np

        followed_by, shared = self.fields.followed_by, slice(BEFORE, BEFORE + self._shared)
        if not followed_by and lines.all_have(self._text[shared], self._text_mask[shared]):
            return None
        text, mask = self._text.view("<u8"), self._text_mask.view("<u8")
        wrong = np.zeros(lines.number, np.uint64)
        for word in np.flatnonzero(mask).tolist():
            wrong |= (lines.column(WORD_BYTES * word - BEFORE, "<u8") ^ text[word]) & mask[word]
        right = wrong == 0
        if followed_by:
            right &= _signs(followed_by)[lines.column(self._shared, "u1")]
        return None if right.all() else np.flatnonzero(right)

    def _lengths(self, chunk: LineChunk, rows: "NDArray[intp]") -> "NDArray[uint8]":
        import numpy as np

        if not self.fields.is_open:
            return np.full(len(rows), self.fields.length, np.uint8)
        other = self._shared + len(self.fields.suffix)
        if chunk.line_bytes:
            return np.full(len(rows), chunk.line_bytes - other >> 1, np.uint8)
        return (_at(chunk.sizes, rows) - other >> 1).astype(np.uint8)

    def _hexadecimal(self, lines: _Rows, lengths: "NDArray[uint8]") -> "tuple[NDArray[uint32], NDArray[uint64]] | None":
        """Return the identifiers and the data, None where a sign is not hexadecimal."""
        import numpy as np

        number = lines.number
        try:
            read = unhexlify(self._hex_digits(lines, lengths).data)
            data = np.frombuffer(read, ">u8", number, 4 * number).astype(np.uint64) if self.fields.step else None
            return np.frombuffer(read, ">u4", number).astype(np.uint32), self._base64(lines) if data is None else data
        except Error:
            return None

    def _hex_digits(self, lines: _Rows, lengths: "NDArray[uint8]") -> "NDArray[uint64]":
        """Return words of eight digits, filled up with zeros: those of the identifiers, then two for each data."""
        import numpy as np

        number = lines.number
        digits = np.empty(number * (3 if self.fields.step else 1), "<u8")
        if sum(size for _, size, _ in self._digit_pieces) < (3 if self.fields.step else 1) * WORD_BYTES:
            digits.fill(_ZEROS)
        for place, size, to in self._digit_pieces:
            kind = _COPIED_AS.get(size, f"V{size}")
            at, step = (to, WORD_BYTES) if to < WORD_BYTES else (number * WORD_BYTES + to - WORD_BYTES, 2 * WORD_BYTES)
            np.ndarray((number,), kind, digits, at, (step,))[...] = lines.column(place, kind)
        if self.fields.is_open and number and lengths.min() < MAX_DATA_BYTES:
            short = np.flatnonzero(lengths < MAX_DATA_BYTES)
            data = digits[number:].reshape(number, 2)
            kept = _kept_digits()[lengths[short]]
            data[short] = data[short] & kept | np.uint64(_ZEROS) & ~kept
        return digits

    def _base64(self, lines: _Rows) -> "NDArray[uint64]":
        """Return data that is written in base 64; signs that fill up become A, which is six bits of 0."""
        import numpy as np

        data = np.zeros((lines.number, MAX_DATA_BYTES), np.uint8)
        length = self.fields.length
        if length:
            digits = self._base64_digits(lines)
            decoded = np.frombuffer(a2b_base64(digits.data, strict_mode=True), np.uint8)
            data[:, :length] = decoded.reshape(lines.number, digits.shape[1] * 3 // 4)[:, :length]
        return data.view(">u8").ravel().astype(np.uint64)

    def _base64_digits(self, lines: _Rows) -> "NDArray[uint8]":
        import numpy as np

        ((start, end),) = self._data_spans()
        digits = np.full((lines.number, self.fields.data[1] - self.fields.data[0]), ord("A"), np.uint8)
        kind = f"V{end - start}"
        np.ndarray((lines.number,), kind, digits, 0, (digits.shape[1],))[...] = lines.column(start, kind)
        return digits

    def _are_hexadecimal(self, lines: _Rows, lengths: "NDArray[uint8]") -> "NDArray[bool_]":
        """Return which lines have only signs that are allowed in identifier and data."""
        import numpy as np

        is_digit = _signs(_HEX_DIGITS)[self._hex_digits(lines, lengths).view(np.uint8)]
        identifiers, data = np.split(is_digit, [lines.number * WORD_BYTES])
        right: NDArray[bool_] = np.all(identifiers.reshape(lines.number, -1), axis=1)
        right &= np.all(data.reshape(lines.number, -1), axis=1)
        if not self.fields.step and self.fields.length:
            right &= np.all(_signs(_BASE64_DIGITS)[self._base64_digits(lines)], axis=1)
        return right


@cache
def _no_lines() -> ReadLines:
    import numpy as np

    return ReadLines(np.arange(0), to_columns(()))


def _at(numbers: "NDArray[intp]", rows: "NDArray[intp]") -> "NDArray[intp]":
    """Return the numbers of some rows, which are in order."""
    return numbers if len(rows) == len(numbers) else numbers[rows]


def _words(start: int, end: int) -> list[Span]:
    """Return a field in parts of at most eight digits."""
    return [(first, min(end, first + WORD_BYTES)) for first in range(start, end, WORD_BYTES)]


def _last_word(sample: bytes, span: Span) -> tuple[Span, int]:
    """Return the last eight digits of a field, and the number before them, which all lines of a layout share."""
    start, end = span
    cut = max(start, end - WORD_BYTES)
    return (cut, end), int(sample[start:cut] or b"0")


def _digits(lines: _Rows, start: int, end: int) -> "NDArray[uint64]":
    """Return the values of up to eight digits, a byte each, with zeros before them."""
    import numpy as np

    mask = (1 << 64) - (1 << 8 * (WORD_BYTES - (end - start)))
    digits: NDArray[uint64] = lines.column(end - WORD_BYTES, "<u8") ^ np.uint64(_ZEROS)
    digits &= np.uint64(mask)
    return digits


def _are_digits(values: "NDArray[uint64]") -> bool:
    """Return whether all bytes of values are those of digits, 0 to 9."""
    import numpy as np

    return bool(values.view(np.uint8).max() <= _MAX_DIGIT)


def _not_digits(values: "NDArray[uint64]") -> "NDArray[uint64]":
    """Return something other than 0 for each row in which a value is not one of a digit."""
    import numpy as np

    found = values + np.uint64(_NOT_DIGIT)
    found |= values
    found &= np.uint64(_HIGH_BITS)
    return found


def _number(values: "NDArray[uint64]") -> "NDArray[int64]":
    """Return the number that eight digits are: of pairs first, then of all four pairs in two products."""
    import numpy as np

    numbers = values * np.uint64(10)
    shifted = values >> np.uint64(8)
    numbers += shifted
    np.right_shift(numbers, np.uint64(16), out=shifted)
    for pairs, factors in ((numbers, _FIRST_AND_THIRD), (shifted, _SECOND_AND_FOURTH)):
        pairs &= np.uint64(_APART)
        pairs *= np.uint64(factors)
    numbers += shifted
    numbers >>= np.uint64(32)
    return numbers.view(np.int64)


@cache
def _kept_digits() -> "NDArray[uint64]":
    """Return masks of the digits that data of each length have: a row for each length, with their two words."""
    import numpy as np

    return np.array(
        [
            [(1 << 8 * min(max(2 * length - WORD_BYTES * word, 0), WORD_BYTES)) - 1 for word in range(2)]
            for length in range(9)
        ],
        np.uint64,
    )


@cache
def _signs(allowed: bytes) -> "NDArray[bool_]":
    """Return a table of all bytes that tells which are allowed."""
    import numpy as np

    return np.isin(np.arange(256), list(allowed))
