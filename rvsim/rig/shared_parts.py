"""What devices of a rig have in common: the parts whose single failure takes away these devices and no others.

Knows: the branches of the supply and the pieces of the harness. Does not know what is heard on a bus.
"""

from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING, NamedTuple

from rvsim.rig.harness_graph import Break, breaks, breaks_that_explain
from rvsim.rig.supply_graph import Feed, feeds, feeds_that_explain

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
        yield SingleFailure(_supply_part(feed), feed.devices)
    for found in breaks(rig.harness, rig.taps):
        yield SingleFailure(_pair_part(found), found.devices)


def shared_parts(rig: "Rig", silent: Collection[str], present: Collection[str]) -> Iterator[SharedPart]:
    """Yield each part of a rig whose failure explains that some devices are silent and others are not, supply first.

    Args:
        rig: the rig; what it does not say of a device is not judged.
        silent: the devices that became silent.
        present: the devices that are still received.
    """
    for feed in feeds_that_explain(silent, present, rig.all_branches, rig.vehicle.branch_by_device):
        yield _supply_part(feed)
    for found in breaks_that_explain(silent, present, rig.harness, rig.taps):
        yield _pair_part(found)


def _supply_part(feed: Feed) -> SharedPart:
    branch = feed.branch
    return SharedPart(
        f"the branch {branch.name} of the supply",
        f"check the branch {branch.name}: its {branch.protection}, the voltage behind it under load, its plugs and its "
        "ground",
    )


def _pair_part(found: Break) -> SharedPart:
    return SharedPart(
        found.place, f"check {found.place}: its plugs first, then, with the power off, the ohms on both sides of it"
    )
