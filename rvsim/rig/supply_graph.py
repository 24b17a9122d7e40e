"""The supply as a graph: which devices a branch feeds, directly or through other branches.

Knows: branches, their parents and their batteries, and what is on each. Does not know what is heard on the bus, nor any
current.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from rvsim.rig.electric import BranchPlan


class Feed(NamedTuple):
    """A branch, and the devices that have no power without it."""

    branch: "BranchPlan"
    devices: frozenset[str]


def feeds(branches: "Sequence[BranchPlan]", branch_by_device: Mapping[str, str]) -> Iterator[Feed]:
    """Yield each branch with the devices that it feeds, in the order of the rig.

    Args:
        branches: the branches of a rig without mistakes.
        branch_by_device: the branch of each device that has one.
    """
    fed: dict[str | None, list[str]] = {}
    for branch in branches:
        fed.setdefault(branch.parent, []).append(branch.name)
    for branch in branches:
        below = {branch.name}
        last = [branch.name]
        while last:
            last = [name for above in last for name in fed.get(above, ())]
            below.update(last)
        yield Feed(branch, frozenset(device for device, own in branch_by_device.items() if own in below))


def feeds_that_explain(
    silent: Collection[str],
    present: Collection[str],
    branches: "Sequence[BranchPlan]",
    branch_by_device: Mapping[str, str],
) -> Iterator[Feed]:
    """Yield each branch that feeds all of the silent devices and none of the present ones.

    Args:
        silent: the devices that became silent.
        present: the devices that are still received.
        branches: the branches of a rig without mistakes.
        branch_by_device: the branch of each device that has one.
    """
    for feed in feeds(branches, branch_by_device):
        if feed.devices.issuperset(silent) and feed.devices.isdisjoint(present):
            yield feed
