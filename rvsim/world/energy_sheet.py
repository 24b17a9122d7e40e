"""Heat, fuel, temperature and charge of a run, beside a calculation by hand from the rig's figures and averages.

Knows: how these are worked out with a pocket calculator: a loss in W/K times a mean difference times hours, a heating
value, amperes times hours. Does not know how the physics steps: it reads sums and averages, and computes anew.

By hand means in one step for the whole run. What that leaves out is in the difference: the lining that lags behind the
air, walls that the sun warms, Peukert's law and self-discharge.
"""

from collections.abc import Callable, Iterator
from functools import partial
from math import fsum
from typing import NamedTuple

from rvsim.rig.vehicle import VehiclePlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.coolant import mix_j_per_litre_k
from rvsim.world.world import World

MIN_HOURS = 1.0
"""Of a shorter run nothing is said: what the lining takes up decides, which a calculation by hand leaves out."""
SAMPLE_US = 60 * SECOND_US
"""Averages are those of one sample a minute."""
_AIR_W_PER_M3_H_K = 0.336
"""Heat of a m3 of air an hour for each degree: 1.204 kg/m3 x 1006 J/(kg K) / 3600 s."""
_DIESEL_KWH_PER_LITRE = 35.81 / 3.6
"""Lower heating value: 128488 Btu a US gallon, US DOE Alternative Fuels Data Center."""
_J_PER_KWH = 3_600_000


def _signed(kwh: float) -> str:
    return f"{'-' if kwh < 0 else '+'} {abs(kwh):.2f}"


class EnergyLine(NamedTuple):
    """One figure of the run, as simulated and by hand, in its unit, and the calculation with its figures."""

    what: str
    simulated: float
    by_hand: float
    unit: str
    formula: str


class _Mean:
    """The mean of a reading that is sampled from time to time, by the trapezoid rule."""

    def __init__(self, read: Callable[[], float]) -> None:
        self._read = read
        self.first = self.last = read()
        self._sum = self._hours = 0.0

    def sample(self, hours: float) -> None:
        before, self.last = self.last, self._read()
        self._sum += hours * (before + self.last) / 2
        self._hours += hours

    @property
    def mean(self) -> float:
        return self._sum / self._hours if self._hours else self.last

    @property
    def growth(self) -> float:
        return self.last - self.first


