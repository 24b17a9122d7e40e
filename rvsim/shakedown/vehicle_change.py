"""Changes of the vehicle that a step makes: shore power, loads, branches, tanks, openings, people, weather, engine.

Knows: how a change is written and said. Does not know how it is made (`vehicle_effects`), nor when (`script`).
"""

from collections.abc import Iterator, Mapping
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from rvsim.rig.climate import Celsius, Percent
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake, OneLineText, Table
from rvsim.shakedown.start import BranchState, EngineSpeed, People, people_text
from rvsim.shakedown.vehicle_names import FUEL, VehicleNames, unknown_names
from rvsim.wire.quantity_text import Quantity, compose, figure, join

Amps = Annotated[float, Field(ge=0, le=1000)]
"""A current of a 12 V vehicle; the bound only finds typing mistakes (our choice)."""
Flow = Annotated[float, Field(gt=0, le=1000)]
"""Litres a minute; the bound only finds typing mistakes (our choice)."""
SquareMetres = Annotated[float, Field(ge=0, le=20)]
"""An opening of a vehicle; the bound only finds typing mistakes (our choice)."""
TAP_LITRES_PER_MIN = 6.0
"""A tap or a shower head of a small vehicle. Common practice, no source."""
HOSE_LITRES_PER_MIN = 20.0
"""A garden hose, or the outlet of a tank. Common practice, no source."""


class LoadPlan(Table):
    """A current that belongs to no device of the rig."""

    amps: Amps
    """The current; 0: switched off."""
    battery: OneLineText | None = None
    """The battery that it is drawn from; if omitted, the one of before, at first the house battery."""
    branch: OneLineText | None = None
    """The branch of the supply at whose end it is drawn, instead of a battery; if omitted, the one of before."""

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if self.battery is not None and self.branch is not None:
            raise ValueError("a load is drawn from a battery or at the end of a branch, and not both")
        return self


class DrawPlan(Table):
    """Water that somebody draws from a tank with fresh water; most of it comes into the grey tank."""

    litres: Annotated[float, Field(gt=0, le=2000)]
    """How much."""
    litres_per_min: Flow = TAP_LITRES_PER_MIN
    """How fast."""
    hot_percent: Percent = 0.0
    """The share that comes out of the hot-water tank."""
    tank: OneLineText = "fresh"
    """The tank."""


class LevelPlan(Table):
    """The level that a tank is filled or emptied to, or what is filled in."""

    percent: Percent | None = None
    """The level."""
    litres: Annotated[float, Field(ge=-2000, le=2000)] | None = None
    """How much is filled in, instead of a level; below 0: drained."""
    litres_per_min: Flow = HOSE_LITRES_PER_MIN
    """How fast."""

    @model_validator(mode="after")
    def _one_measure(self) -> Self:
        if (self.percent is None) == (self.litres is None):
            raise ValueError("write the level in percent, or the litres that are filled in, and not both")
        return self


def _read_load(given: object) -> object:
    if isinstance(given, LoadPlan):
        return given
    if isinstance(given, Mapping):
        return LoadPlan.model_validate(given)
    if isinstance(given, int | float) and not isinstance(given, bool):
        return LoadPlan(amps=given)
    text = 'is not a load; write its current, like 90.0, or { amps = 90.0, battery = "house" }'
    raise ValueError(f"{shown(given)} {text}")


def _read_level(given: object) -> object:
    if isinstance(given, LevelPlan):
        return given
    if isinstance(given, Mapping):
        return LevelPlan.model_validate(given)
    if isinstance(given, int | float) and not isinstance(given, bool):
        return LevelPlan(percent=given)
    text = "is not a level; write it in %, like 100.0, or { percent = 100.0, litres_per_min = 40.0 }"
    raise ValueError(f"{shown(given)} {text}, or {{ litres = 20.0 }}")


Load = Annotated[float | LoadPlan, BeforeValidator(_read_load)]
"""A current in A, or a table; a ``LoadPlan`` when it is checked."""
Level = Annotated[float | LevelPlan, BeforeValidator(_read_level)]
"""A level in %, or a table; a ``LevelPlan`` when it is checked."""


class WeatherChangePlan(Table):
    """What changes in the weather; the rest of it stays."""

    outdoor_c: Celsius | None = None
    """Mean temperature of the day."""
    swing_amplitude_k: Annotated[float, Field(ge=0, le=30)] | None = None
    """How far the warmest and the coldest hour are from the mean."""
    humidity_percent: Percent | None = None
    """Relative humidity of the air outside."""
    wind_m_per_s: Annotated[float, Field(ge=0, le=60)] | None = None
    """Wind."""
    cloud_percent: Percent | None = None
    """The share of the sky that clouds cover."""
    rain: bool | None = None
    """Whether it rains."""

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not self.model_fields_set:
            raise ValueError("it changes nothing; write a key, like outdoor_c = -15.0")
        return self

    @property
    def figures(self) -> Mapping[str, float]:
        """What changes, by the keys of a scenario's weather, without the rain."""
        given = {name: getattr(self, name) for name in type(self).model_fields if name != "rain"}
        return {name: value for name, value in given.items() if value is not None}

    def sentences(self) -> Iterator[str]:
        """Yield what is said of each."""
        figures: tuple[tuple[str, float | None, str], ...] = (
            ("it is", self.outdoor_c, "degC"),
            ("the day swings by", self.swing_amplitude_k, "K"),
            ("humidity is", self.humidity_percent, "%"),
            ("wind is", self.wind_m_per_s, "m/s"),
            ("clouds cover", self.cloud_percent, "%"),
        )
        for words, value, unit in figures:
            if value is not None:
                yield compose(f"{words} ", figure(value, unit), " outside" if unit == "degC" else "")
        if self.rain is not None:
            yield "rain starts" if self.rain else "rain stops"


