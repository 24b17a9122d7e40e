"""The physics that the simulated devices share, in steps of one second.

Knows: how cabin, coolant, hot water and outdoor air exchange heat, that the battery is in the cabin, and that people
use water by the hour of the day. Does not know any device: a device that acts on the vehicle sets an input by name, a
device that measures reads a property. The inputs of a device that stops are set to 0.

Time: steps end at whole seconds of the run, at whatever times `advance` is called, so that the state depends only on
the inputs and the second from which each is valid. Temperatures and charge are those of the last whole second; battery
voltage and currents follow an input at once. Advance to the present first, then set inputs: an input counts for the
whole second in which it was set.

Heat: backward Euler, three linear equations that are solved exactly each second, with factors that are kept until an
input changes. It was chosen because it is stable for all figures of a plan, ends in the exact steady state, and
conserves heat (what leaves one body enters another). A step of one second changes a time constant T by half a second:
0.01 % for a small cabin, 0.3 % for its coolant at full fan.
"""

from typing import NamedTuple

from rvsim.rig.vehicle import VehiclePlan, WeatherPlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.cabin import Cabin
from rvsim.world.coolant import Coolant
from rvsim.world.electric import ElectricSystem
from rvsim.world.hot_water import HotWater
from rvsim.world.tank import WaterTanks
from rvsim.world.weather import Weather


class HeatAccount(NamedTuple):
    """Heat in joules since the start of the run: ``burner + gains - outdoors`` is the growth of ``stored``."""

    burner_j: float
    gains_j: float
    outdoors_j: float
    stored_j: float
    """In cabin, coolant and hot water, counted from 0 degrees Celsius."""


class _Factors(NamedTuple):
    """The eliminated equations: hot water goes first, then coolant, then cabin."""

    water_to_coolant: float
    water_to_cabin: float
    coolant_to_cabin: float
    per_water: float
    per_coolant: float
    per_cabin: float
    coupling: float


