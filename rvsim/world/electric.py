"""The electrical side of a vehicle: batteries, each with its bus-bar, and the mains.

Knows: which battery and which branch each device is on, which branches are open, and that every contribution belongs to
its owner. Does not know any device, nor the air around a battery: that is handed in each second.
"""

from collections.abc import Callable, Iterator
from math import fsum, sqrt
from typing import NamedTuple

from rvsim.rig.climate import FIRST_ZONE
from rvsim.rig.electric import OUTDOORS, battery_by_branch, dc_sources
from rvsim.rig.vehicle import VehiclePlan
from rvsim.world.battery import Battery
from rvsim.world.bus_bar import BusBar
from rvsim.world.flows import Flows, Stock, split
from rvsim.world.mains import SHORE, SHORE_RANK, Mains


class ElectricAccount(NamedTuple):
    """Energy in joules since the start of the run: ``in_j - lost_j - out_j`` is the growth of ``stored_j``."""

    in_j: float
    """From all chargers and other sources, at their own terminals."""
    lost_j: float
    """In wires and batteries."""
    out_j: float
    """Into all loads, at their own terminals."""
    stored_j: float
    """In all batteries, counted from empty."""


class ElectricSystem:
    """All batteries and the mains. ``battery=""`` is the battery of the owner's branch, without a branch the house."""

    def __init__(self, plan: VehiclePlan) -> None:
        self._house = plan.battery.name
        by_branch = battery_by_branch(plan.batteries, plan.branches)
        self.on_fuse: Callable[[int, str, bool], None] | None = None
        """Called when a fuse or breaker opened or closed by itself: the second, its branch, whether it is open now."""
        self.on_collapse: Callable[[int, str, bool], None] | None = None
        """Called when a battery drops its loads, or takes them back: the second, its name, whether it drops them."""
        self._stepped_second = 0
        self._batteries = {
            each.name: BusBar(
                Battery(each),
                [branch for branch in plan.branches if by_branch[branch.name] == each.name],
                self._after_fuse,
                self._after_collapse,
            )
            for each in plan.batteries
        }
        self._bar_by_branch = {branch: self._batteries[battery] for branch, battery in by_branch.items()}
        self._battery_zones = [(self._batteries[each.name], each.zone or FIRST_ZONE) for each in plan.batteries]
        self._house_bar = self._batteries[self._house]
        self._bar_of = {device: self._batteries[name] for device, name in plan.battery_by_device.items()}
        self._bar_of |= {device: self._bar_by_branch[name] for device, name in plan.branch_by_device.items()}
        self._sources = dc_sources(plan.batteries)
        self._given_sources = {each.name: each.dc_source for each in plan.batteries if each.dc_source is not None}
        for device, branch in plan.branch_by_device.items():
            self._bar_by_branch[branch].place(device, branch)
        self._shore_watts = plan.shore.amps * plan.shore.volts
        self._nominal_mains_volts = plan.shore.volts
        self._mains = Mains()
        self.has_ground_offsets = False
        """Whether the ground of any owner was ever off."""
        self._ground_offsets: dict[str, list[float]] = {}

    # Batteries.

    def battery(self, name: str = "") -> BusBar:
        """Return a battery by its name, by default the house battery; KeyError for one that is not there."""
        return self._batteries[name or self._house]

    @property
    def battery_names(self) -> list[str]:
        """The names of all batteries."""
        return list(self._batteries)

    def dc_source(self, battery: str) -> int | None:
        """Return the DC source instance of a battery; None where the rig leaves it open."""
        return self._sources.get(battery)

    def battery_with_source(self, source: int) -> str | None:
        """Return the battery to which the rig gives this DC source instance; None where it gives it to none."""
        return next((name for name, given in self._given_sources.items() if given == source), None)

    def battery_of(self, owner: str) -> BusBar:
        """Return the battery that ``owner`` is on."""
        return self._bar_of.get(owner, self._house_bar)

    @property
    def battery_volts(self) -> float:
        """Voltage at the house battery's terminals; 0 when it is empty and no charger supplies the loads."""
        return self._house_bar.volts

    @property
    def battery_amps(self) -> float:
        """Current of the house battery: positive out of it, negative into it."""
        return self._house_bar.amps

    @property
    def battery_percent(self) -> float:
        """State of charge of the house battery, 0 to 100."""
        return self._house_bar.percent

    @property
    def battery_c(self) -> float:
        """Temperature of the house battery, degrees Celsius."""
        return self._house_bar.celsius

    def volts_at(self, owner: str) -> float:
        """Return the voltage that ``owner`` measures at its terminals, at the far end of its wire."""
        volts = self._bar_of.get(owner, self._house_bar).volts_at(owner)
        return volts + self.ground_offset(owner) if self.has_ground_offsets else volts

    def has_collapsed(self, owner: str) -> bool:
        """Return whether loads have brought the battery of ``owner`` to 0 V, and it is still empty or open."""
        return self._bar_of.get(owner, self._house_bar).has_collapsed

    def ground_offset(self, owner: str) -> float:
        """Return by how much every voltage that ``owner`` measures is off."""
        return fsum(self._ground_offsets.get(owner, ()))

    def add_ground_offset(self, owner: str, volts: float) -> None:
        """Let the ground of ``owner`` be off; several add up, and the owner's loss of power changes none."""
        self.has_ground_offsets = True
        self._ground_offsets.setdefault(owner, []).append(volts)

    def remove_ground_offset(self, owner: str, volts: float) -> None:
        """Take one of these away; ValueError where there is none of so many volts."""
        self._ground_offsets[owner].remove(volts)

    def lowest_volts(self) -> float:
        """Return the lowest voltage of any bus-bar, and of any branch's far end."""
        return min([each.lowest_volts() for each in self._batteries.values()])

    def charge_amps(self, owner: str) -> float:
        """Return the present current of the source of ``owner``, of all its batteries; 0 for one that gives none."""
        if len(self._batteries) == 1:
            return self._house_bar.charge_amps(owner)
        return fsum([each.charge_amps(owner) for each in self._batteries.values()])

    def set_load(self, owner: str, amps: float, battery: str = "") -> None:
        """Set the current that ``owner`` draws from now on; 0 for none; ValueError below."""
        self._bus(owner, battery).set_load(owner, amps)

    def set_load_watts(self, owner: str, watts: float, battery: str = "") -> None:
        """Set the power that ``owner`` draws from now on, whatever the voltage; 0 for none; ValueError below."""
        self._bus(owner, battery).set_load_watts(owner, watts)

    def set_charge(
        self, owner: str, volts_limit: float, amps_limit: float, battery: str = "", watts_limit: float | None = None
    ) -> None:
        """Let ``owner`` charge with up to ``amps_limit`` while its voltage is below ``volts_limit``; 0 A for none.

        With ``watts_limit`` the power is limited too, as that of a solar panel. The current that flows depends on the
        battery: read it with `charge_amps`.
        """
        self._bus(owner, battery).set_charge(owner, volts_limit, amps_limit, watts_limit)

    def set_disconnect(self, owner: str, *, open: bool, battery: str = "") -> None:
        """Open the switch of ``owner`` between a battery and its bus-bar, or close it; one open switch is enough."""
        self._bus(owner, battery).set_disconnect(owner, is_open=open)

    # Branches.

    def place(self, owner: str, branch: str | None) -> None:
        """Put an owner that is no device at the far end of a branch, or on no branch; KeyError for an unknown one.

        What it drew before is to be ended first.
        """
        for each in self._batteries.values():
            each.place(owner, "")
        self._bar_of.pop(owner, None)
        if branch is not None:
            bar = self._bar_of[owner] = self._bar_by_branch[branch]
            bar.place(owner, branch)

    def open_branch(self, owner: str, branch: str) -> None:
        """Disconnect a branch from what feeds it until ``owner`` closes it; several may have opened it."""
        self._bar_by_branch[branch].open_branch(owner, branch)

    def close_branch(self, owner: str, branch: str) -> None:
        """Connect a branch again for ``owner``; its fuse, or another owner, may still keep it open."""
        self._bar_by_branch[branch].close_branch(owner, branch)

    def close_fuse(self, branch: str) -> None:
        """Put a new fuse into a branch, or close its breaker; nothing where it has neither."""
        self._bar_by_branch[branch].close_fuse(branch)

    def is_branch_open(self, branch: str) -> bool:
        """Return whether a branch is disconnected from what feeds it."""
        return self._bar_by_branch[branch].is_branch_open(branch)

    def _after_fuse(self, branch: str, is_open: bool) -> None:  # noqa: FBT001 - the form of a callback
        if self.on_fuse is not None:
            self.on_fuse(self._stepped_second, branch, is_open)

    def _after_collapse(self, battery: str, has_collapsed: bool) -> None:  # noqa: FBT001 - the form of a callback
        if self.on_collapse is not None:
            self.on_collapse(self._stepped_second, battery, has_collapsed)

    def _bus(self, owner: str, battery: str) -> BusBar:
        return self._batteries[battery] if battery else self._bar_of.get(owner, self._house_bar)

    # Mains.

    def set_shore(self, *, connected: bool) -> None:
        """Connect the vehicle to the camp site's socket, or disconnect it."""
        self._mains.set_source(SHORE, self._shore_watts if connected else 0.0, SHORE_RANK)

    def set_mains_source(self, owner: str, watts: float, rank: int, *, is_held: bool = False) -> None:
        """Let ``owner`` give up to ``watts`` of alternating current; the highest rank is in use (shore has 10).

        A source that ``is_held`` keeps its loads although another has a higher rank.
        """
        self._mains.set_source(owner, watts, rank, is_held=is_held)

    def set_mains_load(self, owner: str, watts: float) -> None:
        """Set the alternating current's power that ``owner`` wants; 0 for none; ValueError below."""
        self._mains.set_load(owner, watts)

    def mains_source(self) -> str | None:
        """Return the owner of the source in use, "shore" for the socket, None where there is none."""
        return self._mains.source()

    def mains_rank(self, besides: str | None = None) -> int:
        """Return the rank of the source in use, 0 where there is none; with ``besides`` the highest rank of another."""
        return self._mains.rank(besides)

    def mains_wanted_watts(self) -> float:
        """Return what all mains loads want together, whatever they get."""
        return self._mains.wanted_watts()

    @property
    def nominal_mains_volts(self) -> float:
        """The voltage of the mains of this vehicle without load: that of its socket."""
        return self._nominal_mains_volts

    @property
    def mains_volts(self) -> float:
        """Voltage of the alternating current: that of the rig's shore power, whatever the source, 0 without one.

        A source that is asked for more than its limit sags: with resistance alone the voltage falls with the square
        root of the power that it gives.
        """
        return self._nominal_mains_volts * sqrt(self._mains.share())

    def mains_watts(self, owner: str) -> float:
        """Return what ``owner`` gives as a source, or gets as a load: less than it wants of a small source."""
        return self._mains.watts(owner)

    # Time and account.

    def electric_account(self) -> ElectricAccount:
        """Return the sums of energy since the start of the run, over all batteries."""
        return ElectricAccount(*map(fsum, zip(*(each.account() for each in self._batteries.values()), strict=True)))

    def electric_flows(self) -> Iterator[Flows]:
        """Yield the power of each battery by its sources and loads at their terminals, and that of the mains."""
        for name, bar in self._batteries.items():
            given, taken, in_wires = bar.power()
            parts = [*given.items(), *((who, -watts) for who, watts in taken.items()), ("wires", -in_wires)]
            stock = Stock("charge", bar.percent, "%", 0.0, 100.0)
            yield Flows(f"power of the {name} battery", "W", "battery", *split(parts), stock)
        mains, source = self._mains, self._mains.source()
        taken = {who: watts for who, watts in mains.load_watts().items() if watts}
        if source is None:
            yield Flows("power of the mains", "W", "", {}, {})
            return
        limit = mains.limit_watts() / self._nominal_mains_volts
        amps = fsum(taken.values()) / self.mains_volts if self.mains_volts else 0.0
        stock = Stock(f"amps of {source}", amps, "A", 0.0, limit)
        yield Flows("power of the mains", "W", "", {source: mains.watts(source)}, taken, stock)

    def step_electric(self, outdoor_c: float, air_celsius: Callable[[str], float], second: int = 0) -> None:
        """Advance by one second with the present inputs; ``air_celsius`` returns the temperature of the air in a zone.

        ``second`` is the second of the run that ends with it.
        """
        self._stepped_second = second
        for battery, zone in self._battery_zones:
            battery.step(outdoor_c if zone == OUTDOORS else air_celsius(zone))

    def remove_electric(self, owner: str) -> None:
        """Set every contribution of ``owner`` to batteries and mains to zero."""
        for battery in self._batteries.values():
            battery.remove(owner)
        self._mains.remove(owner)
