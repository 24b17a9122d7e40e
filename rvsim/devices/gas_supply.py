"""The gas that a device burns: from an LPG tank of the rig, or from a bottle that is never empty and never cold.

Knows: whether there is gas, and what is taken out of the tank. Does not know what it burns for.
"""

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import shown
from rvsim.rig.tanks import LPG
from rvsim.world.world import World


class GasSupply:
    """The gas of one device; ``tank`` is a tank of the rig, None a bottle of its own.

    Raises:
        InputError: the rig has no such LPG tank.
    """

    def __init__(self, world: World, owner: str, tank: str | None) -> None:
        tanks = world.tank_names(LPG)
        if tank is not None and tank not in tanks:
            known = f"; those are {', '.join(tanks)}" if tanks else '; add one to the rig, with content = "lpg"'
            raise InputError(
                f'device "{owner}": {shown(tank)} is no LPG tank of the rig{did_you_mean(tank, tanks)}{known}'
            )
        self._world, self._owner, self._tank = world, owner, tank
        self._litres_per_h = 0.0

    @property
    def has_gas(self) -> bool:
        """Whether there is gas: the tank is not empty, and not too cold to boil."""
        return self._tank is None or self._world.has_gas(self._tank)

    def burn(self, litres_per_h: float) -> None:
        """Set the liquid gas that is used from now on."""
        if self._tank is not None and litres_per_h != self._litres_per_h:
            self._litres_per_h = litres_per_h
            self._world.set_drain(self._owner, litres_per_h / 60, self._tank)
