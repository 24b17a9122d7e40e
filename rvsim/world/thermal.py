"""Heat, air, moisture, fuel and water of the vehicle: zones, coolant, hot water and tanks in their weather.

Knows: which bodies there are and how they are coupled, who gives heat to them, and how each quantity is read. Does not
know any device: a device that acts on the vehicle sets inputs under its own name, a device that measures reads. An
owner that stops gives everything back with one call. Does not know electricity (`world` adds it).

Each zone has two bodies, its air and its lining; coolant and hot water are one body each. Heat moves every second
(`heat_network`), moisture, people and flows through openings every twenty, sun and humidity outside every minute; all
at absolute seconds, so that the state depends only on the inputs and the second from which each is valid.
"""

from collections.abc import Callable, Iterator
from math import fsum, isfinite
from typing import NamedTuple

from rvsim.rig.climate import FIRST_ZONE, OUTDOORS, CabinPlan, WeatherPlan, ZonePlan
from rvsim.rig.tanks import FIRST_TANKS
from rvsim.rig.vehicle import VehiclePlan
from rvsim.world import infiltration
from rvsim.world.coolant import Coolant
from rvsim.world.flows import Flows, Stock, split
from rvsim.world.fuel import MIN_GAS_PA, FuelTank, gas_pa
from rvsim.world.glazing import COVER_DIFFUSE_SHARE, cover_share
from rvsim.world.heat_flows import HeatBodies, heat_flows
from rvsim.world.heat_network import HeatNetwork
from rvsim.world.hot_water import HotWater
from rvsim.world.tank import MAX_LITRES_PER_MIN, Tank, WaterTanks
from rvsim.world.weather import Weather
from rvsim.world.zone import MOISTURE_S, Zone

_WEATHER_S = 60
"""Sun, wind and humidity outside are computed anew at multiples of this many seconds."""


_TAPS = "(taps)"
VAPOUR_G_PER_LITRE = 2500 / (0.6 * 360)
"""Vapour of hot water that is drawn, into the cabin: a shower gives some 2500 g an hour (solar housing textbook, table
10.1.1); its water by our choice 6 litres a minute, 60 % of it hot."""
OUTLET_EFFECTIVENESS = 0.7
"""How far a coolant heater's fan brings its air to the coolant's temperature. Common practice, no source."""


class HeatAccount(NamedTuple):
    """Heat in joules since the start of the run.

    ``burner + gains + water + people + sun - outdoors - drawn`` is the growth of ``stored``.
    """

    burner_j: float
    """From burners into the coolant."""
    gains_j: float
    """From devices into the air of zones, what they took out counted negative."""
    water_j: float
    """From gas and elements into the hot water."""
    people_j: float
    sun_j: float
    outdoors_j: float
    """To the air outside."""
    drawn_j: float
    """With the hot water that left, by that of the water that came in."""
    stored_j: float
    """In zones, coolant and hot water, counted from 0 degrees Celsius."""


class _Meter:
    """One sort of heat over time: the present power, and the joules up to the second from which it holds."""

    def __init__(self) -> None:
        self.watts = self._joules = 0.0
        self._since = 0

    def set(self, watts: float, second: int) -> None:
        """Set the power from now on."""
        if watts != self.watts:
            self._joules, self._since = self.joules(second), second
            self.watts = watts

    def joules(self, second: int) -> float:
        """Return the sum up to a second."""
        return self._joules + self.watts * (second - self._since)


def _tell_nobody() -> None:
    """Call nobody."""


