"""Marks for what rests on memory, in sentences and surveys.

Knows: two signs and what they mean. Does not know where an origin comes from: it travels with the definitions.
"""

from collections.abc import Iterable

from rvsim.wire.fields import Origin, weakest
from rvsim.wire.spec import MessageSpec

LEGEND = "Marked *: a layout from memory; marked **: one from memory that is not sure."
_SIGNS = ((Origin.UNSURE, " **"), (Origin.MEMORY, " *"))


def mark(origins: Iterable[Origin]) -> str:
    """Return the sign of the least sure of some origins, with a blank before it; nothing for what is published."""
    found = set(origins)
    return next((sign for origin, sign in _SIGNS if origin in found), "")


def mark_of(spec: MessageSpec | None) -> str:
    """Return the sign of a message: that of its number and of the names and layouts of all its fields."""
    return "" if spec is None else mark((spec.origin, *(weakest(*field.grades[:2]) for field in spec.fields)))
