"""The text form of a NAME in rigs: 16 hex digits, most significant first.

Knows: the conversion in both directions. Does not know what its parts mean (`wire.name` does), nor which device
claims it.
"""

import re

from rvsim.rig.quantity import shown
from rvsim.wire.name import Name

_NAME_DIGITS = re.compile(r"[0-9A-F]{16}", re.ASCII | re.IGNORECASE)


def read_name(given: object) -> object:
    """Return the NAME of a text; a NAME is returned unchanged.

    Raises:
        ValueError: the text is not 16 hex digits.
    """
    if isinstance(given, Name):
        return given
    if not isinstance(given, str) or not _NAME_DIGITS.fullmatch(given):
        raise ValueError(
            f"{shown(given)} is not a NAME; write its 16 hex digits in quotes, most significant first: in an address "
            "claim they are the eight bytes from the last to the first"
        )
    return Name.from_bytes(bytes.fromhex(given)[::-1])


def name_text(name: Name) -> str:
    """Return the text form of a NAME."""
    return f"{int(name):016X}"
