"""A level sensor in a water tank.

Knows: the level of its tank in a hundred steps, and TANK_STATUS, whose layout is from memory. Does not know who uses
the water. A hundred steps were chosen so that one step is one percent; whole litres are sent as well.
"""

from typing import Literal

from rvsim.devices.device import Device, DeviceContext, Settings
from rvsim.errors import InputError

LEVEL_STEPS = 100
"""The steps of a full tank: the level in TANK_STATUS is a number of steps of this resolution."""
TANK_INSTANCES = {"fresh": (0, 16), "black": (1, 17), "grey": (2, 18)}
"""The instances that TANK_STATUS has for each kind of water tank: the first tank, the second tank (from memory)."""


class TankSettings(Settings):
    """Which of the vehicle's tanks the sensor is in."""

    tank: Literal["fresh", "grey", "black"] = "fresh"
    """The tank that the sensor is in."""


class TankSensor(Device):
    """Sends TANK_STATUS for one tank."""

    kind = "tank"
    Settings = TankSettings
    settings: TankSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("tank")
        self._tank = self.settings.tank
        if self._instance not in TANK_INSTANCES[self._tank]:
            first, second = TANK_INSTANCES[self._tank]
            raise InputError(
                f'device "{self.name}": in TANK_STATUS, instance {self._instance} is not a {self._tank} water tank: '
                f'write tank = {first} (or {second} for a second one), or set another tank than "{self._tank}"'
            )

    def on_start(self) -> None:
        """Send the level at the gap."""
        self.broadcast("TANK_STATUS", self._build_status)

    def _build_status(self) -> bytes:
        spec = self.catalogue.by_name("TANK_STATUS")
        return spec.pack(
            instance=self._instance,
            relative_level=round(self.world.tank_percent(self._tank) * LEVEL_STEPS / 100),
            resolution=LEVEL_STEPS,
            absolute_level=round(self.world.tank_litres(self._tank)),
            tank_size=round(self.world.tank_size_litres(self._tank)),
        )
