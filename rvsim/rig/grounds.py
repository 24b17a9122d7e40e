"""The grounds of a rig: what currents return through, one into another up to the battery's terminal.

Knows: the names, which ground returns into which, and who returns to which. Does not know any voltage (`plan` computes
it).
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rvsim.rig.electric import WirePlan
from rvsim.rig.quantity import shown
from rvsim.rig.references import repeated, unknown_text
from rvsim.rig.table import Mistake, OneLineText, Table


class GroundPlan(Table):
    """A ground: the wire from a bar or a point of the body to another ground, or to the battery's terminal."""

    name: OneLineText
    """Its name; a device or a module names it as its ground."""
    parent: OneLineText | None = None
    """The ground that it returns into; if omitted, the battery's negative terminal."""
    wire: WirePlan | None = None
    """Its wire, of which only one way counts; a resistance in milliohm counts as given. Without one it has no
    resistance."""


def ground_mistakes(grounds: Sequence[GroundPlan], users: Mapping[str, Sequence[Any]]) -> Iterator[Mistake]:
    """Yield what in grounds cannot be, and each user of a ground that the rig does not have.

    Args:
        grounds: the grounds, each checked alone.
        users: the entries that name a ground, by what they are called, as "device".
    """
    yield from repeated(grounds, "name", "ground")
    by_name = {ground.name: ground for ground in grounds}
    for number, ground in enumerate(grounds):
        if ground.parent is None:
            continue
        if ground.parent not in by_name:
            yield Mistake((number, "parent"), unknown_text(ground.parent, list(by_name), "grounds"), ground.parent)
            continue
        above, passed = ground, {ground.name}
        while above.parent in by_name:
            above = by_name[above.parent]
            if above.name == ground.name:
                text = "the ground returns into itself; correct a parent"
                yield Mistake((number, "parent"), text, ground.parent)
            if above.name in passed:
                break
            passed.add(above.name)
    for what, entries in users.items():
        for entry in entries:
            if entry.ground is not None and entry.ground not in by_name:
                text = f"{what} {shown(entry.name)}: {unknown_text(entry.ground, list(by_name), 'grounds')}"
                yield Mistake((), text, entry.ground)
