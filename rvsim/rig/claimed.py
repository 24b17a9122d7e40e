"""A NAME as people write it in rigs: 16 hex digits, most significant first.

Knows: how it is read and written. Does not know what its parts mean (`wire.name` does), nor who claims it.
"""

import re
from typing import Annotated

from pydantic import BeforeValidator, InstanceOf

from rvsim.rig.quantity import shown
from rvsim.wire.name import Name

_NAME_DIGITS = re.compile(r"[0-9A-F]{16}", re.ASCII | re.IGNORECASE)


def read_name(given: object) -> object:
    """Read a NAME that is written; one that is read already stays as it is.

    Raises:
        ValueError: it is no text of 16 hex digits.
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
    """Write a NAME as a rig has it."""
    return f"{int(name):016X}"


ClaimedName = Annotated[InstanceOf[Name], BeforeValidator(read_name)]
"""Written as 16 hex digits, kept as a NAME."""
