"""The physics that the simulated devices share, in steps of one second.

Knows: that the battery is in the cabin, and the order in which heat and battery advance. Does not know any device: a
device that acts on the vehicle sets an input by its name, a device that measures reads a property. The inputs of a
device that stops are set to 0.

Time: steps end at whole seconds of the run, at whatever times `advance` is called, so that the state depends only on
the inputs and the second from which each is valid. Temperatures and charge are those of the last whole second; battery
voltage and currents follow an input at once. Advance to the present first, then set inputs: an input counts for the
whole second in which it was set.
"""

from rvsim.rig.vehicle import VehiclePlan, WeatherPlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.battery import Battery
from rvsim.world.thermal import HeatAccount, ThermalWorld

__all__ = ["HeatAccount", "World"]


class World(ThermalWorld):
    """One vehicle in its weather. Times are integer microseconds since the start of the run."""

    def __init__(self, plan: VehiclePlan, weather: WeatherPlan) -> None:
        super().__init__(plan, weather)
        self._battery = Battery(plan.battery)
        self._now_us = 0

    def advance(self, to_us: int) -> None:
        """Advance to ``to_us``, microseconds since the start of the run.

        Raises:
            ValueError: the time is before the present one.
        """
        if to_us < self._now_us:
            raise ValueError(f"the vehicle is already at {self._now_us} us and cannot go back to {to_us} us")
        self._now_us = to_us
        second = to_us // SECOND_US
        if second > self._second:
            self._run_to_second(second)

    @property
    def battery_volts(self) -> float:
        """Voltage at the battery's terminals; 0 when it is empty and no charger supplies the loads."""
        return self._battery.volts

    @property
    def battery_amps(self) -> float:
        """Current of the battery: positive out of it, negative into it."""
        return self._battery.amps

    @property
    def battery_percent(self) -> float:
        """State of charge, 0 to 100."""
        return self._battery.percent

    @property
    def battery_c(self) -> float:
        """Temperature of the battery, degrees Celsius."""
        return self._battery.celsius

    def charge_amps(self, name: str) -> float:
        """Return the present current of charger ``name``; 0 for one that is not charging."""
        return self._battery.charge_amps(name)

    def remove(self, owner: str) -> None:
        """Set every contribution of ``owner`` to zero: it stopped. Its pump stays known, and does not run."""
        super().remove(owner)
        self._battery.set_load(owner, 0.0)
        self._battery.set_charge(owner, 0.0, 0.0)

    def set_load(self, name: str, amps: float) -> None:
        """Set the current that ``name`` draws; 0 for none; ValueError below."""
        self._battery.set_load(name, amps)

    def set_charge(self, name: str, volts_limit: float, amps_limit: float) -> None:
        """Let ``name`` charge with up to ``amps_limit`` while the voltage is below ``volts_limit``; 0 A for none.

        The current that flows depends on the battery: read it with `charge_amps`.
        """
        self._battery.set_charge(name, volts_limit, amps_limit)

    def _run_to_second(self, last_second: int) -> None:
        step, battery_step, network = self._step_thermal, self._battery.step, self._network
        for second in range(self._second + 1, last_second + 1):
            step(second)
            battery_step(network.celsius[0])
        self._second = last_second
