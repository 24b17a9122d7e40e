"""The harness as a graph: which devices a single break takes away.

Knows: the taps along the trunk, chained taps and drops as a tree, whose edges are pieces of cable. Does not know what
is heard on the bus, nor how long a piece may be.

Where a rig says at which tap the recorder is, a break takes away the devices on the other side of it. Where it does
not, a break can be told for the devices of either side.
"""

from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from rvsim.rig.harness import HarnessPlan, TapPlan


class Break(NamedTuple):
    """A place where the pair can be open: its text, and the devices that are then on the other side."""

    place: str
    devices: frozenset[str]


def breaks(harness: "HarnessPlan", taps: "Sequence[TapPlan]") -> Iterator[Break]:
    """Yield every place where the pair can be open, from the trunk to the drops.

    A break of the trunk is yielded once for each side that can be the far one.
    """
    by_name = {tap.name: tap for tap in taps}
    everywhere = frozenset(drop.device for tap in taps for drop in tap.drops)
    trunk = [tap for tap in taps if tap.on is None]
    for place, tap in enumerate(trunk[1:], start=1):
        beyond = frozenset[str]().union(*(_behind(one, taps) for one in trunk[place:]))
        text = f"the trunk between {trunk[place - 1].name} and {tap.name}"
        yield from _far_sides(
            text, beyond, everywhere - beyond, recorder_beyond=_is_at(harness, trunk[place:], by_name)
        )
    for tap in taps:
        if tap.on is not None:
            beyond = _behind(tap, taps)
            text = f"the cable from {tap.on} to {tap.name}"
            yield from _far_sides(text, beyond, everywhere - beyond, recorder_beyond=_is_at(harness, [tap], by_name))
    for tap in taps:
        for drop in tap.drops:
            yield Break(f"the drop from {tap.name} to {drop.device}", frozenset({drop.device}))


def breaks_that_explain(
    silent: Collection[str], present: Collection[str], harness: "HarnessPlan", taps: "Sequence[TapPlan]"
) -> Iterator[Break]:
    """Yield each single break that takes away all of the silent devices and none of the present ones.

    Args:
        silent: the devices that became silent.
        present: the devices that are still received.
        harness: the harness.
        taps: its taps.
    """
    for found in breaks(harness, taps):
        if found.devices.issuperset(silent) and found.devices.isdisjoint(present):
            yield found


def _behind(tap: "TapPlan", taps: "Sequence[TapPlan]") -> frozenset[str]:
    """Return the devices at a tap and at every tap that is chained to it."""
    found = {drop.device for drop in tap.drops}
    for other in taps:
        if other.on == tap.name:
            found |= _behind(other, taps)
    return frozenset(found)


def _is_at(harness: "HarnessPlan", beyond: "Sequence[TapPlan]", by_name: "dict[str, TapPlan]") -> bool | None:
    """Tell whether the recorder is at one of these taps or behind one; None where the rig does not say where it is."""
    tap = by_name.get(harness.recorder or "")
    if tap is None:
        return None
    while tap not in beyond:
        if tap.on is None:
            return False
        tap = by_name[tap.on]
    return True


def _far_sides(
    text: str, beyond: frozenset[str], before: frozenset[str], *, recorder_beyond: bool | None
) -> Iterator[Break]:
    if recorder_beyond is not True and beyond:
        yield Break(text, beyond)
    if recorder_beyond is not False and before:
        yield Break(text, before)
