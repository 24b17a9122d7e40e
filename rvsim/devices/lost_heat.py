"""What a device loses, as heat in the zone where it stands.

Knows: the zone that the device's settings name, and that small changes are not worth a new heat balance. Does not know
why the device loses anything.
"""

from rvsim.devices.device import Device
from rvsim.errors import InputError
from rvsim.rig.climate import unknown_zone

MIN_CHANGE_W = 5.0
"""A smaller change of the losses is not set, unless they end. Our choice."""


class LostHeat:
    """The losses of one device; ``set`` them as often as they are known."""

    def __init__(self, device: Device, zone: str) -> None:
        """Take the zone of the device's settings.

        Raises:
            InputError: the vehicle has no such zone.
        """
        known = device.world.zone_names
        if zone not in known:
            raise InputError(f'device "{device.name}", zone: {unknown_zone(zone, known)}')
        self._world, self._owner, self._zone = device.world, device.name, zone
        self._watts = 0.0

    @property
    def air_c(self) -> float:
        """The temperature of the air around the device."""
        return self._world.air_celsius(self._zone)

    def set(self, watts: float) -> None:
        """Set the losses for the second that begins; below 0 counts as 0."""
        watts = max(0.0, watts)
        if abs(watts - self._watts) >= MIN_CHANGE_W or (self._watts and not watts):
            self._watts = watts
            self._world.set_heat(self._owner, watts, self._zone)
