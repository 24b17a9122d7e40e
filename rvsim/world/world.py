"""The physics that the simulated devices share, moved on in steps of one second.

Knows: how cabin, coolant, hot water and outdoor air exchange heat, that the battery stands in the cabin, and
that people use water by the hour of the day. Does not know any device: whoever acts on the vehicle sets an
input by name, and whoever senses reads a property. A device that dies sets its inputs to 0.

Time: steps end at whole seconds of the run, whatever the moments at which `advance` is called, so the
state depends only on the inputs and the second from which each holds. Temperatures and charge are those of
the last whole second; battery voltage and currents follow an input at once. Advance to the present first,
then set inputs: an input counts for the whole of the second in which it was set.

Heat: backward Euler, a set of three linear equations solved exactly each second with factors kept until an
input changes. It was chosen because it stays stable for any figures a plan may hold, ends in the exact
steady state, and loses no heat in the books (what leaves one body enters another). A one-second step
bends a time constant T by half a second: 0.01 % for a small cabin, 0.3 % for its coolant at full fan.
"""

from typing import NamedTuple

from rvsim.rig.vehicle import VehiclePlan, WeatherPlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.battery import Battery
from rvsim.world.cabin import Cabin
from rvsim.world.coolant import Coolant
from rvsim.world.hot_water import HotWater
from rvsim.world.tank import Water
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


