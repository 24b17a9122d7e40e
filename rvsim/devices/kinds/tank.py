"""A level sensor in a water tank.

Knows: how full its tank is, in a hundred steps, and TANK_STATUS, whose layout is from memory. Does not know who uses
the water. A hundred steps were chosen so that one step is one percent; whole litres come beside them.
"""

from typing import Literal

from rvsim.devices.device import Device, Role, Settings
from rvsim.errors import InputError

STEPS = 100
"""How many steps a full tank has: TANK_STATUS's level is steps of this resolution."""
INSTANCES = {"fresh": (0, 16), "black": (1, 17), "grey": (2, 18)}
"""The instances that TANK_STATUS gives each kind of water tank, the second tank's last (from memory)."""


class TankSettings(Settings):
    """Which of the vehicle's tanks the sensor is in."""

    tank: Literal["fresh", "grey", "black"] = "fresh"


class TankSensor(Device):
    """Sends TANK_STATUS for one tank."""

    kind = "tank"
    Settings = TankSettings

    def __init__(self, role: Role) -> None:
        super().__init__(role)
        self._instance = self.instance("tank")
        self._tank = self.settings.tank
        if self._instance not in INSTANCES[self._tank]:
            first, second = INSTANCES[self._tank]
            raise InputError(
                f'device "{self.name}": tank {self._instance} is no {self._tank} water tank in TANK_STATUS: '
                f'write tank = {first} (or {second} for a second one), or set another tank than "{self._tank}"'
            )

    def on_start(self) -> None:
        """Say the level at the gap."""
        self.broadcast("TANK_STATUS", self._status)

    def _status(self) -> bytes:
        spec = self.catalogue.by_name("TANK_STATUS")
        return spec.pack(
            instance=self._instance,
            relative_level=round(self.world.tank_percent(self._tank) * STEPS / 100),
            resolution=STEPS,
            absolute_level=round(self.world.tank_litres(self._tank)),
            tank_size=round(self.world.tank_size_litres(self._tank)),
        )
