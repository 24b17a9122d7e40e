"""Layouts of text lines: in lines of one layout every field has its place, and all other bytes are the same.

Knows: how all lines of a layout are read at once. Does not know formats, which say where the fields of a line are.
Each line is taken with the bytes around it as one row of a table; fixed text is compared and digits become numbers
eight bytes at once.
"""

from binascii import Error, a2b_base64, unhexlify
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from rvsim.logs.columns import Columns, to_columns
from rvsim.logs.columns_read.entry_columns import UNTIMED
from rvsim.logs.columns_read.line_chunks import AFTER, BEFORE, LineChunk
from rvsim.logs.formats.entry import MAX_DATA_BYTES, SkippedEntry

if TYPE_CHECKING:
    from numpy import bool_, int64, intp, uint8, uint32, uint64, void
    from numpy.typing import NDArray

MAX_LAYOUT_BYTES = AFTER - 4 * MAX_DATA_BYTES
"""The bytes of a line up to the end of its layout, at most; longer lines are read one by one."""
WORD_BYTES = 8
_IDENTIFIER_DIGITS = 8
_ZEROS = 0x3030_3030_3030_3030
"""Eight digits 0 as a number; that of digits less this is their values."""
_NOT_DIGIT, _HIGH_BITS = 0x7676_7676_7676_7676, 0x8080_8080_8080_8080
"""A value of a digit, 0 to 9, plus 76 hex has no high bit."""
_EVEN_BYTES, _EVEN_PAIRS, _FIRST_FOUR = 0x00FF_00FF_00FF_00FF, 0x0000_FFFF_0000_FFFF, 0xFFFF_FFFF
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
        self._text = np.frombuffer(row.ljust(self._row_bytes, b"\0"), "<u8")
        self._text_mask = np.where(is_text, 0xFF, 0).astype(np.uint8).view("<u8")
        self._compared = np.flatnonzero(self._text_mask).tolist()

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

    def read(self, chunk: LineChunk, rows: "NDArray[intp]") -> ReadLines:
        """Read those of some rows that have this layout."""
        import numpy as np

        rows, table = self._with_text(chunk, _those(rows, self._has_length(chunk, rows)))
        if not len(rows):
            return _no_lines()
        numbers = [_digits(table, *span) for span in (self._whole, self._fraction, *self._ignored)]
        wrong = np.bitwise_or.reduce([_not_digits(each) for each in numbers])
        lengths = self._lengths(chunk, rows)
        found = None if wrong.any() else self._hexadecimal(table, lengths)
        if found is None:
            right = np.flatnonzero((wrong == 0) & self._are_hexadecimal(table, lengths))
            if not len(right):
                return _no_lines()
            rows, table, lengths = rows[right], table[right], lengths[right]
            numbers = [each[right] for each in numbers]
            found = self._hexadecimal(table, lengths)
            assert found is not None
        self.hits += len(rows)
        return ReadLines(rows, Columns(self._times(numbers[0], numbers[1]), *found, lengths))

    def _times(self, whole: "NDArray[uint64]", fraction: "NDArray[uint64]") -> "NDArray[int64]":
        """Return times from the values of their digits."""
        import numpy as np

        power, digits = self.fields.power, self._fraction[1] - self._fraction[0]
        if not self.fields.whole[1]:
            return np.full(len(whole), UNTIMED)
        times: NDArray[int64] = _number(whole) * 10**power + self._lead
        if digits > power:
            times += (_number(fraction) // 10 ** (digits - power - 1) + 5) // 10
        elif digits:
            times += _number(fraction) * 10 ** (power - digits)
        return times

    def _has_length(self, chunk: LineChunk, rows: "NDArray[intp]") -> "NDArray[bool_]":
        """Return which rows have a length, and an end, that is possible in this layout."""
        sizes, fields = _at(chunk.sizes, rows), self.fields
        right: NDArray[bool_]
        if fields.is_open:
            digits = sizes - (self._shared + len(fields.suffix))
            right = (digits >= 0) & (digits <= 2 * MAX_DATA_BYTES) & (digits & 1 == 0)
            for place, sign in enumerate(reversed(fields.suffix), 1):
                right &= chunk.signs[_at(chunk.ends, rows) - place] == sign
            return right
        right = sizes == fields.end if fields.is_whole else sizes > fields.end
        return right

    def _with_text(self, chunk: LineChunk, rows: "NDArray[intp]") -> "tuple[NDArray[intp], NDArray[void]]":
        """Return the rows that have the text of this layout, and a table of their lines."""
        import numpy as np

        size = self._row_bytes
        windows = np.ndarray((len(chunk.content) - size + 1,), f"V{size}", chunk.content, 0, (1,))
        table = windows[_at(chunk.starts, rows) - BEFORE]
        words = table.view("<u8").reshape(len(rows), size // WORD_BYTES)
        wrong = np.zeros(len(rows), np.uint64)
        for word in self._compared:
            wrong |= (words[:, word] ^ self._text[word]) & self._text_mask[word]
        right = wrong == 0
        if self.fields.followed_by:
            right &= _signs(self.fields.followed_by)[table.view(np.uint8).reshape(-1, size)[:, BEFORE + self._shared]]
        return (rows, table) if right.all() else (rows[right], table[right])

    def _lengths(self, chunk: LineChunk, rows: "NDArray[intp]") -> "NDArray[uint8]":
        import numpy as np

        if not self.fields.is_open:
            return np.full(len(rows), self.fields.length, np.uint8)
        digits = _at(chunk.sizes, rows) - (self._shared + len(self.fields.suffix))
        return (digits >> 1).astype(np.uint8)

    def _hexadecimal(
        self, table: "NDArray[void]", lengths: "NDArray[uint8]"
    ) -> "tuple[NDArray[uint32], NDArray[uint64]] | None":
        """Return the identifiers and the data, None where a sign is not hexadecimal."""
        import numpy as np

        try:
            read = np.frombuffer(
                unhexlify(self._hex_digits(table, lengths).data), [("identifier", ">u4"), ("data", ">u8")]
            )
            data = read["data"].astype(np.uint64) if self.fields.step else self._base64(table)
        except Error:
            return None
        return read["identifier"].astype(np.uint32), data

    def _hex_digits(self, table: "NDArray[void]", lengths: "NDArray[uint8]") -> "NDArray[uint8]":
        """Return eight digits of the identifier and sixteen of the data for each row, filled up with zeros."""
        import numpy as np

        fields = self.fields
        digits = np.full((len(table), _IDENTIFIER_DIGITS + 2 * MAX_DATA_BYTES), ord("0"), np.uint8)
        _copy(table, fields.identifier, digits, _IDENTIFIER_DIGITS)
        if fields.is_open:
            first = fields.data[0]
            _copy(table, (first, first + 2 * MAX_DATA_BYTES), digits, digits.shape[1])
            short = np.flatnonzero(lengths < MAX_DATA_BYTES)
            if len(short):
                behind = np.arange(digits.shape[1]) >= _IDENTIFIER_DIGITS + 2 * lengths[short, None].astype(int)
                digits[short] = np.where(behind, ord("0"), digits[short])
        elif fields.step:
            end = _IDENTIFIER_DIGITS
            for start, stop in self._data_spans():
                end += stop - start
                _copy(table, (start, stop), digits, end)
        return digits

    def _base64(self, table: "NDArray[void]") -> "NDArray[uint64]":
        """Return data that is written in base 64; signs that fill up become A, which is six bits of 0."""
        import numpy as np

        data = np.zeros((len(table), MAX_DATA_BYTES), np.uint8)
        length = self.fields.length
        if length:
            digits = self._base64_digits(table)
            decoded = np.frombuffer(a2b_base64(digits.data, strict_mode=True), np.uint8)
            data[:, :length] = decoded.reshape(len(table), digits.shape[1] * 3 // 4)[:, :length]
        return data.view(">u8").ravel().astype(np.uint64)

    def _base64_digits(self, table: "NDArray[void]") -> "NDArray[uint8]":
        import numpy as np

        (span,) = self._data_spans()
        digits = np.full((len(table), self.fields.data[1] - self.fields.data[0]), ord("A"), np.uint8)
        _copy(table, span, digits, span[1] - span[0])
        return digits

    def _are_hexadecimal(self, table: "NDArray[void]", lengths: "NDArray[uint8]") -> "NDArray[bool_]":
        """Return which rows have only signs that are allowed in identifier and data."""
        import numpy as np

        right: NDArray[bool_] = np.all(_signs(_HEX_DIGITS)[self._hex_digits(table, lengths)], axis=1)
        if not self.fields.step and self.fields.length:
            right &= np.all(_signs(_BASE64_DIGITS)[self._base64_digits(table)], axis=1)
        return right


@cache
def _no_lines() -> ReadLines:
    import numpy as np

    return ReadLines(np.arange(0), to_columns(()))


def _at(numbers: "NDArray[intp]", rows: "NDArray[intp]") -> "NDArray[intp]":
    """Return the numbers of some rows, which are in order."""
    return numbers if len(rows) == len(numbers) else numbers[rows]


def _those(rows: "NDArray[intp]", wanted: "NDArray[bool_]") -> "NDArray[intp]":
    """Return the rows that are wanted."""
    return rows if wanted.all() else rows[wanted]


def _words(start: int, end: int) -> list[Span]:
    """Return a field in parts of at most eight digits."""
    return [(first, min(end, first + WORD_BYTES)) for first in range(start, end, WORD_BYTES)]


def _last_word(sample: bytes, span: Span) -> tuple[Span, int]:
    """Return the last eight digits of a field, and the number before them, which all lines of a layout share."""
    start, end = span
    cut = max(start, end - WORD_BYTES)
    return (cut, end), int(sample[start:cut] or b"0")


def _copy(table: "NDArray[void]", span: Span, to: "NDArray[uint8]", end: int) -> None:
    """Copy a field of each row of a table to a row of another one, where it ends at a column."""
    import numpy as np

    start, stop = span
    if stop > start:
        kind = f"V{stop - start}"
        copied = np.ndarray((len(table),), kind, to, end - (stop - start), (to.shape[1],))
        copied[...] = np.ndarray((len(table),), kind, table, BEFORE + start, (table.itemsize,))


def _digits(table: "NDArray[void]", start: int, end: int) -> "NDArray[uint64]":
    """Return the values of up to eight digits, a byte each, with zeros before them."""
    import numpy as np

    words = np.ndarray((len(table),), "<u8", table, BEFORE + end - WORD_BYTES, (table.itemsize,))
    mask = (1 << 64) - (1 << 8 * (WORD_BYTES - (end - start)))
    return (words ^ np.uint64(_ZEROS)) & np.uint64(mask)


def _not_digits(values: "NDArray[uint64]") -> "NDArray[uint64]":
    """Return something other than 0 for each row in which a value is not one of a digit."""
    import numpy as np

    return ((values + np.uint64(_NOT_DIGIT)) | values) & np.uint64(_HIGH_BITS)


def _number(values: "NDArray[uint64]") -> "NDArray[int64]":
    """Return the number that eight digits are: of pairs, of four, of eight."""
    import numpy as np

    for factor, bits, mask in ((10, 8, _EVEN_BYTES), (100, 16, _EVEN_PAIRS), (10_000, 32, _FIRST_FOUR)):
        values = (values * np.uint64(factor) + (values >> np.uint64(bits))) & np.uint64(mask)
    return values.view(np.int64)


@cache
def _signs(allowed: bytes) -> "NDArray[bool_]":
    """Return a table of all bytes that tells which are allowed."""
    import numpy as np

    return np.isin(np.arange(256), list(allowed))