class World(ElectricSystem):
    """One vehicle in its weather. Times are integer microseconds since the start of the run."""

    def __init__(self, plan: VehiclePlan, weather: WeatherPlan) -> None:
        super().__init__(plan)
        self._weather = Weather(weather)
        self._cabin = Cabin(plan.cabin)
        self._coolant = Coolant(plan.coolant)
        self._water = HotWater(plan.hot_water)
        tanks = {"fresh": plan.fresh_tank, "grey": plan.grey_tank, "black": plan.black_tank}
        self._tanks = WaterTanks(tanks, weather.start_hour)
        self._now_us = 0
        self._second = 0
        self._burner_j = self._gains_j = self._outdoors_j = 0.0
        self._conductances: tuple[float, ...] = ()
        self._factors = self._solve_heat_balances()

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
    def outdoor_c(self) -> float:
        """Temperature of the air outside, degrees Celsius."""
        return self._weather.outdoor_c(self._second)

    @property
    def cabin_c(self) -> float:
        """Temperature of the cabin, degrees Celsius."""
        return self._cabin.celsius

    @property
    def coolant_c(self) -> float:
        """Temperature of the heater's coolant, degrees Celsius."""
        return self._coolant.celsius

    @property
    def water_c(self) -> float:
        """Temperature of the hot water, degrees Celsius."""
        return self._water.celsius

    @property
    def fuel_litres_per_h(self) -> float:
        """Diesel the burner uses at its present output."""
        return self._coolant.fuel_litres_per_h

    @property
    def rated_burner_w(self) -> float:
        """Heat into the coolant at full output of the rig's burner, in watts."""
        return self._coolant.rated_burner_w

    def tank_percent(self, name: str) -> float:
        """Return the level of the "fresh", "grey" or "black" water tank, 0 to 100."""
        return self._tanks.tanks[name].percent

    def tank_litres(self, name: str) -> float:
        """Return the content of the "fresh", "grey" or "black" water tank in litres."""
        return self._tanks.tanks[name].litres

    def tank_size_litres(self, name: str) -> float:
        """Return the size of the "fresh", "grey" or "black" water tank in litres."""
        return self._tanks.tanks[name].size_litres

    def heat_account(self) -> HeatAccount:
        """Return the sums of heat since the start of the run."""
        bodies = (self._cabin, self._coolant, self._water)
        stored = sum(body.heat_capacity_j_per_k * body.celsius for body in bodies)
        return HeatAccount(self._burner_j, self._gains_j, self._outdoors_j, stored)

    def set_burner(self, owner: str, watts: float) -> None:
        """Set the heat that the burner of ``owner`` gives to the coolant; ValueError below 0."""
        self._coolant.set_burner(owner, watts)

    def set_cabin_fan(self, owner: str, fraction: float, zone: str = "cabin") -> None:
        """Set the fan of ``owner``, with its exchanger, to this fraction (0 to 1) of full speed; ValueError outside."""
        self._coolant.set_fan(owner, fraction)

    def set_water_circulation(self, owner: str, *, running: bool) -> None:
        """Send coolant through the hot-water exchanger while any owner wants it."""
        self._coolant.set_water_circulation(owner, running=running)

    def set_pump(self, owner: str, *, running: bool) -> None:
        """Let coolant flow to the exchangers of zones only while ``owner`` runs; without a pump it always flows."""
        self._coolant.set_pump(owner, running=running)

    def set_vent(self, owner: str, litres_per_s: float, zone: str = "cabin") -> None:
        """Set the zone's air that ``owner`` exchanges with the outside; 0 for none; ValueError below."""
        self._cabin.set_vent(owner, litres_per_s)

    def set_heat(self, owner: str, watts: float, zone: str = "cabin") -> None:
        """Set the power with which ``owner`` warms a zone's air (below 0: cools it), such as cooking; 0 for none."""
        self._cabin.set_gain(owner, watts)

    def remove(self, owner: str) -> None:
        """Set every contribution of ``owner`` to zero: it stopped. Its pump stays known, and does not run."""
        self._coolant.remove(owner)
        self._cabin.set_vent(owner, 0.0)
        self._cabin.set_gain(owner, 0.0)
        self.remove_electric(owner)

    def _solve_heat_balances(self) -> _Factors:
        """Solve the three heat balances of the next second for all terms that do not change every second.

        Each body: capacity x (new - old) = sum of conductance x (new neighbour - new own) + heat supplied.
        """
        cabin, coolant, water = self._cabin, self._coolant, self._water
        exchanger, tank_loss = coolant.to_water_w_per_k, water.to_cabin_w_per_k
        per_water = 1 / (water.heat_capacity_j_per_k + exchanger + tank_loss)
        water_to_coolant = exchanger * per_water
        water_to_cabin = tank_loss * per_water
        coupling = coolant.to_cabin_w_per_k + exchanger * water_to_cabin
        own = coolant.heat_capacity_j_per_k + coolant.to_cabin_w_per_k + exchanger * (1 - water_to_coolant)
        per_coolant = 1 / own
        coolant_to_cabin = coupling * per_coolant
        own = cabin.heat_capacity_j_per_k + cabin.to_outdoor_w_per_k + coolant.to_cabin_w_per_k
        own += tank_loss * (1 - water_to_cabin) - coupling * coolant_to_cabin
        return _Factors(water_to_coolant, water_to_cabin, coolant_to_cabin, per_water, per_coolant, 1 / own, coupling)

    def _run_to_second(self, last_second: int) -> None:
        cabin, coolant, water = self._cabin, self._coolant, self._water
        conductances = (coolant.to_water_w_per_k, coolant.to_cabin_w_per_k, cabin.to_outdoor_w_per_k)
        if conductances != self._conductances:  # the only ones that change
            self._conductances, self._factors = conductances, self._solve_heat_balances()
        water_to_coolant, water_to_cabin, coolant_to_cabin, per_water, per_coolant, per_cabin, coupling = self._factors
        cabin_j, coolant_j, water_j = (body.heat_capacity_j_per_k for body in (cabin, coolant, water))
        exchanger, tank_loss, cabin_loss = coolant.to_water_w_per_k, water.to_cabin_w_per_k, cabin.to_outdoor_w_per_k
        burner_w, gains_w = coolant.burner_w, cabin.gains_w
        cabin_c, coolant_c, water_c = cabin.celsius, coolant.celsius, water.celsius
        outdoor_at, step_electric, use_water = self._weather.outdoor_c, self.step_electric, self._tanks.step
        for second in range(self._second + 1, last_second + 1):
            outdoor_c = outdoor_at(second)
            water_w = water_j * water_c
            coolant_w = coolant_j * coolant_c + burner_w + water_to_coolant * water_w
            cabin_w = cabin_j * cabin_c + gains_w + cabin_loss * outdoor_c
            cabin_c = per_cabin * (cabin_w + water_to_cabin * water_w + coolant_to_cabin * coolant_w)
            coolant_c = per_coolant * (coolant_w + coupling * cabin_c)
            water_c = per_water * (water_w + exchanger * coolant_c + tank_loss * cabin_c)
            self._burner_j += burner_w
            self._gains_j += gains_w
            self._outdoors_j += cabin_loss * (cabin_c - outdoor_c)
            step_electric(outdoor_c, {"cabin": cabin_c})
            use_water(second)
        cabin.celsius, coolant.celsius, water.celsius = cabin_c, coolant_c, water_c
        self._second = last_second
