"""The ohms between H and L with the power off: what a meter shows at each point of the harness.

Knows: the pair as a network of resistances, and how it is solved. Does not know which reading is right, nor any rule.

A tree of pairs is solved as one wire with the loop resistance of both: what flows out in one wire comes back in the
other.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import inf
from typing import NamedTuple

from rvsim.rig.harness import HarnessPlan, TapPlan

_OPEN_SIEMENS = 1e-9
"""Less, or such a share of one, is what a sum leaves of nothing."""


class Shunt(NamedTuple):
    """A resistance between H and L at a point: a terminator, or the receiver of a node."""

    point: int
    ohm: float
    device: str | None = None
    """The device that it is in; None for a terminator in a tap."""
    is_terminator: bool = False


@dataclass(frozen=True)
class PairNetwork:
    """The pair: its points by name, the cables between two of them, and what connects H and L at a point.

    ``cables`` has the point nearer to the first tap, the other one, and the loop resistance in ohms; they form a tree.
    """

    points: tuple[str, ...]
    cables: tuple[tuple[int, int, float], ...]
    shunts: tuple[Shunt, ...]

    @property
    def terminators(self) -> tuple[Shunt, ...]:
        """The terminators, from the first tap to the last."""
        return tuple(shunt for shunt in self.shunts if shunt.is_terminator)

    @cached_property
    def matrix(self) -> list[list[float]]:
        """The volts at each point for one ampere into each other; the diagonal is what a meter shows, in ohms.

        Everything is infinite where nothing connects H and L.
        """
        import numpy as np

        count = len(self.points)
        if not self.shunts:
            return [[inf] * count for _ in range(count)]
        owner = self._merged()
        place = np.searchsorted(sorted(set(owner)), owner)
        conductance = np.zeros((place.max() + 1, place.max() + 1))
        for first, second, ohm in self.cables:
            if ohm > 0:
                a, b = place[first], place[second]
                conductance[[a, b], [a, b]] += 1 / ohm
                conductance[[a, b], [b, a]] -= 1 / ohm
        for shunt in self.shunts:
            conductance[place[shunt.point], place[shunt.point]] += 1 / shunt.ohm
        solved: list[list[float]] = np.linalg.inv(conductance)[np.ix_(place, place)].tolist()
        return solved

    @cached_property
    def readings(self) -> list[float]:
        """What a meter shows at each point, in ohms."""
        return [row[number] for number, row in enumerate(self.matrix)]

    def without(self, terminator: Shunt) -> list[float]:
        """Return what a meter shows at each point without a terminator; one in a device is unplugged with its device.

        In ohms; as if a negative resistance were beside it.
        """
        at, device = terminator.point, terminator.device
        gone = sum(
            1 / one.ohm for one in self.shunts if one is terminator or (device is not None and one.device == device)
        )
        left = 1 - gone * self.readings[at]
        if left < _OPEN_SIEMENS:
            return [inf] * len(self.points)
        return [own + gone * self.matrix[point][at] ** 2 / left for point, own in enumerate(self.readings)]

    def shorted(self, fault: int, point: int) -> float:
        """Return what a meter shows at a point while H and L touch at another one, in ohms."""
        if point == fault:
            return 0.0
        return max(self.readings[point] - self.matrix[point][fault] ** 2 / self.readings[fault], 0.0)

    def opened(self) -> Iterator[tuple[int, int, float, float]]:
        """Yield for each cable its two points, and what a meter shows at each while the cable is open, in ohms."""
        behind = [0.0] * len(self.points)
        for shunt in self.shunts:
            behind[shunt.point] += 1 / shunt.ohm
        for near, far, ohm in reversed(self._outwards()):
            behind[near] += _in_series(behind[far], ohm)
        for near, far, ohm in self.cables:
            whole = 1 / self.readings[near] if self.readings[near] < inf else 0.0
            yield near, far, _ohm_of(whole - _in_series(behind[far], ohm)), _ohm_of(behind[far])

    def _outwards(self) -> list[tuple[int, int, float]]:
        """Return the cables, each after the one that its nearer point hangs on."""
        from_point: dict[int, list[tuple[int, int, float]]] = {}
        for cable in self.cables:
            from_point.setdefault(cable[0], []).append(cable)
        roots = set(from_point) - {far for _, far, _ in self.cables}
        found = [cable for root in sorted(roots) for cable in from_point[root]]
        for _, far, _ in found:  # grows as it is read
            found += from_point.get(far, ())
        return found

    def _merged(self) -> list[int]:
        """Return for each point the lowest one that it is connected to without any resistance."""
        owner = list(range(len(self.points)))
        for first, second, ohm in self.cables:
            low, high = sorted((owner[first], owner[second]))
            if ohm == 0 and low != high:
                owner = [low if one == high else one for one in owner]
        return owner


def _in_series(conductance: float, ohm: float) -> float:
    """Return the conductance of a resistance and what is behind it."""
    return conductance / (1 + conductance * ohm)


def _ohm_of(conductance: float) -> float:
    return 1 / conductance if conductance > _OPEN_SIEMENS else inf


def beside(first: float, second: float) -> float:
    """Return what a meter shows with one more resistance at a point, in ohms."""
    return second if first == inf else first * second / (first + second)


def pair_network(harness: HarnessPlan, taps: Sequence[TapPlan]) -> PairNetwork:
    """Return the pair of a rig; a length or a resistance that it does not give counts as none."""
    per_m = harness.loop_ohm_per_m or 0.0
    points = [f"tap {tap.name}" for tap in taps]
    place = {tap.name: number for number, tap in enumerate(taps)}
    trunk = [tap for tap in taps if tap.on is None]
    before = {tap.name: trunk[number - 1].name for number, tap in enumerate(trunk) if number}
    cables: list[tuple[int, int, float]] = []
    shunts: list[Shunt] = []
    for tap in taps:
        at = place[tap.name]
        above = tap.on or before.get(tap.name)
        if above is not None:
            cables.append((place[above], at, (tap.length_m or 0.0) * per_m))
        if tap.terminator:
            shunts.append(Shunt(at, harness.terminator_ohm, None, is_terminator=True))
        for drop in tap.drops:
            end = len(points)
            points.append(f"plug of {drop.device}")
            cables.append((at, end, (drop.length_m or 0.0) * per_m))
            shunts.append(Shunt(end, harness.node_ohm, drop.device))
            if drop.terminator:
                shunts.append(Shunt(end, harness.terminator_ohm, drop.device, is_terminator=True))
    return PairNetwork(tuple(points), tuple(cables), tuple(shunts))


def missing_figures(harness: HarnessPlan, taps: Sequence[TapPlan]) -> list[str]:
    """Return the keys that a rig leaves out of what the ohms depend on."""
    missing = [] if harness.loop_ohm_per_m is not None else ["loop_ohm_per_m of the harness"]
    first = next((tap.name for tap in taps if tap.on is None), None)
    missing += [f"length_m of tap {tap.name}" for tap in taps if tap.length_m is None and tap.name != first]
    missing += [f"length_m of the drop to {drop.device}" for tap in taps for drop in tap.drops if drop.length_m is None]
    return missing
