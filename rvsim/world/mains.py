"""The alternating current of a vehicle: one source at a time feeds all loads.

Knows: sources with a limit and a rank, loads in watts, and how loads share what the source can give. Does not know why
a source is there, how long a device takes to change over, nor the battery that an inverter takes its power from: the
device sets that load, with what it gives here.

At a power factor of 1. A source that is asked for more than its limit gives its limit, and each load the same share of
what it wants: the sag of an overloaded supply. Breakers do not trip.
"""

from math import fsum, isfinite

SHORE = "shore"
"""The owner of the source that is the camp site's socket."""
SHORE_RANK = 10
"""The rank of shore power: a generator may have a lower or a higher one, an inverter from the battery a lower one."""
BATTERY_RANK = 1
"""The rank of an inverter that feeds the mains from a battery: chargers do not run on such a source."""


class Mains:
    """Sources and loads by their owners."""

    def __init__(self) -> None:
        self._sources: dict[str, tuple[int, float]] = {}
        self._held: str | None = None
        """The source that keeps its loads whatever its rank is."""
        self._loads: dict[str, float] = {}
        self._in_use: str | None = None
        """The source in use, found anew when a source changes."""
        self._wanted = 0.0
        """What all loads want together."""

    def set_source(self, owner: str, watts: float, rank: int, *, is_held: bool = False) -> None:
        """Let ``owner`` be able to give up to ``watts``; 0 for none. The source of the highest rank is in use.

        ``is_held``: it keeps its loads although another has a higher rank.

        Raises:
            ValueError: the power is negative or not a number.
        """
        _check(owner, "gives", watts)
        if is_held == (self._held == owner) and self._sources.get(owner, (rank, 0.0)) == (rank, watts):
            return
        if watts:
            self._sources[owner] = rank, watts
        else:
            self._sources.pop(owner, None)
        if is_held and watts:
            self._held = owner
        elif self._held == owner:
            self._held = None
        self._find_source()

    def set_load(self, owner: str, watts: float) -> None:
        """Set the power that ``owner`` wants; 0 for none.

        Raises:
            ValueError: the power is negative or not a number.
        """
        _check(owner, "draws", watts)
        if self._loads.get(owner) != watts:
            self._loads[owner] = watts
            self._wanted = fsum(self._loads.values())

    def source(self) -> str | None:
        """Return the owner of the source in use, None where there is none; of one rank the first by name."""
        return self._in_use

    def _find_source(self) -> None:
        sources = self._sources
        first = min(sources, key=lambda owner: (-sources[owner][0], owner), default=None)
        self._in_use = first if self._held is None else self._held

    def rank(self, besides: str | None = None) -> int:
        """Return the rank of the source in use, 0 where there is none; with ``besides`` the highest rank of another."""
        if besides is None:
            return 0 if self._in_use is None else self._sources[self._in_use][0]
        return max((rank for owner, (rank, _) in self._sources.items() if owner != besides), default=0)

    def wanted_watts(self) -> float:
        """Return what all loads want together."""
        return self._wanted

    def share(self) -> float:
        """Return the share of what they want that loads get, 0 to 1; 0 without a source."""
        source, wanted = self._in_use, self._wanted
        if source is None:
            return 0.0
        limit = self._sources[source][1]
        return 1.0 if wanted <= limit else limit / wanted

    def watts(self, owner: str) -> float:
        """Return what a source gives now, and what a load gets; that of a source where ``owner`` is both."""
        source, wanted = self._in_use, self._wanted
        if source is None:
            return 0.0
        limit = self._sources[source][1]
        if owner in self._sources:
            return min(limit, wanted) if owner == source else 0.0
        return self.share() * self._loads.get(owner, 0.0)

    def limit_watts(self) -> float:
        """Return what the source in use can give; 0 without one."""
        source = self.source()
        return 0.0 if source is None else self._sources[source][1]

    def load_watts(self) -> dict[str, float]:
        """Return what each load gets now."""
        share = self.share()
        return {owner: share * watts for owner, watts in self._loads.items()}

    def remove(self, owner: str) -> None:
        """Remove the sources and loads of ``owner``."""
        if self._held == owner:
            self._held = None
        self._sources.pop(owner, None)
        self._find_source()
        if self._loads.pop(owner, None) is not None:
            self._wanted = fsum(self._loads.values())


def _check(owner: str, verb: str, watts: float) -> None:
    if not (isfinite(watts) and watts >= 0):
        raise ValueError(f"{owner} {verb} {watts} W: give 0 or more")


def inverter_efficiency(share: float, nominal: float = 0.95) -> float:
    """Return the efficiency of an inverter by its input's share of its rating, from 0 (none) on.

    The part-load curve of the PVWatts model, as in an open library of solar models; 0 where it gives nothing.
    """
    if share <= 0:
        return 0.0
    return max(0.0, nominal / 0.9637 * (-0.0162 * share - 0.0059 / share + 0.9858))