class World:
    """One vehicle in its weather. Times are integer microseconds since the start of the run."""

    def __init__(self, plan: VehiclePlan, weather: WeatherPlan) -> None:
        self._weather = Weather(weather)
        self._cabin = Cabin(plan.cabin)
        self._coolant = Coolant(plan.coolant)
        self._water = HotWater(plan.hot_water)
        self._battery = Battery(plan.battery)
        tanks = {"fresh": plan.fresh_tank, "grey": plan.grey_tank, "black": plan.black_tank}
        self._tanks = Water(tanks, weather.start_hour)
        self._now_us = 0
        self._second = 0
        self._burner_j = self._gains_j = self._outdoors_j = 0.0
        self._conductances: tuple[float, ...] = ()
        self._factors = self._eliminate()

    def advance(self, to_us: int) -> None:
        """Let time pass until ``to_us``.

        Raises:
            ValueError: the time lies before one already reached.
        """
        if to_us < self._now_us:
            raise ValueError(f"the vehicle is already at {self._now_us} us and cannot go back to {to_us} us")
        self._now_us = to_us
        second = to_us // SECOND_US
        if second > self._second:
            self._run(second)

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
    def battery_volts(self) -> float:
        """Voltage at the battery's terminals; 0 when it is empty and nothing else carries the loads."""
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
        """Return the current that charger ``name`` gives now; 0 for one that is not charging."""
        return self._battery.charge_amps(name)

    def tank_percent(self, name: str) -> float:
        """Return how full the "fresh", "grey" or "black" water tank is, 0 to 100."""
        return self._tanks.tanks[name].percent

    def tank_litres(self, name: str) -> float:
        """Return what the "fresh", "grey" or "black" water tank holds."""
        return self._tanks.tanks[name].litres

    def tank_size_litres(self, name: str) -> float:
        """Return what the "fresh", "grey" or "black" water tank holds when it is full."""
        return self._tanks.tanks[name].size_litres

    def heat_account(self) -> HeatAccount:
        """Return where the heat came from and went to so far."""
        bodies = (self._cabin, self._coolant, self._water)
        stored = sum(body.heat_capacity_j_per_k * body.celsius for body in bodies)
        return HeatAccount(self._burner_j, self._gains_j, self._outdoors_j, stored)

    def set_burner(self, fraction: float) -> None:
        """Burn at this part (0 to 1) of full output from now on; ValueError outside."""
        self._coolant.set_burner(fraction)

    def set_cabin_fan(self, fraction: float) -> None:
        """Blow cabin air over the coolant at this part (0 to 1) of full fan speed; ValueError outside."""
        self._coolant.set_fan(fraction)

    def set_water_circulation(self, running: bool) -> None:
        """Send coolant through the hot-water exchanger, or stop it."""
        self._coolant.set_water_circulation(running)

    def set_pump(self, name: str, running: bool) -> None:
        """Let coolant flow to the cabin's exchanger only while ``name`` runs; without a pump it always does."""
        self._coolant.set_pump(name, running)

    def set_vent(self, name: str, litres_per_s: float) -> None:
        """Let ``name`` exchange this much cabin air with the outside; 0 ends it; ValueError below."""
        self._cabin.set_vent(name, litres_per_s)

    def set_cabin_gain(self, name: str, watts: float) -> None:
        """Let ``name`` warm the cabin (cool it, below 0): people, cooking, an air conditioner; 0 ends it."""
        self._cabin.set_gain(name, watts)

    def set_load(self, name: str, amps: float) -> None:
        """Let ``name`` draw this current; 0 ends it; ValueError below."""
        self._battery.set_load(name, amps)

    def set_charge(self, name: str, volts_limit: float, amps_limit: float) -> None:
        """Let ``name`` charge with up to ``amps_limit`` while the voltage is below ``volts_limit``; 0 A ends it.

        The current that really flows comes from the battery: read it with `charge_amps`.
        """
        self._battery.set_charge(name, volts_limit, amps_limit)

    def _eliminate(self) -> _Factors:
        """Solve the three heat balances for one second ahead, leaving out what changes every second.

        Each body: capacity x (new - old) = sum of conductance x (new neighbour - new own) + heat supplied.
        """
        cabin, coolant, water = self._cabin, self._coolant, self._water
        mixing, standing = coolant.to_water_w_per_k, water.to_cabin_w_per_k
        per_water = 1 / (water.heat_capacity_j_per_k + mixing + standing)
        water_to_coolant = mixing * per_water
        water_to_cabin = standing * per_water
        coupling = coolant.to_cabin_w_per_k + mixing * water_to_cabin
        own = coolant.heat_capacity_j_per_k + coolant.to_cabin_w_per_k + mixing * (1 - water_to_coolant)
        per_coolant = 1 / own
        coolant_to_cabin = coupling * per_coolant
        own = cabin.heat_capacity_j_per_k + cabin.to_outdoor_w_per_k + coolant.to_cabin_w_per_k
        own += standing * (1 - water_to_cabin) - coupling * coolant_to_cabin
        return _Factors(water_to_coolant, water_to_cabin, coolant_to_cabin, per_water, per_coolant, 1 / own, coupling)

    def _run(self, last_second: int) -> None:
        cabin, coolant, water, battery = self._cabin, self._coolant, self._water, self._battery
        conductances = (coolant.to_water_w_per_k, coolant.to_cabin_w_per_k, cabin.to_outdoor_w_per_k)
        if conductances != self._conductances:  # the only ones that change
            self._conductances, self._factors = conductances, self._eliminate()
        water_to_coolant, water_to_cabin, coolant_to_cabin, per_water, per_coolant, per_cabin, coupling = self._factors
        cabin_j, coolant_j, water_j = (body.heat_capacity_j_per_k for body in (cabin, coolant, water))
        mixing, standing, outward = coolant.to_water_w_per_k, water.to_cabin_w_per_k, cabin.to_outdoor_w_per_k
        burner_w, gains_w = coolant.burner_w, cabin.gains_w
        cabin_c, coolant_c, water_c = cabin.celsius, coolant.celsius, water.celsius
        outdoor_at, battery_step, use_water = self._weather.outdoor_c, battery.step, self._tanks.step
        for second in range(self._second + 1, last_second + 1):
            outdoor_c = outdoor_at(second)
            water_w = water_j * water_c
            coolant_w = coolant_j * coolant_c + burner_w + water_to_coolant * water_w
            cabin_w = cabin_j * cabin_c + gains_w + outward * outdoor_c
            cabin_c = per_cabin * (cabin_w + water_to_cabin * water_w + coolant_to_cabin * coolant_w)
            coolant_c = per_coolant * (coolant_w + coupling * cabin_c)
            water_c = per_water * (water_w + mixing * coolant_c + standing * cabin_c)
            self._burner_j += burner_w
            self._gains_j += gains_w
            self._outdoors_j += outward * (cabin_c - outdoor_c)
            battery_step(cabin_c)
            use_water(second)
        cabin.celsius, coolant.celsius, water.celsius = cabin_c, coolant_c, water_c
        self._second = last_second
