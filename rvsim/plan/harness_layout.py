"""The pair of a rig as it lies: its trunk, the way to each device, and where its terminators are.

Knows: how taps, chains and drops belong together, and which drop is really the end of the trunk. Does not know any
limit.
"""

from functools import cached_property
from typing import NamedTuple

from rvsim.plan.harness_ohms import PairNetwork, pair_network
from rvsim.rig.harness import DropPlan, TapPlan
from rvsim.rig.model import Rig

Cable = tuple[str, float | None]
"""A piece of cable: the key of the rig that has its length, and the length in metres; None where it is left out."""


class Terminator(NamedTuple):
    """A terminator: what it is called, the tap that it is at, and whether that is an end of the trunk."""

    name: str
    tap: str
    is_at_end: bool


class HarnessLayout:
    """The pair of a rig with at least one tap."""

    def __init__(self, rig: Rig) -> None:
        self.rig, self.harness, self.taps = rig, rig.harness, rig.taps
        self.by_name = {tap.name: tap for tap in rig.taps}
        self.trunk = [tap for tap in rig.taps if tap.on is None]
        """The taps on the trunk, from one end to the other."""
        self.drops = [(tap, drop) for tap in rig.taps for drop in tap.drops]
        """All drops with their taps."""

    @property
    def ends(self) -> tuple[str, ...]:
        """The taps at the ends of the trunk; one where the trunk has only one."""
        return tuple(dict.fromkeys((self.trunk[0].name, self.trunk[-1].name)))

    @cached_property
    def network(self) -> PairNetwork:
        """The pair as resistances."""
        return pair_network(self.harness, self.taps)

    @cached_property
    def end_drops(self) -> frozenset[str]:
        """The devices whose terminator is an end of the trunk: their drops continue it."""
        room = 2 if len(self.ends) == 1 else 1
        found: list[str] = []
        for tap in map(self.by_name.__getitem__, self.ends):
            built_in = [drop.device for drop in tap.drops if drop.terminator]
            found += built_in[: room - tap.terminator]
        return frozenset(found)

    @cached_property
    def terminators(self) -> tuple[Terminator, ...]:
        """All terminators, those in devices included."""
        found: list[Terminator] = []
        for tap in self.taps:
            is_at_end = tap.name in self.ends
            if tap.terminator:
                found.append(Terminator(f"that at tap {tap.name}", tap.name, is_at_end))
            found += [
                Terminator(f"that in {drop.device}", tap.name, is_at_end) for drop in tap.drops if drop.terminator
            ]
        return tuple(found)

    @cached_property
    def trunk_cables(self) -> list[Cable]:
        """The cables of the trunk."""
        cables = [tap_cable(tap) for tap in self.trunk[1:]]
        return cables + [drop_cable(drop) for _, drop in self.drops if drop.device in self.end_drops]

    @cached_property
    def other_cables(self) -> list[Cable]:
        """The cables of chains and drops: all that is not trunk."""
        cables = [tap_cable(tap) for tap in self.taps if tap.on is not None]
        return cables + [drop_cable(drop) for _, drop in self.drops if drop.device not in self.end_drops]

    def way(self, tap: TapPlan, drop: DropPlan) -> list[Cable]:
        """Return the cables from the trunk to a device."""
        cables = [drop_cable(drop)]
        while tap.on is not None:
            cables.insert(0, tap_cable(tap))
            tap = self.by_name[tap.on]
        return cables

    def behind(self, tap: TapPlan) -> list[TapPlan]:
        """Return a tap and those that are chained to it."""
        found = [tap]
        for one in found:  # grows as it is read
            found += [other for other in self.taps if other.on == one.name]
        return found


def tap_cable(tap: TapPlan) -> Cable:
    """Return the cable from a tap to the one before it, or to the one that it is chained to."""
    return f"length_m of tap {tap.name}", tap.length_m


def drop_cable(drop: DropPlan) -> Cable:
    """Return the cable from a tap to a device."""
    return f"length_m of the drop to {drop.device}", drop.length_m


def known_length(cables: list[Cable]) -> float | None:
    """Return the length in metres; None where the rig leaves out a part of it."""
    return None if any(length is None for _, length in cables) else sum(length or 0.0 for _, length in cables)
