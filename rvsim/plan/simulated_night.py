"""The night of a rig in the physics of the bench: zones, coolant, burners on and off, and the battery.

Knows: how a thermostat and a coolant heater are controlled in steps, and what the night took. Does not know any limit,
nor devices and messages: the loads that do not heat are constant, as by hand.

The first hour does not count: the linings of walls take up heat until they are as cold as a steady night makes them.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from rvsim.plan.heaters import Heater
from rvsim.plan.night_heat import THERMOSTAT_BAND_K, NightHeat
from rvsim.rig.climate import FIRST_ZONE, WeatherPlan
from rvsim.rig.model import Rig
from rvsim.rig.vehicle import VehiclePlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.world import World

STEP_S = 20
"""How often heaters and fans are controlled: as often as the physics computes people and flows anew."""
LEAD_S = 3600
MIN_FAN_COOLANT_C = 40.0
_POLAR_NIGHT_DEG = 85.0
"""A latitude without sun in January."""


@dataclass(frozen=True)
class SimulatedNight:
    """What a night took in the physics."""

    litres: Mapping[str, float]
    """Fuel by heater."""
    starts: Mapping[str, int]
    """Starts by heater."""
    amp_hours: float
    """Out of the house battery."""
    coldest_c: Mapping[str, float]
    """The lowest temperature of each zone's air."""
    water_c: Mapping[str, float]
    """The temperature of each water tank at the end."""


class _Control:
    """One heater, controlled in steps of ``STEP_S``."""

    def __init__(self, heater: Heater, night: NightHeat, world: World) -> None:
        self.heater, self._night, self._world = heater, night, world
        self.zones = night.zones_of(heater)
        self.joules = self.amp_seconds = 0.0
        self.starts = 0
        self._is_burning = self._wants = False
        self._wait_s = 0.0

    def step(self) -> None:
        """Set burner and fans for the next step, and count what it draws and burns in it."""
        wanted = self._wanted_w()
        if wanted and not self._wants:
            self.starts += 1
            self.amp_seconds += self.heater.start_as
            self._wait_s = self.heater.start_s
        self._wants = wanted > 0
        watts = wanted if self._wait_s <= 0 else 0.0
        self._wait_s -= STEP_S
        if self.heater.has_coolant:
            self._world.set_burner(self.heater.device, watts)
        else:
            self._world.set_heat(self.heater.device, watts, self.zones[0])
        self.joules += watts * STEP_S
        self.amp_seconds += STEP_S * self._amps(watts)

    def _missing_k(self, zone: str) -> float:
        return self._night.inside_c - self._world.air_celsius(zone)

    def _wanted_w(self) -> float:
        heater = self.heater
        if heater.has_coolant:
            coolant_c = self._world.coolant_c
            if coolant_c >= (heater.resume_c if self._wants is False and self.starts else heater.pause_c):
                return 0.0
            part = (heater.low_c - coolant_c) / 15.0
        else:
            missing = max((self._missing_k(zone) for zone in self.zones), default=0.0)
            if missing <= (-THERMOSTAT_BAND_K / 2 if self._wants else THERMOSTAT_BAND_K / 2):
                return 0.0
            part = missing / THERMOSTAT_BAND_K
        return heater.full_w * max(heater.low_w / heater.full_w, min(1.0, part))

    def _amps(self, watts: float) -> float:
        heater = self.heater
        amps = heater.rest_amps + heater.pump_amps
        if watts:
            load = (watts - heater.low_w) / max(1.0, heater.full_w - heater.low_w)
            amps += heater.low_amps + load * (heater.full_amps - heater.low_amps)
        if heater.has_coolant:
            for zone in self.zones:
                speed = 0.0
                if self._world.coolant_c >= MIN_FAN_COOLANT_C:
                    speed = min(1.0, max(0.0, 0.3 + 1.5 * self._missing_k(zone)))
                self._world.set_cabin_fan(heater.device, speed, zone)
                amps += heater.fan_amps * speed**3
        return amps

    @property
    def litres(self) -> float:
        """The fuel burnt so far."""
        return self.joules / 3.6e6 / (self.heater.efficiency * self.heater.kwh_per_unit)


def _vehicle(rig: Rig, night: NightHeat) -> VehiclePlan:
    """Return the vehicle as the night finds it: kept warm, its batteries full, without people where none are given."""
    vehicle = rig.vehicle
    start = night.celsius
    people = vehicle.people if "people" in rig.model_fields_set else vehicle.people.model_copy(update={"count": 0})
    return vehicle.model_copy(
        update={
            "cabin": vehicle.cabin.model_copy(update={"start_c": start[FIRST_ZONE]}),
            "zones": tuple(zone.model_copy(update={"start_c": start[zone.name]}) for zone in vehicle.zones),
            "people": people,
            "coolant": vehicle.coolant.model_copy(update={"start_c": 65.0}),
            "hot_water": vehicle.hot_water.model_copy(update={"start_c": max(0.0, night.inside_c)}),
            "batteries": tuple(
                one.model_copy(update={"start_percent": 100.0, "start_c": night.place_c(one.zone or FIRST_ZONE)})
                for one in vehicle.batteries
            ),
        }
    )


def run_night(rig: Rig, night: NightHeat, other_amps: float) -> SimulatedNight:
    """Run the night of a rig in its physics, an hour before it included.

    ``other_amps`` is what everything but the heaters takes from the house battery all the time.
    """
    weather = WeatherPlan(outdoor_c=night.outdoor_c, latitude_deg=_POLAR_NIGHT_DEG, start_hour=22.0)
    world = World(_vehicle(rig, night), weather)
    serving = list(night.heater_by_zone.values())
    controls = [_Control(heater, night, world) for heater in night.heaters if heater in serving and heater.full_w]
    for zone, litres_per_s in night.fresh_air.items():
        world.set_vent(f"fresh air of {zone}", litres_per_s, zone)
    battery = rig.vehicle.battery
    owner = "the night"
    coldest = {zone: world.air_celsius(zone) for zone in night.zones}
    before: list[tuple[float, float, int]] = []
    percent = 100.0
    last_s = LEAD_S + round(night.hours * 3600)
    for second in range(0, last_s, STEP_S):
        if second == LEAD_S:
            before = [(one.litres, one.amp_seconds, one.starts) for one in controls]
            percent = world.battery_percent
            coldest = {zone: world.air_celsius(zone) for zone in night.zones}
        drawn = sum(one.amp_seconds for one in controls)
        for one in controls:
            one.step()
        amps = (sum(one.amp_seconds for one in controls) - drawn) / STEP_S
        world.set_load(owner, other_amps + amps, battery.name)
        world.advance((second + STEP_S) * SECOND_US)
        for zone in night.zones:
            coldest[zone] = min(coldest[zone], world.air_celsius(zone))
    taken = (percent - world.battery_percent) / 100 * battery.capacity_ah
    return SimulatedNight(
        {one.heater.device: one.litres - first[0] for one, first in zip(controls, before, strict=True)},
        {one.heater.device: one.starts - first[2] for one, first in zip(controls, before, strict=True)},
        taken,
        coldest,
        {name: world.tank_c(name) for name in ("fresh", "grey", "black")},
    )