class EnergySheet:
    """Samples a run: create it at the start, call ``sample`` each ``SAMPLE_US`` and at the end, then read ``lines``."""

    def __init__(self, world: World, plan: VehiclePlan) -> None:
        self._world, self._plan = world, plan
        self._hours, self._time = 0.0, 0
        self._fuel_at_start = world.fuel_litres
        self._outdoors = _Mean(lambda: world.outdoor_c)
        self._airs = {name: _Mean(partial(world.air_celsius, name)) for name in world.zone_names}
        self._linings = {name: _Mean(partial(world.lining_celsius, name)) for name in world.zone_names}
        self._changes = {name: _Mean(partial(world.air_changes_per_hour, name)) for name in world.zone_names}
        self._coolant = _Mean(lambda: world.coolant_c)
        self._water = _Mean(lambda: world.water_c)
        self._amps_out = _Mean(lambda: max(world.battery_amps, 0.0))
        self._amps_in = _Mean(lambda: max(-world.battery_amps, 0.0))
        self._other_fuel = _Mean(lambda: world.other_fuel_litres_per_h)
        self._percent = _Mean(lambda: world.battery_percent)

    def sample(self, time: int) -> None:
        """Take in the present readings, of a time in microseconds since the start."""
        if time <= self._time:
            return
        hours = (time - self._time) / (3600 * SECOND_US)
        self._time = time
        self._hours += hours
        means = (*self._airs.values(), *self._linings.values(), *self._changes.values())
        others = (self._outdoors, self._coolant, self._water, self._amps_out, self._amps_in, self._percent)
        for mean in (*others, self._other_fuel, *means):
            mean.sample(hours)

    @property
    def lines(self) -> tuple[EnergyLine, ...]:
        """The figures of the run up to the last sample; none in the first hour."""
        return tuple(self._lines()) if self._hours >= MIN_HOURS else ()

    def _lines(self) -> Iterator[EnergyLine]:
        plan, account, hours = self._plan, self._world.heat_account(), self._hours
        zones = {"cabin": plan.cabin, **{zone.name: zone for zone in plan.zones}}
        losses, texts = {}, []
        for name, zone in zones.items():
            air = zone.volume_m3 * self._changes[name].mean
            losses[name] = zone.walls_w_per_k + zone.glass_w_per_k + _AIR_W_PER_M3_H_K * air
            kelvin = self._airs[name].mean - self._outdoors.mean
            walls = f"{zone.walls_w_per_k + zone.glass_w_per_k:.1f} W/K + {_AIR_W_PER_M3_H_K} x {air:.1f} m3/h"
            texts.append(f"({walls}) x {kelvin:.1f} K")
        outdoors = self._outdoors.mean
        lost = fsum(losses[name] * (self._airs[name].mean - outdoors) for name in zones) * hours / 1000
        text = f"{' + '.join(texts)}, x {hours:g} h / 1000"
        simulated = account.outdoors_j / _J_PER_KWH
        if simulated < 0:
            yield EnergyLine("heat gained from the outside", -simulated, -lost, "kWh", f"-({text})")
        else:
            yield EnergyLine("heat lost to the outside", simulated, lost, "kWh", text)

        stored = fsum(kwh * kelvin for kwh, kelvin in self._stores())
        others = (account.people_j + account.sun_j + account.gains_j + account.water_j - account.drawn_j) / _J_PER_KWH
        text = f"{lost:.2f} lost {_signed(stored)} stored"
        if account.burner_j:
            burnt = lost + stored - others
            text += f" {_signed(-others)} from people, sun and everything else"
            yield EnergyLine("heat of burners into the coolant", account.burner_j / _J_PER_KWH, burnt, "kWh", text)
        else:
            burnt = 0.0
            taken = others - account.outdoors_j / _J_PER_KWH
            sign, what = (1, "into") if taken >= 0 else (-1, "out of")
            parts = [f"{kwh:.3f} kWh/K x {sign * kelvin:.1f} K" for kwh, kelvin in self._stores() if kelvin]
            what = f"heat {what} air, lining, coolant and hot water, without a burner"
            yield EnergyLine(what, sign * taken, sign * stored, "kWh", " + ".join(parts) or "nothing changed")

        efficiency = plan.coolant.burner_efficiency_percent / 100
        used, text = max(burnt, 0.0) / (efficiency * _DIESEL_KWH_PER_LITRE), "no heat of a burner"
        if burnt > 0:
            text = f"{burnt:.2f} kWh / ({efficiency:g} x {_DIESEL_KWH_PER_LITRE:.2f} kWh/l)"
        elsewhere = self._other_fuel.mean
        if elsewhere:  # air furnaces, a generator, fuel that a heater doses before its flame is there
            used += elsewhere * hours
            text = f"{text} + {elsewhere:.3f} l/h not for the coolant x {hours:g} h"
        simulated = self._fuel_at_start + self._world.filled_fuel_litres - self._world.fuel_litres
        if account.burner_j or elsewhere or simulated > 0:
            yield EnergyLine("fuel", simulated, used, "l", text)

        if len(zones) == 1:
            (loss,) = losses.values()
            (cabin,) = self._airs.values()
            heat = account.burner_j / _J_PER_KWH + others
            mean = outdoors + (heat - stored) * 1000 / (loss * hours)
            given = f"({heat:.2f} given {_signed(-stored)} stored) kWh x 1000"
            text = f"{outdoors:.1f} + {given} / ({loss:.1f} W/K x {hours:g} h)"
            yield EnergyLine("mean temperature of the cabin", cabin.mean, mean, "degC", text)

        yield self._charge_line(hours)

    def _charge_line(self, hours: float) -> EnergyLine:
        """Return the charge of the house battery."""
        battery = self._plan.battery
        stored_share = self._world.battery().charge_efficiency
        amps = self._amps_out.mean - stored_share * self._amps_in.mean
        percent = min(100.0, max(0.0, self._percent.first - 100 * amps * hours / battery.capacity_ah))
        given = f"({self._amps_out.mean:.2f} out - {stored_share:g} x {self._amps_in.mean:.2f} in) A x {hours:g} h"
        text = f"{self._percent.first:.1f} - 100 x {given} / {battery.capacity_ah:g} Ah"
        return EnergyLine("charge of the house battery at the end", self._percent.last, percent, "%", text)

    def _stores(self) -> Iterator[tuple[float, float]]:
        """Yield the heat capacity of zones, coolant and hot water in kWh/K, and by how much each has warmed."""
        for name, zone in {"cabin": self._plan.cabin, **{zone.name: zone for zone in self._plan.zones}}.items():
            air = zone.air_capacity_percent / 100
            growth = air * self._airs[name].growth + (1 - air) * self._linings[name].growth
            yield zone.heat_capacity_j_per_k / _J_PER_KWH, growth
        coolant, water = self._plan.coolant, self._plan.hot_water
        mix = mix_j_per_litre_k(coolant.glycol_percent, coolant.glycol)
        yield coolant.litres * mix / _J_PER_KWH, self._coolant.growth
        yield water.litres * mix_j_per_litre_k(0) / _J_PER_KWH, self._water.growth
