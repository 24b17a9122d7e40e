"""Texts that nodes send of themselves: product and software identification.

Knows: ASCII fields that end with an asterisk, in the order make, model, serial number, unit number (device makers'
RV-C manuals show the asterisks; the order as in SAE J1939, from memory). Does not know how a long message travels.
"""

from typing import NamedTuple

from rvsim.wire.fields import Origin

PRODUCT_IDENTIFICATION, SOFTWARE_IDENTIFICATION = 0x0FEEB, 0x0FEDA
TEXT_ORIGIN = Origin.MEMORY
"""Where it comes from which text is which: the order of the fields, and the byte that counts them."""
MAX_FIELD_LENGTH = 200
"""Letters of one field that are kept: our choice, so that a node cannot fill a screen."""


class Product(NamedTuple):
    """What a node says it is; a field that it leaves out is empty."""

    make: str = ""
    model: str = ""
    serial_number: str = ""
    unit_number: str = ""

    def __str__(self) -> str:
        told = (self.make, self.model, self.serial_number and f"serial number {self.serial_number}")
        return ", ".join(part for part in told if part) or "says nothing of itself"


def text_fields(data: bytes) -> tuple[str, ...]:
    """Return the fields of a text; what is not printable ASCII becomes a question mark, filling bytes go."""
    text = data.rstrip(b"\xff\x00")
    parts = text.split(b"*")
    if parts[-1] == b"":
        parts.pop()
    return tuple(_printable(part) for part in parts)


def _printable(part: bytes) -> str:
    return printable_ascii(part[:MAX_FIELD_LENGTH]).strip()


def printable_ascii(part: bytes) -> str:
    """Return bytes as ASCII letters, with a question mark for each that is not printable."""
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else "?" for byte in part)


def read_product(data: bytes) -> Product:
    """Read a product identification of any length; more than four fields are cut off."""
    return Product(*text_fields(data)[:4])


def pack_product(product: Product) -> bytes:
    """Write a product identification; it goes in one frame up to 8 bytes, filled up with ones.

    Raises:
        ValueError: a field has an asterisk or is not printable ASCII.
    """
    return _fill(b"".join(_terminated(field) for field in product))


def read_software(data: bytes) -> tuple[str, ...]:
    """Read a software identification: the fields behind the byte that counts them."""
    return text_fields(data[1:])


def pack_software(*fields: str) -> bytes:
    """Write a software identification: the number of fields, then the fields (SAE J1939, from memory).

    Raises:
        ValueError: a field has an asterisk or is not printable ASCII.
    """
    return _fill(bytes([len(fields)]) + b"".join(_terminated(field) for field in fields))


def _terminated(field: str) -> bytes:
    if "*" in field or not field.isascii() or not (field.isprintable() or not field):
        raise ValueError(f"{field!r} cannot be sent: printable ASCII without an asterisk can")
    return field.encode("ascii") + b"*"


def _fill(data: bytes) -> bytes:
    return data.ljust(8, b"\xff")
