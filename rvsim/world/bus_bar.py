"""A battery with everything that is connected to it: one balance of all currents, and a voltage for every owner.

Knows: loads in amperes and in watts, sources with their limits, the wires and fuses of branches between them and the
battery, and switches that disconnect the battery. Does not know why anything is on.

The balance is solved when it is read after a change, and once each second. A source holds its limit in volts at its own
terminals, the far end of its wire. Loads and sources in watts have the amperes of their present voltage, to a ten
thousandth; below 9 V a load keeps the current that it has there (common practice, no source: its own cut-off is the
device's). Sources that share one limit at one place carry in proportion to their limits in amperes. Behind an open
branch all is dark, also where a source is: without a battery it holds no voltage (common practice, no source).

Loads that an empty battery has dropped are taken back with a hysteresis, as by a low-voltage disconnect: once its
sources could carry them too, or have held the voltage without them for some minutes, or it can give again itself.
"""

from collections.abc import Callable, Iterator, Sequence
from math import fsum, isfinite
from typing import NamedTuple

from rvsim.rig.electric import BranchPlan
from rvsim.world.battery import Battery
from rvsim.world.fuse import Fuse
from rvsim.world.supply_curve import Curve, added, meet, source_curve

MIN_LOAD_VOLTS = 9.0
"""Below this voltage a load in watts has the current that it has here. Common practice, no source."""
_FIRST_VOLTS = 12.5
_SAME_SHARE = 1e-4
"""Amperes of a load in watts that differ by less than this share count as the same. Our choice."""
_SAME_VOLTS = 1e-9
"""Voltages that differ by less are the same but for rounding. Our choice."""
_MAX_ROUNDS = 30
_RESERVE = 1.1
"""Sources take dropped loads back when they can give so many times what all loads drew. Our choice."""
_RETRY_S, _MAX_RETRY_S = 300, 3600
"""Or when they have held the voltage for the first; each time that was too early, twice as long, up to the second.
Common practice, no source: delays of some minutes are usual."""


class _SourceLimits(NamedTuple):
    volts: float
    amps: float
    watts: float | None


class _Place:
    """The bus-bar itself, or the far end of a branch's wire."""

    def __init__(self, above: "_Place | None", ohm: float) -> None:
        self.above, self.ohm = above, ohm
        self.below: list[_Place] = []
        if above is not None:
            above.below.append(self)
        self.load_amps: list[float] = []
        self.limits: dict[float, dict[str, float]] = {}
        """Limits in amperes of its sources by their limit in volts and owner."""
        self.groups: list[tuple[float, float, dict[str, float]]] = []
        """The sources with one limit in volts: that limit, amperes together, and their limits."""
        self.drawn = 0.0
        """Amperes of its loads together."""
        self.own = self.near = Curve(0.0)
        """What is given here, and at the near end of the wire."""
        self.amps = 0.0
        """Amperes that flow through the wire towards the battery."""
        self.lost_watts = 0.0
        """What its wire and those below it lose, where no source is."""
        self.fuse: Fuse | None = None
        self.opened_by: set[str] = set()
        """Who keeps its wire disconnected, its fuse aside."""
        self.is_open = False
        """Whether its wire is disconnected, by its fuse or otherwise."""

    def darken(self) -> None:
        """Take all current away from here and from the places below."""
        self.drawn = self.amps = self.lost_watts = 0.0
        self.groups = []
        self.own = self.near = Curve(0.0)
        for place in self.below:
            place.darken()

    def build(self) -> float:
        """Compute the curves from loads, sources and the places below; return the watts lost below without sources."""
        if self.is_open:
            self.darken()
            return 0.0
        self.drawn = fsum(self.load_amps)
        self.groups = [(volts, fsum(limits.values()), limits) for volts, limits in self.limits.items()]
        watts = fsum([place.build() for place in self.below])
        sources = [source_curve(volts, together) for volts, together, _ in self.groups]
        parts = [Curve(-self.drawn), *sources, *(place.near for place in self.below)]
        self.own = added(parts)
        self.near = self.own.behind(self.ohm)
        self.amps = self.own.constant
        self.lost_watts = watts + self.ohm * self.amps * self.amps
        return self.lost_watts

    def volts(self, at_battery: float) -> float:
        """Return the voltage here by that of the bus-bar."""
        place: _Place | None = self
        volts = at_battery
        while place is not None:
            if place.is_open:
                return 0.0
            volts += place.ohm * place.amps
            place = place.above
        return volts if at_battery and volts > 0 else 0.0


