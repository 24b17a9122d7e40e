"""The texts by which nodes identify themselves: product and software identification.

Knows: ASCII fields that end with an asterisk, in the order make, model, serial number, unit number (device makers'
RV-C manuals show the asterisks; the order is that of SAE J1939, from memory). Does not know how a long message is sent.
"""

from typing import NamedTuple

from rvsim.wire.fields import Origin

PRODUCT_IDENTIFICATION, SOFTWARE_IDENTIFICATION = 0x0FEEB, 0x0FEDA
TEXT_ORIGIN = Origin.MEMORY
"""The origin of the layout: the order of the fields, and the byte with their number."""
MAX_FIELD_LENGTH = 200
"""At most so many characters of a field are kept: our decision, so that a node cannot fill a screen."""


class Product(NamedTuple):
    """The product identification of a node; a field that it leaves out is empty."""

    make: str = ""
    model: str = ""
    serial_number: str = ""
    unit_number: str = ""

    def __str__(self) -> str:
        fields = (self.make, self.model, self.serial_number and f"serial number {self.serial_number}")
        return ", ".join(field for field in fields if field) or "no product information"


def text_fields(data: bytes) -> tuple[str, ...]:
    """Return the fields of a text; what is not printable ASCII becomes a question mark, fill bytes are removed."""
    text = data.rstrip(b"\xff\x00")
    parts = text.split(b"*")
    if parts[-1] == b"":
        parts.pop()
    return tuple(_printable(part) for part in parts)


def _printable(part: bytes) -> str:
    return printable_ascii(part[:MAX_FIELD_LENGTH]).strip()


def printable_ascii(part: bytes) -> str:
    """Return bytes as ASCII, with a question mark for each that is not printable."""
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else "?" for byte in part)


def read_product(data: bytes) -> Product:
    """Return a product identification of any length; fields after the fourth are ignored."""
    return Product(*text_fields(data)[:4])


def pack_product(product: Product) -> bytes:
    """Return the bytes of a product identification, filled with ones up to 8; up to 8 bytes go in one frame.

    Raises:
        ValueError: a field has an asterisk or is not printable ASCII.
    """
    return _fill(b"".join(_terminated(field) for field in product))


def read_software(data: bytes) -> tuple[str, ...]:
    """Return the fields of a software identification, which follow the byte with their number."""
    return text_fields(data[1:])


def pack_software(*fields: str) -> bytes:
    """Return the bytes of a software identification: the number of fields, then the fields (SAE J1939, from memory).

    Raises:
        ValueError: a field has an asterisk or is not printable ASCII.
    """
    return _fill(bytes([len(fields)]) + b"".join(_terminated(field) for field in fields))


def _terminated(field: str) -> bytes:
    if "*" in field or not field.isascii() or not (field.isprintable() or not field):
        raise ValueError(f"{field!r} cannot be sent: write printable ASCII without an asterisk")
    return field.encode("ascii") + b"*"


def _fill(data: bytes) -> bytes:
    return data.ljust(8, b"\xff")
