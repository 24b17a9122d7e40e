"""A night's heat by hand: what each zone loses, which heater makes up for it, and what the heater then burns and draws.

Knows: the steady loss of zones at one temperature outside, the temperature of a zone that nobody heats, and how a
heater burns for a steady need: at part load, or on and off where the need is below its lowest output. Does not know any
limit, nor how temperatures move (`simulated_night` has the physics).

Hot water, people who cook, the sun and the heat of electric loads are left out. The heat of people counts where the rig
has a table [people]; fresh air by a roof fan counts where a simulated panel runs one.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from rvsim.devices.kinds.heater import FULL_BELOW_C
from rvsim.devices.kinds.panel import FRESH_AIR_PERCENT, PanelSettings
from rvsim.devices.kinds.roof_fan import RoofFanSettings
from rvsim.plan.heaters import Heater, heater_of
from rvsim.plan.kind_settings import kind_settings
from rvsim.rig.climate import FIRST_ZONE, OUTDOORS, CabinPlan, ZonePlan
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.model import Rig
from rvsim.world.coolant import exchanged_w_per_k, mix_j_per_litre_k
from rvsim.world.infiltration import AIR_W_PER_LITRE_S_K
from rvsim.world.people import sensible_w

AIR_W_PER_M3_H_K = 0.336
"""Heat of a m3 of air an hour for each degree: 1.204 kg/m3 x 1006 J/(kg K) / 3600 s."""
MAX_STARTS_PER_H = 6.0
"""Starts an hour of an air furnace that burns half of the time; 4 x 6 x share x (1 - share) at another share, as a room
thermostat does (from memory)."""
THERMOSTAT_BAND_K = 1.0
_ROUNDS = 400
_FAN_EXPONENT = 0.8


@dataclass(frozen=True)
class HeaterRun:
    """How a heater runs for a steady need."""

    heater: Heater
    need_w: float
    hours: float
    output_w: float
    """Its heat while it burns."""
    starts: float
    amp_hours: float
    text: str
    """The calculation of ``amp_hours``."""

    @property
    def burning(self) -> float:
        """The share of the time that it burns, 0 to 1."""
        return min(1.0, self.need_w / self.output_w) if self.output_w else 0.0

    @property
    def litres(self) -> float:
        """The fuel of the night."""
        return (
            min(self.need_w, self.heater.full_w)
            * self.hours
            / 1000
            / (self.heater.efficiency * self.heater.kwh_per_unit)
        )


class NightHeat:
    """The heat of a rig's zones at a temperature outside and one inside, and the run of its heaters."""

    def __init__(self, rig: Rig, outdoor_c: float, inside_c: float, hours: float) -> None:
        self.rig, self.outdoor_c, self.inside_c, self.hours = rig, outdoor_c, inside_c, hours
        self.zones: Mapping[str, CabinPlan | ZonePlan] = {FIRST_ZONE: rig.cabin, **{one.name: one for one in rig.zones}}

    @cached_property
    def missing(self) -> tuple[str, ...]:
        """The keys without which no loss can be computed."""
        found = []
        for name, zone in self.zones.items():
            given = zone.model_fields_set
            if "heat_loss_w_per_k" not in given and not zone.walls:
                found.append(f"heat_loss_w_per_k or walls of {_place(name)}")
            if "volume_m3" not in given:
                found.append(f"volume_m3 of {_place(name)}")
        return tuple(found)

    @cached_property
    def heaters(self) -> tuple[Heater, ...]:
        """The heaters whose figures are known, by their kind."""
        return tuple(one for plan in self.rig.devices if (one := heater_of(plan, self.rig)) is not None)

    @cached_property
    def missing_of_heaters(self) -> tuple[str, ...]:
        """The keys of heaters that are missing: their kind, or their heat."""
        found = []
        for plan in self.rig.devices:
            if _is_unknown_furnace(plan):
                found.append(f"kind of device {plan.name} (heater or air_furnace, with its settings)")
            elif plan.kind == "heater" and "burner_w" not in self.rig.coolant.model_fields_set:
                found.append("burner_w of [coolant]")
        return tuple(dict.fromkeys(found))

    @cached_property
    def heater_by_zone(self) -> Mapping[str, Heater]:
        """The heater of each zone that is heated: of several the first."""
        found: dict[str, Heater] = {}
        for heater in self.heaters:
            for zone in heater.zones:
                found.setdefault(zone, heater)
        return found

    @cached_property
    def heated(self) -> frozenset[str]:
        """The zones that some heater keeps warm, also one of which only the function is known."""
        unknown = {plan.zone or FIRST_ZONE for plan in self.rig.devices if _is_unknown_furnace(plan)}
        return frozenset(self.heater_by_zone) | (unknown & self.zones.keys())

    @cached_property
    def celsius(self) -> Mapping[str, float]:
        """The temperature of each zone at rest: as it is kept where it is heated, else between its neighbours."""
        temperatures = dict.fromkeys(self.zones, self.inside_c)
        cold = [name for name in self.zones if name not in self.heated]
        for _ in range(_ROUNDS if cold else 0):
            for name in cold:
                outside = self.w_per_k(name)
                links = [(w_per_k, temperatures[other]) for other, w_per_k in self._links(name)]
                total = max(outside + sum(w_per_k for w_per_k, _ in links), 1e-6)
                given = self.people_w(name) + outside * self.outdoor_c + sum(k * celsius for k, celsius in links)
                temperatures[name] = given / total
        return temperatures

    def place_c(self, place: str) -> float:
        """Return the temperature of the air at a place: a zone, or outdoors."""
        return self.outdoor_c if place == OUTDOORS else self.celsius[place]

    def is_known(self, place: str) -> bool:
        """Tell whether the rig gives what the temperature of a place follows from."""
        return place == OUTDOORS or place in self.heated or not self.missing

    @cached_property
    def fresh_air(self) -> Mapping[str, float]:
        """The air in litres a second that roof fans blow out of each zone, as a simulated panel always runs them."""
        found: dict[str, float] = {}
        for panel in self.rig.devices:
            if panel.kind != "panel":
                continue
            settings = kind_settings(panel, PanelSettings)
            instances = {zone.roof_fan for zone in settings.zones.values()} if settings.zones else {settings.roof_fan}
            for fan in self.rig.devices:
                if fan.kind == "roof_fan" and instances.intersection(fan.functions.get("roof_fan", ())):
                    figures = kind_settings(fan, RoofFanSettings)
                    flow = figures.full_flow_litres_per_s * FRESH_AIR_PERCENT / 100
                    found[figures.zone] = found.get(figures.zone, 0.0) + flow
        return found

    def w_per_k(self, name: str) -> float:
        """Return what a zone loses to the outside for each degree: walls, glass and exchanged air."""
        zone = self.zones[name]
        air = zone.volume_m3 * zone.air_changes_per_hour + 3.6 * self.fresh_air.get(name, 0.0)
        return zone.walls_w_per_k + zone.glass_w_per_k + AIR_W_PER_M3_H_K * air

    def people_w(self, name: str) -> float:
        """Return the heat of the people of a zone; 0 without a table [people]."""
        people = self.rig.people
        if "people" not in self.rig.model_fields_set or people.zone != name:
            return 0.0
        return people.count * sensible_w(self.inside_c, people.activity)

    def need_w(self, name: str) -> float:
        """Return what a heater has to give to a zone: to the outside and to colder neighbours, less its people."""
        temperatures = self.celsius
        lost = self.w_per_k(name) * (temperatures[name] - self.outdoor_c)
        lost += sum(w_per_k * (temperatures[name] - temperatures[other]) for other, w_per_k in self._links(name))
        return max(0.0, lost - self.people_w(name))

    @cached_property
    def lost_w(self) -> float:
        """The heat of all zones to the outside."""
        return sum(self.w_per_k(name) * (self.celsius[name] - self.outdoor_c) for name in self.zones)

    @property
    def lost_text(self) -> str:
        """The calculation of ``lost_w``."""
        parts = []
        for name, zone in self.zones.items():
            walls = zone.walls_w_per_k + zone.glass_w_per_k
            air = f"{AIR_W_PER_M3_H_K} x {zone.volume_m3:g} m3 x {zone.air_changes_per_hour:g} /h"
            if name in self.fresh_air:
                air += f" + {AIR_W_PER_M3_H_K} x 3.6 x {self.fresh_air[name]:g} l/s by the roof fan"
            parts.append(f"{name} ({walls:.1f} W/K + {air}) x {self.celsius[name] - self.outdoor_c:.1f} K")
        return " + ".join(parts)

    @cached_property
    def runs(self) -> tuple[HeaterRun, ...]:
        """How each heater runs through the night."""
        return tuple(self._run(heater) for heater in self.heaters)

    def _links(self, name: str) -> list[tuple[str, float]]:
        """Return the neighbours of a zone with the heat that air carries between them for each degree."""
        pairs = [(zone.name, other, flow) for zone in self.rig.zones for other, flow in zone.exchange.items()]
        return [
            (other if one == name else one, AIR_W_PER_M3_H_K * flow)
            for one, other, flow in pairs
            if name in (one, other)
        ]

    def zones_of(self, heater: Heater) -> list[str]:
        """Return the zones that a heater keeps warm; of several heaters of a zone the first does."""
        return [zone for zone in heater.zones if self.heater_by_zone[zone] is heater]

    def need_text(self, heater: Heater) -> str:
        """Return what the zones of a heater need, each with what its people give."""
        parts = []
        for zone in self.zones_of(heater):
            people = f", after {self.people_w(zone):.0f} W of its people" if self.people_w(zone) else ""
            parts.append(f"{zone} {self.need_w(zone):.0f} W{people}")
        return " + ".join(parts) or "no zone"

    def _run(self, heater: Heater) -> HeaterRun:
        needs = {zone: self.need_w(zone) for zone in self.zones_of(heater)}
        need = sum(needs.values())
        output = min(heater.full_w, max(need, heater.low_w))
        share = min(1.0, need / output) if output else 0.0
        load = 1.0 if heater.full_w == heater.low_w else (output - heater.low_w) / (heater.full_w - heater.low_w)
        amps = heater.low_amps + load * (heater.full_amps - heater.low_amps)
        starts = self._starts(heater, need, output)
        fans = self._fan_amps(heater, needs, output, share)
        pump = heater.pump_amps if need else 0.0
        steady = heater.rest_amps + pump + amps * share + fans
        amp_hours = steady * self.hours + starts * heater.start_as / 3600
        parts = [f"{heater.rest_amps:g} A at rest"]
        parts += [f"{pump:g} A pump"] if pump else []
        parts += [f"{amps:.2f} A burner x {100 * share:.0f} % of the time"] if need else []
        parts += [f"{fans:.2f} A fan"] if fans else []
        text = f"({' + '.join(parts)}) x {self.hours:g} h"
        if starts:
            text += f" + {starts:.0f} starts x {heater.start_as / 3600:.2f} Ah ({heater.start_text})"
        return HeaterRun(heater, need, self.hours, output, starts, amp_hours, text)

    def _starts(self, heater: Heater, need: float, output: float) -> float:
        """Return how often a heater starts in the night.

        Where the need is below its lowest output the coolant swings between the points at which it pauses and starts
        again; of an air furnace a room thermostat decides.
        """
        if not need or need >= output:
            return 1.0 if need else 0.0
        if not heater.has_coolant:
            share = need / output
            return max(1.0, 4 * MAX_STARTS_PER_H * share * (1 - share) * self.hours)
        coolant = self.rig.coolant
        joule = coolant.litres * mix_j_per_litre_k(coolant.glycol_percent, coolant.glycol)
        joule *= heater.pause_c - heater.resume_c
        return max(1.0, self.hours * 3600 / (heater.start_s + joule / (output - need) + joule / need))

    def _fan_amps(self, heater: Heater, needs: Mapping[str, float], output: float, share: float) -> float:
        """Return the current of the fans that carry the need into the zones; it goes with the cube of their speed."""
        if not heater.has_coolant or not heater.fan_amps:
            return 0.0
        coolant = self.rig.coolant
        mean_c = (heater.pause_c + heater.resume_c) / 2
        if share == 1.0:
            mean_c = heater.low_c - (heater.low_c - FULL_BELOW_C) * output / heater.full_w
        flow = coolant.pump_litres_per_s * mix_j_per_litre_k(coolant.glycol_percent, coolant.glycol)
        total = 0.0
        for zone, need in needs.items():
            exchanger, air = coolant.cabin_exchanger_w_per_k, coolant.cabin_exchanger_air_litres_per_s
            need -= coolant.hose_loss_w_per_k * (mean_c - self.inside_c) if zone == FIRST_ZONE else 0.0
            plan = self.zones[zone]
            if isinstance(plan, ZonePlan):
                exchanger, air = plan.exchanger_w_per_k, plan.exchanger_air_litres_per_s
            total += heater.fan_amps * _speed(need / (mean_c - self.inside_c), exchanger, flow, air) ** 3
        return total


def _speed(w_per_k: float, exchanger_w_per_k: float, coolant_w_per_k: float, air_litres_per_s: float | None) -> float:
    """Return the fan's share of full speed at which an exchanger has this conductance; 1 where it cannot."""
    low, high = 0.0, 1.0
    if w_per_k <= 0 or exchanger_w_per_k <= 0:
        return 0.0
    for _ in range(30):
        middle = (low + high) / 2
        air = None if air_litres_per_s is None else AIR_W_PER_LITRE_S_K * air_litres_per_s * middle
        reached = exchanged_w_per_k(exchanger_w_per_k * middle**_FAN_EXPONENT, coolant_w_per_k, air)
        low, high = (middle, high) if reached < w_per_k else (low, middle)
    return high


def _is_unknown_furnace(plan: DevicePlan) -> bool:
    """Tell whether a device is a furnace of which only the function is known."""
    return "furnace" in plan.functions and plan.kind not in ("heater", "air_furnace")


def _place(zone: str) -> str:
    return f"[{FIRST_ZONE}]" if zone == FIRST_ZONE else f"zone {zone}"
