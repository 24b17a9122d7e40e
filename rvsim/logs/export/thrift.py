"""The compact protocol of Apache Thrift, in which the end of a Parquet file is written: bytes to plain data and back.

Knows: the encoding (thrift.apache.org, "Thrift Compact protocol encoding"). Does not know what the data means. A struct
is a dictionary from the number of a field to its type and its value; integers of all widths are int.
"""

from typing import Any, NamedTuple

TRUE, FALSE, BYTE, I16, I32, I64, DOUBLE, BINARY, LIST, SET, MAP, STRUCT = range(1, 13)
"""The types of fields."""
_SHORT_LIST = 15
"""Lists of fewer items have their length in the byte of their type."""


class Field(NamedTuple):
    """A value in a struct, with its type."""

    type: int
    value: Any


class Items(NamedTuple):
    """A list, with the type of its items."""

    type: int
    values: list[Any]


Struct = dict[int, Field]


class Reader:
    """Reads one struct from bytes."""

    def __init__(self, data: bytes) -> None:
        self._data, self._place = data, 0

    def struct(self) -> Struct:
        """Return the struct that begins here.

        Raises:
            ValueError: the bytes have a type that Parquet does not use.
        """
        fields: Struct = {}
        number = 0
        while head := self._byte():
            step, kind = head >> 4, head & 0xF
            number = number + step if step else self._integer()
            fields[number] = Field(kind, kind == TRUE if kind in (TRUE, FALSE) else self._value(kind))
        return fields

    def _value(self, kind: int) -> Any:
        match kind:
            case 1 | 2:  # within a list a truth value is a byte
                return self._byte() == TRUE
            case 3:
                return self._byte()
            case 4 | 5 | 6:
                return self._integer()
            case 7:
                return self._bytes(8)
            case 8:
                return self._bytes(self._varint())
            case 9 | 10:
                head = self._byte()
                length = head >> 4 if head >> 4 < _SHORT_LIST else self._varint()
                return Items(head & 0xF, [self._value(head & 0xF) for _ in range(length)])
            case 12:
                return self.struct()
        raise ValueError(f"type {kind} of the compact protocol is not used in Parquet")

    def _byte(self) -> int:
        self._place += 1
        return self._data[self._place - 1]

    def _bytes(self, count: int) -> bytes:
        self._place += count
        return self._data[self._place - count : self._place]

    def _varint(self) -> int:
        number = shift = 0
        while True:
            byte = self._byte()
            number |= (byte & 0x7F) << shift
            if byte < 0x80:
                return number
            shift += 7

    def _integer(self) -> int:
        number = self._varint()
        return number >> 1 ^ -(number & 1)


def encode_struct(fields: Struct) -> bytes:
    """Return a struct as bytes."""
    out = bytearray()
    before = 0
    for number, (kind, value) in sorted(fields.items()):
        if kind in (TRUE, FALSE):
            kind = TRUE if value else FALSE
        step = number - before
        out += bytes([step << 4 | kind]) if 0 < step <= 15 else bytes([kind]) + _integer(number)
        before = number
        if kind not in (TRUE, FALSE):
            out += _value(kind, value)
    return bytes(out) + b"\0"


def _value(kind: int, value: Any) -> bytes:
    match kind:
        case 1 | 2:
            return bytes([TRUE if value else FALSE])
        case 3:
            return bytes([value])
        case 4 | 5 | 6:
            return _integer(value)
        case 7:
            return bytes(value)
        case 8:
            return _varint(len(value)) + bytes(value)
        case 9 | 10:
            length = len(value.values)
            head = bytes([min(length, _SHORT_LIST) << 4 | value.type])
            long = _varint(length) if length >= _SHORT_LIST else b""
            return head + long + b"".join(_value(value.type, each) for each in value.values)
        case 12:
            return encode_struct(value)
    raise ValueError(f"type {kind} of the compact protocol is not used in Parquet")


def _varint(number: int) -> bytes:
    out = bytearray()
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    return bytes([*out, number])


def _integer(number: int) -> bytes:
    return _varint(number << 1 if number >= 0 else (-number << 1) - 1)
