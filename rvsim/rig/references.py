"""Names in one table of a rig that stand for an entry of another table.

Knows: how a name that is given twice, and one that belongs to no entry, are told. Does not know which tables there are.
"""

from collections.abc import Collection, Hashable, Iterable, Iterator, Sequence
from typing import Any

from rvsim.errors import did_you_mean
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake, entry_value


def repeated(entries: Sequence[Any], key: str, what: str) -> Iterator[Mistake]:
    """Yield a mistake for each entry with a value of ``key`` that an entry before it has; None is no value."""
    owners: dict[Hashable, int] = {}
    for number, entry in enumerate(entries):
        value = entry_value(entry, key)
        if value is None:
            continue
        first = owners.setdefault(value, number)
        if first != number:
            text = f"{shown(value)} is already the {key} of {what} {first + 1}; give each its own {key}"
            yield Mistake((number, key), text, value)


def unknown(entries: Sequence[Any], key: str, known: Collection[str] | None, what: str) -> Iterator[Mistake]:
    """Yield a mistake for each entry whose ``key`` is a name that the rig does not have.

    Args:
        entries: the entries.
        key: the key with the name; None is no name.
        known: the names that exist; None where they have mistakes of their own, and nothing can be said.
        what: what the name stands for, as "devices".
    """
    if known is None:
        return
    for number, entry in enumerate(entries):
        name = entry_value(entry, key)
        if isinstance(name, str) and name not in known:
            yield Mistake((number, key), unknown_text(name, known, what), name)


def unknown_text(name: str, known: Collection[str], what: str) -> str:
    """Return the text on a name that stands for none of the rig's ``what``, as "devices"."""
    if not known:
        return f"{shown(name)} is not in the rig, which has no {what}; add it, or remove the name"
    return f"{shown(name)} is not in the rig{did_you_mean(name, known)}; its {what} are {', '.join(known)}"


def names(entries: Iterable[Any] | None) -> list[str] | None:
    """Return the names of checked entries, None where these have mistakes of their own."""
    return None if entries is None else [entry.name for entry in entries]
