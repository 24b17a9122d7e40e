"""Every key that a rig can have.

Knows: which lists of names stand beside the keys. Does not know the settings of any kind of device.
"""

from collections.abc import Iterable, Iterator

from rvsim.rig.accepted import FLAG_KINDS
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.key_lists import INTRODUCTION, tables, wrapped
from rvsim.rig.model import Rig


def rig_keys(kinds: Iterable[str]) -> Iterator[str]:
    """Yield the lines; ``kinds`` are the names of the kinds of simulated device."""
    yield from wrapped(INTRODUCTION, "")
    yield from tables("A rig, one TOML file", Rig)
    for title, names in (("Functions", FUNCTIONS), ("Kinds of device", kinds), ("Kinds of flag", FLAG_KINDS)):
        yield title
        yield from wrapped(", ".join(names), "    ")