class VehicleChangePlan(Table):
    """What a step changes in the vehicle or around it; what is not named stays as it is."""

    shore_power: bool | None = None
    """Whether the vehicle is connected to mains power."""
    load: Mapping[OneLineText, Load] = Field(default_factory=dict)
    """Currents in A that belong to no device, by names of your own, like { kettle = 90.0 }; 0 switches one off.
    { kettle = { amps = 90.0, battery = "house" } } names the battery."""
    branch: Mapping[OneLineText, BranchState] = Field(default_factory=dict)
    """Branches of the supply that somebody opens, or closes with a new fuse or by the breaker, by name, like
    { galley = "closed" }."""
    draw: DrawPlan | None = None
    """Water that is drawn, like { litres = 8.0, hot_percent = 60.0 }."""
    tank: Mapping[OneLineText, Level] = Field(default_factory=dict)
    """Levels in % that tanks are filled or emptied to, by name, like { fresh = 100.0 } or { grey = { percent = 0.0,
    litres_per_min = 40.0 } }; or what is filled in, like { fuel = { litres = 20.0 } }."""
    opening: Mapping[OneLineText, SquareMetres] = Field(default_factory=dict)
    """What is open to the outside in zones (doors, windows) in m², by name, like { cabin = 0.4 }; 0 closes it."""
    people: People = Field(default_factory=dict)
    """How many people are in zones, by name, like { cabin = 4 }."""
    weather: WeatherChangePlan | None = None
    """What changes in the weather, like { outdoor_c = -15.0, rain = true }."""
    engine_rpm: EngineSpeed | None = None
    """Turns of the engine a minute; 0 stops it."""

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not any(getattr(self, name) not in (None, {}) for name in type(self).model_fields):
            raise ValueError("it changes nothing; write a key, like shore_power = false")
        return self

    @property
    def sentence(self) -> str:
        """The change in words."""
        return join(", ", self._sentences())

    def _sentences(self) -> Iterator[str]:
        if self.shore_power is not None:
            yield "shore power is back" if self.shore_power else "shore power is lost"
        for name, given in self.load.items():
            load = as_load(given)
            source = "" if load.battery is None else f" from battery {load.battery}"
            source += "" if load.branch is None else f" at branch {load.branch}"
            yield f"{name} draws {load.amps:g} A{source}" if load.amps else f"{name} is switched off"
        for name, state in self.branch.items():
            yield f"branch {name} is opened" if state == "open" else f"branch {name} is closed again"
        if self.draw is not None:
            draw = self.draw
            hot = f" ({draw.hot_percent:g} % of it hot)" if draw.hot_percent else ""
            amount, speed = figure(draw.litres, "L"), _flow(draw.litres_per_min)
            yield compose(amount, f" of water{hot} is drawn from tank {draw.tank} at ", speed)
        for name, to in self.tank.items():
            level = as_level(to)
            flow = _flow(level.litres_per_min)
            if level.litres is None:
                yield compose(f"tank {name} is brought to {level.percent:g} % at ", flow)
            else:
                does = "filled into" if level.litres >= 0 else "drained from"
                yield compose(figure(abs(level.litres), "L"), f" are {does} tank {name} at ", flow)
        for zone, m2 in self.opening.items():
            yield f"{m2:g} m² of {zone} is opened" if m2 else f"{zone} is closed"
        for zone, count in self.people.items():
            yield people_text(count, zone)
        if self.weather is not None:
            yield from self.weather.sentences()
        if self.engine_rpm is not None:
            yield f"the engine runs at {self.engine_rpm:g} rpm" if self.engine_rpm else "the engine stops"

    def mistakes(self, names: VehicleNames) -> Iterator[Mistake]:
        """Yield the names that the rig does not have, or that mean something else in it; places are below the table."""
        for name, given in self.load.items():
            if name in names.devices:
                text = f"{shown(name)} is a device of the rig, which draws its own current; give the load another name"
                yield Mistake(("load", name), text, name)
            battery, branch = as_load(given).battery, as_load(given).branch
            for mistake in unknown_names("load", (branch,) if branch is not None else (), names.branches, "branches"):
                yield mistake._replace(place=("load", name, "branch"))
            if battery is not None:
                for mistake in unknown_names("load", (battery,), names.batteries, "batteries"):
                    yield mistake._replace(place=("load", name, "battery"))
        if self.draw is not None:
            tank, fresh = self.draw.tank, names.fresh_tanks
            for mistake in unknown_names("draw", (tank,), names.tanks, "tanks"):
                yield mistake._replace(place=("draw", "tank"))
            if tank in names.tanks and tank not in fresh:
                text = f"{shown(tank)} holds no fresh water; write one of {', '.join(fresh)}"
                yield Mistake(("draw", "tank"), text, tank)
        yield from unknown_names("branch", self.branch, names.branches, "branches")
        yield from unknown_names("tank", self.tank, (*names.tanks, FUEL), "tanks")
        yield from unknown_names("opening", self.opening, names.zones, "zones")
        yield from unknown_names("people", self.people, names.zones, "zones")


def as_load(given: float | LoadPlan) -> LoadPlan:
    """Return a load of either form."""
    return given if isinstance(given, LoadPlan) else LoadPlan(amps=given)


def as_level(given: float | LevelPlan) -> LevelPlan:
    """Return a level of either form."""
    return given if isinstance(given, LevelPlan) else LevelPlan(percent=given)


def _flow(litres_per_min: float) -> Quantity:
    return figure(litres_per_min, "L/min")
