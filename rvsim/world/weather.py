"""The air outside, wind and sun, by the second of a run.

Knows: the outdoor temperature as a constant, as a cosine over the day, or between the rows of a table; humidity, wind
and clouds; the sun by latitude, day of the year and hour. Does not know rain or snow, nor what a vehicle does with it.

Everything is a function of time only: any second may be computed, in any order.
"""

from collections.abc import Callable
from functools import partial
from math import cos, pi
from typing import NamedTuple

from rvsim.rig.climate import WeatherPlan
from rvsim.rig.weather_table import WeatherTable, read_weather_table
from rvsim.world import sun
from rvsim.world.moist_air import SEA_LEVEL_PA, humidity_ratio, pressure_pa, saturation_pa

_SECONDS_OF_DAY = 86_400
_FIXED = frozenset({"table", "start_hour", "altitude_m", "latitude_deg"})
"""Keys that a run does not change: its clock and its place."""


class Conditions(NamedTuple):
    """The weather of one moment."""

    outdoor_c: float
    humidity_ratio: float
    wind_m_per_s: float
    elevation: float
    """Of the sun, in degrees, with refraction."""
    azimuth: float
    """Of the sun, in degrees from the vehicle's front, clockwise."""
    power: sun.SunPower

    def on_plane(self, tilt: float, facing: float) -> tuple[float, float, float]:
        """Return what a plane gets, in W/m2: straight from the sun, at which cosine, and from sky and ground."""
        met = sun.incidence_cos(self.elevation, self.azimuth, tilt, facing)
        around = sun.sky_on_plane(self.power.sky, tilt) + sun.ground_on_plane(self.power.level, tilt)
        return self.power.beam * met, met, around


class Weather:
    """Outdoor temperature for each second, and the other conditions."""

    outdoor_c: Callable[[int], float]
    """Returns the temperature in degrees Celsius, so many seconds after the start of the run."""

    def __init__(
        self, plan: WeatherPlan, replaced: frozenset[str] = frozenset(), table: WeatherTable | None = None
    ) -> None:
        self.plan = plan
        self.pressure_pa = pressure_pa(plan.altitude_m)
        self.air_density = self.pressure_pa / SEA_LEVEL_PA
        """Density of air by that at sea level."""
        self._replaced = replaced
        if table is None:
            table = read_weather_table(plan.table) if plan.table else WeatherTable(1.0, {})
        self._table = table
        self._step_s = table.step_s
        self._columns = {name: column for name, column in table.columns.items() if name not in replaced}
        if "outdoor_c" in self._columns:
            self.outdoor_c = partial(self._between_rows, self._columns["outdoor_c"])
        elif plan.swing_amplitude_k:
            self._swing_start_s = (plan.start_hour - plan.warmest_hour) * 3600
            self.outdoor_c = self._swing_c
        else:
            self.outdoor_c = self._constant_c
        self.is_outdoor_constant = self.outdoor_c == self._constant_c
        """Whether the temperature outside is the same in all seconds."""

    def changed(self, **figures: float) -> "Weather":
        """Return the weather with other figures, by the keys of the plan; they replace columns of its table, too.

        Raises:
            ValueError: there is no such key, or a figure is outside its range.
        """
        for key in figures.keys() & _FIXED:
            raise ValueError(f"{key} does not change during a run: give another key of the weather")
        given = {key: getattr(self.plan, key) for key in WeatherPlan.model_fields} | figures
        return Weather(WeatherPlan.model_validate(given), self._replaced | figures.keys(), self._table)

    def conditions(self, second: int) -> Conditions:
        """Return humidity, wind and sun, so many seconds after the start of the run."""
        plan = self.plan
        outdoor_c = self.outdoor_c(second)
        humid = self._at("humidity_percent", second) / 100
        ratio = humidity_ratio(humid * saturation_pa(outdoor_c), self.pressure_pa)
        days = plan.day_of_year - 1 + (plan.start_hour * 3600 + second) / _SECONDS_OF_DAY
        place = sun.sun_position(sun.NEW_YEAR + days, plan.latitude_deg)
        azimuth = (place.azimuth - plan.heading_deg) % 360
        elevation = place.elevation
        if elevation <= 0:
            power = sun.NIGHT
        else:
            elevation += sun.refraction_deg(elevation, self.pressure_pa, outdoor_c)
            zenith = 90 - elevation
            if "sun_w_per_m2" in self._columns:
                power = sun.split_level(self._at("sun_w_per_m2", second), zenith)
            else:
                mass = sun.air_mass(zenith) * self.air_density
                clear = sun.clear_sky(zenith, mass, plan.altitude_m)
                power = sun.clouded(clear, zenith, self._at("cloud_percent", second))
        return Conditions(outdoor_c, ratio, self._at("wind_m_per_s", second), elevation, azimuth, power)

    def _at(self, name: str, second: int) -> float:
        column = self._columns.get(name)
        return float(getattr(self.plan, name)) if column is None else self._between_rows(column, second)

    def _between_rows(self, column: tuple[float, ...], second: int) -> float:
        """Interpolate; after the last row its value stays."""
        place = second / self._step_s
        row = int(place)
        if row >= len(column) - 1:
            return column[-1]
        below = column[row]
        return below + (place - row) * (column[row + 1] - below)

    def _constant_c(self, second: int) -> float:  # noqa: ARG002 - the same in all seconds
        return self.plan.outdoor_c

    def _swing_c(self, second: int) -> float:
        plan = self.plan
        part = (self._swing_start_s + second) / _SECONDS_OF_DAY
        return plan.outdoor_c + plan.swing_amplitude_k * cos(2 * pi * part)
