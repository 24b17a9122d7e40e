"""Devices whose supply is too low to run: they stop, and start anew when it is back.

Knows: below which voltage at its own terminals a device stops, and how soon after the voltage is back it starts. Does
not know why the voltage is low, nor the cut-off at which a device still runs and protects itself: that is its own.

A battery that the loads have emptied has a voltage again once they are off: that starts nothing, since the first load
would take it away. The voltage is looked at once in each second; a dip that is over by then is not noticed.
"""

from collections.abc import Callable, Mapping

from rvsim.devices.device import Device
from rvsim.wire.frame import SECOND_US
from rvsim.world.world import World

START_DELAY_US = 3 * SECOND_US
"""How long the voltage must be back before a device starts. Common practice, no source: supervisor and boot."""


class LowSupply:
    """Switches devices of a bench off and on by the voltage at their terminals.

    Args:
        world: the physics.
        devices: the devices by name, as they are at the moment; one that starts anew is a new object.
        switch_off: takes a device's power.
        switch_on: gives it back.
        plan: plans an action for a time in microseconds.
    """

    def __init__(
        self,
        world: World,
        devices: Mapping[str, Device],
        switch_off: Callable[[str], None],
        switch_on: Callable[[str], None],
        plan: Callable[[int, Callable[[], None]], None],
    ) -> None:
        self._world, self._devices = world, devices
        self._switch_off, self._switch_on, self._plan = switch_off, switch_on, plan
        self._back_since: dict[str, int | None] = {}
        """The devices that were switched off here, each with the time since which its voltage is back."""
        self._is_planned = False

    def follow(self, now: int) -> None:
        """Plan a look at every device if any bus-bar is low; costs next to nothing where none is."""
        if not self._is_planned and self._world.lowest_volts() < Device.min_supply_volts:
            self._is_planned = True
            self._plan(now, lambda: self._look(now))

    def _look(self, now: int) -> None:
        """Switch devices off and on, and look again in a second while one is off."""
        self._is_planned = False
        for name, device in tuple(self._devices.items()):
            is_powered = device.is_powered() and self._is_fed(device)
            if name in self._back_since:
                self._follow_back(name, now, is_powered=is_powered)
            elif not is_powered:
                self._back_since[name] = None
                self._switch_off(name)
        if self._back_since:
            self._is_planned = True
            self._plan(now + SECOND_US, lambda: self._advance(now + SECOND_US))

    def _is_fed(self, device: Device) -> bool:
        """Return whether the branch of a device that knows no physics has voltage; without a branch it is fed."""
        if device.uses_world or device.plan.branch is None:
            return True
        world, name = self._world, device.name
        return world.volts_at(name) >= device.min_supply_volts and not world.has_collapsed(name)

    def _advance(self, now: int) -> None:
        self._world.advance(now)
        self._look(now)

    def _follow_back(self, name: str, now: int, *, is_powered: bool) -> None:
        since = self._back_since[name]
        if not is_powered:
            self._back_since[name] = None
        elif since is None:
            self._back_since[name] = now
        elif now - since >= START_DELAY_US:
            del self._back_since[name]
            self._switch_on(name)