class BusBar:
    """One battery and its bus-bar: ``volts``, ``amps`` (positive is out of the battery), ``percent``, ``celsius``.

    Volts and amps follow a new load or charger at once; charge and temperature move with `step`.
    """

    def __init__(
        self,
        battery: Battery,
        branches: Sequence[BranchPlan] = (),
        on_fuse: Callable[[str, bool], None] | None = None,
        on_collapse: Callable[[str, bool], None] | None = None,
    ) -> None:
        """Connect a battery to its branches.

        ``on_fuse`` is called with each branch whose fuse or breaker opened or closed, and whether it is open now;
        ``on_collapse`` with the name of the battery when it drops its loads, and when it takes them back.
        """
        self._battery = battery
        self._on_fuse, self._on_collapse = on_fuse, on_collapse
        self._had_collapsed = False
        self._fuses: list[tuple[str, _Place, Fuse]] = []
        self._has_new_flows = True
        """Whether a current in a wire may have changed since the fuses were looked at."""
        self._has_busy_fuse = False
        """Whether a fuse has to be looked at in the next second, whatever flows."""
        self._root = _Place(None, 0.0)
        self._places = {"": self._root}
        waiting = list(branches)
        while waiting:  # parents first, in whatever order the rig has them
            branch = waiting.pop(0)
            if branch.parent is not None and branch.parent not in self._places:
                waiting.append(branch)
                continue
            ohm = branch.wire.ohm if branch.wire is not None else 0.0
            place = self._places[branch.name] = _Place(self._places[branch.parent or ""], ohm)
            if branch.fuse_amps is not None:
                place.fuse = Fuse(branch.fuse_amps, branch.breaker)
                self._fuses.append((branch.name, place, place.fuse))
        self._place_of: dict[str, _Place] = {}
        self._amps_loads: dict[str, float] = {}
        self._watts_loads: dict[str, float] = {}
        self._watts_amps: dict[str, float] = {}
        """The amperes of loads in watts, and of sources with a limit in watts, at their present voltage."""
        self._limits: dict[str, _SourceLimits] = {}
        self._open_switches: set[str] = set()
        self._given: dict[str, float] = {}
        """The amperes of each source that is on."""
        self._volts = self._into = 0.0
        self._in_watts = self._wire_watts = self._out_watts = self._load_wire_watts = 0.0
        self._in_j = self._wires_j = self._out_j = 0.0
        self._is_built = self._has_new_sources = self._is_solved = False
        self._balances = 0
        self.has_collapsed = False
        """Whether the battery could not carry the loads, and could not now: it is empty or open, and its sources are
        too weak for the loads that were dropped. Without these it may have a voltage all the same."""
        self._dropped: dict[str, float] = {}
        """The amperes of each load when the loads were too much, as long as ``has_collapsed``."""
        self._held_s = 0
        """For so many seconds sources have held a voltage without the dropped loads."""
        self._retry_s = _RETRY_S

    # The battery.

    @property
    def name(self) -> str:
        """Its name."""
        return self._battery.name

    @property
    def capacity_ah(self) -> float:
        """Its rated capacity."""
        return self._battery.capacity_ah

    @property
    def chemistry(self) -> str:
        """Its chemistry, "agm" or "lfp"."""
        return self._battery.chemistry

    @property
    def max_charge_amps(self) -> float:
        """The highest current that it takes now, by its temperature and its protection; infinite where none limits."""
        return self._battery.max_amps

    @property
    def charge_efficiency(self) -> float:
        """The share of the charging current that it stores."""
        return self._battery.charge_efficiency

    @property
    def volts(self) -> float:
        """Voltage of the bus-bar; 0 where neither battery nor sources can carry the loads."""
        if not self._is_solved:
            self._solve()
        return self._volts

    @property
    def balance(self) -> int:
        """The number of the present balance: while it stays, no voltage and no current here has changed."""
        if not self._is_solved:
            self._solve()
        return self._balances

    @property
    def own_volts(self) -> float:
        """Voltage on the battery's own side of its switches and its protection; 0 V of an empty one count here too."""
        if self._battery.is_empty and self._battery.protection is None:
            return self.volts
        return max(self.volts, self._battery.source_volts)

    @property
    def amps(self) -> float:
        """Current of the battery: positive out of it."""
        if not self._is_solved:
            self._solve()
        return -self._into if self._into else 0.0

    @property
    def percent(self) -> float:
        """State of charge, 0 to 100."""
        return self._battery.percent

    @property
    def celsius(self) -> float:
        """Temperature of the battery, degrees Celsius."""
        return self._battery.celsius

    @property
    def is_empty(self) -> bool:
        """Whether the battery gives no current until it is charged, or warmer."""
        return self._battery.is_empty

    @property
    def usable_percent(self) -> float:
        """The share of the battery's capacity that can be taken out at its temperature, in percent."""
        return self._battery.usable_percent

    @property
    def is_open(self) -> bool:
        """Whether the battery's protection has stopped charge, discharge or both."""
        return self._battery.protection is not None and self._battery.protection.is_open

    @property
    def charge_is_open(self) -> bool:
        """Whether the battery's protection stops the charge."""
        return self._battery.protection is not None and self._battery.protection.charge_is_open

    @property
    def discharge_is_open(self) -> bool:
        """Whether the battery's protection stops the discharge."""
        return self._battery.protection is not None and self._battery.protection.discharge_is_open

    @property
    def has_protection(self) -> bool:
        """Whether the battery has electronics that can open its circuit."""
        return self._battery.protection is not None

    # Inputs.

    def place(self, owner: str, branch: str) -> None:
        """Put an owner at the far end of a branch of this battery; "" is the bus-bar, where it is otherwise too."""
        self._place_of[owner] = self._places[branch]
        self._change_sources()

    def set_load(self, owner: str, amps: float) -> None:
        """Set the current that ``owner`` draws from now on; 0 for none.

        Raises:
            ValueError: the current is negative or not a number.
        """
        if self._amps_loads.get(owner, 0.0) == amps:
            return
        if not (isfinite(amps) and amps >= 0):
            raise ValueError(f"{owner} draws {amps} A: give 0 or more")
        self._amps_loads[owner] = amps
        self._is_built = self._is_solved = False

    def set_load_watts(self, owner: str, watts: float) -> None:
        """Set the power that ``owner`` draws from now on, at its own terminals; 0 for none.

        Raises:
            ValueError: the power is negative or not a number.
        """
        if self._watts_loads.get(owner, 0.0) == watts:
            return
        if not (isfinite(watts) and watts >= 0):
            raise ValueError(f"{owner} draws {watts} W: give 0 or more")
        self._watts_loads[owner] = watts
        self._watts_amps[owner] = watts / _FIRST_VOLTS
        self._is_built = self._is_solved = False

    def set_charge(self, owner: str, volts_limit: float, amps_limit: float, watts_limit: float | None = None) -> None:
        """Let ``owner`` give up to this current, and power, while its voltage is below its limit; 0 A for none.

        Raises:
            ValueError: a limit is negative or not a number.
        """
        if self._limits.get(owner) == (volts_limit, amps_limit, watts_limit):
            return
        limits = _SourceLimits(volts_limit, amps_limit, watts_limit)
        if not all(isfinite(limit) and limit >= 0 for limit in limits if limit is not None):
            watts = "" if watts_limit is None else f" and {watts_limit} W"
            raise ValueError(
                f"{owner} charges with {amps_limit} A up to {volts_limit} V{watts}: give 0 or more of each"
            )
        self._limits[owner] = limits
        if watts_limit is not None:
            self._watts_amps.setdefault(f"{owner} source", watts_limit / _FIRST_VOLTS)
        self._change_sources()

    def set_disconnect(self, owner: str, *, is_open: bool) -> None:
        """Open the switch of ``owner`` between battery and bus-bar, or close it; one open switch is enough."""
        (self._open_switches.add if is_open else self._open_switches.discard)(owner)
        self._is_solved = False

    def open_branch(self, owner: str, branch: str) -> None:
        """Disconnect a branch from what feeds it; ``owner`` keeps it so."""
        place = self._places[branch]
        place.opened_by.add(owner)
        self._update_place(place)

    def close_branch(self, owner: str, branch: str) -> None:
        """Connect a branch again, unless its fuse or another owner keeps it disconnected."""
        place = self._places[branch]
        place.opened_by.discard(owner)
        self._update_place(place)

    def close_fuse(self, branch: str) -> None:
        """Put a new fuse into a branch, or close its breaker; nothing where it has neither."""
        place = self._places[branch]
        if place.fuse is not None:
            place.fuse.close()
            self._update_place(place)

    def is_branch_open(self, branch: str) -> bool:
        """Return whether a branch is disconnected from what feeds it."""
        return self._places[branch].is_open

    def is_cut_off(self, owner: str) -> bool:
        """Return whether a branch is open between the battery and ``owner``."""
        place = self._place_of.get(owner)
        while place is not None:
            if place.is_open:
                return True
            place = place.above
        return False

    def _update_place(self, place: _Place) -> None:
        place.is_open = bool(place.opened_by) or (place.fuse is not None and place.fuse.is_open)
        self._change_sources()

    def remove(self, owner: str) -> None:
        """Remove the loads and sources of ``owner``, and close its switch."""
        for loads in (self._amps_loads, self._watts_loads):
            if loads.pop(owner, None) is not None:
                self._is_built = self._is_solved = False
        if self._limits.pop(owner, None) is not None:
            self._change_sources()
        for key in (owner, f"{owner} source"):
            self._watts_amps.pop(key, None)
        if owner in self._open_switches:
            self.set_disconnect(owner, is_open=False)

    # Results.

    def charge_amps(self, owner: str) -> float:
        """Return the present current of the source of ``owner``; 0 for one that gives none."""
        if not self._is_solved:
            self._solve()
        return self._given.get(owner, 0.0)

    def volts_at(self, owner: str) -> float:
        """Return the voltage at the far end of the wire of ``owner``."""
        if not self._is_solved:
            self._solve()
        place, volts = self._place_of.get(owner), self._volts
        return volts if place is None else place.volts(volts)

    def lowest_volts(self) -> float:
        """Return the lowest voltage of the bus-bar and of the far ends of all wires."""
        if not self._is_solved:
            self._solve()
        volts = self._volts
        if len(self._places) == 1 or volts <= 0:
            return volts
        return self._lowest_below(self._root, volts, volts)

    def _lowest_below(self, place: _Place, volts: float, lowest: float) -> float:
        """Return the lowest voltage of a place that has ``volts``, of those below it, and of ``lowest``."""
        for below in place.below:
            there = 0.0 if below.is_open else volts + below.ohm * below.amps
            lowest = min(lowest, there)
            if below.below:
                lowest = self._lowest_below(below, there, lowest)
        return max(lowest, 0.0)

    def power(self) -> tuple[dict[str, float], dict[str, float], float]:
        """Return the watts that each source gives and each load takes at its terminals, and what the wires lose.

        Given less taken less lost is what flows into the battery; of one that is disconnected nothing does.
        """
        if not self._is_solved:
            self._solve()
        given = {owner: amps * self.volts_at(owner) for owner, amps in self._given.items()}
        taken = {owner: amps * self.volts_at(owner) for owner, amps in self._amps_loads.items()}
        for owner in self._watts_loads:
            taken[owner] = taken.get(owner, 0.0) + self._watts_amps[owner] * self.volts_at(owner)
        return given, taken, self._wire_watts

    def account(self) -> tuple[float, float, float, float]:
        """Return the joules given by sources, lost in wires and battery, drawn by loads, and stored."""
        return self._in_j, self._wires_j + self._battery.lost_j, self._out_j, self._battery.stored_j

    def step(self, air_c: float) -> None:
        """Advance by one second with the present currents, in air of ``air_c`` degrees Celsius."""
        if not self._is_solved:
            self._solve()
        if self.has_collapsed is not self._had_collapsed:
            self._had_collapsed = self.has_collapsed
            if self._on_collapse is not None:
                self._on_collapse(self.name, self.has_collapsed)
        self._in_j += self._in_watts
        self._wires_j += self._wire_watts
        self._out_j += self._out_watts
        battery = self._battery
        battery.step(battery.source_volts if self._open_switches else self._volts, self._into, air_c)
        self._is_solved = False
        if self.has_collapsed:
            self._held_s += 1
        if self._fuses and (self._has_new_flows or self._has_busy_fuse):
            self._step_fuses()

    def _step_fuses(self) -> None:
        """Let each fuse carry its current for one second; one at rest below its rating is not asked."""
        self._has_new_flows = self._has_busy_fuse = False
        carries = bool(self._volts or self._into)
        for name, place, fuse in self._fuses:
            amps = place.amps if place.amps >= 0 else -place.amps
            if amps <= fuse.amps and fuse.is_at_rest:
                continue
            has_moved = fuse.step(amps if carries else 0.0)
            self._has_busy_fuse |= amps > fuse.amps or not fuse.is_at_rest
            if has_moved:
                self._update_place(place)
                if self._on_fuse is not None:
                    self._on_fuse(name, fuse.is_open)

    # The balance.

    def _change_sources(self) -> None:
        self._is_built = self._is_solved = False
        self._has_new_sources = True

    def _solve(self) -> None:
        """Find the voltage at which all currents balance, and each owner's share."""
        self._is_solved = True
        self._balances += 1
        battery = self._battery
        for _ in range(_MAX_ROUNDS):
            if not self._is_built:
                self._build()
            curve = self._root.own
            if curve.points and len(self._places) == len(self._root.groups) == 1 and not self._open_switches:
                self._share_with_one_group(battery)
            elif curve.points:
                volts, into = meet(curve, battery, is_connected=not self._open_switches)
                self._volts, self._into = volts, into
                self._share(volts, into)
            else:
                self._carry(curve.constant, battery)
            if not self._watts_amps or not self._follow_volts():
                break
        if self.has_collapsed or self._held_s or battery.min_amps == 0:
            self._follow_collapse(battery)

    def _follow_collapse(self, battery: Battery) -> None:
        """Find whether loads have brought a battery that gives nothing to 0 V, and may not come back yet."""
        if battery.min_amps < 0:
            self.has_collapsed, self._held_s, self._retry_s = False, 0, _RETRY_S
        elif self._volts <= 0:
            if self._held_s >= self._retry_s:
                self._retry_s = min(2 * self._retry_s, _MAX_RETRY_S)
            self.has_collapsed, self._held_s = True, 0
            self._dropped.update(self._drawn_amps())
        elif self.has_collapsed:
            given = fsum([together for _, together, _ in self._groups()])
            is_enough = given >= _RESERVE * fsum((self._dropped | self._drawn_amps()).values())
            self._held_s = self._held_s if given else 0
            self.has_collapsed = not given or not (is_enough or self._held_s >= self._retry_s)
        if not self.has_collapsed:
            self._dropped.clear()

    def _drawn_amps(self) -> dict[str, float]:
        """Return the present amperes of each load."""
        watts_loads = {owner: self._watts_amps[owner] for owner in self._watts_loads}
        return {
            owner: self._amps_loads.get(owner, 0.0) + watts_loads.get(owner, 0.0)
            for owner in self._amps_loads | watts_loads
        }

    def _carry(self, into: float, battery: Battery) -> None:
        """Let the battery carry the loads alone."""
        volts = battery.source_volts + into * battery.discharge_ohm
        self._in_watts = 0.0
        if self._open_switches or into < battery.min_amps or volts < 0:
            self._wire_watts = self._out_watts = 0.0
            self._volts, self._into = 0.0, into if volts < 0 and not self._open_switches else 0.0
            return
        self._volts, self._into = volts, into
        self._wire_watts = self._load_wire_watts
        self._out_watts = -volts * into - self._wire_watts

    def _share_with_one_group(self, battery: Battery) -> None:
        """Do what `meet` and ``_share`` do, for the usual case: no wires, and sources with one limit in volts."""
        ((_, together, limits),), drawn = self._root.groups, self._root.drawn
        ((limit, _), _), source = self._root.own.points, battery.source_volts
        into, given = together - drawn, together
        if into < battery.min_amps:
            self._volts, self._into = 0.0, 0.0
        else:
            volts = source + into * (battery.charge_ohm if into > 0 else battery.discharge_ohm)
            if volts > limit or into > battery.max_amps:
                volts = limit
                if limit > source:
                    into = min((limit - source) / battery.charge_ohm, battery.max_amps, into)
                else:
                    into = max((limit - source) / battery.discharge_ohm, battery.min_amps)
                    if into < -drawn:
                        into = -drawn
                        volts = source + into * battery.discharge_ohm
                given = into + drawn
            self._volts, self._into = volts, into
        for owner, most in limits.items():
            self._given[owner] = given * (most / together)
        self._in_watts, self._out_watts, self._wire_watts = self._volts * given, self._volts * drawn, 0.0

    def _share(self, volts: float, into: float) -> None:
        """Compute what each source gives and what the wires lose."""
        self._in_watts = self._wire_watts = self._out_watts = 0.0
        self._has_new_flows = True
        self._given.clear()
        if volts <= 0:
            for _, _, limits in self._groups():
                self._given.update(limits)  # the loads take all of it
        else:
            self._share_at(self._root, volts, into)

    def _groups(self) -> Iterator[tuple[float, float, dict[str, float]]]:
        for place in self._places.values():
            yield from place.groups

    def _share_at(self, place: _Place, volts: float, amps: float) -> None:
        """Compute what the sources at a place and below it give; ``amps`` flow from it towards the battery."""
        own = place.own
        for at, _ in own.points:
            if abs(at - volts) < _SAME_VOLTS:
                volts = at
        spans = []
        low, free = -place.drawn, 0.0
        for limit_volts, together, _ in place.groups:
            most, least = together if volts <= limit_volts else 0.0, together if volts < limit_volts else 0.0
            spans.append((most, least))
            low += least
            free += most - least
        below_spans = []
        for below in place.below:
            if below.near.points:
                span = most, least = below.near.span(volts)
                below_spans.append((below, span))
                low += least
                free += most - least
            else:  # no source there: what it draws is known, and what its wires lose
                low += below.near.constant
                self._wire_watts += below.lost_watts
                self._out_watts -= volts * below.near.constant + below.lost_watts
        share = min(max((amps - low) / free, 0.0), 1.0) if free > 0 else 0.0
        self._out_watts += volts * place.drawn
        for (_, together, limits), (most, least) in zip(place.groups, spans, strict=True):
            given = least + share * (most - least)
            self._in_watts += volts * given
            for owner, limit in limits.items():
                self._given[owner] = given * (limit / together)
        for below, (most, least) in below_spans:
            flow = below.amps = least + share * (most - least)
            self._wire_watts += below.ohm * flow * flow
            self._share_at(below, volts + below.ohm * flow, flow)

    def _build(self) -> None:
        """Compute the curves from all loads and sources."""
        self._is_built = True
        root = self._root
        if len(self._places) == 1 and not self._has_new_sources:
            root.drawn = fsum(self._amps_loads.values()) + fsum([self._watts_amps[o] for o in self._watts_loads])
            root.own = Curve(-root.drawn, root.own.points)
            return
        self._has_new_sources = False
        self._has_new_flows = True
        for place in self._places.values():
            place.load_amps.clear()
            place.limits.clear()
        place_of = self._place_of.get
        for owner, amps in self._amps_loads.items():
            place_of(owner, root).load_amps.append(amps)
        for owner in self._watts_loads:
            place_of(owner, root).load_amps.append(self._watts_amps[owner])
        for owner, limits in self._limits.items():
            amps = limits.amps if limits.watts is None else min(limits.amps, self._watts_amps[f"{owner} source"])
            if amps:
                place_of(owner, root).limits.setdefault(limits.volts, {})[owner] = amps
        self._given.clear()
        self._load_wire_watts = root.build()

    def _follow_volts(self) -> bool:
        """Compute the amperes of what is given in watts anew; return whether any has changed."""
        changed = False
        for owner, watts in self._watts_loads.items():
            changed |= self._set_watts_amps(owner, owner, watts)
        for owner, limits in self._limits.items():
            if limits.watts is not None and self._set_watts_amps(f"{owner} source", owner, limits.watts):
                changed = self._has_new_sources = True
        if changed:
            self._is_built = False
        return changed

    def _set_watts_amps(self, key: str, owner: str, watts: float) -> bool:
        amps = watts / max(self._place_of.get(owner, self._root).volts(self._volts), MIN_LOAD_VOLTS)
        if abs(amps - self._watts_amps[key]) <= _SAME_SHARE * amps:
            return False
        self._watts_amps[key] = amps
        return True
