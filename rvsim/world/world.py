"""The physics that the simulated devices share, in steps of one second.

Knows: the order in which heat and electricity advance. Does not know any device: a
device that acts on the vehicle sets an input by its name, a device that measures reads a property. The inputs of a
device that stops are set to 0.

Time: steps end at whole seconds of the run, at whatever times `advance` is called, so that the state depends only on
the inputs and the second from which each is valid. Temperatures and charge are those of the last whole second; battery
voltage and currents follow an input at once. Advance to the present first, then set inputs: an input counts for the
whole second in which it was set.
"""

from collections.abc import Callable

from rvsim.rig.vehicle import VehiclePlan, WeatherPlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.contacts import Contacts
from rvsim.world.electric import ElectricSystem
from rvsim.world.motions import Motions
from rvsim.world.outputs import OutputCircuits, Override
from rvsim.world.thermal import HeatAccount, ThermalWorld

__all__ = ["HeatAccount", "World"]


def _tell_nobody(_device: str) -> None:
    """Call nobody."""


class World(ThermalWorld, ElectricSystem):
    """One vehicle in its weather. Times are integer microseconds since the start of the run."""

    def __init__(self, plan: VehiclePlan, weather: WeatherPlan) -> None:
        ThermalWorld.__init__(self, plan, weather)
        ElectricSystem.__init__(self, plan)
        self._now_us = 0
        self.contacts = Contacts({})
        """What people can press; the host puts those of its rig here."""
        self.on_change: Callable[[str], None] = _tell_nobody
        """Called with the name of a device when a person, or a fault, has changed something at its terminals."""
        self.motions = Motions(plan.motions, {output.name: output for output in plan.outputs})
        """What motors move; the host sets how it is called at the end of a way."""
        self.motions.tell, self.motions.tell_device = self._refresh_output, self._tell_of_motion
        self.outputs = OutputCircuits(plan, self, self._tell_of_change, self.motions)
        """The outputs of the modules: loads, relays, and overrides by hand."""

    def _tell_of_change(self, device: str) -> None:
        self.on_change(device)

    def _refresh_output(self, output: str, now: int) -> None:
        self.advance(max(now, self._now_us))
        self.outputs.refresh(output, now)

    def _tell_of_motion(self, device: str, now: int) -> None:
        self.advance(max(now, self._now_us))
        self.on_change(device)

    def motion_percent(self, motion: str) -> float:
        """Return how far a motion is out, 0 to 100; KeyError for no motion."""
        return self.motions.percent(motion, self._now_us)

    def set_override(self, output: str, override: Override | None) -> None:
        """Set an output by hand at its module: "on", "off", or None: as it is commanded; KeyError for no output."""
        self.outputs.set_override(output, override)

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

    def remove(self, owner: str) -> None:
        """Set every contribution of ``owner`` to zero: it has stopped. Its pump stays known, and does not run."""
        super().remove(owner)
        self.remove_electric(owner)

    def _run_to_second(self, last_second: int) -> None:
        step, step_electric = self._step_thermal, self.step_electric
        for second in range(self._second + 1, last_second + 1):
            step(second)
            step_electric(self._outdoor_c, self._air_around_c, second)
        self._second = last_second
