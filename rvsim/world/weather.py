"""The air outside.

Knows: the outdoor temperature at any second of a run, as a cosine over the day around its mean. Does not
know wind, sun or rain.
"""

from math import cos, pi

from rvsim.rig.vehicle import WeatherPlan

_SECONDS_OF_DAY = 86_400


class Weather:
    """Outdoor temperature as a function of time only: any second may be computed, in any order."""

    def __init__(self, plan: WeatherPlan) -> None:
        self._mean_c = plan.outdoor_c
        self._amplitude_k = plan.swing_amplitude_k
        self._start_s = (plan.start_hour - plan.warmest_hour) * 3600

    def outdoor_c(self, second: int) -> float:
        """Return the temperature in degrees Celsius, ``second`` seconds after the start of the run."""
        return self._mean_c + self._amplitude_k * cos(2 * pi * (self._start_s + second) / _SECONDS_OF_DAY)