class ThermalWorld:
    """The thermal side of one vehicle in its weather."""

    def __init__(self, plan: VehiclePlan, weather: WeatherPlan) -> None:
        self._second = 0
        self.on_weather: Callable[[], None] = _tell_nobody
        """Called when the weather was set."""
        self._weather = Weather(weather)
        self._outdoor_c = self._weather.outdoor_c(0)
        self._conditions = self._weather.conditions(0)
        plans: dict[str, CabinPlan | ZonePlan] = {FIRST_ZONE: plan.cabin, **{zone.name: zone for zone in plan.zones}}
        pressure, density = self._weather.pressure_pa, self._weather.air_density
        self._zones = {name: Zone(name, figures, pressure, density) for name, figures in plans.items()}
        self._coolant = Coolant(plan.coolant, plan.zones)
        self._water = HotWater(plan.hot_water)
        self._fuel = FuelTank(plan.fuel)
        self._draws = False
        """Whether hot water was drawn in the last second."""
        self._fuel_uses: dict[str, float] = {}
        # The bodies: air and lining of each zone, coolant, hot water.
        self._air = {name: 2 * number for number, name in enumerate(plans)}
        self._coolant_body, self._water_body = 2 * len(plans), 2 * len(plans) + 1
        capacities = [part for zone in self._zones.values() for part in (zone.air_j_per_k, zone.lining_j_per_k)]
        starts = [zone.plan.start_c for zone in self._zones.values() for _ in range(2)]
        self._network = HeatNetwork(
            [*capacities, self._coolant.heat_capacity_j_per_k, self._water.heat_capacity_j_per_k],
            [*starts, plan.coolant.start_c, plan.hot_water.start_c],
        )
        self._exchanges = [
            (zone.name, other, 1000 * flow / 3600) for zone in plan.zones for other, flow in zone.exchange.items()
        ]
        tanks = dict(zip(FIRST_TANKS, (plan.fresh_tank, plan.grey_tank, plan.black_tank), strict=True))
        tanks |= {tank.name: tank for tank in plan.tanks}
        tank_starts = {name: self._air_around_c(tank.zone) for name, tank in tanks.items()}
        self._tanks = WaterTanks(tanks, weather.start_hour, plan.people.count, tank_starts)
        self._zones[plan.people.zone].people = plan.people.count
        for zone in self._zones.values():
            zone.activity = plan.people.activity
        self._outlets: dict[str, tuple[float, str]] = {}
        self._insides: dict[str, float] = {}
        self._meters = {name: _Meter() for name in HeatAccount._fields[:5]}
        self._couple_for_good()
        self._update_weather()

    # What devices measure.

    @property
    def outdoor_c(self) -> float:
        """Temperature of the air outside, degrees Celsius."""
        return self._outdoor_c

    @property
    def is_outdoor_constant(self) -> bool:
        """Whether it stays as it is until the weather is set."""
        return self._weather.is_outdoor_constant

    @property
    def cabin_c(self) -> float:
        """Temperature of the air of the cabin, degrees Celsius."""
        return self._network.celsius[0]

    @property
    def coolant_c(self) -> float:
        """Temperature of the heater's coolant, degrees Celsius."""
        return self._network.celsius[self._coolant_body]

    @property
    def water_c(self) -> float:
        """Temperature of the hot water, degrees Celsius."""
        return self._network.celsius[self._water_body]

    @property
    def zone_names(self) -> list[str]:
        """The names of all zones, the cabin first."""
        return list(self._zones)

    def air_celsius(self, zone: str = FIRST_ZONE) -> float:
        """Return the temperature of a zone's air, degrees Celsius; ValueError for an unknown zone."""
        body = self._air.get(zone)
        return self._network.celsius[self._body(zone) if body is None else body]

    def lining_celsius(self, zone: str = FIRST_ZONE) -> float:
        """Return the temperature of a zone's lining, degrees Celsius."""
        return self._network.celsius[self._body(zone) + 1]

    def humidity_percent(self, zone: str = FIRST_ZONE) -> float:
        """Return the relative humidity of a zone's air."""
        return self._zone(zone).humidity_percent(self.air_celsius(zone))

    def dew_point_c(self, zone: str = FIRST_ZONE) -> float:
        """Return the dew point of a zone's air, degrees Celsius (below 0 C its frost point)."""
        return self._zone(zone).dew_point_c()

    def coldest_surface_c(self, zone: str = FIRST_ZONE) -> float:
        """Return the temperature of the surface of a zone on which vapour condenses first, degrees Celsius."""
        return self._zone(zone).coldest_surface_c(self.air_celsius(zone), self.outdoor_c)

    def condensed_litres(self, zone: str = FIRST_ZONE) -> float:
        """Return the water that is on that surface now."""
        return self._zone(zone).film_kg

    def opening_m2(self, zone: str = FIRST_ZONE) -> float:
        """Return what stands open in a zone: windows, doors, and domes whose fan is at rest."""
        return self._zone(zone).opening_m2

    def vent_litres_per_s(self, zone: str = FIRST_ZONE) -> float:
        """Return the air that the fans of a zone move, which its inlet may limit."""
        return self._zone(zone).vent_litres_per_s

    def air_changes_per_hour(self, zone: str = FIRST_ZONE) -> float:
        """Return how often an hour leaks, openings and fans exchange a zone's air with the outside."""
        one = self._zone(zone)
        return one.outdoor_litres_per_s * 3.6 / one.plan.volume_m3

    def sun_w_per_m2(self, tilt_deg: float = 0.0, azimuth_deg: float = 0.0) -> float:
        """Return the sun's power on a plane; 0 degrees tilt is level, azimuths are from the front, clockwise."""
        beam, _, around = self._conditions.on_plane(tilt_deg, azimuth_deg)
        return beam + around

    def panel_w_per_m2(self, tilt_deg: float = 0.0, azimuth_deg: float = 0.0) -> float:
        """Return what of it comes through the glass cover of a solar panel, by the share at a right angle."""
        beam, cosine, around = self._conditions.on_plane(tilt_deg, azimuth_deg)
        return beam * cover_share(cosine) + around * COVER_DIFFUSE_SHARE

    @property
    def rated_burner_w(self) -> float:
        """Heat into the coolant at full output of the rig's burner, in watts."""
        return self._coolant.rated_burner_w

    @property
    def rated_fuel_litres_per_h(self) -> float:
        """Diesel that the rig's burner uses at full output."""
        return self._coolant.rated_fuel_litres_per_h

    @property
    def coolant_freezes_below_c(self) -> float:
        """Freezing point of the coolant, degrees Celsius."""
        return self._coolant.freezes_below_c

    @property
    def fuel_litres_per_h(self) -> float:
        """Diesel that burners and other owners use at present."""
        return self._coolant.fuel_litres_per_h + self.other_fuel_litres_per_h

    @property
    def other_fuel_litres_per_h(self) -> float:
        """Diesel that is used elsewhere than in the coolant's burners: furnaces, a generator."""
        return fsum(self._fuel_uses.values())

    @property
    def fuel_litres(self) -> float:
        """Diesel that is left; 0: nothing burns any more, which the devices have to see to."""
        return self._fuel.litres(self._second)

    @property
    def fuel_percent(self) -> float:
        """Level of the fuel tank, 0 to 100."""
        return 100 * self.fuel_litres / self._fuel.size_litres

    @property
    def fuel_size_litres(self) -> float:
        """Diesel in the full tank."""
        return self._fuel.size_litres

    @property
    def filled_fuel_litres(self) -> float:
        """Diesel that was filled in since the start of the run, without what was drained."""
        return self._fuel.filled_litres(self._second)

    @property
    def fuel_gels_below_c(self) -> float:
        """The plugging point of the fuel's class: below it, diesel passes no filter, in degrees Celsius."""
        return self._fuel.gels_below_c

    def tank_names(self, content: str = "") -> list[str]:
        """Return the names of all tanks, or of those that hold this."""
        return [name for name, tank in self._tanks.tanks.items() if content in ("", tank.content)]

    def tank(self, name: str) -> Tank:
        """Return a tank, which stays the same object; ValueError for an unknown tank."""
        return self._tanks.tank(name)

    def tank_content(self, name: str) -> str:
        """Return what a tank holds: fresh, grey, black or lpg; ValueError for an unknown tank."""
        return self._tanks.tank(name).content

    def tank_air_c(self, name: str) -> float:
        """Return the temperature of the air around a tank, degrees Celsius."""
        return self._air_around_c(self._tanks.tank(name).zone)

    def has_gas(self, name: str) -> bool:
        """Return whether an LPG tank gives gas: there is some, and it is warm enough to boil against its regulator."""
        tank = self._tanks.tank(name)
        pressure = gas_pa(tank.gas, self._air_around_c(tank.zone))
        return tank.held_ul > 0 and pressure - self._weather.pressure_pa >= MIN_GAS_PA

    def drawn_litres(self, tank: str = "fresh") -> float:
        """Return what taps gave in the last second from a tank that has a pump."""
        return self._tanks.drawn_litres(tank)

    def outlet_c(self, zone: str = FIRST_ZONE) -> float:
        """Return the temperature of the warmest air that a heater blows into a zone, or of its air where none does."""
        air_c = self.air_celsius(zone)
        told = [celsius for celsius, place in self._outlets.values() if place == zone]
        if self._coolant.has_fan(zone):
            told.append(air_c + OUTLET_EFFECTIVENESS * (self.coolant_c - air_c))
        return max(told, default=air_c)

    def inside_c(self) -> float | None:
        """Return the temperature inside the coldest fridge, None where there is none."""
        return min(self._insides.values(), default=None)

    def tank_percent(self, name: str) -> float:
        """Return the level of a water tank, 0 to 100; ValueError for an unknown tank."""
        return self._tanks.tank(name).percent

    def tank_litres(self, name: str) -> float:
        """Return the content of a water tank in litres."""
        return self._tanks.tank(name).litres

    def tank_size_litres(self, name: str) -> float:
        """Return the size of a water tank in litres."""
        return self._tanks.tank(name).size_litres

    def tank_c(self, name: str) -> float:
        """Return the temperature of the water in a tank, degrees Celsius."""
        return self._tanks.tank(name).water.celsius

    def tank_ice_percent(self, name: str) -> float:
        """Return how much of the water in a tank is ice, 0 to 100."""
        return self._tanks.tank(name).ice_percent

    def tank_freezes_in_h(self, name: str) -> float:
        """Return in how many hours a tank is ice all through if the air around it stays as it is; inf above 0 C."""
        return self._tanks.tank(name).freezes_in_h(self._air_around_c(self._tanks.tank(name).zone))

    def heat_account(self) -> HeatAccount:
        """Return the sums of heat since the start of the run."""
        network = self._network
        sums = {name: meter.joules(self._second) for name, meter in self._meters.items()}
        return HeatAccount(**sums, outdoors_j=network.outdoors_j, drawn_j=network.fed_j, stored_j=network.stored_j)

    def heat_flows(self) -> Iterator[Flows]:
        """Yield the heat that zones, coolant and hot water are given and lose at present, and the fuel burnt."""
        network, inflow = self._network, self._network.inflow
        drawn_w = 0.0 if inflow is None else inflow[1] * (self.water_c - inflow[2])
        bodies = HeatBodies(
            self._zones, network.celsius, self.outdoor_c, self._exchanges, self._coolant, self._water, drawn_w
        )
        yield from heat_flows(bodies)
        burners = {who: self._coolant.burner_litres_per_h(watts) for who, watts in self._coolant.burners.items()}
        _, taken = split((who, -litres) for uses in (burners, self._fuel_uses) for who, litres in uses.items())
        stock = Stock("fuel", self.fuel_litres, "L", 0.0, self._fuel.size_litres)
        yield Flows("fuel", "L/h", "tank", {}, taken, stock)

    # What devices and scenarios set. Everything has an owner; 0 ends it.

    def set_burner(self, owner: str, watts: float) -> None:
        """Set the heat that the burner of ``owner`` gives to the coolant; ValueError below 0."""
        if self._coolant.set_burner(owner, watts):
            self._supply_coolant()

    def set_fuel(self, owner: str, litres_per_h: float) -> None:
        """Set the diesel that ``owner`` burns elsewhere than in the coolant's burner; ValueError below 0."""
        if self._fuel_uses.get(owner) == litres_per_h:
            return
        if not (isfinite(litres_per_h) and litres_per_h >= 0):
            raise ValueError(f"{owner} burns {litres_per_h} litres an hour: give 0 or more")
        self._fuel_uses[owner] = litres_per_h
        self._fuel.set_use(self.fuel_litres_per_h, self._second)

    def set_fuel_fill(self, litres_per_min: float) -> None:
        """Set the diesel that somebody fills in; below 0 it is drained; ValueError for an impossible flow."""
        if not (isfinite(litres_per_min) and abs(litres_per_min) <= MAX_LITRES_PER_MIN):
            raise ValueError(
                f"fuel is filled in at {litres_per_min} litres a minute: give up to {MAX_LITRES_PER_MIN:g}"
            )
        self._fuel.set_fill(60 * litres_per_min, self._second)

    def set_cabin_fan(self, owner: str, fraction: float, zone: str = FIRST_ZONE) -> None:
        """Set the fan of ``owner``, with its exchanger, to this fraction (0 to 1) of full speed; ValueError outside."""
        self._zone(zone)
        if self._coolant.set_fan(owner, fraction, zone):
            self._couple_coolant()

    def set_water_circulation(self, owner: str, *, running: bool) -> None:
        """Send coolant through the hot-water exchanger while any owner wants it."""
        if self._coolant.set_water_circulation(owner, running=running):
            self._couple_coolant()

    def set_pump(self, owner: str, *, running: bool) -> None:
        """Let coolant flow to the exchangers of zones only while ``owner`` runs; without a pump it always flows."""
        if self._coolant.set_pump(owner, running=running):
            self._couple_coolant()

    def set_water_heat(self, owner: str, watts: float) -> None:
        """Set the heat that ``owner``, a gas flame or an element, gives to the hot water; ValueError below 0."""
        self._water.set_heat(owner, watts)
        self._supply_water()

    def set_vent(
        self, owner: str, litres_per_s: float, zone: str = FIRST_ZONE, fan_pa: float = infiltration.FAN_PA
    ) -> None:
        """Set the air of a zone that ``owner`` exchanges with the outside; ValueError below 0.

        Args:
            owner: the fan.
            litres_per_s: its flow with enough air, at its present speed.
            zone: where it is.
            fan_pa: the pressure that it makes at this speed, which the flow through a narrow inlet uses up.
        """
        self._after_flow(zone, changed=self._zone(zone).set_vent(owner, litres_per_s, fan_pa))

    def set_opening(self, owner: str, m2: float, zone: str = FIRST_ZONE) -> None:
        """Set the area that ``owner``, a window, dome or door, holds open; ValueError below 0."""
        self._after_flow(zone, changed=self._zone(zone).set_opening(owner, m2))

    def set_heat(self, owner: str, watts: float, zone: str = FIRST_ZONE) -> None:
        """Set the power with which ``owner`` warms a zone's air (below 0: cools it), such as cooking."""
        if self._zone(zone).set_heat(owner, watts):
            self._supply_zones()

    def set_moisture(self, owner: str, grams_per_h: float, zone: str = FIRST_ZONE) -> None:
        """Set the vapour that ``owner`` gives to a zone's air (below 0: takes from it)."""
        self._zone(zone).set_moisture(owner, grams_per_h)

    def set_people(self, count: int, zone: str = FIRST_ZONE) -> None:
        """Set how many people are in a zone; all of them use water. ValueError below 0."""
        if count < 0:
            raise ValueError(f"{count} people are in the {zone}: give 0 or more")
        self._zone(zone).people = count
        self._tanks.set_people(sum(each.people for each in self._zones.values()))
        self._zone(zone).update_people(self.air_celsius(zone))
        self._supply_zones()

    def set_draw(self, owner: str, litres_per_min: float, hot_percent: float = 0.0, tank: str = "fresh") -> None:
        """Let ``owner`` draw fresh water, part of it through the hot-water tank; nine tenths come into the grey tank.

        Raises:
            ValueError: a figure is outside its range, or the tank is none with fresh water.
        """
        self._tanks.set_draw(owner, litres_per_min, hot_percent, tank)

    def set_fill(self, owner: str, litres_per_min: float, tank: str = "fresh") -> None:
        """Let ``owner`` fill a tank from outside, until it is full; ValueError for an impossible flow."""
        self._tanks.set_fill(owner, litres_per_min, tank)

    def set_drain(self, owner: str, litres_per_min: float, tank: str) -> None:
        """Let ``owner`` drain a tank to the outside, until it is empty; ValueError for an impossible flow."""
        self._tanks.set_drain(owner, litres_per_min, tank)

    def set_water_pump(self, owner: str, litres_per_min: float, tank: str = "fresh") -> None:
        """Let the taps of a fresh tank give no more than ``owner`` does; without a pump they give what is drawn.

        Raises:
            ValueError: the flow is outside its range, or the tank is none with fresh water.
        """
        self._tanks.set_pump(owner, litres_per_min, tank)

    def set_outlet(self, owner: str, celsius: float, zone: str = FIRST_ZONE) -> None:
        """Set the temperature of the air that ``owner``, a heater, blows into a zone, for a sensor in its way."""
        self._zone(zone)
        self._outlets[owner] = celsius, zone

    def set_inside(self, owner: str, celsius: float) -> None:
        """Set the temperature inside ``owner``, a fridge, for a sensor in it."""
        self._insides[owner] = celsius

    def set_weather(self, **figures: float) -> None:
        """Change the weather from now on, by the keys of a scenario's [weather]; columns of its table are replaced.

        Raises:
            ValueError: there is no such key, or a figure is outside its range.
        """
        self._weather = self._weather.changed(**figures)
        self._outdoor_c = self._weather.outdoor_c(self._second)
        self._update_weather()
        self.on_weather()

    def remove(self, owner: str) -> None:
        """Set every contribution of ``owner`` to nothing: it stopped. Its pump stays known, and does not run."""
        for zone in self._zones.values():
            zone.remove(owner)
        self._coolant.remove(owner)
        self._water.set_heat(owner, 0.0)
        self._fuel_uses.pop(owner, None)
        self._outlets.pop(owner, None)
        self._insides.pop(owner, None)
        self._tanks.remove(owner)
        self._couple_coolant()
        self._supply_coolant()
        self._supply_water()
        self._update_zones()

    # How it moves.

    def _step_thermal(self, second: int) -> None:
        """Advance by one second, to ``second``."""
        tanks, self._outdoor_c = self._tanks, self._weather.outdoor_c(second)
        tanks.step(second)
        if tanks.hot_litres_per_s or self._draws:
            self._let_in_cold_water(tanks.hot_litres_per_s)
        self._network.step(self._outdoor_c)
        if not second % MOISTURE_S:
            self._second = second
            if not second % _WEATHER_S:
                self._update_weather()
            self._step_moisture()
            self._update_zones()
            for tank in tanks.tanks.values():
                tank.cool(MOISTURE_S, self._air_around_c(tank.zone))

    def _let_in_cold_water(self, litres_per_s: float) -> None:
        self._draws = litres_per_s > 0
        self._zones[FIRST_ZONE].set_moisture(_TAPS, 3600 * litres_per_s * VAPOUR_G_PER_LITRE)
        w_per_k = litres_per_s * self._water.j_per_litre_k
        self._network.set_inflow(self._water_body, w_per_k, self._tanks.tanks["fresh"].water.celsius)

    def _step_moisture(self) -> None:
        inflows: dict[str, list[tuple[float, float]]] = {name: [] for name in self._zones}
        for one, other, flow in self._exchanges:
            inflows[one].append((flow, self._zones[other].ratio))
            inflows[other].append((flow, self._zones[one].ratio))
        ratios = [
            zone.step_moisture(self._network.celsius[self._air[name]], self._conditions, inflows[name])
            for name, zone in self._zones.items()
        ]
        for zone, ratio in zip(self._zones.values(), ratios, strict=True):
            zone.ratio = ratio

    def _update_weather(self) -> None:
        self._conditions = self._weather.conditions(self._second)
        for zone in self._zones.values():
            zone.update_sun(self._conditions)
        self._update_zones()

    def _update_zones(self) -> None:
        """Compute people and flows anew."""
        celsius, now = self._network.celsius, self._conditions
        for name, zone in self._zones.items():
            body = self._air[name]
            zone.update_people(celsius[body])
            if zone.update_flows(celsius[body], now.outdoor_c, now.wind_m_per_s):
                self._network.couple_to_outdoor(body, zone.air_to_outdoor)
        self._supply_zones()

    def _after_flow(self, name: str, *, changed: bool) -> None:
        if changed:
            zone, body = self._zones[name], self._air[name]
            zone.update_flows(self._network.celsius[body], self._conditions.outdoor_c, self._conditions.wind_m_per_s)
            self._network.couple_to_outdoor(body, zone.air_to_outdoor)

    def _couple_for_good(self) -> None:
        """Set the conductances that never change, and those of fans and pumps at rest."""
        for name, zone in self._zones.items():
            body = self._air[name]
            self._network.couple(body, body + 1, zone.air_to_lining)
            self._network.couple_to_outdoor(body, zone.air_to_outdoor)
            self._network.couple_to_outdoor(body + 1, zone.lining_to_outdoor)
        for one, other, flow in self._exchanges:
            self._network.couple(self._air[one], self._air[other], self._zones[one].air_w_per_k(flow))
        self._network.couple(0, self._water_body, self._water.to_cabin_w_per_k)
        self._couple_coolant()

    def _couple_coolant(self) -> None:
        for name, body in self._air.items():
            self._network.couple(body, self._coolant_body, self._coolant.to_zone_w_per_k(name))
        self._network.couple(self._coolant_body, self._water_body, self._coolant.to_water_w_per_k)

    def _supply_coolant(self) -> None:
        watts = self._coolant.burner_w
        self._network.set_watts(self._coolant_body, watts)
        self._meters["burner_j"].set(watts, self._second)
        self._fuel.set_use(self.fuel_litres_per_h, self._second)

    def _supply_water(self) -> None:
        self._network.set_watts(self._water_body, self._water.heat_w)
        self._meters["water_j"].set(self._water.heat_w, self._second)

    def _supply_zones(self) -> None:
        zones = self._zones.values()
        for name, zone in self._zones.items():
            body = self._air[name]
            self._network.set_watts(body, zone.heat_w + zone.people_w + zone.sun_air_w)
            self._network.set_watts(body + 1, zone.sun_lining_w)
        meters, second = self._meters, self._second
        meters["gains_j"].set(sum(zone.heat_w for zone in zones), second)
        meters["people_j"].set(sum(zone.people_w for zone in zones), second)
        meters["sun_j"].set(sum(zone.sun_air_w + zone.sun_lining_w for zone in zones), second)

    # Names.

    def _zone(self, name: str) -> Zone:
        try:
            return self._zones[name]
        except KeyError:
            raise ValueError(f'there is no zone "{name}"; the zones are {", ".join(self._zones)}') from None

    def _body(self, zone: str) -> int:
        """Return the index of a zone's air."""
        self._zone(zone)
        return self._air[zone]

    def _air_around_c(self, place: str) -> float:
        return self._conditions.outdoor_c if place == OUTDOORS else self._network.celsius[self._air[place]]
