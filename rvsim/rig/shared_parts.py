"""What devices of a rig have in common: the parts whose single failure takes away these devices and no others.

Knows: the branches of the supply and the pieces of the harness. Does not know what is heard on a bus.
"""

from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING, NamedTuple

from rvsim.rig.harness_graph import breaks
from rvsim.rig.supply_graph import feeds

if TYPE_CHECKING:
    from rvsim.rig.model import Rig


class SharedPart(NamedTuple):
    """A part that devices have in common, in words, and what to do about it."""

    text: str
    advice: str


class SingleFailure(NamedTuple):
    """A part that can fail, and the devices that are silent then."""

    part: SharedPart
    devices: frozenset[str]


def single_failures(rig: "Rig") -> Iterator[SingleFailure]:
    """Yield every single part whose failure silences devices of a rig: branches first, then the pair.

    A piece of the pair of which either side can be the silent one is yielded twice.
    """
    for feed in feeds(rig.all_branches, rig.vehicle.branch_by_device):
        branch = feed.branch
        part = SharedPart(
            f"the branch {branch.name} of the supply",
            f"check the branch {branch.name}: its {branch.protection}, the voltage behind it under load, its plugs and "
            "its ground",
        )
        yield SingleFailure(part, feed.devices)
    for found in breaks(rig.harness, rig.taps):
        part = SharedPart(
            found.place,
            f"check {found.place}: its plugs first, then, with the power off, the ohms on both sides of it",
        )
        yield SingleFailure(part, found.devices)


def shared_parts(rig: "Rig", silent: Collection[str], present: Collection[str]) -> Iterator[SharedPart]:
    """Yield each part of a rig whose failure explains that some devices are silent and others are not, supply first.

    Args:
        rig: the rig; what it does not say of a device is not judged.
        silent: the devices that became silent.
        present: the devices that are still received.
    """
    for failure in single_failures(rig):
        if failure.devices.issuperset(silent) and failure.devices.isdisjoint(present):
            yield failure.part
