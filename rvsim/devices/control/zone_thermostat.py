"""The thermostat of one zone among several: heat, cool, outside air, frost watch, in minimum times.

Knows: when it starts and stops heat and cooling by temperature, dead band, least times and mode; that air from outside
cools first where it is cooler. Does not know messages, nor which devices serve the zone. Every figure is common
practice, no source.
"""

from enum import StrEnum
from typing import Annotated, Literal, NamedTuple, Self

from pydantic import Field, model_validator

from rvsim.devices.control.day_clock import SchedulePoint, SetPointC
from rvsim.devices.device import Instance, Settings
from rvsim.wire.frame import SECOND_US

MODES: dict[str, int] = {"off": 0, "cool": 1, "heat": 2, "auto": 3, "fan": 4}
"""Operating modes of the thermostat (numbers from memory)."""
FULL_HEAT_ABOVE_K = 2.0
"""So far below its set point a zone is heated with full power, nearer with half."""
FROST_MARGIN_K = 2.0
"""The frost watch heats until it is so much warmer than its limit."""
MIN_VENT_DIFFERENCE_K = 2.0
"""Air from outside cools where it is so much cooler than inside."""
_Seconds = Annotated[float, Field(ge=0, le=7200)]


class ZoneSettings(Settings):
    """One zone: the instances of its devices, its set points and its times."""

    instance: Instance
    """The instance of its thermostat."""
    sensor: Instance
    """Instance of its ambient sensor."""
    furnace: Instance | None = None
    """Instance of the furnace that heats it; several zones may share one."""
    air_conditioner: Instance | None = None
    """Instance of the air conditioner that cools it."""
    roof_fan: Instance | None = None
    """Instance of the roof fan that brings air from outside."""
    mode: Literal["off", "cool", "heat", "auto", "fan"] = "auto"
    """The mode in which it starts; a thermostat command changes it."""
    heat_c: SetPointC = 21.0
    """Temperature that it heats to."""
    cool_c: SetPointC = 25.0
    """Temperature that it cools to."""
    dead_band_k: Annotated[float, Field(ge=0.2, le=10)] = 1.0
    """From switching on to switching off, half of it on each side of the set point."""
    min_on_s: _Seconds = 300.0
    """How long heat or cooling runs at least."""
    min_off_s: _Seconds = 300.0
    """How long it rests at least."""
    changeover_s: _Seconds = 900.0
    """How long it rests at least between heating and cooling."""
    schedule: tuple[SchedulePoint, ...] = ()
    """Set points by the time of day, like [{ at = "22:00", heat_c = 17 }]."""
    frost_c: Annotated[float, Field(ge=0, le=15)] | None = 4.0
    """Below this temperature of the zone or of its frost sensor it heats, whatever the mode."""
    frost_sensor: Instance | None = None
    """Instance of a further ambient sensor, where water may freeze."""

    @model_validator(mode="after")
    def _leaves_room(self) -> Self:
        if self.cool_c - self.heat_c < self.dead_band_k:
            raise ValueError(
                f"cool_c {self.cool_c:g} is less than the dead band of {self.dead_band_k:g} K above heat_c "
                f"{self.heat_c:g}, so that it would heat and cool in turn; raise cool_c"
            )
        return self


class Work(StrEnum):
    """What is done for a zone."""

    REST = "rest"
    HEAT = "heat"
    COOL = "cool"
    VENT = "vent"
    FAN = "fan"


class ZoneView(NamedTuple):
    """What the thermostat is told, temperatures in degrees Celsius; None for what is not known."""

    inside_c: float | None
    outside_c: float | None
    coldest_c: float | None
    """The lowest temperature of the zone and of its frost sensor."""
    can_heat: bool
    can_cool: bool
    can_vent: bool


class ZoneThermostat:
    """The state of one zone. Times are microseconds of the run."""

    def __init__(self, settings: ZoneSettings) -> None:
        self._settings = settings
        self.mode = MODES[settings.mode]
        self.heat_c, self.cool_c = settings.heat_c, settings.cool_c
        self.work = Work.REST
        self.heat_percent = 0.0
        self._since = 0
        self._rest_since: dict[Work, int] = {}
        """When heat and cooling ended last."""
        self.is_frost_watch = False

    def decide(self, now: int, view: ZoneView) -> None:
        """Decide what is done for the zone from now on."""
        wanted = self._wanted(view)
        if {wanted, self.work} == {Work.HEAT, Work.COOL}:
            wanted = Work.REST  # it stops first
        if wanted is not self.work and self._may_change(now, wanted, view):
            if self.work in (Work.HEAT, Work.COOL):
                self._rest_since[self.work] = now
            self.work, self._since = wanted, now
        self.heat_percent = 0.0
        if self.work is Work.HEAT:
            missing = self.heat_c - (self.heat_c if view.inside_c is None else view.inside_c)
            self.heat_percent = 100.0 if self.is_frost_watch or missing > FULL_HEAT_ABOVE_K else 50.0

    def _wanted(self, view: ZoneView) -> Work:
        self._watch_frost(view)
        if self.is_frost_watch and view.can_heat:
            return Work.HEAT
        inside, half = view.inside_c, self._settings.dead_band_k / 2
        if inside is None or self.mode == MODES["off"]:
            return Work.REST
        if self.mode in (MODES["heat"], MODES["auto"]) and view.can_heat:
            limit = self.heat_c + (half if self.work is Work.HEAT else -half)
            if inside < limit:
                return Work.HEAT
        if self.mode in (MODES["cool"], MODES["auto"]):
            limit = self.cool_c + (-half if self.work in (Work.COOL, Work.VENT) else half)
            if inside > limit:
                return self._cooling(view)
        return Work.FAN if self.mode == MODES["fan"] and view.can_vent else Work.REST

    def _cooling(self, view: ZoneView) -> Work:
        """Return how it is cooled: by air from outside where that helps, else by the air conditioner."""
        inside, outside = view.inside_c, view.outside_c
        helps = inside is not None and outside is not None and outside < inside - MIN_VENT_DIFFERENCE_K
        if view.can_vent and helps:
            return Work.VENT
        return Work.COOL if view.can_cool else Work.REST

    def _watch_frost(self, view: ZoneView) -> None:
        limit, coldest = self._settings.frost_c, view.coldest_c
        if limit is None or coldest is None:
            self.is_frost_watch = False
        elif coldest < limit:
            self.is_frost_watch = True
        elif coldest >= limit + FROST_MARGIN_K:
            self.is_frost_watch = False

    def _may_change(self, now: int, wanted: Work, view: ZoneView) -> bool:
        """Return whether the least times allow a change; a device that is lost, or the mode off, ends at once."""
        settings = self._settings
        if self.work in (Work.HEAT, Work.COOL):
            is_lost = not (view.can_heat if self.work is Work.HEAT else view.can_cool) or view.inside_c is None
            if not is_lost and self.mode != MODES["off"] and now - self._since < _us(settings.min_on_s):
                return False
        if wanted in (Work.HEAT, Work.COOL):
            other = Work.COOL if wanted is Work.HEAT else Work.HEAT
            rests = ((wanted, settings.min_off_s), (other, settings.changeover_s))
            ended = [(self._rest_since[work], seconds) for work, seconds in rests if work in self._rest_since]
            return all(now - since >= _us(seconds) for since, seconds in ended)
        return True


def _us(seconds: float) -> int:
    return round(seconds * SECOND_US)
